/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle study RUN...: repeatability and reproducibility over mountings or operators. */
#include "command/command.h"
#include "command/run_report.h"
#include "command/study_tell.h"
#include "reports/page/report_write.h"
#include "terminal/cli.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define PATH_ROOM 1024

struct options {
	const char *by, *out;
	bool keep;
};

struct work {
	const struct options *o;
	struct study study;
	struct report *report[STUDY_RUNS];
	char label[STUDY_RUNS][STUDY_NAME];
	int64_t record_id;
};

static bool by_pair(const struct work *w)
{
	return strcmp(w->study.by, "pair") == 0;
}

/* "7" or "7=NAME". */
static enum rc open_word(const struct cli *cli, struct logbook *lb, const char *word, struct work *w, size_t i,
			 struct err *err)
{
	const char *equals = strchr(word, '='), *unused = NULL;
	char run[32];

	if (equals && (equals[1] == '\0' || strlen(equals + 1) >= STUDY_NAME))
		return err_set(err, RC_ARG, 0,
			       "run: found \"%.60s\", expected RUN=NAME with a name of 1 to %d characters", word,
			       STUDY_NAME - 1);
	snprintf(run, sizeof run, "%.*s", equals ? (int)(equals - word) : 30, word);
	for (size_t k = 0; k < i; k++)
		if (w->report[k]->run.id == strtoll(run, NULL, 10))
			return err_set(err, RC_ARG, 0, "run %s is given twice: each run counts once", run);
	enum rc rc = run_report_of(cli, lb, run, NULL, &w->report[i], &unused, err);
	if (rc == RC_OK && equals)
		snprintf(w->label[i], STUDY_NAME, "%s", equals + 1);
	return rc;
}

/* Of a run: what was typed, else what the run tells. By pair "OPERATOR/MOUNTING" is typed. "": nothing does. */
static void name_of(const struct work *w, size_t i, bool mounting, char ret[STUDY_NAME])
{
	const struct report *r = w->report[i];
	const char *typed = w->label[i], *slash = by_pair(w) ? strchr(typed, '/') : NULL;

	if (!typed[0])
		snprintf(ret, STUDY_NAME, "%s", mounting ? r->mounting : r->rig.operator_name);
	else if (slash && !mounting)
		snprintf(ret, STUDY_NAME, "%.*s", (int)(slash - typed), typed);
	else
		snprintf(ret, STUDY_NAME, "%s", slash ? slash + 1 : typed);
}

static enum rc check_name(const struct work *w, size_t i, bool mounting, const char *name, struct err *err)
{
	const char *by = mounting ? "mounting" : "operator", *like = by_pair(w) ? "OPERATOR/MOUNTING" : "NAME";
	long long id = (long long)w->report[i]->run.id;

	if (by_pair(w) && w->label[i][0] && (!strchr(w->label[i], '/') || !name[0]))
		return err_set(err, RC_ARG, 0, "run: found \"%lld=%s\", expected %lld=%s with --by pair", id,
			       w->label[i], id, like);
	if (name[0])
		return RC_OK;
	return err_set(err, RC_ARG, 0,
		       "run %lld tells no %s; write it beside the number: %lld=%s (bridle sweep --%s NAME tells it for "
		       "later runs)",
		       id, by, id, like, by);
}

/* The number of a name among those so far. */
static size_t number_of(const char *name, char names[][STUDY_NAME], size_t *n)
{
	size_t i = 0;

	while (i < *n && strcmp(names[i], name) != 0)
		i++;
	if (i == *n)
		snprintf(names[(*n)++], STUDY_NAME, "%s", name);
	return i;
}

/* Runs of one operator in one mounting are a group. Names of which little is shown may look alike there. */
static size_t pair_of(struct study *s, size_t i, const char *who, const char *mounting)
{
	struct study_run *r = &s->run[i];

	for (size_t k = 0; k < i; k++)
		if (s->run[k].who == r->who && s->run[k].mounting == r->mounting)
			return s->run[k].group;
	snprintf(s->group[s->n_groups], STUDY_NAME, "%.30s/%.30s", who, mounting);
	return s->n_groups++;
}

static enum rc place(struct work *w, size_t i, struct err *err)
{
	struct study *s = &w->study;
	struct study_run *r = &s->run[i];
	char who[STUDY_NAME], mounting[STUDY_NAME];
	enum rc rc = RC_OK;

	r->report = w->report[i];
	name_of(w, i, false, who);
	name_of(w, i, true, mounting);
	if (strcmp(s->by, "mounting") != 0)
		rc = check_name(w, i, false, who, err);
	if (rc == RC_OK && strcmp(s->by, "operator") != 0)
		rc = check_name(w, i, true, mounting, err);
	if (rc != RC_OK)
		return rc;
	if (by_pair(w)) {
		r->who = number_of(who, s->operator_name, &s->n_operators);
		r->mounting = number_of(mounting, s->mounting_name, &s->n_mountings);
		r->group = pair_of(s, i, who, mounting);
	} else
		r->group = number_of(strcmp(s->by, "operator") == 0 ? who : mounting, s->group, &s->n_groups);
	return RC_OK;
}

static enum rc group(struct work *w, size_t n, struct err *err)
{
	const char *by = w->o->by ? w->o->by : "mounting";
	enum rc rc = RC_OK;

