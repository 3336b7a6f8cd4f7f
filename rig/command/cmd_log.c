/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle log: list, show, export, verify, check, history, note. */
#include "terminal/cli.h"
#include "command/command.h"
#include "command/log_checks.h"
#include "command/log_history.h"
#include "command/log_print.h"
#include "channel/clock.h"
#include "reports/page/report_write.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static enum rc logbook_path(const struct cli *cli, bool must_be, char *path, size_t size, struct err *err)
{
	char rig[PROFILE_PATH * 2];
	enum rc rc = cli_path(cli, "rig.ini", rig, sizeof rig, err);

	if (rc == RC_OK)
		rc = cli_path(cli, "logbook", path, size, err);
	if (rc != RC_OK)
		return rc;
	if (access(path, F_OK) == 0)
		return RC_OK;
	if (access(rig, F_OK) != 0)
		return err_set(err, RC_ARG, 0,
			       "%s is not a bench folder (no rig.ini in it); go to one, or name one with --bench",
			       cli->bench);
	if (must_be)
		return err_set(err, RC_ARG, 0,
			       "%s: there is no logbook yet; the first run (bridle probe, bridle hang) makes it", path);
	return RC_OK;
}

static enum rc open_to_read(const struct cli *cli, struct logbook **lb, struct err *err)
{
	char path[PROFILE_PATH * 2];
	enum rc rc = logbook_path(cli, true, path, sizeof path, err);

	return rc == RC_OK ? logbook_open_read(path, lb, err) : rc;
}

/* "12" or "last". */
static enum rc find_run(struct logbook *lb, const char *text, struct run_info *ret, struct err *err)
{
	char *end;
	long long id;

	if (strcmp(text, "last") == 0) {
		int64_t *ids = NULL;
		size_t n = 0;
		enum rc rc = logbook_runs(lb, NULL, &ids, &n, err);
		if (rc != RC_OK)
			return rc;
		id = n > 0 ? ids[0] : 0;
		free(ids);
		if (id == 0)
			return err_set(err, RC_ARG, 0, "the logbook holds no run yet");
	} else {
		errno = 0;
		id = strtoll(text, &end, 10);
		if (errno || *end || end == text || id < 1)
			return err_set(err, RC_ARG, 0, "RUN: found \"%s\", expected a run's number or \"last\"", text);
	}
	return logbook_run_info(lb, id, ret, err);
}

static enum rc export_to(struct logbook *lb, const struct run_info *run, const char *out, struct err *err)
{
	FILE *to = out ? files_create(out) : stdout;

	if (!to)
		return err_set(err, RC_IO, errno, "%s: cannot write: %s", out, files_why(errno));
	enum rc rc = log_export_csv(lb, run, to, err);
	bool bad = fflush(to) != 0 || ferror(to);
	int why = errno;
	if (out && fclose(to) != 0 && !bad) {
		bad = true;
		why = errno;
	}
	if (rc == RC_OK && bad)
		return err_set(err, RC_IO, why, "%s: cannot write: %s", out ? out : "standard output", strerror(why));
	return rc;
}

static enum rc do_export(const struct cli *cli, struct logbook *lb, const char *out, struct err *err)
{
	struct run_info run;

	if (cli->json && !out)
		return err_set(err, RC_ARG, 0,
			       "log export --json needs --out FILE: standard output holds one JSON document and "
			       "nothing else");
	enum rc rc = find_run(lb, cli->args[1], &run, err);
	if (rc == RC_OK)
		rc = export_to(lb, &run, out, err);
	if (rc != RC_OK || !out)
		return rc;
	if (cli->json) {
		json_t *doc = json_pack("{s:I, s:I, s:s}", "run", (json_int_t)run.id, "samples",
					(json_int_t)run.samples, "file", out);
		return cli_print_json(doc) == 0 ? RC_OK : err_set(err, RC_IO, 0, "cannot write to standard output");
	}
	if (!cli->quiet)
		printf("%lld samples of run %lld in %s\n", (long long)run.samples, (long long)run.id, out);
	return RC_OK;
}

static enum rc do_show(const struct cli *cli, struct logbook *lb, struct err *err)
{
	struct run_info run;
	enum rc rc = find_run(lb, cli->args[1], &run, err);

	return rc == RC_OK ? log_show(lb, &run, cli->json, err) : rc;
}

static enum rc do_verify(const struct cli *cli, struct logbook *lb, struct err *err)
{
	enum rc rc = logbook_verify(lb, err);

	return rc == RC_OK ? log_verified(lb, cli->json, err) : rc;
}

static char *joined_text(const struct cli *cli)
{
	size_t size = 1;

	for (size_t i = 1; i < cli->n_args; i++)
		size += strlen(cli->args[i]) + 1;
	char *text = calloc(1, size);
	for (size_t i = 1; text && i < cli->n_args; i++) {
		if (i > 1)
			strcat(text, " ");
		strcat(text, cli->args[i]);
	}
	return text;
}

static enum rc write_note(struct logbook *lb, const char *text, int64_t *ret_id, struct err *err)
{
	struct clock_src clock = clock_machine();
	json_t *note = json_pack("{s:o}", "text", cli_text(text));
	char *json = json_dumps(note, JSON_COMPACT);
	enum rc rc = logbook_record(lb, 0, clock.wall(clock.ctx).ns, "note", json, ret_id, err);

