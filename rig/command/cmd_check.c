/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle check [PLAN]: a bench folder read at the desk. Nothing is opened but files. */
#include "terminal/cli.h"
#include "command/command.h"
#include "command/doubts_tell.h"
#include "command/ready_forecast.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define PATH_ROOM 1024

struct checking {
	const struct cli *cli;
	struct mistakes mistakes;
	enum rc unread; /* a file that could not be read at all */
	struct err why_unread;
	json_t *plans, *actuators, *findings;
	size_t refused, doubtful;
	struct doubts doubts;
	struct forecast forecast;
};

/* Names of folder/NAME.ini, in order. */
static json_t *names_in(const struct cli *cli, const char *folder)
{
	struct dirent **entry = NULL;
	char path[PATH_ROOM];
	json_t *ret = json_array();
	int n = cli_path(cli, folder, path, sizeof path, NULL) == RC_OK ? scandir(path, &entry, NULL, alphasort) : 0;

	for (int i = 0; i < n; i++) {
		const char *name = entry[i]->d_name, *dot = strrchr(name, '.');
		if (dot && dot > name && strcmp(dot, ".ini") == 0)
			json_array_append_new(ret, json_stringn(name, (size_t)(dot - name)));
		free(entry[i]);
	}
	free(entry);
	return ret;
}

static bool has_name(const json_t *names, const char *name)
{
	for (size_t i = 0; i < json_array_size(names); i++)
		if (strcmp(json_string_value(json_array_get(names, i)), name) == 0)
			return true;
	return false;
}

static enum rc file_in(const struct checking *c, const char *folder, const char *name, char *path, struct err *err)
{
	char relative[PATH_ROOM];

	snprintf(relative, sizeof relative, "%s%.400s.ini", folder, name);
	return cli_path(c->cli, relative, path, PATH_ROOM, err);
}

/* Mistakes are collected where they are; a file that the machine will not read is an error of its own. */
static void took(struct checking *c, enum rc rc, const struct err *err)
{
	if (rc == RC_OK || rc == RC_ARG || c->unread != RC_OK)
		return;
	c->unread = rc;
	c->why_unread = *err;
}

/* Every file once; all mistakes are collected. The first error that is none of them is returned. */
static enum rc read_all(struct checking *c, struct err *err)
{
	static struct rig_profile rig;
	static struct weights_profile weights;
	struct actuator_profile actuator;
	struct plan_profile plan;
	char path[PATH_ROOM];
	struct err own;
	enum rc rc = file_in(c, "", "rig", path, err);

	if (rc == RC_OK && access(path, F_OK) != 0)
		return err_set(err, RC_ARG, errno,
			       "%s is not a bench folder (no rig.ini in it); go to one, or name one with --bench",
			       c->cli->bench);
	if (rc != RC_OK)
		return rc;
	took(c, profile_read_rig(path, &rig, NULL, &c->mistakes, &own), &own);
	if (file_in(c, "", "weights", path, &own) == RC_OK && access(path, F_OK) == 0)
		took(c, profile_read_weights(path, &weights, NULL, &c->mistakes, &own), &own);
	for (size_t i = 0; i < json_array_size(c->actuators); i++)
		if (file_in(c, "actuators/", json_string_value(json_array_get(c->actuators, i)), path, &own) == RC_OK)
			took(c, profile_read_actuator(path, &actuator, NULL, &c->mistakes, &own), &own);
	for (size_t i = 0; i < json_array_size(c->plans); i++) {
		const char *name = json_string_value(json_array_get(c->plans, i));
		rc = file_in(c, "plans/", name, path, &own);
		if (rc == RC_OK)
			rc = profile_read_plan(path, &plan, NULL, &c->mistakes, &own);
		took(c, rc, &own);
		if (rc != RC_OK || has_name(c->actuators, plan.actuator) ||
		    c->mistakes.n == sizeof c->mistakes.line / sizeof c->mistakes.line[0])
			continue;
		snprintf(c->mistakes.line[c->mistakes.n++], sizeof c->mistakes.line[0],
			 "plans/%.60s.ini: [plan] actuator: found \"%s\", "
			 "expected the name of a file in actuators/, without .ini",
			 name, plan.actuator);
	}
	if (c->unread != RC_OK) {
		*err = c->why_unread;
		return c->unread;
	}
	size_t n = c->mistakes.n + c->mistakes.more;
	return n == 0 ? RC_OK
		      : err_set(err, RC_ARG, 0, "%s: %zu mistake%s in its files",
				strcmp(c->cli->bench, ".") == 0 ? "this bench folder" : c->cli->bench, n,
				n > 1 ? "s" : "");
}

