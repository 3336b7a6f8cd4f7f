/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/command.h"
#include "command/run_report.h"
#include "logbook/extract.h"
#include "channel/utf8.h"
#include "reports/pack/pack.h"
#include "reports/page/compare_write.h"
#include "reports/reduce/text.h"
#include "terminal/cli.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define RUNS_MOST 24
#define PATH_ROOM 1024
#define BASE_ROOM 61

/* What a word names, opened: the run of the bench folder ("7"), of another one ("FOLDER:7"), or a pack. */
struct opened {
	char origin[PATH_ROOM];
	struct report *report;
};

/* The last part of a path as a label shows it: a name may hold anything. */
static const char *base_of(const char *path, char buf[BASE_ROOM])
{
	const char *base = strrchr(path, '/');

	utf8_clean(base ? base + 1 : path, buf, BASE_ROOM);
	return buf;
}

static enum rc open_pack(const char *path, struct opened *to, char *label, size_t size, struct err *err)
{
	struct pack *p = NULL;
	struct logbook *lb = NULL;
	enum rc rc = pack_read(path, PACK_SAMPLES, &p, err);
	const struct pack_file *rows = rc == RC_OK ? pack_find(p, PACK_RUN) : NULL;
	char base[BASE_ROOM];

	if (rc == RC_OK)
		rc = rows ? extract_open(path, rows->bytes, rows->n, &lb, err)
			  : err_set(err, RC_ARG, 0, "%s holds no %s, so nothing can be compared", path, PACK_RUN);
	if (rc == RC_OK)
		rc = run_report_again(lb,
				      json_integer_value(json_object_get(json_object_get(p->manifest, "run"), "id")),
				      &to->report, err);
	if (rc == RC_OK)
		snprintf(label, size, "%s: run %lld", base_of(path, base), (long long)to->report->run.id);
	logbook_close(lb);
	pack_free(p);
	return rc;
}

static enum rc open_run(const struct cli *cli, const char *run, const char *folder, struct opened *to, char *label,
			size_t size, struct err *err)
{
	struct cli at = *cli;
	struct logbook *lb = NULL;
	const char *unused = NULL;
	char base[BASE_ROOM];

	at.bench = folder ? folder : cli->bench;
	enum rc rc = run_report_open(&at, &lb, err);
	if (rc == RC_OK)
		rc = run_result_of(&at, lb, run, NULL, &to->report, &unused, err);
	logbook_close(lb);
	if (rc != RC_OK)
		return rc;
	char *real = realpath(at.bench, NULL);
	snprintf(to->origin, sizeof to->origin, "%s", real ? real : at.bench);
	free(real);
	snprintf(label, size, "%s%srun %lld", folder ? base_of(to->origin, base) : "", folder ? ": " : "",
		 (long long)to->report->run.id);
	return RC_OK;
}

static enum rc open_word(const struct cli *cli, const char *word, struct opened *to, char *label, size_t size,
			 struct err *err)
{
	const char *colon = strrchr(word, ':');
	struct stat st;
	char folder[PATH_ROOM];

	snprintf(to->origin, sizeof to->origin, "%s", word);
	if (strspn(word, "0123456789") == strlen(word))
		return open_run(cli, word, NULL, to, label, size, err);
	if (stat(word, &st) == 0 && S_ISREG(st.st_mode))
		return open_pack(word, to, label, size, err);
	if (colon != NULL && colon > word && colon[1] != '\0' && (size_t)(colon - word) < sizeof folder) {
		snprintf(folder, sizeof folder, "%.*s", (int)(colon - word), word);
		return open_run(cli, colon + 1, folder, to, label, size, err);
	}
	return err_set(err, RC_ARG, 0,
		       "run: found \"%.80s\", expected a run's number, FOLDER:RUN of another bench folder, "
		       "or the file of a pack",
		       word);
}

/* With the first run, by what both are. */
static enum rc compare_with(struct compared *c, struct compared_run *run, struct err *err)
{
	const struct compare_side *first = &c->run[0].side;

	if (first->report->procedure.kind || run->side.report->procedure.kind) {
		run->procedure = malloc(sizeof *run->procedure);
		return run->procedure ? compare_procedures(first, &run->side, c->confidence, run->procedure, err)
				      : err_set(err, RC_NOMEM, 0, "out of memory");
	}
	run->with = malloc(sizeof *run->with);
	return run->with ? compare_runs(first, &run->side, c->confidence, run->with, err)
			 : err_set(err, RC_NOMEM, 0, "out of memory");
}

