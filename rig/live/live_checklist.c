/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "live/live_checklist.h"

#include <stdio.h>
#include <strings.h>
#include <unistd.h>

static enum rc check_answers(const struct live *live, const char *answers, struct err *err)
{
	bool is_virtual = live->s->rig.is_virtual;

	if (answers && strcasecmp(answers, "yes") != 0 && strcasecmp(answers, "no") != 0)
		return err_set(err, RC_ARG, 0, "--answers: found \"%s\", expected yes (or no)", answers);
	if (answers && !is_virtual)
		return err_set(
			err, RC_ARG, 0,
			"--answers: this rig is real (rig.ini has no [virtual] section): the answers must be typed");
	if (!answers && !isatty(STDIN_FILENO))
		return err_set(err, RC_ARG, 0, "the checklist's answers must be typed on a terminal%s",
			       is_virtual ? "; on a virtual bench --answers yes gives them" : "");
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

enum rc live_checklist(struct live *live, const struct live_item *items, size_t n, const char *answers, struct err *err)
{
	enum rc rc = check_answers(live, answers, err);
	char answer[24];

	if (rc == RC_OK && !answers)
		cli_wrapped(stderr, cli_width(), "\n", "",
			    "The checklist is no substitute for local codes, makers' instructions and licensed "
			    "practice.");
	for (size_t i = 0; i < n && rc == RC_OK; i++) {
		snprintf(answer, sizeof answer, "%s", answers ? answers : "");
		if (!answers && !ask(&items[i], i, n, answer, sizeof answer))
			return err_set(err, RC_SAYS_NO, 0, "the checklist was not finished; nothing was energised");
		rc = keep(live, &items[i], answer, err);
		if (rc == RC_OK && strcasecmp(answer, "yes") != 0)
			rc = err_set(err, RC_SAYS_NO, 0, "not started: \"%s\" was answered %s", items[i].question,
				     answer);
	}
	return rc;
}
