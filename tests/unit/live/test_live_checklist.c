/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "live/live_checklist.h"

#include <fcntl.h>
#include <pty.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/wait.h>

#include <cmocka.h>

#include "tests/unit/logbook/session_scene.h"

static const struct live_item items[] = {
	{ "cage", "Is the guard fastened?" },
	{ "hands", "Are all hands away?" },
	{ "oil", "Is the gear filled?" },
};
#define ITEMS (sizeof items / sizeof items[0])

static void open_run(struct book *b, struct session *s, struct live *live, bool is_virtual)
{
	scene_open(b, s);
	s->rig.is_virtual = is_virtual;
	scene_run(s, "ready");
	*live = (struct live){ .s = s };
}

static int64_t kept(struct book *b, const char *answer)
{
	char sql[120];

	snprintf(sql, sizeof sql, "SELECT count(*) FROM event WHERE kind = 'check' AND text LIKE '%s'", answer);
	return book_number(b, sql);
}

static void answers_by_option_are_for_virtual_benches(void **state)
{
	static const struct {
		const char *answers;
		bool is_virtual;
		const char *says; /* NULL: fine */
	} rows[] = {
		{ NULL, true, NULL },
		{ NULL, false, NULL },
		{ "yes", true, NULL },
		{ "NO", true, NULL },
		{ "yes", false, "must be typed" },
		{ "no", false, "must be typed" },
		{ "y", true, "--answers: found \"y\", expected yes (or no)" },
		{ "", true, "found \"\"" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		static struct session s;
		const struct live live = { .s = &s };
		struct err err = { 0 };

		s.rig.is_virtual = rows[i].is_virtual;
		assert_int_equal(live_answers_check(&live, rows[i].answers, &err), rows[i].says ? RC_ARG : RC_OK);
		if (rows[i].says)
			scene_says(&err, rows[i].says);
	}
}

static void each_answer_is_kept(void **state)
{
	struct session s;
	struct live live;
	struct live_answer answer[ITEMS] = { 0 };
	struct err err = { 0 };

	open_run(*state, &s, &live, true);
	assert_int_equal(live_checklist(&live, items, ITEMS, "yes", answer, &err), RC_OK);
	assert_int_equal(kept(*state, "%: yes"), 3);
	assert_int_equal(kept(*state, "hands: yes"), 1);
	assert_string_equal(answer[2].text, "yes");
}

static void the_first_no_ends_it(void **state)
{
	struct session s;
	struct live live;
	struct live_answer answer[ITEMS] = { 0 };
	struct err err = { 0 };

	open_run(*state, &s, &live, true);
	assert_int_equal(live_checklist(&live, items, ITEMS, "no", answer, &err), RC_SAYS_NO);
	scene_says(&err, "nothing was energised: \"Is the guard fastened?\" was answered no");
	assert_int_equal(kept(*state, "%"), 1);
	assert_int_equal(kept(*state, "cage: no"), 1);
	assert_string_equal(answer[0].text, "no");
	assert_string_equal(answer[1].text, "");
}

static void nobody_to_ask_is_told(void **state)
{
	struct session s;
	struct live live;
	struct err err = { 0 };
	int kept_in = dup(STDIN_FILENO), null = open("/dev/null", O_RDONLY);

	assert_true(kept_in >= 0 && null >= 0 && dup2(null, STDIN_FILENO) == STDIN_FILENO);
	open_run(*state, &s, &live, true);
	assert_int_equal(live_checklist(&live, items, ITEMS, NULL, NULL, &err), RC_ARG);
	scene_says(&err, "typed on a terminal; on a virtual bench --answers yes");
	s.rig.is_virtual = false;
	assert_int_equal(live_checklist(&live, items, ITEMS, NULL, NULL, &err), RC_ARG);
	assert_null(strstr(err.what, "--answers"));
	assert_int_equal(kept(*state, "%"), 0);
	dup2(kept_in, STDIN_FILENO);
	close(kept_in);
	close(null);
}

/* In a child whose terminal has these lines typed: what the checklist returned. */
static int typed(struct book *b, const char *lines)
{
	struct winsize size = { .ws_col = 80, .ws_row = 24 };
	int master, status;
	pid_t pid = forkpty(&master, NULL, NULL, &size);

	assert_true(pid >= 0);
	if (pid == 0) {
		struct session s;
		struct live live;

		alarm(20); /* one that asks without end */
		open_run(b, &s, &live, false);
		_exit((int)live_checklist(&live, items, ITEMS, NULL, NULL, NULL));
	}
	assert_int_equal(write(master, lines, strlen(lines)), (ssize_t)strlen(lines));
	for (char sink[512]; read(master, sink, sizeof sink) > 0;)
		;
	assert_int_equal(waitpid(pid, &status, 0), pid);
	close(master);
	assert_true(WIFEXITED(status));
	return WEXITSTATUS(status);
}

static void a_person_types_each_in_full(void **state)
{
	static const struct {
		const char *lines;
		enum rc rc;
		int64_t yes, no;
	} rows[] = {
		{ "yes\nyes\nYES\n", RC_OK, 3, 0 },
		{ "y\n\nyes\nyes\nyes please\nyes\n", RC_OK, 3, 0 }, /* asked again */
		{ "yes\nno\n", RC_SAYS_NO, 1, 1 },
		{ "yes\nq\n", RC_SAYS_NO, 1, 0 },
		{ "yes\n\004", RC_SAYS_NO, 1, 0 }, /* the end of input */
	};
	struct book *b = *state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_int_equal(typed(b, rows[i].lines), rows[i].rc);
		assert_int_equal(kept(b, "%: yes"), rows[i].yes);
		assert_int_equal(kept(b, "%: no"), rows[i].no);
		book_remove(b);
	}
}

#define ON_A_LOGBOOK(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(answers_by_option_are_for_virtual_benches),
		ON_A_LOGBOOK(each_answer_is_kept),
		ON_A_LOGBOOK(the_first_no_ends_it),
		ON_A_LOGBOOK(nobody_to_ask_is_told),
		ON_A_LOGBOOK(a_person_types_each_in_full),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