	free(json);
	json_decref(note);
	if (clock.free)
		clock.free(clock.ctx);
	return rc;
}

static enum rc do_note(const struct cli *cli, struct err *err)
{
	char path[PROFILE_PATH * 2], *text = joined_text(cli);
	struct logbook *lb = NULL;
	int64_t id = 0;

	if (!text)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = RC_OK;
	if (text[strspn(text, " \t\n")] == '\0')
		rc = err_set(err, RC_ARG, 0, "log note: the text is empty; write what happened");
	if (rc == RC_OK)
		rc = logbook_path(cli, false, path, sizeof path, err);
	if (rc == RC_OK)
		rc = logbook_open(path, &lb, err);
	if (rc == RC_OK)
		rc = write_note(lb, text, &id, err);
	logbook_close(lb);
	free(text);
	if (rc != RC_OK)
		return rc;
	if (cli->json && cli_print_json(json_pack("{s:I}", "record", (json_int_t)id)) != 0)
		return err_set(err, RC_IO, 0, "cannot write to standard output");
	if (!cli->json && !cli->quiet)
		printf("Noted as record %lld.\n", (long long)id);
	return RC_OK;
}

static const struct {
	const char *name;
	size_t min_args, max_args;
	const char *usage;
	bool out;
} topics[] = {
	{ "list", 1, 1, "log list", false },
	{ "show", 2, 2, "log show RUN", false },
	{ "export", 2, 2, "log export RUN [--out FILE]", true },
	{ "verify", 1, 1, "log verify", false },
	{ "check", 1, 1, "log check [--out DIR]", true },
	{ "history", 1, 2, "log history [ACTUATOR] [--out DIR]", true },
	{ "note", 2, CLI_ARGS, "log note TEXT...", false },
};

static enum rc check_topic(const struct cli *cli, const char *out, struct err *err)
{
	for (size_t i = 0; i < sizeof topics / sizeof topics[0]; i++) {
		if (strcmp(cli->args[0], topics[i].name) != 0)
			continue;
		if (cli->n_args < topics[i].min_args || cli->n_args > topics[i].max_args)
			return err_set(err, RC_ARG, 0, "usage: bridle %s", topics[i].usage);
		if (out && !topics[i].out)
			return err_set(err, RC_ARG, 0, "--out goes only with log export, log check and log history");
		return RC_OK;
	}
	return err_set(err, RC_ARG, 0, "log: found \"%s\", expected list, show, export, verify, check, history or note",
		       cli->args[0]);
}

static enum rc do_topic(const struct cli *cli, const char *out, struct err *err)
{
	const char *topic = cli->args[0];
	struct logbook *lb = NULL;
	enum rc rc = check_topic(cli, out, err);

	if (rc != RC_OK)
		return rc;
	if (strcmp(topic, "note") == 0)
		return do_note(cli, err);
	rc = open_to_read(cli, &lb, err);
	if (rc != RC_OK)
		return rc;
	if (strcmp(topic, "list") == 0)
		rc = log_list(lb, cli->json, err);
	else if (strcmp(topic, "show") == 0)
		rc = do_show(cli, lb, err);
	else if (strcmp(topic, "export") == 0)
		rc = do_export(cli, lb, out, err);
	else if (strcmp(topic, "check") == 0)
		rc = log_checks(lb, out, cli->json, err);
	else if (strcmp(topic, "history") == 0)
		rc = log_history(lb, cli->n_args > 1 ? cli->args[1] : NULL, out, cli->json, err);
	else
		rc = do_verify(cli, lb, err);
	logbook_close(lb);
	return rc;
}

int cmd_log(int argc, char **argv)
{
	const char *out = NULL;
	const struct cli_option options[] = {
		{ "out", "FILE",
		  "export: write the CSV there (default: standard output); check, history: a folder for the page", &out,
		  NULL },
	};
	const struct cli_spec spec = {
		.name = "log",
		.usage = "log list | show RUN | export RUN | verify | check | history | note",
		.about = "Reads the logbook of a bench folder: lists its runs and records, shows a run with its points "
			 "and events, "
			 "exports a run's samples as CSV, verifies that nothing was altered or lost, draws the control "
			 "chart of the check weight, follows zero, sensitivity, brake and the current without load "
			 "over months "
			 "(history), and adds a note. Alone it lists. RUN is "
			 "a number or \"last\". Nothing is ever changed or deleted.",
		.examples = "  bridle log list\n  bridle log show last\n  bridle log export 12 --out run12.csv\n"
			    "  bridle log check --out reports/check-weight\n"
			    "  bridle log note \"new coupling screws, 12 N.m\"\n",
		CLI_TAKES(options),
		.max_args = CLI_ARGS,
	};
	struct cli cli;
	char list[] = "list";
	struct err err = { 0 };
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (rc == RC_OK && cli.help_shown)
		return 0;
	if (rc == RC_OK && cli.n_args == 0) {
		cli.args[0] = list;
		cli.n_args = 1;
	}
	if (rc == RC_OK)
		rc = do_topic(&cli, out, &err);
	return rc == RC_OK ? 0 : cli_fail(&cli, &err, rc == RC_SAYS_NO ? "logbook_altered" : NULL, NULL);
}
