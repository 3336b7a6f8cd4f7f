/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/command.h"
#include "command/procedure_again.h"
#include "command/run_report.h"
#include "profile/profile.h"
#include "reports/share/share.h"
#include "terminal/cli.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct shared {
	size_t runs, known, left, records; /* written, there already, that give no result, new records */
	char why_left[300];                /* of the last one that was left */
	bool views_old;
};

struct job {
	const struct cli *cli;
	struct logbook *lb;
	struct share *share;
	struct shared *done;
	struct progress *progress;
	char rig[PROFILE_WORD]; /* that the logbook's newest run names */
	enum rc rc;
	struct err *err;
};

/* --- runs --- */
/* The rig as that run names it: it may have got another name since. */
static enum rc rig_of(struct logbook *lb, int64_t run_id, char *buf, size_t size, struct err *err)
{
	char *rig = NULL, *actuator = NULL, *plan = NULL;
	struct rig_profile profile;
	struct mistakes m = { 0 };
	enum rc rc = logbook_run_texts(lb, run_id, &rig, &actuator, &plan, err);

	if (rc == RC_OK && rig != NULL)
		rc = profile_parse_rig(rig, "rig.ini of that run", &profile, &m, err);
	if (rc == RC_OK)
		snprintf(buf, size, "%s", rig != NULL ? profile.name : "");
	free(rig);
	free(actuator);
	free(plan);
	return rc;
}

/* A run that gives no curve, or whose figures nobody accepted, is left out and told; only the database ends the work.
 */
static enum rc reduce_and_share(struct job *j, int64_t run_id, bool sweep, struct err *err)
{
	struct report *report = NULL;
	const char *cause = NULL;
	char text[24];

	snprintf(text, sizeof text, "%lld", (long long)run_id);
	enum rc rc = sweep ? run_report_of(j->cli, j->lb, text, NULL, &report, &cause, err)
			   : procedure_report_again(j->lb, run_id, &report, err);
	if (rc == RC_ARG || rc == RC_SAYS_NO) {
		j->done->left++;
		snprintf(j->done->why_left, sizeof j->done->why_left, "run %s: %.250s", text, err->what);
		return RC_OK;
	}
	if (rc == RC_OK)
		rc = share_run(j->share, report, err);
	if (rc == RC_OK)
		j->done->runs++;
	report_free(report);
	return rc;
}

/* The rows of a run are read for its digest only where one stands there to compare it with. */
static enum rc is_known(struct job *j, const struct share_key *key, bool *ret, struct err *err)
{
	char digest[LOGBOOK_DIGEST_TEXT] = "", there[LOGBOOK_DIGEST_TEXT] = "";
	enum rc rc = share_digest_of(j->share, key, there, ret, err);

	if (rc != RC_OK || !*ret)
		return rc;
	rc = logbook_run_digest(j->lb, key->id, digest, err);
	*ret = strcmp(digest, there) == 0;
	return rc == RC_SAYS_NO ? RC_OK : rc;
}

static enum rc one_run(struct job *j, int64_t run_id, struct err *err)
{
	char rig[PROFILE_WORD];
	struct run_info run;
	bool known = false;
	enum rc rc = logbook_run_info(j->lb, run_id, &run, err);

	if (rc == RC_OK)
		rc = rig_of(j->lb, run_id, rig, sizeof rig, err);
	if (rc == RC_OK)
		rc = is_known(j, &(struct share_key){ rig, run.wall_ns, run.id }, &known, err);
	if (rc == RC_OK && known) {
		j->done->known++;
		return RC_OK;
	}
	return rc == RC_OK ? reduce_and_share(j, run_id, strcmp(run.kind, "sweep") == 0, err) : rc;
}

static enum rc all_of(struct job *j, const char *kind, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	enum rc rc = logbook_runs(j->lb, kind, &ids, &n, err);

	for (size_t i = n; i-- > 0 && rc == RC_OK && !cli_stop_asked();) {
		rc = one_run(j, ids[i], err);
		if ((n - i) * 10 / n > (n - i - 1) * 10 / n)
			progress_line(j->progress, "%zu of %zu runs of %s", n - i, n, kind);
	}
	free(ids);
	return rc;
}

static enum rc all_runs(struct job *j, struct err *err)
{
	static const char *const kinds[] = { "sweep", "hold", "play", "obey", "response", "ripple", "tame", "endure" };
	enum rc rc = RC_OK;

	for (size_t i = 0; i < sizeof kinds / sizeof kinds[0] && rc == RC_OK; i++)
		rc = all_of(j, kinds[i], err);
	return rc;
}

