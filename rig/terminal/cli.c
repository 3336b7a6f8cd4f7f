/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli.h"

#include "profile/nearest.h"
#include "channel/utf8.h"

#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

#define HELP_WIDTH 80
#define COMMON 4
#define FIRST_VAL 256

static const char *const common_name[COMMON] = { "bench", "json", "quiet", "help" };
static const char *const common_arg[COMMON] = { "DIR", NULL, NULL, NULL };
static const char *const common_help[COMMON] = {
	"the bench folder (default: the current folder)",
	"print one JSON document on standard output and nothing else there",
	"no progress",
	"this text",
};

int cli_width(void)
{
	struct winsize size;

	for (int fd = STDERR_FILENO; fd >= STDOUT_FILENO; fd--)
		if (ioctl(fd, TIOCGWINSZ, &size) == 0 && size.ws_col > 0)
			return size.ws_col;
	return 80;
}

/* Words of text in lines of at most HELP_WIDTH columns, the first of which begins at column `at`. */
static void print_wrapped(const char *text, int at, int indent)
{
	int column = at;

	while (*text) {
		int n = (int)strcspn(text, " \n");
		if (column > indent && column + 1 + n > HELP_WIDTH) {
			printf("\n%*s", indent, "");
			column = indent;
		} else if (column > indent) {
			putchar(' ');
			column++;
		}
		printf("%.*s", n, text);
		column += n;
		text += n;
		text += strspn(text, " \n");
	}
	putchar('\n');
}

static int option_width(const char *name, const char *arg)
{
	return (int)(strlen(name) + (arg ? strlen(arg) + 1 : 0));
}

static void print_option(const char *name, const char *arg, const char *help, int width)
{
	printf("  --%s%s%s", name, arg ? " " : "", arg ? arg : "");
	printf("%*s", width - option_width(name, arg) + 2, "");
	print_wrapped(help, width + 6, width + 6);
}

static void print_help(const struct cli_spec *spec)
{
	int width = option_width(common_name[0], common_arg[0]);

	for (size_t i = 0; i < spec->n_options; i++) {
		int w = option_width(spec->options[i].name, spec->options[i].arg);
		width = w > width && w <= 24 ? w : width;
	}
	printf("Usage: bridle %s\n\n", spec->usage);
	print_wrapped(spec->about, 0, 0);
	puts("\nOptions:");
	for (size_t i = 0; i < spec->n_options; i++)
		print_option(spec->options[i].name, spec->options[i].arg, spec->options[i].help, width);
	for (size_t i = 0; i < COMMON; i++)
		print_option(common_name[i], common_arg[i], common_help[i], width);
	if (spec->examples && *spec->examples)
		printf("\nExamples:\n%s%s", spec->examples,
		       spec->examples[strlen(spec->examples) - 1] == '\n' ? "" : "\n");
}

static bool stands(int argc, char **argv, const char *word)
{
	for (int i = 1; i < argc && strcmp(argv[i], "--") != 0; i++)
		if (strcmp(argv[i], word) == 0)
			return true;
	return false;
}

static const char *name_of(const struct cli_spec *spec, size_t i)
{
	return i < COMMON ? common_name[i] : spec->options[i - COMMON].name;
}

static enum rc unknown_option(const struct cli_spec *spec, const char *found, struct err *err)
{
	const char *names[COMMON + CLI_OPTIONS], *close;
	size_t n = COMMON + spec->n_options, length = strcspn(found, "=");
	char word[64];

	snprintf(word, sizeof word, "%.*s", (int)(length < sizeof word ? length : sizeof word - 1), found);
	for (size_t i = 0; i < n; i++)
		names[i] = name_of(spec, i);
	close = word[0] == '-' && word[1] == '-' ? nearest_word(word + 2, names, n) : NULL;
	if (close)
		return err_set(err, RC_ARG, 0, "%s: no option \"%s\"; did you mean --%s?", spec->name, word, close);
	return err_set(err, RC_ARG, 0, "%s: no option \"%s\"; bridle %s --help lists what there is", spec->name, word,
		       spec->name);
}

