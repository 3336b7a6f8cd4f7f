/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define PRELOAD_AVERAGE_S 1.0
#define SWING 2.0            /* times the scatter of the empty arm is still still */
#define AUTO_RESIDUAL_FROM 4 /* readings before residuals are shown */

struct hanging {
	struct live live;
	struct session s;
	const struct hang_options *o;
	struct hang_loads loads;
	struct hang_item item[HANG_ITEMS];
	size_t n_items, hung; /* hung: load that is on the arm now */
	struct stats_run ambient_degC;
	double quiet_sd;      /* of the empty arm: what scatters more still swings */
	struct cellcal_reading *reading;
	uint64_t *pieces;     /* on the arm at each reading */
	size_t n;
};

static void list_pieces(const struct hanging *h, size_t from, size_t to, char *buf, size_t size)
{
	size_t used = 0;

	buf[0] = '\0';
	for (size_t i = from; i < to && used < size; i++)
		used += (size_t)snprintf(buf + used, size - used, "%s%s", i > from ? ", " : "",
			h->s.weights.piece[h->loads.order[i]].name);
}

static enum rc hands_hang(struct hanging *h, size_t load, struct err *err)
{
	size_t from = h->loads.upto[h->hung], to = h->loads.upto[load];
	enum rc rc = RC_OK;

	if (load == 0)
		return live_hand(&h->live, err, "unhang all");
	for (size_t i = from; i < to && rc == RC_OK; i++)
		rc = live_hand(&h->live, err, "hang %s", h->s.weights.piece[h->loads.order[i]].name);
	for (size_t i = from; i > to && rc == RC_OK; i--)
		rc = live_hand(&h->live, err, "unhang %s", h->s.weights.piece[h->loads.order[i - 1]].name);
	return rc;
}

static enum rc hang_load(struct hanging *h, size_t load, bool preload, struct err *err)
{
	char names[300], text[420];
	size_t from = h->loads.upto[h->hung], to = h->loads.upto[load];
	enum rc rc = RC_OK;

	if (load == h->hung)
		return RC_OK;
	if (h->live.hands) {
		rc = hands_hang(h, load, err);
	} else {
		list_pieces(h, from < to ? from : to, from < to ? to : from, names, sizeof names);
		if (load == 0)
			snprintf(text, sizeof text, "Take everything off the arm, the hanger too; let it come to rest.");
		else
			snprintf(text, sizeof text, "%s%s %s: %.3f kg hang then, %.2f N\u00b7m, load %zu of %zu.",
				 preload ? "Preload. " : "", from < to ? "Hang" : "Take off", names, h->loads.mass_kg[load],
				 h->loads.load[load].torque_Nm, load, h->loads.n);
		rc = live_ask(&h->live, text, NULL, err);
	}
	if (rc == RC_OK)
		h->hung = load;
	return rc;
}

/* The residual of the newest reading against a fit of all so far. */
static double residual_now_Nm(const struct hanging *h)
{
	struct cellcal_input in = { .readings = h->reading, .n = h->n, .sources = h->loads.source,
		.n_sources = h->loads.n_sources, .model = CELLCAL_LINE, .resolution = 1 };
	struct hang_result r = { 0 };
	struct cellcal_point *points = NULL;
	double residual = NAN;

	if (h->n >= AUTO_RESIDUAL_FROM && hang_fit(&in, &r, &points, NULL) == RC_OK)
		residual = points[h->n - 1].residual * cellcal_slope_Nm(&r.cal, 0);
	free(points);
	return residual;
}

static void show_reading(struct hanging *h, const struct hang_item *item, const struct reading *r)
{
	struct stats_mean mean = stats_run_result(&r->raw);
	double residual = residual_now_Nm(h);
	char tail[60] = "";

	if (item->load > 0 && isfinite(residual))
		snprintf(tail, sizeof tail, "  residual %+.4f N\u00b7m", residual);
	progress_line(h->live.progress, "series %d %-7s %8.3f N\u00b7m  %12.1f counts \u00b1 %-5.1f%s%s", item->series,
		      item->load == 0 ? "zero" : item->direction > 0 ? "rising" : "falling", h->loads.load[item->load].torque_Nm,
		      mean.mean, mean.u_mean, tail, r->still ? "" : "  NOT STILL");
}

