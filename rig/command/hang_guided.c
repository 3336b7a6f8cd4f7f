/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang_guided.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum rc set_up(struct hanging *h, struct err *err)
{
	static const char *const cradle[] = { "uncouple", "arm on", NULL };
	static const char *const shaft[] = { "uncouple", "arm on", NULL };
	bool is_cradle = h->s.rig.mounting == MOUNT_CRADLE;

	enum rc rc = live_arm(&h->live, true, err); /* first: who is left in between may have fitted it */

	return rc ? rc
		  : live_ask(&h->live,
			     is_cradle ? "Uncouple the actuator; the brake stays without current. Fit the calibration "
					 "arm to the cradle and level it. No weight on it yet. "
					 "Stand clear of falling weights and of a lever that springs back."
				       : "Uncouple the actuator and lock the brake's rotor to its housing with a pin, "
					 "so that no current is needed to hold. "
					 "Fit the calibration arm to the shaft and level it. No weight on it yet. "
					 "Stand clear of falling weights.",
			     is_cradle ? cradle : shaft, err);
}

static enum rc take_down(struct hanging *h, struct err *err)
{
	static const char *const hand[] = { "unhang all", "arm off", "couple", NULL };

	h->hung = 0;
	enum rc rc = live_ask(
		&h->live, "Take off weights, hanger and arm, take out any pin, couple the actuator again.", hand, err);
	return rc == RC_OK ? live_arm(&h->live, false, err) : rc;
}

size_t hang_gather(const struct hanging *h, size_t upto, struct cellcal_reading *reading, uint64_t *pieces)
{
	size_t n = 0;

	for (size_t i = 0; i < upto && i < h->book.n; i++) {
		const struct hang_item *item = &h->book.item[i];
		const struct hang_taken *t = &h->book.taken[i];
		if (!t->there || item->act == HANG_PRELOAD || item->act == HANG_PRELOAD_OFF)
			continue;
		if (pieces)
			pieces[n] = ((uint64_t)1 << h->loads.upto[item->load]) - 1;
		reading[n++] = (struct cellcal_reading){ .series = item->series,
							 .position = item->position,
							 .direction = item->direction < 0 ? CELLCAL_DOWN : CELLCAL_UP,
							 .load = h->loads.load[item->load],
							 .indication = t->indication,
							 .u_indication = t->u };
	}
	return n;
}

/* Mean ambient and cell temperature of all readings. */
static void mean_temperatures(const struct hanging *h, double *ret_ambient_degC, double *ret_cell_degC)
{
	struct stats_run ambient, cell;

	stats_run_begin(&ambient);
	stats_run_begin(&cell);
	for (size_t i = 0; i < h->book.n; i++) {
		const struct hang_taken *t = &h->book.taken[i];
		if (t->there && isfinite(t->ambient_degC))
			stats_run_add(&ambient, t->ambient_degC);
		if (t->there && isfinite(t->cell_degC))
			stats_run_add(&cell, t->cell_degC);
	}
	*ret_ambient_degC = ambient.n ? stats_run_result(&ambient).mean : NAN;
	*ret_cell_degC = cell.n ? stats_run_result(&cell).mean : NAN;
}

static enum rc judge(struct hanging *h, const struct cellcal_input *in, struct hang_gate *ret, struct err *err)
{
	double per_kg = h->loads.load[h->loads.n].torque_Nm / h->loads.mass_kg[h->loads.n], torque_Nm[PROFILE_PIECES];
	const char *name[PROFILE_PIECES];
	struct hang_gate_source from = { .rig = &h->s.rig,
					 .counts = true,
					 .guided = true,
					 .converter_bits = node_caps(h->s.node)->cell_bits,
					 .pieces = h->pieces,
					 .n_pieces = h->loads.n_pieces,
					 .piece_Nm = torque_Nm,
					 .piece_name = name,
					 .Nm_per_kg = per_kg };

	for (size_t i = 0; i < h->loads.n_pieces; i++) {
		const struct weight_piece *p = &h->s.weights.piece[h->loads.order[i]];
		torque_Nm[i] = per_kg * p->mass_kg.value;
		name[i] = p->name;
	}
	return hang_gate_judge(in, &from, ret, err);
}

