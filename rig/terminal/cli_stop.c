/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli.h"

#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

/* Signals reach a process, not an object: this state cannot live with a caller. */
static const int asking[] = { SIGINT, SIGTERM, SIGHUP, SIGTSTP };
static const int dying[] = { SIGQUIT, SIGABRT, SIGSEGV, SIGBUS, SIGFPE, SIGILL };
#define ASKING (sizeof asking / sizeof asking[0])
#define DYING (sizeof dying / sizeof dying[0])

static volatile sig_atomic_t asked, again, keys;
static bool entered; /* Enter, since it was last looked for */
static struct termios before;
static struct sigaction old_asking[ASKING], old_dying[DYING];
static bool watching, second_dies, at_exit_set;

/* Only calls that POSIX lists as safe in a signal handler. */
static void restore_terminal(void)
{
	if (keys) {
		keys = 0;
		tcsetattr(STDIN_FILENO, TCSANOW, &before);
	}
}

static void die(int number)
{
	restore_terminal();
	signal(number, SIG_DFL);
	raise(number);
}

static void ask(int number)
{
	/* a terminal that closes may tell twice, by its shell and by itself: that is nobody in a hurry */
	if (asked && second_dies && number != SIGTSTP && number != SIGHUP)
		die(number);
	again = asked;
	asked = 1;
}

static bool in_foreground(void)
{
	return tcgetpgrp(STDIN_FILENO) == getpgrp();
}

static void raw_terminal(void)
{
	struct termios now;

	if (!isatty(STDIN_FILENO) || !in_foreground() || tcgetattr(STDIN_FILENO, &before) != 0)
		return;
	now = before;
	now.c_lflag &= (tcflag_t) ~(ICANON | ECHO);
	now.c_cc[VMIN] = 0;
	now.c_cc[VTIME] = 0;
	keys = 1; /* before the change: a signal in between restores what is not changed yet */
	if (tcsetattr(STDIN_FILENO, TCSANOW, &now) != 0)
		keys = 0;
}

void cli_watch_stop(bool second_ends)
{
	struct sigaction act = { .sa_handler = ask, .sa_flags = SA_RESTART };

	if (watching)
		return;
	watching = true;
	second_dies = second_ends;
	asked = again = 0;
	/* A pager that is left must not end a run; what nobody reads is lost. For good: a run has more than one watch.
	 */
	signal(SIGPIPE, SIG_IGN);
	sigemptyset(&act.sa_mask);
	for (size_t i = 0; i < ASKING; i++) {
		sigaction(asking[i], NULL, &old_asking[i]);
		if (asking[i] != SIGHUP || old_asking[i].sa_handler != SIG_IGN) /* nohup */
			sigaction(asking[i], &act, NULL);
	}
}

void cli_watch_keys(void)
{
	struct sigaction end = { .sa_handler = die };

	entered = false;
	if (keys)
		return;
	raw_terminal();
	if (!keys)
		return;
	sigemptyset(&end.sa_mask);
	for (size_t i = 0; i < DYING; i++)
		sigaction(dying[i], &end, &old_dying[i]);
	if (!at_exit_set)
		at_exit_set = atexit(restore_terminal) == 0;
}

bool cli_is_watching(void)
{
	return watching;
}

const char *cli_how_to_stop(void)
{
	return !watching ? "" : keys ? "q stops" : "Ctrl-C stops";
}

bool cli_stop_asked(void)
{
	struct pollfd in = { .fd = STDIN_FILENO, .events = POLLIN };
	char typed[16];

	/* also when it is known already: what is left over would answer the next question, or go to the shell */
	while (keys && poll(&in, 1, 0) == 1 && (in.revents & POLLIN) && in_foreground()) {
		ssize_t n = read(STDIN_FILENO, typed, sizeof typed);
		if (n <= 0)
			break;
		for (ssize_t i = 0; i < n; i++)
			if (strchr("qQ \033", typed[i]) && typed[i])
				asked = 1;
			else if (typed[i] == '\n' || typed[i] == '\r')
				entered = true;
	}
	return asked;
}

bool cli_enter_pressed(void)
{
	bool was = entered;

	entered = false;
	return was;
}

bool cli_stop_asked_again(void)
{
	return again;
}

bool cli_take_stop(void)
{
	if (!cli_stop_asked())
		return false; /* what comes from here on stays */
	asked = again = 0;
	return true;
}

void cli_unwatch_keys(void)
{
	if (!keys)
		return;
	cli_stop_asked(); /* keys that came since the last look */
	for (size_t i = 0; i < DYING; i++)
		sigaction(dying[i], &old_dying[i], NULL);
	restore_terminal();
}

bool cli_unwatch_stop(void)
{
	if (!watching)
		return false;
	cli_unwatch_keys();
	watching = false;
	for (size_t i = 0; i < ASKING; i++)
		sigaction(asking[i], &old_asking[i], NULL);
	return asked;
}