static bool told(const struct checking *c, const char *text)
{
	for (size_t i = 0; i < json_array_size(c->findings); i++)
		if (strcmp(json_string_value(json_object_get(json_array_get(c->findings, i), "message")), text) == 0)
			return true;
	return false;
}

static enum rc take_doubts(struct checking *c, struct logbook *lb, struct err *err)
{
	char reason[200];
	bool refuses;

	for (size_t i = 0; i < c->doubts.n; i++) {
		const struct doubt *d = &c->doubts.list[i];
		enum rc rc = doubt_refuses(lb, d, reason, sizeof reason, &refuses, err);
		if (rc != RC_OK)
			return rc;
		if (told(c, d->text))
			continue;
		c->refused += refuses;
		c->doubtful += !refuses;
		json_array_append_new(c->findings, doubt_json(d, refuses, reason));
		if (!c->cli->json)
			doubt_print(d, refuses, reason);
	}
	return RC_OK;
}

/* plan NULL: the folder alone. */
static enum rc check_plan(struct checking *c, const char *plan, struct err *err)
{
	const struct session_want want = { .bench = c->cli->bench, .plan = plan };
	struct session *s = calloc(1, sizeof *s);
	enum rc rc = s ? session_open(&want, s, NULL, err) : err_set(err, RC_NOMEM, 0, "out of memory");

	if (rc == RC_OK) {
		if (plan)
			ready_forecast_make(s, &c->forecast);
		doubts_find(s, plan ? &c->forecast : NULL, &c->doubts);
		rc = take_doubts(c, s->logbook, err);
		session_close(s);
	}
	free(s);
	return rc;
}

static enum rc check_folder(struct checking *c, struct err *err)
{
	const char *one = c->cli->n_args ? c->cli->args[0] : NULL;
	enum rc rc = RC_OK;

	c->actuators = names_in(c->cli, "actuators");
	c->plans = names_in(c->cli, "plans");
	c->findings = json_array();
	rc = read_all(c, err);
	if (rc != RC_OK)
		return rc;
	if (one || json_array_size(c->plans) == 0)
		return check_plan(c, one, err);
	for (size_t i = 0; i < json_array_size(c->plans) && rc == RC_OK; i++)
		rc = check_plan(c, json_string_value(json_array_get(c->plans, i)), err);
	return rc;
}

static int tell(const struct checking *c)
{
	int status = c->refused ? 1 : 0;

	if (c->cli->json) {
		int printed = cli_print_json(
			json_pack("{s:o, s:O, s:O, s:O, s:b, s:I, s:I}", "folder", cli_text(c->cli->bench), "plans",
				  c->plans, "actuators", c->actuators, "findings", c->findings, "ok", !c->refused,
				  "wrong", (json_int_t)c->refused, "doubtful", (json_int_t)c->doubtful));
		return printed ? printed : status;
	}
	printf("%sRead: rig.ini, weights.ini, %zu in actuators/, %zu in plans/.\n",
	       c->refused + c->doubtful ? "\n" : "", json_array_size(c->actuators), json_array_size(c->plans));
	if (c->refused)
		printf("Wrong: %zu, doubtful: %zu.\n", c->refused, c->doubtful);
	else if (c->doubtful)
		printf("Nothing is wrong, doubtful: %zu.\n", c->doubtful);
	else
		puts("Nothing is wrong or doubtful.");
	return status;
}

int cmd_check(int argc, char **argv)
{
	const struct cli_spec spec = {
		.name = "check",
		.usage = "check [PLAN] [options]",
		.about = "Reads a bench folder at the desk and says all that is wrong or doubtful: the mistakes of "
			 "every file, figures that do not agree with "
			 "each other, with the calibration or with the map, and the forecast of PLAN (without it, of "
			 "every plan) against its limits. "
			 "No rig is needed; nothing is moved or written. Exit status 0: nothing is wrong; 1: something "
			 "is; 2: a file has mistakes.",
		.examples = "  bridle check\n  bridle check lock-sweep --json\n",
		.max_args = 1,
	};
	struct cli cli;
	struct err err = { 0 };
	struct checking *c = NULL;
	int status;

	if (cli_parse(&spec, argc, argv, &cli, &err) != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	c = calloc(1, sizeof *c);
	if (!c) {
		err_set(&err, RC_NOMEM, 0, "out of memory");
		return cli_fail(&cli, &err, NULL, NULL);
	}
	c->cli = &cli;
	status = check_folder(c, &err) == RC_OK ? tell(c) : cli_fail(&cli, &err, NULL, &c->mistakes);
	json_decref(c->plans);
	json_decref(c->actuators);
	json_decref(c->findings);
	free(c);
	return status;
}