	if (strcmp(by, "mounting") != 0 && strcmp(by, "operator") != 0 && strcmp(by, "pair") != 0)
		return err_set(err, RC_ARG, 0, "--by: found \"%.40s\", expected mounting, operator or pair", by);
	snprintf(w->study.by, sizeof w->study.by, "%s", by);
	for (size_t i = 0; i < n && rc == RC_OK; i++)
		rc = place(w, i, err);
	w->study.n_runs = n;
	return rc;
}

static enum rc keep(const struct cli *cli, struct work *w, struct err *err)
{
	char path[PATH_ROOM], *json = NULL;
	struct logbook *lb = NULL;
	struct timespec now;
	json_t *doc = study_to_json(&w->study);
	enum rc rc = cli_path(cli, "logbook", path, sizeof path, err);

	clock_gettime(CLOCK_REALTIME, &now);
	json = doc ? json_dumps(doc, JSON_COMPACT | JSON_REAL_PRECISION(17)) : NULL;
	if (rc == RC_OK && !json)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	if (rc == RC_OK)
		rc = logbook_open(path, &lb, err);
	if (rc == RC_OK)
		rc = logbook_record(lb, 0, (int64_t)now.tv_sec * 1000000000 + now.tv_nsec, STUDY_RECORD, json,
				    &w->record_id, err);
	logbook_close(lb);
	json_decref(doc);
	free(json);
	return rc;
}

static enum rc write_table(const struct work *w, struct err *err)
{
	char path[PATH_ROOM];
	enum rc rc = files_make_dir(w->o->out, err);

	if (rc != RC_OK)
		return rc;
	if (snprintf(path, sizeof path, "%s/study.csv", w->o->out) >= PATH_ROOM)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", w->o->out);
	FILE *f = files_create(path);
	if (f == NULL)
		return err_set(err, RC_IO, errno, "%s cannot be written: %s", path, files_why(errno));
	study_table(f, &w->study);
	int failed = ferror(f);
	if (fclose(f) != 0 || failed)
		return err_set(err, RC_IO, errno, "%s could not be written whole: %s", path, strerror(errno));
	return RC_OK;
}

static enum rc analyse(const struct cli *cli, struct work *w, struct err *err)
{
	struct logbook *lb = NULL;
	enum rc rc = run_report_open(cli, &lb, err);

	for (size_t i = 0; i < cli->n_args && rc == RC_OK; i++)
		rc = open_word(cli, lb, cli->args[i], w, i, err);
	logbook_close(lb);
	if (rc == RC_OK)
		rc = group(w, cli->n_args, err);
	if (rc == RC_OK)
		rc = study_of(&w->study, err);
	if (rc == RC_OK && w->o->out)
		rc = write_table(w, err);
	return rc == RC_OK && w->o->keep ? keep(cli, w, err) : rc;
}

static int tell(const struct cli *cli, const struct work *w)
{
	if (cli->json) {
		json_t *doc = study_to_json(&w->study);
		json_object_set_new(doc, "record", w->record_id ? json_integer((json_int_t)w->record_id) : json_null());
		return cli_print_json(doc);
	}
	study_print(&w->study);
	if (w->o->out)
		printf("Table: %s/study.csv\n", w->o->out);
	if (w->record_id)
		printf("Kept as record %lld. \"study = %lld\" in [rig] of rig.ini makes it part of later points.\n",
		       (long long)w->record_id, (long long)w->record_id);
	return 0;
}

static int study(const struct cli *cli, void *wanted)
{
	struct work *w = calloc(1, sizeof *w);
	struct err err = { 0 };
	enum rc rc = w ? RC_OK : err_set(&err, RC_NOMEM, 0, "out of memory");

	if (rc == RC_OK) {
		w->o = wanted;
		w->study.confidence = 0.95;
		rc = analyse(cli, w, &err);
	}
	int status = rc == RC_OK ? tell(cli, w) : cli_fail(cli, &err, NULL, NULL);
	for (size_t i = 0; w && i < STUDY_RUNS; i++)
		report_free(w->report[i]);
	free(w);
	return status;
}

int cmd_study(int argc, char **argv)
{
	struct options o = { 0 };
	const struct cli_option options[] = {
		{ "by", "WHAT", "what the runs are grouped by: mounting (default), operator, or pair of both", &o.by,
		  NULL },
		{ "keep", NULL, "keep the study in the logbook, so that [rig] study of rig.ini can name it", NULL,
		  &o.keep },
		{ "out", "DIR", "folder for study.csv; default none", &o.out, NULL },
	};
	const struct cli_spec spec = {
		.name = "study",
		.usage = "study RUN[=NAME] RUN[=NAME]... [options]",
		.about = "Repeatability and reproducibility: the same plan twice or more in each of two or more "
			 "mountings "
			 "(or by as many "
			 "operators), analysed in the shape of ISO 5725-2 at each torque that all runs measured. RUN "
			 "is a number of "
			 "bridle log; NAME is its mounting or operator where bridle sweep was not told it. Two runs in "
			 "each of three "
			 "mountings are the least that tells much.",
		.examples = "  bridle study 4 5 7 8 11 12 --keep\n  bridle study 4=A 5=A 7=B 8=B --by operator --out "
			    "study\n  bridle study 4 5 7 8 11 12 14 15 --by pair --keep\n",
		CLI_TAKES(options),
		.min_args = 3,
		.max_args = STUDY_RUNS,
	};

	return cli_run(&spec, argc, argv, study, &o);
}
