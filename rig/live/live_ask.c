/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The person at the rig, or the hands of the virtual bench: questions and answers. */
#include "live/live.h"
#include "live/live_person.h"

#include "calib/number/units.h"
#include "link/control.h"

#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

enum rc live_hand(struct live *live, struct err *err, const char *format, ...)
{
	char text[120];
	va_list args;

	if (!live->hands)
		return RC_OK;
	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	return control_hand(live->s->control, err, "%s", text);
}

/* Signals reach a process, not an object. */
static volatile sig_atomic_t interrupted;

static void interrupt(int number)
{
	(void)number;
	interrupted = 1;
}

/* Ctrl-C at a question is the answer q, so that the run ends with its words and in the logbook. Without SA_RESTART the
 * reading ends. In a run so is whatever else asks for a stop (cli_watch_stop): a program that Ctrl-Z holds does not
 * watch over the person at the shaft. */
static const int answering_q[] = { SIGINT, SIGTERM, SIGHUP, SIGTSTP };
#define ANSWERING (sizeof answering_q / sizeof answering_q[0])

#define LOOK_MS 50

static size_t n_caught(void)
{
	return cli_is_watching() ? ANSWERING : 1;
}

static void catch_interrupt(struct sigaction old[ANSWERING])
{
	const struct sigaction act = { .sa_handler = interrupt };

	interrupted = 0;
	for (size_t i = 0; i < n_caught(); i++) {
		sigaction(answering_q[i], NULL, &old[i]);
		if (answering_q[i] != SIGHUP || old[i].sa_handler != SIG_IGN) /* cli_watch_stop */
			sigaction(answering_q[i], &act, NULL);
	}
	if (cli_is_watching() && cli_take_stop()) /* asked before the question was */
		interrupted = 1;
}

/* Whether nothing came, up to the last moment. */
static bool catch_no_more(const struct sigaction old[ANSWERING])
{
	for (size_t i = 0; i < n_caught(); i++)
		sigaction(answering_q[i], &old[i], NULL);
	return !interrupted;
}

/* In a run nothing that was typed before answers it, such as an Enter too many. */
static void say_question(const char *question)
{
	if (cli_is_watching())
		tcflush(STDIN_FILENO, TCIFLUSH);
	fprintf(stderr, "%s ", question);
	fflush(stderr);
}

/* In a run only a terminal is asked, which gives a line at a time. A signal just before a wait does not end it, so that
 * none is long. */
static void wait_for_input(void)
{
	struct pollfd in = { .fd = STDIN_FILENO, .events = POLLIN };

	while (cli_is_watching() && !interrupted && poll(&in, 1, LOOK_MS) <= 0)
		;
}

/* What is longer than an answer may be is no part of the next one. */
static void drop_rest(const char *buf)
{
	if (!strchr(buf, '\n'))
		for (int c = 0; c != '\n' && c != EOF;)
			c = getchar();
}

static bool read_answer(char *buf, size_t size)
{
	wait_for_input();
	if (interrupted || !fgets(buf, (int)size, stdin)) {
		clearerr(stdin);
		fputc('\n', stderr);
		return false;
	}
	drop_rest(buf);
	buf[strcspn(buf, "\r\n")] = '\0';
	return strcmp(buf, "q") != 0;
}

bool live_typed(const char *question, char *buf, size_t size)
{
	struct sigaction old[ANSWERING];

	catch_interrupt(old);
	say_question(question);
	bool answered = read_answer(buf, size);
	return catch_no_more(old) && answered;
}

/* While a person works the telemetry must be taken in, or it would stand in line and be old when it is read. On a bench
 * clock time stands still, so there is nothing to take in. person: watched meanwhile; false too when there is a cause.
 * NULL: nobody is at the shaft. */
