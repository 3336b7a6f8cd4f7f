/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pack/pack_private.h"
#include "reports/pack/pack_run.h"
#include "reports/pack/folder.h"

#include "logbook/extract.h"
#include "reports/page/report_write.h"
#include "reports/reduce/text.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char pack_read_me[] =
	"A pack: one run of a brake rig, what was published of it, and what it rests on.\n\n"
	"  report.html            the page; report.json the same with all digits\n"
	"  report.pdf             the page as it was printed, where it was; it is not compared\n"
	"  *.csv                  the tables behind it; figures.gp draws every figure from them: gnuplot figures.gp\n"
	"  *.svg, *.png, *.pdf    the figures; without PDF where it would differ at each drawing (figures.gp draws "
	"it)\n"
	"  profiles/              rig, actuator and plan as they were at the run\n"
	"  records/               calibration, brake map, checks: what the run rests on\n"
	"  windows.csv            where each mean was taken; samples.csv the samples in these windows\n"
	"  run.sqlite             every sample, point and event of the run (docs/logbook.md of the program)\n"
	"  manifest.json          size and SHA-256 digest of every file\n\n"
	"bridle verify PACK recomputes every published number from run.sqlite. docs/method.md of the program has the\n"
	"formulas. The results concern only the unit that was tested.\n";

/* A PDF says when it was drawn, "/CreationDate (D:20260131120000Z)" (ISO 32000-1, 7.9.4): the run's time stands there,
 * so that the same run gives the same bytes. False for a PDF that hides it in a compressed part (cairo 1.18): it would
 * differ each time, so it is left out. */
static bool date_pdf(uint8_t *bytes, size_t n, int64_t wall_ns)
{
	static const char key[] = "/CreationDate (D:";
	uint8_t *at = memmem(bytes, n, key, sizeof key - 1);
	time_t t = (time_t)(wall_ns / 1000000000);
	struct tm tm;
	char text[16];

	if (n < 5 || memcmp(bytes, "%PDF-", 5) != 0)
		return true;
	if (at == NULL || gmtime_r(&t, &tm) == NULL || strftime(text, sizeof text, "%Y%m%d%H%M%S", &tm) != 14)
		return false;
	at += sizeof key - 1;
	for (size_t i = 0; i < 14 && at + i < bytes + n && isdigit(at[i]); i++)
		at[i] = (uint8_t)text[i];
	return true;
}

static enum rc add_published(const struct report *r, struct pack *p, struct err *err)
{
	char folder[FOLDER_ROOM], **names = NULL;
	size_t n = 0;
	enum rc rc = folder_make(folder, err);

	if (rc != RC_OK)
		return rc;
	rc = report_write(r, folder, true, err);
	if (rc == RC_OK)
		rc = folder_list(folder, &names, &n, err);
	for (size_t i = 0; i < n && rc == RC_OK; i++) {
		uint8_t *bytes = NULL;
		size_t size = 0;
		rc = folder_read(folder, names[i], &bytes, &size, err);
		if (rc == RC_OK && date_pdf(bytes, size, r->run.wall_ns))
			rc = pack_add(p, names[i], bytes, size, err);
		free(bytes);
	}
	folder_list_free(names, n);
	folder_remove(folder);
	return rc;
}

static enum rc add_text(struct pack *p, const char *name, const char *text, struct err *err)
{
	return text ? pack_add(p, name, text, strlen(text), err) : RC_OK;
}

static enum rc add_profiles(struct logbook *lb, int64_t run_id, struct pack *p, struct err *err)
{
	char *rig = NULL, *actuator = NULL, *plan = NULL;
	enum rc rc = logbook_run_texts(lb, run_id, &rig, &actuator, &plan, err);

	if (rc == RC_OK)
		rc = add_text(p, "profiles/rig.ini", rig, err);
	if (rc == RC_OK)
		rc = add_text(p, "profiles/actuator.ini", actuator, err);
	if (rc == RC_OK)
		rc = add_text(p, "profiles/plan.ini", plan, err);
	free(rig);
	free(actuator);
	free(plan);
	return rc;
}

