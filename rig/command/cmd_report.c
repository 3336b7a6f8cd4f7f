/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli.h"
#include "command/command.h"
#include "command/points.h"
#include "command/run_report.h"
#include "profile/profile.h"

#include <stdio.h>
#include <unistd.h>

#define PATH_ROOM 1024

static enum rc out_dir(const struct cli *cli, const char *out, int64_t run_id, char *buf, struct err *err)
{
	char name[64];

	if (out != NULL) {
		if (snprintf(buf, PATH_ROOM, "%s", out) >= PATH_ROOM)
			return err_set(err, RC_RANGE, 0, "--out: the path is too long");
		return RC_OK;
	}
	snprintf(name, sizeof name, "reports/%lld", (long long)run_id);
	return cli_path(cli, name, buf, PATH_ROOM, err);
}

static int print(const struct cli *cli, const struct report *r, const char *dir)
{
	if (cli->json) {
		char path[PATH_ROOM + 16];
		json_t *doc = report_to_json(r);
		snprintf(path, sizeof path, "%s/report.html", dir);
		json_object_set_new(doc, "page", cli_text(path));
		snprintf(path, sizeof path, "%s/" PAGE_PDF, dir);
		if (r->pdf)
			json_object_set_new(doc, "pdf", cli_text(path));
		return cli_print_json(doc);
	}
	if (r->procedure.kind)
		procedure_print(r);
	else
		report_print(r);
	printf("\nReport: %s/report.html\n", dir);
	if (r->pdf)
		printf("PDF: %s/" PAGE_PDF "\n", dir);
	return 0;
}

/* Steps count from 1 for people. */
static enum rc choose_budget(struct report *r, const char *text, struct err *err)
{
	int64_t step;

	if (text == NULL)
		return RC_OK;
	if (run_report_id(text, &step, NULL) == RC_OK)
		for (size_t i = 0; i < r->curve->n; i++)
			if (r->curve->points[i].step == step - 1 && r->curve->points[i].direction >= 0) {
				r->budget_step = (int)step - 1;
				return RC_OK;
			}
	return err_set(err, RC_ARG, 0,
		       "--budget: found \"%.40s\", expected a step that the run has finished (1 is the first)", text);
}

struct wanted {
	const char *accept, *out, *budget, *claims;
	bool no_figures, pdf;
	const char *cause; /* of a refusal; NULL: by the error */
};

/* Another data sheet's claims on the same run. */
static enum rc judge_others(struct report *r, const char *path, struct mistakes *m, struct err *err)
{
	struct actuator_profile other;
	enum rc rc = path ? profile_read_actuator(path, &other, NULL, m, err) : RC_OK;

	if (path && rc == RC_OK) {
		r->claimed = other.claimed;
		report_judge(r, &other);
	}
	return rc;
}

/* Pages stand side by side in the bench folder; a page that goes elsewhere has no neighbours. */
static enum rc find_related(const struct cli *cli, struct logbook *lb, bool own_folder, struct report *r,
			    struct err *err)
{
	enum rc rc = related_of(lb, r->run.actuator, r->run.on_bench, &r->related, err);

	for (size_t i = 0; rc == RC_OK && own_folder && i < r->related.n; i++) {
		struct related_result *one = &r->related.result[i];
		char name[64], path[PATH_ROOM];
		snprintf(name, sizeof name, "reports/%lld/report.html", (long long)one->run_id);
		rc = cli_path(cli, name, path, sizeof path, err);
		if (rc == RC_OK && access(path, R_OK) == 0)
			snprintf(one->page, sizeof one->page, "../%lld/report.html", (long long)one->run_id);
	}
	return rc;
}

static enum rc run(const struct cli *cli, struct wanted *w, struct report **ret, char *dir, struct mistakes *m,
		   struct err *err)
{
	struct logbook *lb = NULL;
	enum rc rc = run_report_open(cli, &lb, err);

	if (rc == RC_OK)
		rc = run_result_of(cli, lb, cli->n_args > 0 ? cli->args[0] : NULL, w->accept, ret, &w->cause, err);
	if (rc == RC_OK && !(*ret)->procedure.kind)
		rc = find_related(cli, lb, w->out == NULL, *ret, err);
	logbook_close(lb);
	if (rc == RC_OK && (*ret)->procedure.kind && (w->budget || w->claims))
		rc = err_set(err, RC_ARG, 0, "--budget and --claims are for a sweep; run %lld is a %s",
			     (long long)(*ret)->run.id, (*ret)->run.kind);
	if (rc == RC_OK)
		rc = judge_others(*ret, w->claims, m, err);
	if (rc == RC_OK)
		rc = choose_budget(*ret, w->budget, err);
	if (rc == RC_OK)
		rc = out_dir(cli, w->out, (*ret)->run.id, dir, err);
	if (rc == RC_OK)
		(*ret)->pdf = w->pdf;
	if (rc == RC_OK)
		rc = report_write(*ret, dir, !w->no_figures, err);
	return rc;
}

int cmd_report(int argc, char **argv)
{
	struct wanted w = { 0 };
	const struct cli_option options[] = {
		{ "out", "DIR", "folder for page, tables and figures; default BENCH/reports/RUN", &w.out, NULL },
		{ "accept", "REASON", "publish although figures do not agree; the page prints the reason", &w.accept,
		  NULL },
		{ "budget", "STEP", "step of the uncertainty budget; default that of most shaft power", &w.budget,
		  NULL },
		{ "claims", "FILE", "judge the claims of this actuator's file, not those of the run's own", &w.claims,
		  NULL },
		{ "no-figures", NULL, "no gnuplot: page and tables only", NULL, &w.no_figures },
		{ "pdf", NULL, "print the page to report.pdf too, by Chromium where it is installed", NULL, &w.pdf },
	};
	const struct cli_spec spec = {
		.name = "report",
		.usage = "report [RUN] [options]",
		.about = "Reduces a sweep, or a hold, play, obey, ripple or tame at the rig, from its samples in the "
			 "logbook "
			 "and publishes it: one self-contained HTML page, CSV, JSON, and every figure as SVG and "
			 "gnuplot script, of a sweep as PNG and PDF too. RUN is a number of bridle log; without it "
			 "the latest sweep.",
		.examples = "  bridle report\n  bridle report 7 --out /tmp/winder --pdf\n  bridle report --json "
			    "--no-figures\n",
		CLI_TAKES(options),
		.max_args = 1,
	};
	struct cli cli;
	struct err err = { 0 };
	struct mistakes mistakes = { 0 };
	struct report *report = NULL;
	char dir[PATH_ROOM];

	if (cli_parse(&spec, argc, argv, &cli, &err) != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	int status = run(&cli, &w, &report, dir, &mistakes, &err) == RC_OK ? print(&cli, report, dir)
									   : cli_fail(&cli, &err, w.cause, &mistakes);
	report_free(report);
	return status;
}