static enum rc compare_all(const struct cli *cli, struct compared *c, struct opened *opened, struct err *err)
{
	enum rc rc = RC_OK;

	for (c->n = 0; c->n < cli->n_args && rc == RC_OK; c->n++) {
		struct compared_run *run = &c->run[c->n];
		rc = open_word(cli, cli->args[c->n], &opened[c->n], run->label, sizeof run->label, err);
		run->side = (struct compare_side){ opened[c->n].report, opened[c->n].origin };
		if (rc == RC_OK && c->n > 0) {
			rc = compare_with(c, run, err);
			if (rc == RC_ARG)
				err_prefix(err, "%s and %s: ", c->run[0].label, run->label);
		}
	}
	return rc;
}

/* --- for people --- */
static void print_cell(const struct difference *d, double scale)
{
	char text[40];

	if (d == NULL) {
		printf(" %19s", "-");
		return;
	}
	snprintf(text, sizeof text, "%+.3g ± %.2g%s", scale * d->value, scale * d->U, d->real ? " *" : "  ");
	printf(" %20s", text); /* the sign ± has two bytes */
}

static void print_common(const struct comparison *c)
{
	char text[400] = "";
	size_t used = 0;

	for (size_t i = 0; i < c->n; i++)
		for (size_t k = 0; k < c->list[i].n_common; k++) {
			const char *name = c->list[i].common[k].name;
			if (strstr(text, name) == NULL && used < sizeof text)
				used += (size_t)snprintf(text + used, sizeof text - used, "%s%s", used ? ", " : "",
							 name);
		}
	if (used)
		cli_wrapped(stdout, cli_width(), "In common, so it cancels: ", "  ", text);
}

static void print_one(const struct compared *c, const struct compared_run *run)
{
	const struct comparison *with = run->with;
	double rpm = NAN;
	int direction = 0;

	printf("\n%s less %s\n", run->label, c->run[0].label);
	for (size_t i = 0; i < with->n_warnings; i++)
		cli_wrapped(stdout, cli_width(), "! ", "  ", with->warning[i]);
	for (size_t i = 0; i < with->n; i++) {
		const struct difference *d = &with->list[i];
		if (d->quantity != COMPARE_SPEED)
			continue;
		if (d->direction != direction || !(fabs(d->commanded_rpm - rpm) < 1e-9)) {
			direction = d->direction;
			rpm = d->commanded_rpm;
			printf("%s", direction > 0 ? "rising loads" : "falling loads");
			if (isfinite(rpm))
				printf(", %g rpm commanded", rpm);
			printf("\n  torque %19s %19s %19s\n     N·m %19s %19s %19s\n", "speed", "efficiency",
			       "input power", "rpm", "%", "W");
		}
		printf("%8.2f", d->torque_Nm);
		print_cell(d, 1);
		print_cell(compare_alike(with, d, COMPARE_EFFICIENCY), 100);
		print_cell(compare_alike(with, d, COMPARE_INPUT_POWER), 1);
		putchar('\n');
	}
	print_common(with);
}

static void print_procedure(const struct compared *c, const struct compared_run *run)
{
	const struct procedure_comparison *with = run->procedure;
	char a[60], b[60], text[60], common[400] = "";
	size_t used = 0;

	printf("\n%s less %s\n", run->label, c->run[0].label);
	for (size_t i = 0; i < with->n_warnings; i++)
		cli_wrapped(stdout, cli_width(), "! ", "  ", with->warning[i]);
	for (size_t i = 0; i < with->n; i++) {
		const struct procedure_difference *d = &with->list[i];
		text_value(a, sizeof a, d->reference.value, d->reference.U);
		text_value(b, sizeof b, d->other.value, d->other.U);
		text_pm(text, sizeof text, d->value, d->U, d->other.unit);
		printf("  %s: %s less %s is %s%s\n", d->other.label, b, a, text, d->real ? " *" : "");
		for (size_t k = 0; k < d->n_common; k++)
			if (!strstr(common, d->common[k].name) && used < sizeof common)
				used += (size_t)snprintf(common + used, sizeof common - used, "%s%s", used ? ", " : "",
							 d->common[k].name);
	}
	if (used)
		cli_wrapped(stdout, cli_width(), "In common, so it cancels: ", "  ", common);
}