struct records {
	struct pack *p;
	struct err *err;
	enum rc rc;
};

static bool add_record(void *ctx, const struct record_info *record)
{
	struct records *to = ctx;
	char name[PACK_NAME_ROOM];

	snprintf(name, sizeof name, "records/%.40s-%lld.json", record->kind, (long long)record->id);
	to->rc = add_text(to->p, name, record->json, to->err);
	return to->rc == RC_OK;
}

static enum rc add_rows(struct logbook *lb, int64_t run_id, struct pack *p, struct err *err)
{
	uint8_t *bytes = NULL;
	size_t n = 0;
	struct logbook *extract = NULL;
	struct records to = { p, err, RC_OK };
	enum rc rc = extract_make(lb, run_id, &bytes, &n, err);

	if (rc == RC_OK)
		rc = pack_add(p, PACK_RUN, bytes, n, err);
	if (rc == RC_OK)
		rc = extract_open("the pack", bytes, n, &extract, err);
	if (rc == RC_OK)
		rc = logbook_each_record(extract, NULL, RECORD_ANY, add_record, &to, err);
	logbook_close(extract);
	extract_free(bytes);
	return rc == RC_OK ? to.rc : rc;
}

static enum rc add_windows(struct logbook *lb, int64_t run_id, struct pack *p, struct err *err)
{
	char *text[2] = { NULL, NULL };
	size_t size[2] = { 0, 0 };
	FILE *f[2] = { open_memstream(&text[0], &size[0]), open_memstream(&text[1], &size[1]) };
	enum rc rc =
		f[0] && f[1] ? pack_windows(lb, run_id, f[0], f[1], err) : err_set(err, RC_NOMEM, 0, "out of memory");

	for (int i = 0; i < 2; i++)
		if (f[i] && fclose(f[i]) != 0 && rc == RC_OK)
			rc = err_set(err, RC_NOMEM, 0, "out of memory for the samples of the windows");
	if (rc == RC_OK)
		rc = pack_add(p, "windows.csv", text[0], size[0], err);
	if (rc == RC_OK)
		rc = pack_add(p, PACK_SAMPLES, text[1], size[1], err);
	free(text[0]);
	free(text[1]);
	return rc;
}

static enum rc make_head(struct logbook *lb, const struct report *r, json_t **ret, struct err *err)
{
	char again[LOGBOOK_DIGEST_TEXT], when[40];
	const char *digest = r->digest;

	if (!digest[0]) { /* a row does not fit: the error says which */
		enum rc rc = logbook_run_digest(lb, r->run.id, again, err);
		if (rc != RC_OK)
			return rc;
		digest = again;
	}
	text_time(when, sizeof when, r->run.wall_ns);
	*ret = json_pack("{s:s, s:{s:I, s:s, s:s, s:s%, s:s%, s:b}}", "program", BRIDLE_VERSION, "run", "id",
			 (json_int_t)r->run.id, "digest", digest, "started", when, "actuator", r->actuator.name,
			 strlen(r->actuator.name), "rig", r->rig.name, strlen(r->rig.name), "virtual_bench",
			 r->run.on_bench);
	return *ret ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory");
}

enum rc pack_run(struct logbook *lb, const struct report *r, struct pack *ret, json_t **ret_head, struct err *err)
{
	enum rc rc = add_published(r, ret, err);

	if (rc == RC_OK)
		rc = add_text(ret, "README.txt", pack_read_me, err);
	if (rc == RC_OK)
		rc = add_profiles(lb, r->run.id, ret, err);
	if (rc == RC_OK)
		rc = add_rows(lb, r->run.id, ret, err);
	if (rc == RC_OK)
		rc = add_windows(lb, r->run.id, ret, err);
	return rc == RC_OK ? make_head(lb, r, ret_head, err) : rc;
}
