/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/run_report.h"
#include "command/doubts_tell.h"
#include "command/procedure_again.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include <unistd.h>

#define PATH_ROOM 1024

enum rc run_report_id(const char *text, int64_t *ret, struct err *err)
{
	char *end;

	errno = 0;
	long long id = strtoll(text, &end, 10);
	if (errno != 0 || end == text || *end != '\0' || id < 1)
		return err_set(err, RC_ARG, 0, "run: found \"%.60s\", expected a run's number; bridle log lists them",
			       text);
	*ret = id;
	return RC_OK;
}

static enum rc latest_sweep(struct logbook *lb, int64_t *ret, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	enum rc rc = logbook_runs(lb, "sweep", &ids, &n, err);

	if (rc == RC_OK && n == 0)
		rc = err_set(err, RC_ARG, 0, "the logbook holds no sweep yet; bridle sweep PLAN makes one");
	if (rc == RC_OK)
		*ret = ids[0];
	free(ids);
	return rc;
}

enum rc run_report_open(const struct cli *cli, struct logbook **ret, struct err *err)
{
	char rig[PATH_ROOM], path[PATH_ROOM];
	enum rc rc = cli_path(cli, "rig.ini", rig, sizeof rig, err);

	if (rc == RC_OK)
		rc = cli_path(cli, "logbook", path, sizeof path, err);
	if (rc == RC_OK && access(path, F_OK) != 0 && access(rig, F_OK) != 0)
		return err_set(err, RC_ARG, errno,
			       "%s is not a bench folder (no rig.ini in it); go to one, or name one with --bench",
			       cli->bench);
	if (rc == RC_OK && access(path, F_OK) != 0)
		return err_set(err, RC_ARG, errno,
			       "%s: there is no logbook yet; the first run (bridle probe, bridle hang) makes it", path);
	return rc == RC_OK ? logbook_open_read(path, ret, err) : rc;
}

static enum rc accept_doubt(const struct cli *cli, const struct doubt *d, const char *reason, struct err *err)
{
	char path[PATH_ROOM];
	struct logbook *lb = NULL;
	struct timespec now;
	enum rc rc = cli_path(cli, "logbook", path, sizeof path, err);

	clock_gettime(CLOCK_REALTIME, &now);
	if (rc == RC_OK)
		rc = logbook_open(path, &lb, err);
	if (rc == RC_OK)
		rc = doubt_accept(lb, 0, (int64_t)now.tv_sec * 1000000000 + now.tv_nsec, d, reason, err);
	logbook_close(lb);
	return rc;
}

/* Figures that do not agree are not published, unless a person said why they may be: then they stand on the page. */
static enum rc check_plausible(const struct cli *cli, const char *accept, struct logbook *lb, struct report *r,
			       const char **ret_cause, struct err *err)
{
	struct doubts doubts;
	enum rc rc = RC_OK;

	doubts_of_curve(r->curve, &r->rig, &r->actuator, r->has_map ? &r->map : NULL, &r->cal, &doubts);
	for (size_t i = 0; i < doubts.n && rc == RC_OK; i++) {
		const struct doubt *d = &doubts.list[i];
		char reason[200];
		bool refuses;
		rc = doubt_refuses(lb, d, reason, sizeof reason, &refuses, err);
		if (rc == RC_OK && refuses && accept && cli) {
			snprintf(reason, sizeof reason, "%s", accept);
			rc = accept_doubt(cli, d, reason, err);
		} else if (rc == RC_OK && refuses) {
			*ret_cause = "implausible";
			rc = err_set(err, RC_SAYS_NO, 0,
				     "not published: %s. If it is right all the same: --accept REASON", d->text);
		}
		if (rc == RC_OK)
			curve_remark_first(r->curve,
					   "Doubtful: figures do not agree, accepted all the same (%.60s): %s.", reason,
					   d->text);
	}
	return rc;
}

enum rc run_report_again(struct logbook *lb, int64_t run_id, struct report **ret, struct err *err)
{
	struct report *r = NULL;
	const char *unused;
	enum rc rc = procedure_report_again(lb, run_id, ret, err);

	if (rc != RC_OK || *ret != NULL)
		return rc;
	rc = report_of_run(lb, run_id, &r, err);
	if (rc == RC_OK)
		rc = check_plausible(NULL, NULL, lb, r, &unused, err);
	if (rc == RC_OK)
		*ret = r;
	else
		report_free(r);
	return rc;
}

enum rc run_report_of(const struct cli *cli, struct logbook *lb, const char *run, const char *accept,
		      struct report **ret, const char **ret_cause, struct err *err)
{
	struct report *r = NULL;
	int64_t run_id = 0;
	enum rc rc = run ? run_report_id(run, &run_id, err) : latest_sweep(lb, &run_id, err);

	if (rc == RC_OK)
		rc = report_of_run(lb, run_id, &r, err);
	if (rc == RC_OK)
		rc = check_plausible(cli, accept, lb, r, ret_cause, err);
	if (rc == RC_OK)
		*ret = r;
	else
		report_free(r);
	return rc;
}

enum rc run_result_of(const struct cli *cli, struct logbook *lb, const char *run, const char *accept,
		      struct report **ret, const char **ret_cause, struct err *err)
{
	struct report *r = NULL;
	int64_t run_id = 0;
	enum rc rc = run ? run_report_id(run, &run_id, err) : RC_OK;

	if (rc == RC_OK && run)
		rc = procedure_report_again(lb, run_id, &r, err);
	if (rc != RC_OK || r != NULL) {
		*ret = r;
		return rc;
	}
	return run_report_of(cli, lb, run, accept, ret, ret_cause, err);
}
