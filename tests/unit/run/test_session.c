/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A session over files alone: which folder, plan and actuator are refused, and with what words. */
#include "run/session.h"

#include <setjmp.h>
#include <sqlite3.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

struct scene {
	char folder[64];
	struct session s;
	struct mistakes m;
	struct err err;
};

static int begin(void **state)
{
	struct scene *t = calloc(1, sizeof *t);
	char command[400];

	assert_non_null(t);
	strcpy(t->folder, "/tmp/bridle-session-XXXXXX");
	assert_non_null(mkdtemp(t->folder));
	snprintf(command, sizeof command, "cp -r '%s/docs/examples/heron-lock/.' %s", SOURCE_ROOT, t->folder);
	assert_int_equal(system(command), 0);
	*state = t;
	return 0;
}

static int end(void **state)
{
	struct scene *t = *state;
	char command[100];

	snprintf(command, sizeof command, "rm -r %s", t->folder);
	assert_int_equal(system(command), 0);
	free(t);
	return 0;
}

static enum rc open_files(struct scene *t, const char *plan, const char *actuator)
{
	const struct session_want want = { .bench = t->folder, .plan = plan, .actuator = actuator };

	t->m = (struct mistakes){ 0 };
	t->err = (struct err){ 0 };
	return session_open(&want, &t->s, &t->m, &t->err);
}

static void write_to(const struct scene *t, const char *name, const char *text)
{
	char path[200];

	snprintf(path, sizeof path, "%s/%s", t->folder, name);
	FILE *f = fopen(path, "w");
	assert_non_null(f);
	fputs(text, f);
	assert_int_equal(fclose(f), 0);
}

static void a_folder_with_all_its_files(void **state)
{
	struct scene *t = *state;

	assert_int_equal(open_files(t, "gentle", NULL), RC_OK);
	assert_true(t->s.has_plan && t->s.has_actuator && t->s.weights.n > 0);
	assert_string_equal(t->s.plan_name, "gentle");
	assert_null(t->s.logbook); /* there is none yet, and nothing is to be written */
	session_close(&t->s);
	assert_int_equal(open_files(t, NULL, "paddle-winder"), RC_OK);
	assert_true(!t->s.has_plan && t->s.has_actuator);
	session_close(&t->s);
	char path[100];
	snprintf(path, sizeof path, "%s/weights.ini", t->folder);
	unlink(path);
	assert_int_equal(open_files(t, NULL, NULL), RC_OK); /* a rig without weights of its own */
	assert_int_equal(t->s.weights.n, 0);
	session_close(&t->s);
}

static void a_name_that_is_no_file_s(void **state)
{
	static const char *const names[] = {
		"", "../gentle", ".hidden", "a/b",
		"a-name-that-is-longer-than-sixty-three-letters-and-so-is-none-of-a-plan"
	};
	struct scene *t = *state;

	for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
		assert_int_equal(open_files(t, names[i], NULL), RC_ARG);
		assert_non_null(strstr(t->err.what, "expected the plain name of a file in plans/, without .ini"));
		assert_int_equal(open_files(t, NULL, names[i]), RC_ARG);
		assert_non_null(strstr(t->err.what, "expected the plain name of a file in actuators/"));
	}
}

static void a_file_that_is_not_there(void **state)
{
	struct scene *t = *state;

	write_to(t, "plans/notes.txt", "no plan");
	write_to(t, "plans/README", "no plan");
	write_to(t, "plans/.ini", "");
	assert_int_equal(open_files(t, "fast", NULL), RC_ARG);
	assert_string_equal(t->err.what, "there is no plan \"fast\" (plans/fast.ini); there is gentle, lock-sweep");
	assert_int_equal(open_files(t, NULL, "other"), RC_ARG);
	assert_string_equal(t->err.what,
			    "there is no actuator \"other\" (actuators/other.ini); there is paddle-winder");
	write_to(t, "plans/lost.ini", "[plan]\nactuator = other\nspeed = 60 rpm\n[steps]\ntorque = 0, 5 N.m\n");
	assert_int_equal(open_files(t, "lost", NULL), RC_ARG);
	assert_non_null(strstr(t->err.what, "plans/lost.ini: there is no actuator \"other\""));
}

/* More names than there is room for are cut. */
static void a_long_list_of_names_is_cut(void **state)
{
	struct scene *t = *state;
	char name[100];

	for (int i = 0; i < 6; i++) {
		snprintf(name, sizeof name, "plans/a-plan-whose-name-is-rather-long-%d.ini", i);
		write_to(t, name, "");
	}
	assert_int_equal(open_files(t, "fast", NULL), RC_ARG);
	assert_non_null(strstr(t->err.what, "; there is a-plan-whose-name-is-rather-long-0, a-plan"));
	assert_null(strstr(t->err.what, "gentle"));
}

