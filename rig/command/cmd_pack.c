/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/command.h"
#include "command/run_report.h"
#include "reports/page/report_write.h"
#include "reports/pack/pack_run.h"
#include "terminal/cli.h"

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#define PATH_ROOM 1024

struct wanted {
	const char *accept, *out;
	const char *cause;
	bool pdf;
};

static enum rc out_path(const struct cli *cli, const char *out, int64_t run_id, char *buf, struct err *err)
{
	char name[64];

	if (out != NULL) {
		if (snprintf(buf, PATH_ROOM, "%s", out) >= PATH_ROOM)
			return err_set(err, RC_RANGE, 0, "--out: the path is too long");
		return RC_OK;
	}
	enum rc rc = cli_path(cli, "reports", buf, PATH_ROOM, err);
	if (rc == RC_OK)
		rc = files_make_dir(buf, err);
	snprintf(name, sizeof name, "reports/run-%lld.tar.zst", (long long)run_id);
	return rc == RC_OK ? cli_path(cli, name, buf, PATH_ROOM, err) : rc;
}

static enum rc run(const struct cli *cli, struct wanted *w, struct pack *p, json_t **ret_head, char *path,
		   struct err *err)
{
	struct logbook *lb = NULL;
	struct report *r = NULL;
	enum rc rc = run_report_open(cli, &lb, err);

	if (rc == RC_OK)
		rc = run_result_of(cli, lb, cli->n_args > 0 ? cli->args[0] : NULL, w->accept, &r, &w->cause, err);
	if (rc == RC_OK)
		rc = out_path(cli, w->out, r->run.id, path, err);
	if (rc == RC_OK)
		r->pdf = w->pdf;
	if (rc == RC_OK)
		rc = pack_run(lb, r, p, ret_head, err);
	if (rc == RC_OK)
		rc = pack_write(p, *ret_head, (time_t)(r->run.wall_ns / 1000000000), path, err);
	report_free(r);
	logbook_close(lb);
	return rc;
}

static int print(const struct cli *cli, const struct pack *p, json_t *head, const char *path)
{
	struct stat st = { 0 };
	const char *digest = json_string_value(json_object_get(json_object_get(head, "run"), "digest"));

	if (stat(path, &st) != 0)
		st.st_size = 0;
	if (!cli->json) {
		printf("Pack: %s (%zu files, %.1f MB)\nDigest of the run: %s\n"
		       "Whoever has it recomputes every number: bridle verify FILE\n",
		       path, p->n + 1, 1e-6 * (double)st.st_size, digest);
		return 0;
	}
	json_t *doc = json_object(), *files = json_array();
	json_object_set_new(doc, "pack", cli_text(path));
	json_object_set_new(doc, "bytes", json_integer((json_int_t)st.st_size));
	json_object_set(doc, "run", json_object_get(head, "run"));
	for (size_t i = 0; i < p->n; i++)
		json_array_append_new(files, json_pack("{s:s, s:I, s:s}", "name", p->file[i].name, "bytes",
						       (json_int_t)p->file[i].n, "sha256", p->file[i].sha256));
	json_object_set_new(doc, "files", files);
	return cli_print_json(doc);
}

int cmd_pack(int argc, char **argv)
{
	struct wanted w = { 0 };
	const struct cli_option options[] = {
		{ "out", "FILE", "the archive; default BENCH/reports/run-RUN.tar.zst", &w.out, NULL },
		{ "accept", "REASON", "publish although figures do not agree; the page prints the reason", &w.accept,
		  NULL },
		{ "pdf", NULL, "print the page to report.pdf too, by Chromium where it is installed", NULL, &w.pdf },
	};
	const struct cli_spec spec = {
		.name = "pack",
		.usage = "pack [RUN] [options]",
		.about = "Writes one archive that settles the matter: page, figures, tables and JSON of a sweep (or of "
			 "a "
			 "hold, play, obey, ripple or tame at the rig), the "
			 "profiles, calibration, map and checks that it rests on, its samples, and a manifest with "
			 "SHA-256 "
			 "digests. The same run gives the same bytes. RUN is a number of bridle log; without it the "
			 "latest "
			 "sweep.",
		.examples =
			"  bridle pack\n  bridle pack 7 --pdf --out winder.tar.zst\n  bridle verify winder.tar.zst\n",
		CLI_TAKES(options),
		.max_args = 1,
	};
	struct cli cli;
	struct err err = { 0 };
	char path[PATH_ROOM];
	json_t *head = NULL;

	if (cli_parse(&spec, argc, argv, &cli, &err) != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	struct pack *p = pack_new();
	if (p == NULL)
		err_set(&err, RC_NOMEM, 0, "out of memory");
	int status = p && run(&cli, &w, p, &head, path, &err) == RC_OK ? print(&cli, p, head, path)
								       : cli_fail(&cli, &err, w.cause, NULL);
	json_decref(head);
	pack_free(p);
	return status;
}
