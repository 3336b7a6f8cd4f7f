/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/command.h"
#include "command/run_report.h"
#include "logbook/extract.h"
#include "reports/pack/pack_check.h"
#include "reports/page/report_write.h"
#include "terminal/cli.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SHOWN 20

struct verified {
	struct pack *pack;
	struct report *again;
	struct pack_check check;
};

static enum rc recompute(const struct pack *p, struct verified *v, struct err *err)
{
	const struct pack_file *rows = pack_find(p, PACK_RUN);
	int64_t run_id = json_integer_value(json_object_get(json_object_get(p->manifest, "run"), "id"));
	char digest[LOGBOOK_DIGEST_TEXT];
	struct logbook *lb = NULL;
	enum rc rc = rows ? extract_open(PACK_RUN, rows->bytes, rows->n, &lb, err)
			  : err_set(err, RC_ARG, 0, "the pack holds no %s, so nothing can be recomputed", PACK_RUN);

	if (rc == RC_OK)
		rc = run_report_again(lb, run_id, &v->again, err);
	if (rc == RC_OK)
		v->again->pdf = pack_find(p, PAGE_PDF) != NULL;
	if (rc == RC_OK && !v->again->digest[0])
		rc = logbook_run_digest(lb, run_id, digest, err); /* which row does not fit */
	if (rc == RC_OK)
		rc = pack_check(p, lb, v->again, &v->check, err);
	logbook_close(lb);
	/* Whatever a stranger's rows lack or contradict is a matter of the pack, not of this machine. */
	if (rc == RC_DB || rc == RC_SAYS_NO || rc == RC_RANGE) {
		char why[sizeof err->what];
		snprintf(why, sizeof why, "%s", err->what);
		rc = err_set(err, RC_ARG, 0, "the rows of the pack give no result: %s", why);
	}
	return rc;
}

static const char *verdict(const struct pack_check *c)
{
	return c->n_differs > 0 ? "differs" : c->rounding > 0 ? "equal within rounding" : "equal";
}

static int print_json(const char *path, const struct verified *v)
{
	const struct pack_check *c = &v->check;
	json_t *doc = json_object(), *list = json_array();

	json_object_set_new(doc, "pack", cli_text(path));
	json_object_set(doc, "run", json_object_get(v->pack->manifest, "run"));
	json_object_set(doc, "program", json_object_get(v->pack->manifest, "program"));
	json_object_set_new(doc, "same_program", json_boolean(c->same_program));
	json_object_set_new(doc, "equal", json_boolean(c->n_differs == 0));
	json_object_set_new(doc, "verdict", json_string(verdict(c)));
	json_object_set_new(doc, "numbers", json_integer((json_int_t)c->numbers));
	json_object_set_new(doc, "within_rounding", json_integer((json_int_t)c->rounding));
	json_object_set_new(doc, "n_differs", json_integer((json_int_t)c->n_differs));
	for (size_t i = 0; i < c->n_differs && i < PACK_DIFFERS_MAX; i++) {
		json_t *o = json_object();
		json_object_set_new(o, "name", cli_text(c->differs[i].name));
		json_object_set_new(o, "published", cli_text(c->differs[i].published));
		json_object_set_new(o, "recomputed", cli_text(c->differs[i].recomputed));
		json_array_append_new(list, o);
	}
	json_object_set_new(doc, "differs", list);
	return cli_print_json(doc);
}

static void print_text(const char *path, const struct verified *v)
{
	const struct pack_check *c = &v->check;

	printf("Pack: %s\nRun: %s\nDigests: all %zu files are as in the manifest.\n", path, v->again->source,
	       v->pack->n);
	if (c->n_differs == 0 && c->rounding == 0)
		printf("Equal: %zu numbers recomputed from %lld samples.\n", c->numbers,
		       (long long)v->again->run.samples);
	else if (c->n_differs == 0)
		printf("Equal within rounding: %zu numbers recomputed from %lld samples, %zu of them differ in the "
		       "last "
		       "digits.\n",
		       c->numbers, (long long)v->again->run.samples, c->rounding);
	else
		printf("Differs: %zu of what this pack publishes. Its samples do not give it:\n", c->n_differs);
	for (size_t i = 0; i < c->n_differs && i < SHOWN; i++)
		printf("  %s: published %s, recomputed %s\n", c->differs[i].name, c->differs[i].published,
		       c->differs[i].recomputed);
	if (c->n_differs > SHOWN)
		printf("  and %zu more: --json lists up to %d\n", c->n_differs - SHOWN, PACK_DIFFERS_MAX);
	if (!c->same_program) {
		const char *other = json_string_value(json_object_get(v->pack->manifest, "program"));
		printf("Made by bridle %s, verified by bridle %s: numbers were compared, wording was not.\n",
		       other ? other : "of an unknown version", BRIDLE_VERSION);
	}
	if (v->again->pdf)
		printf("Not compared: the drawings, made from the tables, which are, and " PAGE_PDF
		       ", the page as it was printed.\n");
	else
		printf("The drawings themselves are not compared; they are made from the tables, which are.\n");
}

int cmd_verify(int argc, char **argv)
{
	const struct cli_spec spec = {
		.name = "verify",
		.usage = "verify PACK [options]",
		.about = "Recomputes every number that a pack of bridle pack publishes, from the samples in it, with "
			 "this "
			 "program, and says: equal, equal within rounding, or what differs. Files are checked against "
			 "the "
			 "manifest first. Nothing of the pack is written anywhere but in a folder for a while, and no "
			 "bench "
			 "folder is needed. Exit status: 0 equal, 1 differs, 2 no pack, another version, or altered.",
		.examples = "  bridle verify run-7.tar.zst\n  bridle verify run-7.tar.zst --json\n",
		.min_args = 1,
		.max_args = 1,
	};
	struct cli cli;
	struct err err = { 0 };
	int status;

	if (cli_parse(&spec, argc, argv, &cli, &err) != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	struct verified *v = calloc(1, sizeof *v);
	enum rc rc = v ? pack_read(cli.args[0], NULL, &v->pack, &err) : err_set(&err, RC_NOMEM, 0, "out of memory");
	if (rc == RC_OK)
		rc = recompute(v->pack, v, &err);
	if (rc != RC_OK) {
		status = cli_fail(&cli, &err, rc == RC_ARG ? "pack" : NULL, NULL);
	} else if (cli.json) {
		status = print_json(cli.args[0], v);
	} else {
		print_text(cli.args[0], v);
		status = 0;
	}
	if (status == 0 && v->check.n_differs > 0)
		status = 1;
	if (v) {
		report_free(v->again);
		pack_free(v->pack);
		free(v);
	}
	return status;
}