static enum rc bad_option(const struct cli_spec *spec, int code, const char *found, struct err *err)
{
	if (optopt < FIRST_VAL)
		return unknown_option(spec, found, err);
	const char *name = name_of(spec, (size_t)(optopt - FIRST_VAL));
	if (code == ':')
		return err_set(err, RC_ARG, 0, "%s: --%s needs an argument; bridle %s --help tells which", spec->name,
			       name, spec->name);
	return err_set(err, RC_ARG, 0, "%s: --%s takes no argument, found \"%s\"", spec->name, name, found);
}

static enum rc take_option(const struct cli_spec *spec, size_t i, bool *seen, struct cli *ret, struct err *err)
{
	if (seen[i] && optarg)
		return err_set(err, RC_ARG, 0, "%s: --%s is given twice; give it once", spec->name, name_of(spec, i));
	seen[i] = true;
	if (i == 0) {
		if (!*optarg)
			return err_set(err, RC_ARG, 0, "%s: --bench is empty; give the bench folder", spec->name);
		ret->bench = optarg;
	}
	if (i == 2)
		ret->quiet = true;
	if (i < COMMON)
		return RC_OK;
	const struct cli_option *o = &spec->options[i - COMMON];
	if (o->arg && strncmp(optarg, "--", 2) == 0)
		return err_set(err, RC_ARG, 0, "%s: --%s: found \"%s\", which is an option; expected %s", spec->name,
			       o->name, optarg, o->arg);
	if (o->arg)
		*o->value = optarg;
	else
		*o->flag = true;
	return RC_OK;
}

static enum rc take_args(const struct cli_spec *spec, int argc, char **argv, struct cli *ret, struct err *err)
{
	size_t n = (size_t)(argc - optind), max = spec->max_args < CLI_ARGS ? spec->max_args : CLI_ARGS;

	if (n < spec->min_args)
		return err_set(err, RC_ARG, 0, "%s: something is missing; usage: bridle %s", spec->name, spec->usage);
	if (n > max)
		return err_set(err, RC_ARG, 0, "%s: \"%s\" is one argument too many; usage: bridle %s", spec->name,
			       argv[optind + (int)max], spec->usage);
	for (size_t i = 0; i < n; i++)
		ret->args[i] = argv[optind + (int)i];
	ret->n_args = n;
	return RC_OK;
}

enum rc cli_parse(const struct cli_spec *spec, int argc, char **argv, struct cli *ret, struct err *err)
{
	struct option table[COMMON + CLI_OPTIONS + 1] = { 0 };
	bool seen[COMMON + CLI_OPTIONS] = { false };
	int code;

	*ret = (struct cli){ .bench = ".", .json = stands(argc, argv, "--json") };
	if (!ret->json)
		cli_narrow_stdout();
	if (stands(argc, argv, "--help")) {
		print_help(spec);
		ret->help_shown = true;
		return RC_OK;
	}
	if (spec->n_options > CLI_OPTIONS)
		return err_set(err, RC_RANGE, 0, "%s: more than %d options in its table", spec->name, CLI_OPTIONS);
	for (size_t i = 0; i < COMMON + spec->n_options; i++) {
		const char *arg = i < COMMON ? common_arg[i] : spec->options[i - COMMON].arg;
		table[i] = (struct option){ name_of(spec, i), arg ? required_argument : no_argument, NULL,
					    FIRST_VAL + (int)i };
	}
	optind = 0; /* glibc: start afresh, also after an earlier command line */
	opterr = 0;
	while ((code = getopt_long(argc, argv, ":", table, NULL)) != -1) {
		enum rc rc = code >= FIRST_VAL ? take_option(spec, (size_t)(code - FIRST_VAL), seen, ret, err)
					       : bad_option(spec, code, argv[optind - 1], err);
		if (rc != RC_OK)
			return rc;
	}
	return take_args(spec, argc, argv, ret, err);
}