static void print_run(const struct compared_run *run, bool reference)
{
	char text[600];

	snprintf(text, sizeof text, "%s%s: %s, %s", run->label, reference ? " (reference)" : "",
		 run->side.report->subject, run->side.report->source);
	cli_wrapped(stdout, cli_width(), "", "  ", text);
}

static int print(const struct cli *cli, const struct compared *c, const char *dir)
{
	if (cli->json) {
		json_t *doc = compare_to_json(c);
		if (dir)
			json_object_set_new(doc, "folder", cli_text(dir));
		return cli_print_json(doc);
	}
	for (size_t i = 0; i < c->n; i++)
		print_run(&c->run[i], i == 0);
	for (size_t i = 1; i < c->n; i++)
		c->run[i].procedure ? print_procedure(c, &c->run[i]) : print_one(c, &c->run[i]);
	printf("\n± is the expanded uncertainty of the difference at %g %%; * is real at it.\n"
	       "Of differences that are not there, about %g in 100 get a * by chance.\n",
	       100 * c->confidence, 100 * (1 - c->confidence));
	if (dir)
		printf("Page, tables and figures: %s\n", dir);
	return 0;
}

static enum rc read_confidence(const char *text, double *ret, struct err *err)
{
	char *end;

	*ret = 0.95;
	if (text == NULL)
		return RC_OK;
	*ret = strtod(text, &end) / 100;
	if (end == text || (*end != '\0' && strcmp(end, "%") != 0 && strcmp(end, " %") != 0) ||
	    !(*ret > 0.5 && *ret < 1))
		return err_set(err, RC_ARG, 0,
			       "--confidence: found \"%.40s\", expected a share above 50 %% and below 100 %%: 95 %%",
			       text);
	return RC_OK;
}

int cmd_compare(int argc, char **argv)
{
	const char *out = NULL, *confidence = NULL;
	bool no_figures = false;
	const struct cli_option options[] = {
		{ "out", "DIR", "folder for page, tables and figures of the comparison; default none", &out, NULL },
		{ "confidence", "SHARE", "at which a difference is called real; default 95 %", &confidence, NULL },
		{ "no-figures", NULL, "no gnuplot: tables only", NULL, &no_figures },
	};
	const struct cli_spec spec = {
		.name = "compare",
		.usage = "compare RUN RUN... [options]",
		.about = "Differences of runs to the first one, with an interval each: sweeps at torques that both "
			 "measured, or two "
			 "or more runs of one of hold, play, obey, ripple. "
			 "What "
			 "two runs have in common (the arm, the calibration, the weights, the meters of one rig) "
			 "cancels and "
			 "is named. RUN is a number of bridle log, FOLDER:RUN of another bench folder, or the file of "
			 "a pack.",
		.examples =
			"  bridle compare 4 7\n  bridle compare 4 ../other-bench:2 winder.tar.zst --out before-after\n",
		CLI_TAKES(options),
		.min_args = 2,
		.max_args = RUNS_MOST,
	};
	struct cli cli;
	struct err err = { 0 };
	struct compared c = { 0 };
	int status;

	if (cli_parse(&spec, argc, argv, &cli, &err) != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	struct opened *opened = calloc(RUNS_MOST, sizeof *opened);
	c.run = calloc(RUNS_MOST, sizeof *c.run);
	enum rc rc = opened && c.run ? read_confidence(confidence, &c.confidence, &err)
				     : err_set(&err, RC_NOMEM, 0, "out of memory");
	if (rc == RC_OK)
		rc = compare_all(&cli, &c, opened, &err);
	if (rc == RC_OK && out)
		rc = compare_write(&c, out, !no_figures, &err);
	status = rc == RC_OK ? print(&cli, &c, out) : cli_fail(&cli, &err, NULL, NULL);
	for (size_t i = 0; i < RUNS_MOST && opened && c.run; i++) {
		free(c.run[i].with);
		free(c.run[i].procedure);
		report_free(opened[i].report);
	}
	free(c.run);
	free(opened);
	return status;
}
