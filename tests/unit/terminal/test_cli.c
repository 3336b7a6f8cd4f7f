/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli.h"
#include "terminal/cli_narrow_private.h"
#include "terminal/live_line.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <pty.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#define OUT 16384

static const char *rate;
static bool loud;
static const struct cli_option options[] = {
	{ "rate", "HZ", "samples a second (default 100 Hz)", &rate, NULL },
	{ "loud", NULL, "a flag", NULL, &loud },
};
static const struct cli_spec spec = {
	.name = "try",
	.usage = "try FILE [options]",
	.about = "About this.",
	.examples = "  bridle try x\n",
	.options = options,
	.n_options = 2,
	.min_args = 1,
	.max_args = 2,
};

static enum rc parse(const char *line, struct cli *cli, struct err *err)
{
	static char buf[400];
	static char *argv[20];
	int argc = 0;

	snprintf(buf, sizeof buf, "%s", line);
	for (char *word = strtok(buf, " "); word; word = strtok(NULL, " "))
		argv[argc++] = word;
	argv[argc] = NULL;
	rate = NULL;
	loud = false;
	return cli_parse(&spec, argc, argv, cli, err);
}

static void takes_options_anywhere(void **state)
{
	struct cli cli;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(parse("try --rate=50 a --loud b --json --bench dir --quiet", &cli, &err), RC_OK);
	assert_string_equal(rate, "50");
	assert_true(loud && cli.json && cli.quiet && !cli.help_shown);
	assert_string_equal(cli.bench, "dir");
	assert_int_equal(cli.n_args, 2);
	assert_string_equal(cli.args[0], "a");
	assert_string_equal(cli.args[1], "b");

	assert_int_equal(parse("try -- --rate", &cli, &err), RC_OK);
	assert_string_equal(cli.args[0], "--rate");
	assert_string_equal(cli.bench, ".");
	assert_false(loud || cli.json);
}

static void says_what_is_wrong_with_a_line(void **state)
{
	static const struct {
		const char *line, *what;
		bool json;
	} rows[] = {
		{ "try", "try: something is missing; usage: bridle try FILE [options]", false },
		{ "try a b c", "try: \"c\" is one argument too many; usage: bridle try FILE [options]", false },
		{ "try a --rte 5", "try: no option \"--rte\"; did you mean --rate?", false },
		{ "try a --rte=5 --json", "try: no option \"--rte\"; did you mean --rate?", true },
		{ "try a --zebra", "try: no option \"--zebra\"; bridle try --help lists what there is", false },
		{ "try a -x", "try: no option \"-x\"; bridle try --help lists what there is", false },
		{ "try a --rate", "try: --rate needs an argument; bridle try --help tells which", false },
		{ "try a --loud=3", "try: --loud takes no argument, found \"--loud=3\"", false },
		{ "try a --rate 5 --rate 6", "try: --rate is given twice; give it once", false },
		{ "try a --rate --loud", "try: --rate: found \"--loud\", which is an option; expected HZ", false },
		{ "try a --bench=", "try: --bench is empty; give the bench folder", false },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct cli cli;
		struct err err = { 0 };
		assert_int_equal(parse(rows[i].line, &cli, &err), RC_ARG);
		assert_string_equal(err.what, rows[i].what);
		assert_int_equal(cli.json, rows[i].json);
	}
}