static const char *cause_of(enum rc rc)
{
	switch (rc) {
	case RC_OK: return "unknown";
	case RC_ARG: return "bad_input";
	case RC_IO: return "io";
	case RC_TIMEOUT: return "timeout";
	case RC_PROTOCOL: return "protocol";
	case RC_RANGE: return "out_of_range";
	case RC_SINGULAR: return "undetermined";
	case RC_NOMEM: return "out_of_memory";
	case RC_DB: return "logbook";
	case RC_INTERLOCK: return "guard";
	case RC_SAYS_NO: return "says_no";
	}
	return "unknown";
}

json_t *cli_text(const char *text)
{
	if (!text)
		return json_null();
	json_t *plain = json_string(text);
	if (plain)
		return plain;
	size_t size = strlen(text) + 6;
	char *clean = malloc(size);
	if (!clean)
		return NULL;
	utf8_clean(text, clean, size);
	json_t *ret = json_string(clean);
	free(clean);
	return ret;
}

static int fail_json(const struct err *err, const char *cause, const struct mistakes *mistakes)
{
	json_t *doc = json_object(), *list = json_array();

	json_object_set_new(doc, "cause", cli_text(cause));
	json_object_set_new(doc, "message", cli_text(err->what));
	for (size_t i = 0; mistakes && i < mistakes->n; i++)
		json_array_append_new(list, cli_text(mistakes->line[i]));
	if (mistakes && mistakes->n > 0)
		json_object_set(doc, "mistakes", list);
	json_decref(list);
	return cli_print_json(doc) == 0 ? err_exit_status(err->rc) : 3;
}

/* On a terminal lines break at words; elsewhere a sentence stays one line, for whoever searches it. */
static void say(const char *first, const char *text)
{
	char clean[sizeof((struct err *)0)->what + 8];

	utf8_clean(text, clean, sizeof clean);
	if (isatty(STDERR_FILENO))
		cli_wrapped(stderr, cli_width(), first, "    ", clean);
	else
		fprintf(stderr, "%s%s\n", first, clean);
}

int cli_fail(const struct cli *cli, const struct err *err, const char *cause, const struct mistakes *mistakes)
{
	if (cli && cli->json)
		return fail_json(err, cause ? cause : cause_of(err->rc), mistakes);
	say("bridle: ", err->what);
	if (!mistakes || (mistakes->n == 1 && mistakes->more == 0 && strstr(mistakes->line[0], err->what)))
		return err_exit_status(err->rc);
	for (size_t i = 0; i < mistakes->n; i++)
		say("  ", mistakes->line[i]);
	if (mistakes->more > 0)
		fprintf(stderr, "  and %zu more\n", mistakes->more);
	return err_exit_status(err->rc);
}

int cli_print_json(json_t *doc)
{
	int bad = doc ? json_dumpf(doc, stdout, JSON_REAL_PRECISION(17) | JSON_INDENT(2) | JSON_ENCODE_ANY) : -1;

	json_decref(doc);
	if (bad == 0 && putchar('\n') != EOF && fflush(stdout) == 0)
		return 0;
	fputs("bridle: the JSON document could not be written to standard output\n", stderr);
	return 3;
}

json_t *cli_real(double value)
{
	return isfinite(value) ? json_real(value) : json_null();
}

enum rc cli_path(const struct cli *cli, const char *name, char *buf, size_t size, struct err *err)
{
	bool here = strcmp(cli->bench, ".") == 0;
	size_t n = strlen(cli->bench);
	const char *slash = n > 0 && cli->bench[n - 1] == '/' ? "" : "/";

	if (snprintf(buf, size, "%s%s%s", here ? "" : cli->bench, here ? "" : slash, name) >= (int)size)
		return err_set(err, RC_RANGE, 0,
			       "the path \"%.100s.../%.100s\" is longer than %zu bytes; use a shorter one", cli->bench,
			       name, size - 1);
	return RC_OK;
}

int cli_run(const struct cli_spec *spec, int argc, char **argv, int (*run)(const struct cli *cli, void *wanted),
	    void *wanted)
{
	struct cli cli;
	struct err err = { 0 };

	if (cli_parse(spec, argc, argv, &cli, &err) != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	return cli.help_shown ? 0 : run(&cli, wanted);
}