static enum rc evaluate(struct hanging *h, struct hang_result *r, struct cellcal_point **points, struct err *err)
{
	free(*points);
	*points = NULL;
	h->n = hang_gather(h, h->book.n, h->reading, h->pieces);
	const struct cellcal_input in = { .readings = h->reading,
					  .n = h->n,
					  .sources = h->loads.source,
					  .n_sources = h->loads.n_sources,
					  .model = h->o->fit,
					  .resolution = 1,
					  .table = &h->o->table };
	enum rc rc = hang_fit(&in, r, points, err);
	if (rc == RC_OK)
		rc = hang_evaluate(&in, r, err);
	if (rc == RC_OK)
		rc = judge(h, &in, &r->gate, err);
	mean_temperatures(h, &r->ambient_degC, &r->cell_degC);
	r->arm_m = h->place.arm_m.value;
	r->gravity_m_per_s2 = h->place.gravity_m_per_s2.value;
	return rc;
}

/* The series that a person had better take again; 0: that would not help. */
static int doubted_series(const struct hang_result *r)
{
	const struct cellcal_gate *found = &r->gate.found;

	if (found->usable || (found->slip.found && found->slip.series == 0))
		return 0;
	return found->slip.found ? found->slip.series : r->readings[found->worst].series;
}

/* While the arm is still on: a series with a wrong weight can be taken again. Sets *ret_again. */
static enum rc ask_about_result(struct hanging *h, const struct hang_result *r, bool *ret_again, struct err *err)
{
	struct live_choice drop = { 'd', "" };
	int series = doubted_series(r);
	char text[HANG_GATE_TEXT + 60], words[40], key = '\0';

	*ret_again = false;
	if (series == 0 || h->live.hands)
		return RC_OK;
	snprintf(text, sizeof text, "No calibration yet. %s", r->gate.text[0]);
	snprintf(words, sizeof words, "d drop series %d and take it again", series);
	drop.words = words;
	enum rc rc = live_choose(&h->live, text, "ends it", &drop, 1, &key, err);
	*ret_again = rc == RC_OK && key;
	return *ret_again ? hang_take_back(h, key, series, err) : rc;
}

/* Item after item, as often as something is taken back, then the result. */
static enum rc take_all(struct hanging *h, struct hang_result *r, struct cellcal_point **points, struct err *err)
{
	bool again = true;
	enum rc rc = RC_OK;

	while (rc == RC_OK && again) {
		for (size_t i; rc == RC_OK && (i = hang_book_next(&h->book)) < h->book.n;)
			rc = hang_item_do(h, i, err);
		if (rc == RC_OK)
			rc = evaluate(h, r, points, err);
		if (rc == RC_OK)
			rc = ask_about_result(h, r, &again, err);
	}
	return rc;
}

/* The cell is in the mounting of the first series that is missing, or of the one before it. */
static enum rc begin_where_it_stands(struct hanging *h, struct err *err)
{
	size_t next = hang_book_next(&h->book);
	const struct hang_item *item = &h->book.item[next < h->book.n ? next : h->book.n - 1];

	h->mounted = item->remount ? h->book.item[next - 1].position : item->position;
	if (!h->resumes || next == h->book.n || item->act == HANG_PRELOAD)
		return RC_OK;
	return hang_preload_again(h, err);
}

static enum rc guided_series(struct hanging *h, struct hang_result *r, struct cellcal_point **points, struct err *err)
{
	enum rc rc = set_up(h, err);

	if (rc == RC_OK)
		rc = begin_where_it_stands(h, err);
	if (rc == RC_OK)
		rc = take_all(h, r, points, err);
	struct err down_err = { 0 };
	enum rc down_rc = take_down(h, rc == RC_OK ? err : &down_err);
	rc = rc ? rc : down_rc;
	if (rc == RC_OK && !h->o->dry_run)
		rc = hang_store(h->s.logbook, h->s.run_id, h->s.clock.wall(h->s.clock.ctx).ns, r, err);
	r->run_id = h->s.run_id;
	return rc == RC_OK ? hang_verdict(r, err) : rc;
}