static enum rc take_reading(struct hanging *h, const struct hang_item *item, struct err *err)
{
	struct reading r;
	struct reading_config config = live_reading_config(&h->live);
	const struct sequence sequence = { reading_step, &r };
	bool preload = item->act == HANG_PRELOAD || item->act == HANG_PRELOAD_OFF;

	config.step = (int)item->load;
	config.direction = item->direction;
	config.flags = item->load == 0 ? POINT_TARE : 0;
	config.setpoint_Nm = h->loads.load[item->load].torque_Nm;
	config.most_rpm = INFINITY;
	config.still_sd = SWING * h->quiet_sd;
	if (preload) {
		config.average_s = PRELOAD_AVERAGE_S;
		config.still_sd = INFINITY;
	}
	reading_begin(&r, &config);
	enum rc rc = live_run(&h->live, &sequence, err);
	if (rc != RC_OK || preload)
		return rc;
	struct stats_mean mean = stats_run_result(&r.raw);
	if (isfinite(r.temp_degC[TEMP_AMBIENT]))
		stats_run_add(&h->ambient_degC, r.temp_degC[TEMP_AMBIENT]);
	if (item->load == 0 && !isfinite(h->quiet_sd))
		h->quiet_sd = fmax(mean.sd, 1);
	h->reading[h->n++] = (struct cellcal_reading){
		.series = item->series, .position = item->position,
		.direction = item->direction < 0 ? CELLCAL_DOWN : CELLCAL_UP, .load = h->loads.load[item->load],
		.indication = mean.mean, .u_indication = isfinite(mean.u_mean) ? mean.u_mean : 0,
	};
	h->pieces[h->n - 1] = ((uint64_t)1 << h->loads.upto[item->load]) - 1;
	show_reading(h, item, &r);
	return RC_OK;
}

static enum rc do_item(struct hanging *h, size_t i, struct err *err)
{
	static const char *const remount[] = { "remount", NULL };
	const struct hang_item *item = &h->item[i];
	enum rc rc = RC_OK;

	h->live.frac_from = (double)i / (double)h->n_items;
	h->live.frac_to = (double)(i + 1) / (double)h->n_items;
	h->live.remaining_after_s = (double)(h->n_items - i - 1) * 6;
	if (item->remount)
		rc = live_ask(&h->live, "Take the cell out and mount it again, turned if it can be: the next series shows what mounting does.",
			      remount, err);
	if (rc == RC_OK)
		rc = hang_load(h, item->load, item->act == HANG_PRELOAD, err);
	return rc == RC_OK ? take_reading(h, item, err) : rc;
}

static enum rc set_up(struct hanging *h, struct err *err)
{
	static const char *const cradle[] = { "uncouple", "arm on", NULL };
	static const char *const shaft[] = { "uncouple", "arm on", NULL };
	bool is_cradle = h->s.rig.mounting == MOUNT_CRADLE;

	enum rc rc = live_arm(&h->live, true, err); /* first: who is left in between may have fitted it */

	return rc ? rc : live_ask(&h->live, is_cradle ?
		"Uncouple the actuator; the brake stays without current. Fit the calibration arm to the cradle, level it, nothing hung. "
		"Stand clear of falling weights and of a lever that springs back." :
		"Uncouple the actuator and lock the brake's rotor to its housing with a pin, so that no current is needed to hold. "
		"Fit the calibration arm to the shaft, level it, nothing hung. Stand clear of falling weights.",
		is_cradle ? cradle : shaft, err);
}

static enum rc take_down(struct hanging *h, struct err *err)
{
	static const char *const hand[] = { "unhang all", "arm off", "couple", NULL };

	h->hung = 0;
	enum rc rc = live_ask(&h->live, "Take off weights, hanger and arm, take out any pin, couple the actuator again.", hand, err);
	return rc == RC_OK ? live_arm(&h->live, false, err) : rc;
}