/* Runs fn in a child whose standard output and error are pipes, or one terminal; returns its wait status. */
static int in_child(void (*fn)(void), bool terminal, int columns, char *out, char *err)
{
	int out_pipe[2], err_pipe[2], master = -1, slave = -1, status;
	struct winsize size = { .ws_col = (unsigned short)columns, .ws_row = 24 };
	size_t n = 0;
	ssize_t got;

	if (terminal) {
		assert_int_equal(openpty(&master, &slave, NULL, NULL, &size), 0);
	} else {
		assert_int_equal(pipe(out_pipe), 0);
		assert_int_equal(pipe(err_pipe), 0);
	}
	fflush(NULL);
	pid_t pid = fork();
	assert_true(pid >= 0);
	if (pid == 0) {
		dup2(terminal ? slave : out_pipe[1], STDOUT_FILENO);
		dup2(terminal ? slave : err_pipe[1], STDERR_FILENO);
		if (!terminal) {
			close(out_pipe[1]);
			close(err_pipe[1]);
		}
		fn();
		fflush(NULL);
		_exit(0);
	}
	close(terminal ? slave : out_pipe[1]);
	while ((got = read(terminal ? master : out_pipe[0], out + n, OUT - 1 - n)) > 0)
		n += (size_t)got;
	out[n] = '\0';
	close(terminal ? master : out_pipe[0]);
	if (!terminal) {
		close(err_pipe[1]);
		for (n = 0; (got = read(err_pipe[0], err + n, OUT - 1 - n)) > 0;)
			n += (size_t)got;
		err[n] = '\0';
		close(err_pipe[0]);
	}
	assert_int_equal(waitpid(pid, &status, 0), pid);
	return status;
}

static void show_help(void)
{
	struct cli cli;
	struct err err;

	if (parse("try --help --rate", &cli, &err) != RC_OK || !cli.help_shown)
		_exit(9);
}

static void help_lines_up(void **state)
{
	static char out[OUT], err[OUT];

	(void)state;
	assert_int_equal(in_child(show_help, false, 0, out, err), 0);
	assert_string_equal(out, "Usage: bridle try FILE [options]\n\nAbout this.\n\nOptions:\n"
				 "  --rate HZ    samples a second (default 100 Hz)\n"
				 "  --loud       a flag\n"
				 "  --bench DIR  the bench folder (default: the current folder)\n"
				 "  --json       print one JSON document on standard output and nothing else there\n"
				 "  --quiet      no progress\n"
				 "  --help       this text\n\n"
				 "Examples:\n  bridle try x\n");
	assert_string_equal(err, "");
}

static struct mistakes two_mistakes(void)
{
	struct mistakes m = { .n = 2, .more = 1, .line = { "rig.ini:1: \033[31mred", "rig.ini:2: b\xE4" } };

	return m;
}

static void fail_as_text(void)
{
	struct cli cli = { .bench = "." };
	struct err err = { .rc = RC_ARG, .what = "rig.ini has 2 mistakes" };
	struct mistakes m = two_mistakes();

	_exit(cli_fail(&cli, &err, NULL, &m));
}

static void fail_as_json(void)
{
	struct cli cli = { .bench = ".", .json = true };
	struct err err = { .rc = RC_IO, .what = "cable \xFF out" };
	struct mistakes m = two_mistakes();
	int status = cli_fail(&cli, &err, NULL, &m);

	_exit(status);
}

static void fail_at_length(void)
{
	struct cli cli = { .bench = "." };
	struct err err = { .rc = RC_ARG, .what = "all weights together make 33.88 N·m, the cell is full at 20 N·m" };
	struct mistakes same = { .n = 1 };

	snprintf(same.line[0], sizeof same.line[0], "weights.ini: %s", err.what);
	_exit(cli_fail(&cli, &err, NULL, &same));
}

/* Lines of at most 30 columns, no word cut, the only mistake told once. */
static void failures_keep_words_whole_on_a_terminal(void **state)
{
	static char out[OUT], err[OUT];

	(void)state;
	in_child(fail_at_length, true, 30, out, NULL);
	assert_string_equal(
		out, "bridle: all weights together\r\n    make 33.88 N·m, the cell\r\n    is full at 20 N·m\r\n");
	in_child(fail_at_length, false, 0, out, err);
	assert_string_equal(err, "bridle: all weights together make 33.88 N·m, the cell is full at 20 N·m\n");
}

