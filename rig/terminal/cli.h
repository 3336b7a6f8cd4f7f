/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What every command shares at the terminal: options, --help, one JSON document, errors, progress. */
#ifndef BRIDLE_TERMINAL_CLI_H
#define BRIDLE_TERMINAL_CLI_H

#include "calib/number/err.h"
#include "profile/mistakes.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#define CLI_ARGS 24
#define CLI_OPTIONS 40 /* of one command, the common ones not counted */

struct cli_option {
	const char *name;   /* long name without dashes */
	const char *arg;    /* word for its argument in the help, or NULL for a flag */
	const char *help;   /* one line; default and unit in it */
	const char **value; /* set to the argument (borrowed from argv), untouched when absent */
	bool *flag;         /* for flags */
};

struct cli_spec {
	const char *name;     /* "sweep" */
	const char *usage;    /* "sweep PLAN [options]" */
	const char *about;    /* one paragraph; the help breaks its lines */
	const char *examples; /* lines, each indented by two spaces */
	const struct cli_option *options;
	size_t n_options;
	size_t min_args, max_args;
};

/* The two members that tell a spec its table of options. */
#define CLI_TAKES(table) .options = (table), .n_options = sizeof(table) / sizeof(table)[0]

/* What all commands take: --bench DIR, --json, --quiet, --help. */
struct cli {
	const char *bench; /* "." unless given */
	bool json, quiet;
	char *args[CLI_ARGS]; /* positional, borrowed */
	size_t n_args;
	bool help_shown; /* --help was given and printed: return 0 */
};

/* RC_ARG with a sentence on anything wrong: unknown option, missing or needless argument, an option given
 * twice, too few or too many positional arguments. ret is always usable for cli_fail: its json is set
 * when --json stands anywhere, even after the mistake. argv is reordered (options first). */
enum rc cli_parse(const struct cli_spec *spec, int argc, char **argv, struct cli *ret, struct err *err) MUST_CHECK;

/* A whole command: parses, then calls run with wanted, the command's own, which the options fill in. Returns the exit
 * status: run's, 0 after --help, cli_fail's after a mistake. */
int cli_run(const struct cli_spec *spec, int argc, char **argv, int (*run)(const struct cli *cli, void *wanted),
	    void *wanted);

/* Report an error: text on standard error, or with --json {"cause": ..., "message": ..., "mistakes": [...]} on
 * standard output. On a terminal lines break at blanks. cause: a word; NULL takes one by rc ("bad_input", "io", ...).
 * cli and mistakes may be NULL. Control characters and broken UTF-8 of the sentence become '?'. Returns the exit
 * status. */
int cli_fail(const struct cli *cli, const struct err *err, const char *cause, const struct mistakes *mistakes);

/* Prints one document, all digits (JSON_REAL_PRECISION 17), newline, and frees it. Returns 0, or 3 when it cannot. */
int cli_print_json(json_t *doc);

/* JSON number, or null when not finite. */
json_t *cli_real(double value);
/* JSON string; bytes that are not UTF-8 become '?', NULL becomes null. */
json_t *cli_text(const char *text);
/* Sets key and "u_" key from an uncertain number. */
struct unc;
void cli_set_unc(json_t *object, const char *key, struct unc value);

/* On a terminal: from now on each line of standard output that does not fit is broken at blanks, the rest indented, so
 * that no number and no word is cut. Called before anything is printed, again without harm; not for JSON. */
void cli_narrow_stdout(void);
int cli_width(void); /* of the terminal, 80 when unknown */

/* Text in lines of at most so many columns, broken at blanks and ended by a newline; a longer word stands alone. first
 * begins the first line, indent each further one. */
void cli_wrapped(FILE *to, int most, const char *first, const char *indent, const char *text);

/* Progress on standard error: one line rewritten on a terminal (at most 10 times a second of machine time), plain lines
 * at each tenth otherwise. Silent with quiet. */
struct progress;
struct progress *progress_new(const char *title, bool quiet); /* NULL when out of memory, which the others take */
/* The line fitted to the terminal's width; title and stop are filled in here. */
struct live_line;
void progress_update(struct progress *p, const struct live_line *line);
/* A line that stays (a finished point), printed above the moving one; on a terminal that is narrower it is wrapped at
 * blanks. */
void progress_line(struct progress *p, const char *format, ...) PRINTF_LIKE(2, 3);
/* While on, nothing is written that standard error does not take at once (a terminal held by Ctrl-S, a pager that
 * waits): what it does not take is left out. For ticks, which must not wait. */
void progress_hurry(struct progress *p, bool on);
void progress_clear(struct progress *p); /* takes the moving line away until the next update; NULL is fine */
void progress_free(struct progress *p);  /* clears the moving line; NULL is fine */

/* "BENCH/NAME" into buf (NAME alone in the current folder); RC_RANGE when too long. */
enum rc cli_path(const struct cli *cli, const char *name, char *buf, size_t size, struct err *err) MUST_CHECK;

/* Ctrl-C, Ctrl-Z, hang-up and SIGTERM as a flag; a hang-up not where it was ignored before (nohup). With second_ends a
 * second Ctrl-C or SIGTERM is the default action. Where something may move it is not: a person in fear presses twice,
 * and a stop that node or warden have to finish tells nobody how it ended. From the first watch on a pipe that nobody
 * reads any more (SIGPIPE) ends nothing. */
void cli_watch_stop(bool second_ends);
/* Key presses as well: 'q', space or Esc when standard input is a terminal and the program stands in its foreground;
 * the terminal is then out of line mode and does not echo. Its mode comes back with cli_unwatch_keys or
 * cli_unwatch_stop, at exit and when a signal ends the program. */
void cli_watch_keys(void);
void cli_unwatch_keys(void);
bool cli_is_watching(void);
const char *cli_how_to_stop(void); /* "q stops", "Ctrl-C stops"; "" when nothing watches */
bool cli_stop_asked(void);         /* stays true until it is taken; never waits */
bool cli_stop_asked_again(void);   /* by a signal, while one was asked for */
bool cli_take_stop(void);          /* cli_stop_asked, and from here on it counts anew */
bool cli_enter_pressed(void);      /* among the keys that cli_stop_asked took in, since this was asked last */
bool cli_unwatch_stop(void);       /* whether it was asked, up to the last moment: who does not look loses a stop */

#endif