static enum rc judge(struct hanging *h, const struct cellcal_input *in, struct hang_gate *ret, struct err *err)
{
	double per_kg = h->loads.load[h->loads.n].torque_Nm / h->loads.mass_kg[h->loads.n], torque_Nm[PROFILE_PIECES];
	const char *name[PROFILE_PIECES];
	struct hang_gate_source from = { .rig = &h->s.rig, .counts = true, .guided = true,
		.converter_bits = node_caps(h->s.node)->cell_bits, .pieces = h->pieces, .n_pieces = h->loads.n_pieces, .piece_Nm = torque_Nm,
		.piece_name = name, .Nm_per_kg = per_kg };

	for (size_t i = 0; i < h->loads.n_pieces; i++) {
		const struct weight_piece *p = &h->s.weights.piece[h->loads.order[i]];
		torque_Nm[i] = per_kg * p->mass_kg.value;
		name[i] = p->name;
	}
	return hang_gate_judge(in, &from, ret, err);
}

static enum rc guided_series(struct hanging *h, struct hang_result *r, struct cellcal_point **points, struct err *err)
{
	enum rc rc = set_up(h, err);

	for (size_t i = 0; i < h->n_items && rc == RC_OK; i++)
		rc = do_item(h, i, err);
	struct err down_err = { 0 };
	enum rc down_rc = take_down(h, rc == RC_OK ? err : &down_err);
	rc = rc ? rc : down_rc;
	if (rc != RC_OK)
		return rc;
	const struct cellcal_input in = { .readings = h->reading, .n = h->n, .sources = h->loads.source,
		.n_sources = h->loads.n_sources, .model = h->o->fit, .resolution = 1, .table = &h->o->table };
	rc = hang_fit(&in, r, points, err);
	if (rc == RC_OK)
		rc = hang_evaluate(&in, r, err);
	if (rc == RC_OK)
		rc = judge(h, &in, &r->gate, err);
	r->ambient_degC = h->ambient_degC.n ? stats_run_result(&h->ambient_degC).mean : NAN;
	if (rc == RC_OK && !h->o->dry_run)
		rc = hang_store(h->s.logbook, h->s.run_id, h->s.clock.wall(h->s.clock.ctx).ns, r, err);
	r->run_id = h->s.run_id;
	return rc == RC_OK ? hang_verdict(r, err) : rc;
}

static enum rc plan_series(struct hanging *h, struct err *err)
{
	struct hang_place place = hang_place_of(&h->s.rig);
	enum rc rc = hang_place_options(h->o, &place, err);

	if (rc == RC_OK)
		rc = hang_loads_make(&place, &h->s.weights, h->o->n_steps, &h->loads, err);
	if (rc != RC_OK)
		return rc;
	double most = h->loads.load[h->loads.n].torque_Nm;
	if (!(most <= h->s.rig.cell_full_scale_Nm))
		return err_set(err, RC_ARG, 0, "all weights together make %.4g N\u00b7m, the cell is full at %.4g N\u00b7m (rig.ini); "
			"take pieces out of weights.ini", most, h->s.rig.cell_full_scale_Nm);
	h->n_items = hang_plan(h->loads.n, h->o->n_series, h->item);
	h->reading = calloc(h->n_items, sizeof *h->reading);
	h->pieces = calloc(h->n_items, sizeof *h->pieces);
	if (!h->reading || !h->pieces)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	live_limits_for_weights(&h->live);
	return RC_OK;
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
	stats_run_begin(&h->ambient_degC);
	enum rc rc = live_open(&h->live, cli, &h->s, &want, "hang", &o->live, &m, &err);
	if (rc == RC_OK) {
		rc = plan_series(h, &err);
		if (rc == RC_OK)
			rc = live_begin(&h->live, "hang", 0, &err);
		if (rc == RC_OK)
			rc = guided_series(h, &r, &points, &err);
		bool refused = points && !r.gate.found.usable && rc == RC_SAYS_NO;
		rc = live_end(&h->live, rc, refused ? HANG_NOT_USABLE : NULL, &err);
		judged = rc == RC_OK || refused;
	}
	int status = judged ? hang_show(cli, &r) : cli_fail(cli, &err, live_cause(&h->live), &m);
	free(points);
	free(h->reading);
	free(h->pieces);
	free(h);
	return status;
}