/* --- records --- */
static bool one_record(void *ctx, const struct record_info *record)
{
	struct job *j = ctx;
	bool is_new = false;

	if (strcmp(record->kind, "calibration") != 0 && strcmp(record->kind, "check") != 0)
		return true;
	char rig[PROFILE_WORD];
	snprintf(rig, sizeof rig, "%s", j->rig);
	if (record->run_id > 0)
		j->rc = rig_of(j->lb, record->run_id, rig, sizeof rig, j->err);
	if (j->rc == RC_OK)
		j->rc = share_record(j->share, &(struct share_key){ rig, record->wall_ns, record->id }, record->kind,
				     record->json, &is_new, j->err);
	j->done->records += is_new;
	return j->rc == RC_OK && !cli_stop_asked();
}

static enum rc all_records(struct job *j, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	enum rc rc = logbook_runs(j->lb, NULL, &ids, &n, err);

	if (rc == RC_OK && n > 0)
		rc = rig_of(j->lb, ids[0], j->rig, sizeof j->rig, err);
	free(ids);
	j->err = err;
	if (rc == RC_OK)
		rc = logbook_each_record(j->lb, NULL, RECORD_ANY, one_record, j, err);
	return rc == RC_OK ? j->rc : rc;
}

/* --- the command --- */
static enum rc run(const struct cli *cli, struct shared *done, struct err *err)
{
	struct job j = { .cli = cli, .done = done };
	enum rc rc = run_report_open(cli, &j.lb, err);

	if (rc == RC_OK)
		rc = share_open(cli->n_args > 0 ? cli->args[0] : "", &j.share, err);
	if (rc == RC_OK) {
		done->views_old = share_views_old(j.share);
		j.progress = progress_new("share", cli->quiet || cli->json);
		cli_watch_stop(true);
		cli_watch_keys();
		rc = all_records(&j, err);
	}
	if (rc == RC_OK)
		rc = all_runs(&j, err);
	bool stopped = cli_unwatch_stop();
	progress_free(j.progress);
	share_close(j.share);
	logbook_close(j.lb);
	if (rc == RC_OK && stopped)
		rc = err_set(err, RC_SAYS_NO, 0,
			     "stopped: %zu runs were shared; the same command goes on with the others", done->runs);
	return rc;
}

static const char *plural(size_t n)
{
	return n == 1 ? "" : "s";
}

static int print(const struct cli *cli, const struct shared *d)
{
	if (cli->json)
		return cli_print_json(json_pack("{s:I, s:I, s:I, s:I, s:b}", "runs", (json_int_t)d->runs, "known",
						(json_int_t)d->known, "left_out", (json_int_t)d->left, "records",
						(json_int_t)d->records, "views_old", d->views_old));
	if (d->runs + d->records + d->known + d->left == 0)
		puts("Nothing to share: the logbook has no run that gives a result, no calibration and no check.");
	else
		printf("Shared: %zu run%s, %zu calibration%s or check%s. There already: %zu run%s.\n", d->runs,
		       plural(d->runs), d->records, plural(d->records), plural(d->records), d->known, plural(d->known));
	if (d->left > 0)
		printf("Left out: %zu run%s without a result. The last of them: %s\n", d->left, plural(d->left),
		       d->why_left);
	if (d->views_old)
		printf("The database's views are older than this program, and you may not make them anew. Their owner "
		       "does it by running bridle share once.\n");
	return 0;
}

int cmd_share(int argc, char **argv)
{
	const struct cli_spec spec = {
		.name = "share",
		.usage = "share [DATABASE] [options]",
		.about = "Copies the runs of a bench folder (sweeps, hold, play, obey, ripple, tame, endure), with "
			 "their "
			 "points, verdicts, calibrations and sources of "
			 "uncertainty, into a PostgreSQL database that many rigs share. What is there already is left "
			 "out; what was stopped goes on. The logbook stays the record. DATABASE is what libpq takes; "
			 "without it PGHOST, PGDATABASE and the like. A password belongs into ~/.pgpass, not here.",
		.examples =
			"  bridle share 'host=localhost dbname=rigs'\n  bridle share 'service=rigs' --bench mybench\n",
		.max_args = 1,
	};
	struct cli cli;
	struct err err = { 0 };
	struct shared done = { 0 };

	if (cli_parse(&spec, argc, argv, &cli, &err) != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	return run(&cli, &done, &err) == RC_OK ? print(&cli, &done) : cli_fail(&cli, &err, NULL, NULL);
}