static bool wait_for_line(struct live *live, struct live_person *person, const char *question, char *buf, size_t size)
{
	struct snapshot snap = snapshot_blank();
	struct pollfd in = { .fd = STDIN_FILENO, .events = POLLIN };
	const struct clock_src *clock = &live->s->clock;
	struct sigaction old[ANSWERING];

	catch_interrupt(old);
	say_question(question);
	while (!interrupted && !clock->is_bench && live->s->node && poll(&in, 1, 0) == 0) {
		struct err ignored;
		snap.now = clock->now(clock->ctx);
		if (person && !live_person_look(person)) {
			fputc('\n', stderr);
			catch_no_more(old);
			return false;
		}
		if (!person)
			session_poll(live->s, &snap);
		if (clock->sleep_until(clock->ctx, mono_add_ns(snap.now, ns_from_s(0.02)), &ignored) != RC_OK)
			break;
	}
	bool answered = read_answer(buf, size);
	return catch_no_more(old) && answered;
}

/* "(r repeat the last, d drop series)" in lines of their own, above the question. */
static void say_choices(const struct live_choice *choice, size_t n)
{
	char text[300] = "(";
	size_t used = 1;

	for (size_t i = 0; i < n && used < sizeof text; i++)
		used += (size_t)snprintf(text + used, sizeof text - used, "%s%s", i ? ", " : "", choice[i].words);
	if (n > 0 && used < sizeof text - 1) {
		strcat(text, ")");
		cli_wrapped(stderr, live_width(), "   ", "   ", text);
	}
}

/* Enter is '\0', a choice its key; false for anything else. */
static bool key_of(const char *typed, const struct live_choice *choice, size_t n, char *ret_key)
{
	*ret_key = '\0';
	if (!*typed)
		return true;
	for (size_t i = 0; i < n; i++)
		if (typed[0] == choice[i].key && !typed[1]) {
			*ret_key = choice[i].key;
			return true;
		}
	return false;
}

enum rc live_choose(struct live *live, const char *text, const char *done, const struct live_choice *choice, size_t n,
		    char *ret_key, struct err *err)
{
	char typed[64], question[160], seen[160], wrong[140];
	bool watched = live->weights && live->s->node;
	struct live_person person;

	if (!isatty(STDIN_FILENO))
		return err_set(err, RC_ARG, 0, "a person is needed (%s), but standard input is not a terminal%s", text,
			       live->s->rig.is_virtual ? "; on a virtual bench --hands does it" : "");
	if (watched) { /* before anybody is sent to the shaft */
		enum rc rc = live_person_begin(&person, live->s, &live->limits, &live->result, err);
		if (rc != RC_OK)
			return rc;
	}
	progress_clear(live->progress);
	fputc('\n', stderr);
	cli_wrapped(stderr, live_width(), ">> ", "   ", text);
	if (watched) {
		live_person_words(&person, seen, sizeof seen);
		cli_wrapped(stderr, live_width(), "   ", "   ", seen);
	}
	say_choices(choice, n);
	snprintf(question, sizeof question, "   Enter %s, q to stop:", done);
	for (;;) {
		bool typed_one = wait_for_line(live, watched ? &person : NULL, question, typed, sizeof typed);
		if (!typed_one && watched && person.verdict.cause != CAUSE_NONE)
			return live_person_stop(&person, &live->result, err);
		if (!typed_one)
			return err_set(err, RC_SAYS_NO, 0, "the operator stopped at: %s", text);
		if (key_of(typed, choice, n, ret_key))
			return RC_OK;
		snprintf(wrong, sizeof wrong,
			 "\"%.40s\" is not an answer here. Press Enter alone, or one letter and Enter.", typed);
		cli_wrapped(stderr, live_width(), "   ", "   ", wrong);
	}
}

static enum rc do_hands(struct live *live, const char *const *hand, struct err *err)
{
	enum rc rc = RC_OK;

	for (; hand && *hand && rc == RC_OK; hand++)
		rc = control_hand(live->s->control, err, "%s", *hand);
	return rc;
}

enum rc live_ask(struct live *live, const char *text, const char *const *hand, struct err *err)
{
	static const struct live_choice by_hands = { 'h', LIVE_BY_HANDS };
	char key = '\0';
	enum rc rc = RC_OK;

	if (!live->hands)
		rc = live_choose(live, text, "when done", &by_hands, live->s->control && hand ? 1 : 0, &key, err);
	return rc == RC_OK && (live->hands || key) ? do_hands(live, hand, err) : rc;
}

void live_tell_calibration(struct live *live)
{
	char text[500];

	if (session_older_calibration(live->s, text, sizeof text))
		live_note(live, "%s", text);
}
