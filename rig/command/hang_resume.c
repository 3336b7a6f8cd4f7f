/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang_guided.h"

#include "calib/number/number.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FNV_OFFSET 0xcbf29ce484222325u
#define FNV_PRIME 0x100000001b3u

static enum rc event(struct hanging *h, const char *kind, const char *text, struct err *err)
{
	struct session *s = &h->s;

	return logbook_event(s->logbook, s->run_id, s->clock.now(s->clock.ctx).ns, kind, text, err);
}

/* Of what hangs at each load: other weights, another arm or other steps give another text. */
static void plan_text(const struct hanging *h, char *buf, size_t size)
{
	uint64_t hash = FNV_OFFSET;
	char load[64];

	for (size_t k = 0; k <= h->loads.n; k++) {
		snprintf(load, sizeof load, "%zu %.9g %.12g;", h->loads.upto[k], h->loads.mass_kg[k],
			 h->loads.load[k].torque_Nm);
		for (const char *c = load; *c; c++)
			hash = (hash ^ (unsigned char)*c) * FNV_PRIME;
	}
	snprintf(buf, size, "loads %zu series %d digest %016" PRIx64, h->loads.n, h->book.n_series, hash);
}

enum rc hang_keep_plan(struct hanging *h, struct err *err)
{
	char text[100];

	plan_text(h, text, sizeof text);
	return event(h, "hang", text, err);
}

enum rc hang_keep_reading(struct hanging *h, size_t i, struct err *err)
{
	const struct hang_item *item = &h->book.item[i];
	const struct hang_taken *t = &h->book.taken[i];
	char text[240], ambient[40] = "", cell[40] = "";

	if (isfinite(t->ambient_degC))
		snprintf(ambient, sizeof ambient, " ambient %.17g degC", t->ambient_degC);
	if (isfinite(t->cell_degC))
		snprintf(cell, sizeof cell, " cell %.17g degC", t->cell_degC);
	snprintf(text, sizeof text, "item %zu series %d load %zu count %.17g u %.17g%s%s", i + 1, item->series,
		 item->load, t->indication, t->u, ambient, cell);
	return event(h, "reading", text, err);
}

enum rc hang_keep_back(struct hanging *h, size_t i, struct err *err)
{
	char text[40];

	snprintf(text, sizeof text, "item %zu", i + 1);
	return event(h, "taken back", text, err);
}

/* --- taking up --- */

struct replay {
	struct hang_book *book;
	char plan[100];
	bool bad;
};

/* The number behind a word of an event's text. */
static bool number_after(const char *text, const char *word, double *ret)
{
	char find[24], value[40] = "";

	snprintf(find, sizeof find, "%s ", word);
	const char *at = strstr(text, find);
	return at && sscanf(at + strlen(find), "%39s", value) == 1 && number_parse(value, ret, NULL) == RC_OK;
}

static void replay_reading(struct replay *r, const char *text, bool there)
{
	struct hang_taken t = { .there = there, .ambient_degC = NAN, .cell_degC = NAN };
	double item = 0;

	if (!number_after(text, "item", &item) || !(item >= 1 && item <= (double)r->book->n) ||
	    (there && (!number_after(text, "count", &t.indication) || !number_after(text, "u", &t.u)))) {
		r->bad = true;
		return;
	}
	if (!there || !number_after(text, "ambient", &t.ambient_degC))
		t.ambient_degC = NAN;
	if (!there || !number_after(text, "cell", &t.cell_degC))
		t.cell_degC = NAN;
	r->book->taken[(size_t)item - 1] = t;
}

static bool replay_event(void *ctx, int64_t mono_ns, const char *kind, const char *text)
{
	struct replay *r = ctx;

	(void)mono_ns;
	if (strcmp(kind, "hang") == 0)
		snprintf(r->plan, sizeof r->plan, "%s", text);
	else if (strcmp(kind, "reading") == 0 || strcmp(kind, "taken back") == 0)
		replay_reading(r, text, kind[0] == 'r');
	return true;
}

static enum rc newest_hang(struct hanging *h, struct run_info *ret, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	enum rc rc = logbook_runs(h->s.logbook, "hang", &ids, &n, err);

	if (rc == RC_OK && n == 0)
		rc = err_set(err, RC_ARG, 0, "--resume: the logbook holds no bridle hang to take up; run bridle hang");
	if (rc == RC_OK)
		rc = logbook_run_info(h->s.logbook, ids[0], ret, err);
	free(ids);
	if (rc == RC_OK && strcmp(ret->outcome, "done") == 0)
		rc = err_set(err, RC_ARG, 0,
			     "--resume: the last bridle hang (run %lld) ended normally; run bridle hang for a new "
			     "calibration",
			     (long long)ret->id);
	return rc;
}

/* The oldest of the chain first: later runs took back what they took back. */
static enum rc replay_run(struct hanging *h, int64_t run_id, struct replay *r, struct err *err)
{
	struct run_info info;
	enum rc rc = logbook_run_info(h->s.logbook, run_id, &info, err);

	if (rc == RC_OK && info.resumes_run_id)
		rc = replay_run(h, info.resumes_run_id, r, err);
	return rc == RC_OK ? logbook_each_event(h->s.logbook, run_id, replay_event, r, err) : rc;
}

enum rc hang_take_up(struct hanging *h, struct err *err)
{
	struct run_info info;
	struct replay r = { .book = &h->book };
	char plan[100];
	enum rc rc = newest_hang(h, &info, err);

	if (rc == RC_OK)
		rc = replay_run(h, info.id, &r, err);
	if (rc != RC_OK)
		return rc;
	plan_text(h, plan, sizeof plan);
	if (strcmp(plan, r.plan) != 0)
		return err_set(err, RC_ARG, 0,
			       "--resume: run %lld had other weights, arm, --series or --steps; give the same again, "
			       "or run bridle hang "
			       "for a new calibration",
			       (long long)info.id);
	if (r.bad)
		return err_set(
			err, RC_DB, 0,
			"--resume: run %lld holds a reading that cannot be read; run bridle hang for a new calibration",
			(long long)info.id);
	size_t left = hang_book_drop_unfinished(&h->book);
	h->resumes = info.id;
	if (left)
		live_note(&h->live,
			  "Run %lld is continued. Its unfinished series begins again, because the arm was taken off.",
			  (long long)info.id);
	else
		live_note(&h->live, "Run %lld is continued.", (long long)info.id);
	return RC_OK;
}
