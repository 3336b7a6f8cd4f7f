/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/command.h"
#include "command/run_report.h"
#include "reports/page/certificate.h"
#include "terminal/cli.h"

#include <stdio.h>
#include <stdlib.h>

#define PATH_ROOM 1024

static enum rc out_dir(const struct cli *cli, const char *out, const struct certificate *c, char *buf, struct err *err)
{
	char name[64];

	if (out != NULL)
		return snprintf(buf, PATH_ROOM, "%s", out) < PATH_ROOM
			       ? RC_OK
			       : err_set(err, RC_RANGE, 0, "--out: the path is too long");
	snprintf(name, sizeof name, "reports/%s-%lld", c->paper.has_map ? "map" : "calibration",
		 (long long)c->record_id);
	return cli_path(cli, name, buf, PATH_ROOM, err);
}

/* The record that is asked for, or the newest calibration, of a virtual bench or not: the page says which. */
static enum rc choose(struct logbook *lb, const char *text, int64_t *ret, struct err *err)
{
	char *json = NULL;
	int64_t wall_ns;

	if (text != NULL)
		return run_report_id(text, ret, NULL) == RC_OK
			       ? RC_OK
			       : err_set(err, RC_ARG, 0,
					 "found \"%.40s\", expected the number of a record: bridle log lists them",
					 text);
	enum rc rc = logbook_latest_record(lb, "calibration", RECORD_ANY, ret, &wall_ns, &json, err);
	if (rc == RC_OK && json == NULL)
		rc = err_set(err, RC_ARG, 0, "no calibration is kept here yet: bridle hang makes one");
	free(json);
	return rc;
}

static enum rc run(const struct cli *cli, const char *out, bool no_figures, struct certificate **ret, char *dir,
		   struct err *err)
{
	struct logbook *lb = NULL;
	int64_t id = 0;
	enum rc rc = run_report_open(cli, &lb, err);

	if (rc == RC_OK)
		rc = choose(lb, cli->n_args > 0 ? cli->args[0] : NULL, &id, err);
	if (rc == RC_OK)
		rc = certificate_of(lb, id, ret, err);
	if (rc == RC_OK)
		rc = out_dir(cli, out, *ret, dir, err);
	if (rc == RC_OK)
		rc = certificate_write(*ret, dir, !no_figures, err);
	logbook_close(lb);
	return rc;
}

static int print(const struct cli *cli, const struct certificate *c, const char *dir)
{
	char path[PATH_ROOM + 20];

	snprintf(path, sizeof path, "%s/certificate.html", dir);
	if (!cli->json) {
		printf("%s\n%s\n%s: %s\n", c->paper.subject, c->paper.source, c->paper.has_map ? "Page" : "Certificate",
		       path);
		return 0;
	}
	json_t *doc = json_deep_copy(c->doc);
	json_object_set_new(doc, "record", json_integer(c->record_id));
	json_object_set_new(doc, "page", cli_text(path));
	return cli_print_json(doc);
}

int cmd_certificate(int argc, char **argv)
{
	const char *out = NULL;
	bool no_figures = false;
	const struct cli_option options[] = {
		{ "out", "DIR",
		  "folder for page, table and figure; default BENCH/reports/calibration-RECORD or map-RECORD", &out,
		  NULL },
		{ "no-figures", NULL, "no gnuplot: page and table only", NULL, &no_figures },
	};
	const struct cli_spec spec = {
		.name = "certificate",
		.usage = "certificate [RECORD] [options]",
		.about = "Publishes a calibration of the torque cell as a page of its own: loads, readings, residuals, "
			 "uncertainty and class by load, conditions, and how long it holds. Or a map of the brake: its "
			 "branches, slope, drag and remanence. RECORD is a number of "
			 "bridle "
			 "log; without it the newest calibration.",
		.examples = "  bridle certificate\n  bridle certificate 1 --out /tmp/cell\n",
		CLI_TAKES(options),
		.max_args = 1,
	};
	struct cli cli;
	struct err err = { 0 };
	struct certificate *c = NULL;
	char dir[PATH_ROOM];

	if (cli_parse(&spec, argc, argv, &cli, &err) != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	enum rc rc = run(&cli, out, no_figures, &c, dir, &err);
	int status = rc == RC_OK ? print(&cli, c, dir) : cli_fail(&cli, &err, NULL, NULL);
	certificate_free(c);
	return status;
}
