/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The person at the rig, or the hands of the virtual bench: questions and answers. */
#include "command/live.h"

#include "calib/units.h"

#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
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

/* Ctrl-C at a question is the answer q, so that the run ends with its words and in the logbook. Without SA_RESTART the reading ends. */
static void catch_interrupt(struct sigaction *old)
{
	const struct sigaction act = { .sa_handler = interrupt };

	interrupted = 0;
	sigaction(SIGINT, &act, old);
}

static void say_question(const char *question)
{
	fprintf(stderr, "%s ", question);
	fflush(stderr);
}

static bool read_answer(char *buf, size_t size)
{
	if (interrupted || !fgets(buf, (int)size, stdin)) {
		clearerr(stdin);
		fputc('\n', stderr);
		return false;
	}
	buf[strcspn(buf, "\r\n")] = '\0';
	return strcmp(buf, "q") != 0;
}

bool live_typed(const char *question, char *buf, size_t size)
{
	struct sigaction old;

	catch_interrupt(&old);
	say_question(question);
	bool answered = read_answer(buf, size);
	sigaction(SIGINT, &old, NULL);
	return answered;
}

/* While a person works the telemetry must be taken in, or it would stand in line and be old when it is read. On a bench clock time
 * stands still, so there is nothing to take in. */
static bool wait_for_enter(struct live *live, char *buf, size_t size)
{
	struct snapshot snap = { .now = { 0 } };
	struct pollfd in = { .fd = STDIN_FILENO, .events = POLLIN };
	const struct clock_src *clock = &live->s->clock;
	struct sigaction old;

	catch_interrupt(&old);
	say_question("   Enter when done, q to stop:");
	while (!interrupted && !clock->is_bench && live->s->node && poll(&in, 1, 0) == 0) {
		struct err ignored;
		snap.now = clock->now(clock->ctx);
		node_poll(live->s->node, &snap);
		if (clock->sleep_until(clock->ctx, mono_add_ns(snap.now, ns_from_s(0.02)), &ignored) != RC_OK)
			break;
	}
	bool answered = read_answer(buf, size);
	sigaction(SIGINT, &old, NULL);
	return answered;
}

enum rc live_ask(struct live *live, const char *text, const char *const *hand, struct err *err)
{
	char buf[64];

	if (live->hands) {
		enum rc rc = RC_OK;
		for (; hand && *hand && rc == RC_OK; hand++)
			rc = live_hand(live, err, "%s", *hand);
		return rc;
	}
	if (!isatty(STDIN_FILENO))
		return err_set(err, RC_ARG, 0, "a person is needed (%s), but standard input is no terminal%s", text,
			       live->s->rig.is_virtual ? "; on a virtual bench --hands does it" : "");
	progress_clear(live->progress);
	fputc('\n', stderr);
	cli_wrapped(stderr, LIVE_WIDTH, ">> ", "   ", text);
	if (!wait_for_enter(live, buf, sizeof buf))
		return err_set(err, RC_SAYS_NO, 0, "stopped by the operator at: %s", text);
	return RC_OK;
}

void live_tell_calibration(struct live *live)
{
	char text[500];

	if (session_older_calibration(live->s, text, sizeof text))
		live_note(live, "%s", text);
}