/* All files are read, so that one look shows the mistakes of all; the first is the one that is told. */
static void mistakes_of_several_files_at_once(void **state)
{
	struct scene *t = *state;

	char path[100];
	snprintf(path, sizeof path, "%s/rig.ini", t->folder);
	FILE *f = fopen(path, "a");
	assert_non_null(f);
	fputs("\n[gaurd]\n", f);
	assert_int_equal(fclose(f), 0);
	write_to(t, "weights.ini", "[hanger]\nmass = heavy\n");
	write_to(t, "plans/gentle.ini", "[plan]\nspeed = fast\n");
	write_to(t, "actuators/paddle-winder.ini", "[actuator]\nratio = big\n");
	assert_int_equal(open_files(t, "gentle", "paddle-winder"), RC_ARG);
	assert_non_null(strstr(t->err.what, "[gaurd]: no such section"));
	static const char *const files[] = { "rig.ini:", "weights.ini:", "gentle.ini:", "paddle-winder.ini:" };
	for (size_t k = 0; k < sizeof files / sizeof files[0]; k++) {
		bool told = false;
		for (size_t i = 0; i < t->m.n; i++)
			told |= strstr(t->m.line[i], files[k]) != NULL;
		if (!told)
			fail_msg("no mistake of %s", files[k]);
	}
}

static void a_folder_that_is_none(void **state)
{
	struct scene *t = *state;
	char longer[400];
	const struct session_want want = { .bench = longer };

	memset(longer, 'd', sizeof longer - 1);
	longer[sizeof longer - 1] = '\0';
	assert_int_equal(session_open(&want, &t->s, &t->m, &t->err), RC_RANGE);
	assert_non_null(strstr(t->err.what, "the path of the bench folder is too long"));
	strcpy(longer, "/nowhere");
	assert_int_equal(session_open(&want, &t->s, &t->m, &t->err), RC_ARG);
	assert_non_null(strstr(t->err.what, "/nowhere is not a bench folder (no rig.ini in it)"));
}

/* What is no logbook is refused before anything is written; a run without a rig has no clock. */
static void the_logbook_of_a_session(void **state)
{
	struct scene *t = *state;
	const struct session_want write = { .bench = t->folder, .logbook_write = true };

	write_to(t, "logbook", "words");
	assert_int_not_equal(session_open(&write, &t->s, &t->m, &t->err), RC_OK);
	assert_int_not_equal(open_files(t, NULL, NULL), RC_OK);
	char path[100];
	snprintf(path, sizeof path, "%s/logbook", t->folder);
	unlink(path);
	assert_int_equal(session_open(&write, &t->s, &t->m, &t->err), RC_OK);
	assert_int_equal(session_run_begin(&t->s, "note", 0, &t->err), RC_OK);
	assert_int_equal(session_run_end(&t->s, "done", NULL, NULL, &t->err), RC_OK);
	assert_int_not_equal(session_run_end(&t->s, "done", NULL, NULL, &t->err), RC_OK); /* it has ended */
	session_close(&t->s);
	assert_int_equal(open_files(t, NULL, NULL), RC_OK); /* read again */
	assert_non_null(t->s.logbook);
	session_close(&t->s);
}

/* A run of a plan names it and its actuator; tables that somebody took away are told, whichever it is. */
static void what_the_logbook_refuses_is_told(void **state)
{
	static const struct {
		const char *drop;
		bool opens, begins;
	} rows[] = {
		{ "DROP TABLE event", true, true },
		{ "DROP TABLE run_end", true, true },
		{ "DROP TABLE run", false, false },
		{ "DROP TABLE record", false, false },
	};
	struct scene *t = *state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		const struct session_want write = { .bench = t->folder, .plan = "gentle", .logbook_write = true };
		char path[100];
		sqlite3 *db = NULL;
		snprintf(path, sizeof path, "%s/logbook", t->folder);
		assert_int_equal(session_open(&write, &t->s, &t->m, &t->err), RC_OK);
		t->s.clock = clock_machine();
		assert_int_equal(session_run_begin(&t->s, "sweep", 0, &t->err), RC_OK);
		struct run_info info;
		assert_int_equal(logbook_run_info(t->s.logbook, t->s.run_id, &info, &t->err), RC_OK);
		assert_string_equal(info.plan, "gentle");
		assert_string_equal(info.actuator, t->s.actuator.name);
		assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
		assert_int_equal(sqlite3_exec(db, rows[i].drop, NULL, NULL, NULL), SQLITE_OK);
		sqlite3_close(db);
		t->err = (struct err){ 0 };
		if (rows[i].begins) { /* the heat of the brake is an event, the end a row of its own */
			assert_int_equal(session_run_end(&t->s, "done", "", "", &t->err), RC_DB);
			assert_true(t->err.what[0]);
		} else {
			assert_int_equal(session_run_begin(&t->s, "sweep", 0, &t->err), RC_DB);
		}
		if (i == 0) {
			session_close(&t->s);
			assert_int_equal(session_open(&write, &t->s, &t->m, &t->err), RC_OK);
			t->s.clock = clock_machine();
			assert_int_equal(session_run_begin(&t->s, "sweep", 0, &t->err), RC_OK);
			assert_int_equal(session_run_end(&t->s, "done", "", "", NULL), RC_DB); /* nobody asks why */
		}
		session_close(&t->s);
		enum rc rc = session_open(&write, &t->s, &t->m, &t->err);
		assert_int_equal(rc == RC_OK, rows[i].opens);
		if (rc == RC_OK)
			session_close(&t->s);
		unlink(path);
	}
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, begin, end)

int main(void)
{
	const struct CMUnitTest tests[] = {
		TEST(a_folder_with_all_its_files), TEST(a_name_that_is_no_file_s),
		TEST(a_file_that_is_not_there),    TEST(mistakes_of_several_files_at_once),
		TEST(a_folder_that_is_none),       TEST(the_logbook_of_a_session),
		TEST(a_long_list_of_names_is_cut), TEST(what_the_logbook_refuses_is_told),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