static void failures_as_text_and_json(void **state)
{
	static char out[OUT], err[OUT];

	(void)state;
	int status = in_child(fail_as_text, false, 0, out, err);
	assert_int_equal(WEXITSTATUS(status), 2);
	assert_string_equal(out, "");
	assert_string_equal(err,
			    "bridle: rig.ini has 2 mistakes\n  rig.ini:1: ?[31mred\n  rig.ini:2: b?\n  and 1 more\n");
	status = in_child(fail_as_json, false, 0, out, err);
	assert_int_equal(WEXITSTATUS(status), 3);
	assert_string_equal(err, "");
	json_t *doc = json_loads(out, 0, NULL);
	assert_non_null(doc);
	assert_string_equal(json_string_value(json_object_get(doc, "cause")), "io");
	assert_string_equal(json_string_value(json_object_get(doc, "message")), "cable ? out");
	assert_int_equal(json_array_size(json_object_get(doc, "mistakes")), 2);
	json_decref(doc);
}

static void print_numbers(void)
{
	json_t *doc = json_object();

	json_object_set_new(doc, "third", cli_real(1.0 / 3.0));
	json_object_set_new(doc, "none", cli_real(NAN));
	_exit(cli_print_json(doc));
}

static void print_into_full_disk(void)
{
	if (!freopen("/dev/full", "w", stdout))
		_exit(9);
	_exit(cli_print_json(json_object()));
}

static void json_keeps_all_digits(void **state)
{
	static char out[OUT], err[OUT];

	(void)state;
	assert_int_equal(in_child(print_numbers, false, 0, out, err), 0);
	json_t *doc = json_loads(out, 0, NULL);
	double third = json_real_value(json_object_get(doc, "third")), exact = 1.0 / 3.0;
	assert_memory_equal(&third, &exact, sizeof third);
	assert_true(json_is_null(json_object_get(doc, "none")));
	json_decref(doc);
	int status = in_child(print_into_full_disk, false, 0, out, err);
	assert_int_equal(WEXITSTATUS(status), 3);
	assert_non_null(strstr(err, "could not be written"));
}

static void show(struct progress *p, double frac, double left_s)
{
	const struct live_line line = { .phase = "settle",
					.phase_s = NAN,
					.commanded_Nm = NAN,
					.commanded_A = NAN,
					.torque_Nm = 20.0,
					.speed_rpm = 85,
					.brake_A = 0.321,
					.voltage_V = 24,
					.current_A = 12.97,
					.count = NAN,
					.left_low_s = left_s,
					.left_high_s = left_s,
					.frac = frac };

	progress_update(p, &line);
}

static void progress_in_steps(void)
{
	struct progress *p = progress_new("sweep", false);

	for (int i = 0; i <= 1000; i++)
		show(p, i / 1000.0, (1000 - i) * 7.3);
	show(p, NAN, NAN);
	progress_line(p, "point %d", 4);
	progress_free(p);
}

static void progress_on_a_pipe_is_plain(void **state)
{
	static char out[OUT], err[OUT];
	int lines = 0;

	(void)state;
	assert_int_equal(in_child(progress_in_steps, false, 0, out, err), 0);
	assert_string_equal(out, "");
	assert_null(strchr(err, '\r'));
	assert_null(strchr(err, '\033'));
	for (char *at = err; (at = strchr(at, '\n')); at++)
		lines++;
	assert_int_equal(lines, 11); /* ten tenths and the point */
	assert_non_null(strstr(
		err, "sweep: 10 %, 20.00 N·m  85.0 rpm  brake 0.321 A  24.0 V 12.97 A  settling  1:49:30 left\n"));
	assert_non_null(strstr(err, "  12:10 left\n"));
	assert_non_null(strstr(err, "\npoint 4\n"));
}