static enum rc plan_series(struct hanging *h, struct err *err)
{
	double torque_Nm[HANG_LOADS + 1];

	h->place = hang_place_of(&h->s.rig);
	enum rc rc = hang_place_options(h->o, &h->place, err);
	if (rc == RC_OK)
		rc = hang_loads_make(&h->place, &h->s.weights, h->o->n_steps, &h->loads, err);
	if (rc != RC_OK)
		return rc;
	double most = h->loads.load[h->loads.n].torque_Nm;
	if (!(most <= h->s.rig.cell_full_scale_Nm))
		return err_set(
			err, RC_ARG, 0,
			"all weights together make %.4g N\u00b7m, the cell's full scale is %.4g N\u00b7m (rig.ini); "
			"take pieces out of weights.ini",
			most, h->s.rig.cell_full_scale_Nm);
	for (size_t k = 0; k <= h->loads.n; k++)
		torque_Nm[k] = h->loads.load[k].torque_Nm;
	hang_book_begin(&h->book, h->loads.n, h->o->n_series, torque_Nm);
	h->reading = calloc(h->book.n, sizeof *h->reading);
	h->pieces = calloc(h->book.n, sizeof *h->pieces);
	if (!h->reading || !h->pieces)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	live_limits_for_weights(&h->live);
	return h->o->resume ? hang_take_up(h, err) : RC_OK;
}

/* What is kept of a hang that stopped, and how it goes on. */
static void say_kept(const struct hanging *h, struct mistakes *m)
{
	int whole = 0;

	for (int series = 1; series <= h->book.n_series; series++)
		whole += hang_book_whole(&h->book, series);
	if (whole == 0)
		snprintf(m->line[m->n++], sizeof m->line[0], "No series was complete. Next: bridle hang");
	else
		snprintf(m->line[m->n++], sizeof m->line[0],
			 "Kept: %d of %d series. Next: bridle hang --resume goes on with series %d.", whole,
			 h->book.n_series, whole + 1);
}

static enum rc run_hang(struct hanging *h, struct hang_result *r, struct cellcal_point **points, struct err *err)
{
	enum rc rc = plan_series(h, err);

	if (rc == RC_OK)
		rc = live_begin(&h->live, "hang", h->resumes, err);
	if (rc == RC_OK)
		rc = hang_keep_plan(h, err);
	return rc == RC_OK ? guided_series(h, r, points, err) : rc;
}

int hang_guided(const struct cli *cli, const struct hang_options *o)
{
	const struct session_want want = { .bench = cli->bench, .rig_link = true, .logbook_write = true };
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct hang_result r = { .unit = "count", .dry_run = o->dry_run };
	struct cellcal_point *points = NULL;
	bool judged = false;
	struct hanging *h = calloc(1, sizeof *h);

	if (!h) {
		err_set(&err, RC_NOMEM, 0, "out of memory");
		return cli_fail(cli, &err, NULL, NULL);
	}
	h->o = o;
	h->quiet_sd = INFINITY;
	enum rc rc = live_open(&h->live, cli, &h->s, &want, "hang", &o->live, &m, &err);
	if (rc == RC_OK) {
		rc = run_hang(h, &r, &points, &err);
		bool refused = r.run_id && points && !r.gate.found.usable && rc == RC_SAYS_NO;
		bool begun = h->live.run_open;
		rc = live_end(&h->live, rc, refused ? HANG_NOT_USABLE : NULL, &err);
		judged = rc == RC_OK || (refused && rc == RC_SAYS_NO);
		if (!judged && begun && (rc == RC_SAYS_NO || rc == RC_INTERLOCK))
			say_kept(h, &m);
	}
	int status = judged ? hang_show(cli, &r) : cli_fail(cli, &err, live_cause(&h->live), &m);
	free(points);
	free(h->reading);
	free(h->pieces);
	free(h);
	return status;
}
