/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "live/live_checklist.h"

#include <stdio.h>
#include <strings.h>
#include <unistd.h>

enum rc live_answers_check(const struct live *live, const char *answers, struct err *err)
{
	if (answers && strcasecmp(answers, "yes") != 0 && strcasecmp(answers, "no") != 0)
		return err_set(err, RC_ARG, 0, "--answers: found \"%s\", expected yes (or no)", answers);
	if (answers && !live->s->rig.is_virtual)
		return err_set(
			err, RC_ARG, 0,
			"--answers: this rig is real (rig.ini has no [virtual] section): the answers must be typed");
	return RC_OK;
}

static enum rc check_person(const struct live *live, const char *answers, struct err *err)
{
	if (!answers && !isatty(STDIN_FILENO))
		return err_set(err, RC_ARG, 0, "the checklist's answers must be typed on a terminal%s",
			       live->s->rig.is_virtual ? "; on a virtual bench --answers yes gives them" : "");
	return RC_OK;
}

static bool ask(const struct live_item *item, size_t i, size_t n, char *answer, size_t size)
{
	char number[48];

	snprintf(number, sizeof number, "%2zu/%zu ", i + 1, n);
	for (;;) {
		cli_wrapped(stderr, cli_width(), number, "      ", item->question);
		if (!live_typed("      yes or no:", answer, size))
			return false;
		if (strcasecmp(answer, "yes") == 0 || strcasecmp(answer, "no") == 0)
			return true;
		fprintf(stderr, "      Type yes or no in full.\n");
	}
}

static enum rc keep(struct live *live, const struct live_item *item, const char *answer, struct err *err)
{
	const struct session *s = live->s;
	char text[200];

	snprintf(text, sizeof text, "%s: %s", item->word, answer);
	return logbook_event(s->logbook, s->run_id, s->clock.now(s->clock.ctx).ns, "check", text, err);
}

/* One item: asked, kept, judged. */
static enum rc take(struct live *live, const struct live_item *item, const char *answer, struct err *err)
{
	enum rc rc = keep(live, item, answer, err);

	if (rc != RC_OK)
		return rc;
	if (strcasecmp(answer, "yes") != 0)
		return err_set(err, RC_SAYS_NO, 0, "nothing was energised: \"%s\" was answered %s", item->question,
			       answer);
	return RC_OK;
}

enum rc live_checklist(struct live *live, const struct live_item *items, size_t n, const char *answers,
		       struct live_answer *ret, struct err *err)
{
	enum rc rc = check_person(live, answers, err);
	struct live_answer answer;

	if (rc == RC_OK && !answers)
		cli_wrapped(stderr, cli_width(), "\n", "",
			    "The checklist is no substitute for local codes, makers' instructions and licensed "
			    "practice.");
	for (size_t i = 0; i < n && rc == RC_OK; i++) {
		snprintf(answer.text, sizeof answer.text, "%s", answers ? answers : "");
		if (!answers && !ask(&items[i], i, n, answer.text, sizeof answer.text))
			return err_set(err, RC_SAYS_NO, 0, "the checklist was not finished; nothing was energised");
		if (ret)
			ret[i] = answer;
		rc = take(live, &items[i], answer.text, err);
	}
	return rc;
}