static void progress_on_a_terminal_fits(void **state)
{
	static const int widths[] = { 80, 40, 20 };
	static char out[OUT];

	(void)state;
	for (size_t w = 0; w < 3; w++) {
		assert_int_equal(in_child(progress_in_steps, true, widths[w], out, NULL), 0);
		assert_non_null(strstr(out, "\033[K"));
		int column = 0, redraws = 0;
		for (char *c = out; *c; c++) {
			if (*c == '\r') {
				column = 0;
				redraws++;
			} else if (*c == '\n') {
				column = 0;
			} else if (*c == '\033') {
				c += 2;
			} else if (((unsigned char)*c & 0xC0) != 0x80 && ++column > widths[w] - 1) {
				fail_msg("%d columns are too many for %d", column, widths[w]);
			}
		}
		assert_in_range(redraws, 2, 60); /* a thousand updates, at most ten a second */
	}
}

static void paths_of_the_bench(void **state)
{
	static const struct {
		const char *bench, *path;
	} rows[] = {
		{ ".", "rig.ini" },
		{ "a/b", "a/b/rig.ini" },
		{ "a/", "a/rig.ini" },
		{ "/", "/rig.ini" },
	};
	char buf[40];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct cli cli = { .bench = rows[i].bench };
		assert_int_equal(cli_path(&cli, "rig.ini", buf, sizeof buf, NULL), RC_OK);
		assert_string_equal(buf, rows[i].path);
	}
	struct cli cli = { .bench = "a-folder-with-quite-a-long-name" };
	assert_int_equal(cli_path(&cli, "rig.ini", buf, 20, NULL), RC_RANGE);
}

/* ---- stop ---- */

static void a_signal_asks_for_a_stop(void **state)
{
	(void)state;
	cli_watch_stop(true);
	assert_false(cli_stop_asked());
	raise(SIGTSTP);
	assert_true(cli_stop_asked());
	assert_true(cli_unwatch_stop());
	cli_watch_stop(true);
	assert_false(cli_stop_asked());
	raise(SIGHUP);
	raise(SIGHUP); /* a terminal that closes tells twice */
	assert_true(cli_stop_asked());
	assert_true(cli_unwatch_stop());
	cli_watch_stop(true);
	assert_false(cli_unwatch_stop());
	assert_false(cli_unwatch_stop());
	cli_watch_stop(true);
	raise(SIGINT); /* nobody looks again before the end of the watch */
	assert_true(cli_unwatch_stop());
}

/* What a second and a third of each signal do to a process: its status as waitpid tells it. */
static int asked_thrice(bool second_ends, int number)
{
	int status;

	fflush(NULL);
	pid_t pid = fork();
	if (pid == 0) {
		cli_watch_stop(second_ends);
		raise(number);
		raise(number);
		raise(number);
		_exit(cli_stop_asked() && cli_stop_asked_again() ? 5 : 6);
	}
	waitpid(pid, &status, 0);
	return status;
}

static void a_second_signal_ends_only_what_moves_nothing(void **state)
{
	static const int both[] = { SIGINT, SIGTERM };

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		int status = asked_thrice(true, both[i]);
		assert_true(WIFSIGNALED(status) && WTERMSIG(status) == both[i]);
		status = asked_thrice(false, both[i]);
		assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 5);
	}
}

static void a_stop_that_was_taken_counts_anew(void **state)
{
	(void)state;
	assert_false(cli_is_watching());
	cli_watch_stop(false);
	assert_true(cli_is_watching());
	assert_false(cli_take_stop());
	raise(SIGINT);
	raise(SIGINT);
	assert_true(cli_stop_asked_again());
	assert_true(cli_take_stop());
	assert_false(cli_take_stop());
	assert_false(cli_stop_asked_again());
	raise(SIGINT);
	assert_true(cli_stop_asked());
	assert_false(cli_stop_asked_again());
	assert_true(cli_take_stop());
	assert_false(cli_unwatch_stop());
	assert_false(cli_is_watching());
}

/* nohup orders that a hang-up stops nothing. Nobody orders that of Ctrl-C: a script's & sets it by itself. */
static void an_ignored_hang_up_stops_nothing(void **state)
{
	(void)state;
	for (int second_ends = 0; second_ends < 2; second_ends++) {
		signal(SIGHUP, SIG_IGN);
		signal(SIGINT, SIG_IGN);
		cli_watch_stop(second_ends);
		raise(SIGHUP);
		assert_false(cli_stop_asked());
		raise(SIGINT);
		assert_true(cli_stop_asked());
		cli_unwatch_stop();
		assert_ptr_equal(signal(SIGHUP, SIG_DFL), SIG_IGN);
		assert_ptr_equal(signal(SIGINT, SIG_DFL), SIG_IGN);
	}
}

/* Neither a pipe that nobody reads nor one whose reader is gone holds a tick up or ends a run. */
static void progress_never_waits_in_a_hurry(void **state)
{
	int status, fd[2];

	(void)state;
	assert_int_equal(pipe(fd), 0);
	fcntl(fd[1], F_SETPIPE_SZ, 4096);
	fflush(NULL);
	pid_t pid = fork();
	if (pid == 0) {
		dup2(fd[1], STDERR_FILENO);
		struct progress *p = progress_new("test", false);
		cli_watch_stop(true);
		alarm(10);
		progress_hurry(p, true);
		for (int i = 0; i < 2000; i++) {
			progress_line(p, "%d", i);
			show(p, i / 2000.0, 1);
		}
		close(fd[0]);
		progress_line(p, "nobody");
		progress_hurry(p, false);
		progress_line(p, "nobody");
		_exit(7);
	}
	waitpid(pid, &status, 0);
	close(fd[0]);
	close(fd[1]);
	assert_true(WIFEXITED(status));
	assert_int_equal(WEXITSTATUS(status), 7);
}

enum ending { END_UNWATCH, END_KEYS, END_EXIT, END_ABORT, END_SIGNALS };

/* On a terminal of its own: says R when it watches, then one letter for a stop that was asked. */
static void watch_on_terminal(enum ending ending)
{
	cli_watch_stop(true);
	cli_watch_keys();
	(void)!write(STDOUT_FILENO, "R", 1);
	while (!cli_stop_asked())
		usleep(1000);
	(void)!write(STDOUT_FILENO, "S", 1);
	switch (ending) {
	case END_UNWATCH: cli_unwatch_stop(); _exit(0);
	case END_KEYS: cli_unwatch_keys(); _exit(0);
	case END_EXIT: exit(0);
	case END_ABORT: abort();
	case END_SIGNALS: raise(SIGINT); _exit(0);
	}
}

static char read_letter(int fd)
{
	char c = 0;

	return read(fd, &c, 1) == 1 ? c : 0;
}

static void keys_stop_and_the_terminal_comes_back(void **state)
{
	static const struct {
		const char *typed;
		enum ending ending;
	} rows[] = {
		{ "q", END_UNWATCH },
		{ "xyz ", END_EXIT },
		{ "\033", END_ABORT },
		{ "q", END_KEYS },
		{ "q", END_SIGNALS },
		{ "\003", END_UNWATCH },                                   /* Ctrl-C */
		{ "qqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqqq\n", END_KEYS }, /* in fear */
	};
	char left;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct termios before, during, after;
		int master, status;
		fflush(NULL);
		pid_t pid = forkpty(&master, NULL, NULL, NULL);
		assert_true(pid >= 0);
		if (pid == 0) {
			watch_on_terminal(rows[i].ending);
			_exit(9);
		}
		int slave = open(ptsname(master), O_RDWR | O_NOCTTY); /* keeps the terminal when the child is gone */
		assert_true(slave >= 0);
		assert_int_equal(read_letter(master), 'R');
		assert_int_equal(tcgetattr(slave, &during), 0);
		assert_int_equal(during.c_lflag & (ICANON | ECHO), 0);
		assert_int_equal(write(master, rows[i].typed, strlen(rows[i].typed)), strlen(rows[i].typed));
		assert_int_equal(read_letter(master), 'S');
		assert_int_equal(waitpid(pid, &status, 0), pid);
		assert_false(WIFEXITED(status) && WEXITSTATUS(status) == 9);
		assert_int_equal(tcgetattr(slave, &after), 0);
		before = during;
		before.c_lflag |= ICANON | ECHO;
		assert_int_equal(after.c_lflag, before.c_lflag);
		/* nothing for the next question, nor for the shell */
		assert_int_equal(fcntl(slave, F_SETFL, O_NONBLOCK), 0);
		assert_int_equal(read(slave, &left, 1), -1);
		close(slave);
		close(master);
	}
}

/* Enter is told once, and stops nothing; what else is typed is neither. */
static void enter_is_seen_once(void **state)
{
	int master, status;

	(void)state;
	fflush(NULL);
	pid_t pid = forkpty(&master, NULL, NULL, NULL);
	assert_true(pid >= 0);
	if (pid == 0) {
		alarm(10);
		cli_watch_stop(false);
		cli_watch_keys();
		(void)!write(STDOUT_FILENO, "R", 1);
		while (!cli_stop_asked()) {
			if (cli_enter_pressed())
				(void)!write(STDOUT_FILENO, "N", 1);
			usleep(1000);
		}
		(void)!write(STDOUT_FILENO, "S", 1);
		_exit(0);
	}
	assert_int_equal(read_letter(master), 'R');
	assert_int_equal(write(master, "xy\r", 3), 3);
	assert_int_equal(read_letter(master), 'N');
	usleep(20000);
	assert_int_equal(write(master, "zq", 2), 2);
	assert_int_equal(read_letter(master), 'S');
	assert_int_equal(waitpid(pid, &status, 0), pid);
	close(master);
}

static char rows_seen[400];

static void see_rows(const char *text, size_t n)
{
	size_t used = strlen(rows_seen);

	assert_true(used + n < sizeof rows_seen);
	memcpy(rows_seen + used, text, n);
	rows_seen[used + n] = '\0';
}

static void a_line_too_wide_is_broken_at_blanks(void **state)
{
	static const struct {
		const char *line;
		int most;
		const char *rows;
	} all[] = {
		{ "", 10, "\n" },
		{ "  1   2.50 N\u00b7m", 14, "  1   2.50 N\u00b7m\n" }, /* 14 columns, 15 bytes */
		{ "  1   2.50   3.75   4.00", 14, "  1   2.50\n    3.75\n    4.00\n" },
		{ "residual, sd 1238 count", 17, "residual, sd 1238\n    count\n" },
		{ "residual, sd 1238 count", 16, "residual, sd\n    1238 count\n" },
		{ "a-word-that-is-longer than all", 10, "a-word-that-is-longer\n    than\n    all\n" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
		rows_seen[0] = '\0';
		size_t n = cli_narrow_line(all[i].line, strlen(all[i].line), all[i].most, see_rows);
		assert_string_equal(rows_seen, all[i].rows);
		size_t ends = 0;
		for (const char *c = rows_seen; *c; c++)
			ends += *c == '\n';
		assert_int_equal(n, ends);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_line_too_wide_is_broken_at_blanks),
		cmocka_unit_test(takes_options_anywhere),
		cmocka_unit_test(says_what_is_wrong_with_a_line),
		cmocka_unit_test(help_lines_up),
		cmocka_unit_test(failures_as_text_and_json),
		cmocka_unit_test(failures_keep_words_whole_on_a_terminal),
		cmocka_unit_test(json_keeps_all_digits),
		cmocka_unit_test(progress_on_a_pipe_is_plain),
		cmocka_unit_test(progress_on_a_terminal_fits),
		cmocka_unit_test(paths_of_the_bench),
		cmocka_unit_test(a_signal_asks_for_a_stop),
		cmocka_unit_test(a_second_signal_ends_only_what_moves_nothing),
		cmocka_unit_test(a_stop_that_was_taken_counts_anew),
		cmocka_unit_test(an_ignored_hang_up_stops_nothing),
		cmocka_unit_test(progress_never_waits_in_a_hurry),
		cmocka_unit_test(keys_stop_and_the_terminal_comes_back),
		cmocka_unit_test(enter_is_seen_once),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
