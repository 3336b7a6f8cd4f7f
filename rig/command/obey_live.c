/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/obey_live.h"

#include "command/carry_figure.h"
#include "command/cell_u.h"
#include "command/obey_tell.h"
#include "command/live_procedure.h"
#include "command/offline.h"
#include "calib/number/units.h"
#include "run/seq_obey.h"
#include "run/torque_room.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define DEFAULT_STEPS 8 /* from zero to the largest */
#define DEFAULT_CYCLES 1
#define UP_S 4.0 /* from zero to the largest, moving all the time */
#define SETTLE_S 0.6
#define WINDOW_S 1.0
#define LOCK_S 1.0     /* the brake's current up and down */
#define LIMIT_rpm 20.0 /* what the drive keeps when its load lets go */
#define SLIP_deg 3.0
#define STILL_SHARE 0.0005 /* of the heaviest load: friction of the cradle's bearing, as for the check weight */
#define MIRROR "curve of the calibration, continued"
#define HIGH_SHARE 0.7 /* of the largest torque: where the cell's uncertainty counts as that of the gain */

static const struct live_item hazards[] = {
	{ "guard", "Guard closed and fixed, nobody in the plane of rotation, nobody reaches in during the run?" },
	{ "weights_removed", "Calibration weights, hanger and arm removed, tools away from the shaft?" },
	{ "both_ways", "Coupling, cell and mountings carry the torque in BOTH directions?" },
	{ "wound_up", "Everybody knows: the gear is wound up against the brake, and what lets go lets go suddenly?" },
	{ "drive_limits", "The drive's own limits of speed and current set, its torque mode tried without load?" },
	{ "emergency_stop", "Emergency stop within reach, and it works with this computer dead?" },
};

struct obeying {
	struct live_procedure p;
	const struct obey_request *q;
	double most_Nm, steps, cycles;
	struct obey_config config;
	struct seq_obey seq;
	double drift_Nm;
	struct obey_slow slow;
};

static enum rc read_count(const char *name, const char *text, double most, double *ret, struct err *err)
{
	return text ? live_number(name, text, 1, most, ret, err) : RC_OK;
}

static enum rc make_config(struct obeying *w, struct err *err)
{
	struct torque_room room = torque_room_of(&w->p.s);
	const struct claim *rated = &w->p.s.actuator.rated_torque_Nm;

	w->steps = DEFAULT_STEPS;
	w->cycles = DEFAULT_CYCLES;

	w->most_Nm = rated->given ? fmin(rated->value, room.most_Nm) : room.most_Nm;
	const struct offline_option torque = { "torque", w->q->torque, "N.m", &w->most_Nm, false };
	enum rc rc = offline_options(&torque, 1, err);
	if (rc == RC_OK)
		rc = read_count("steps", w->q->steps, 25, &w->steps, err);
	if (rc == RC_OK)
		rc = read_count("cycles", w->q->cycles, 25, &w->cycles, err);
	if (rc == RC_OK)
		rc = torque_room_check(&room, "--torque", w->most_Nm, err);
	if (rc != RC_OK)
		return rc;
	struct obey_config *c = &w->config;
	c->n = seq_obey_stairs(w->most_Nm, (size_t)w->steps, (size_t)w->cycles, c->torque_Nm);
	c->slew_Nm_per_s = w->most_Nm / UP_S;
	c->settle_s = SETTLE_S;
	c->window_s = WINDOW_S;
	c->lock_A = torque_room_lock_A(&w->p.s, w->most_Nm);
	c->slew_A_per_s = c->lock_A / LOCK_S;
	c->limit_rpm = fmin(LIMIT_rpm, w->p.live.limits.speed_rpm);
	c->slip_deg = SLIP_deg;
	if (c->n == 0)
		return err_set(err, RC_ARG, 0, "--steps %.0f and --cycles %.0f make %.0f readings, at most %d",
			       w->steps, w->cycles, 4 * w->steps * w->cycles, OBEY_STEPS);
	return RC_OK;
}

static struct sequence begin(void *ctx)
{
	struct obeying *w = ctx;

	w->config.n = seq_obey_stairs(w->most_Nm, (size_t)w->steps, (size_t)w->cycles, w->config.torque_Nm);
	seq_obey_begin(&w->seq, &w->config);
	return (struct sequence){ seq_obey_step, &w->seq };
}

static void on_event(void *ctx, const struct seq_event *event)
{
	struct obeying *w = ctx;

	if (event->kind == SEQ_EVENT_POINT)
		progress_line(w->p.live.progress, "commanded %8.3f N\u00b7m  %-7s  measured %8.3f N\u00b7m",
			      event->point.setpoint_Nm, event->point.direction > 0 ? "rising" : "falling",
			      event->point.mean_torque_Nm);
}

static int steps(const void *ctx)
{
	const struct obeying *w = ctx;

	return (int)w->config.n;
}

static double sequence_s(const void *ctx)
{
	const struct obeying *w = ctx;

	return seq_obey_s(&w->config);
}

static enum rc measure(void *ctx, struct err *err)
{
	struct obeying *w = ctx;
	const struct sequence sequence = begin(w);

	w->p.live.event = on_event;
	return live_procedure_locked(&w->p, &sequence, seq_obey_s(&w->config), err);
}

/* The cell's part is common to all readings: no scatter shows it. */
static void widen(struct obey_number *x, double u_cell)
{
	double u = hypot(x->u, u_cell);

	x->dof = x->u > 0 ? x->dof * pow(u / x->u, 4) : INFINITY;
	x->u = u;
}

/* A number of the fit with its key in the document. */
struct widening {
	struct live_procedure *p;
	struct obey_number *x;
	const char *key;
};

static struct widening widening(struct obeying *w, struct obey_number *x, const char *key)
{
	live_procedure_part(&w->p, key, "scatter of the readings", x->u);
	return (struct widening){ &w->p, x, key };
}

static void add(const struct widening *to, const char *source, double u)
{
	widen(to->x, u);
	live_procedure_part(to->p, to->key, source, u);
}

/* The torque's scale as it is at the high torque. */
static void add_scale(const struct widening *to, double high_Nm)
{
	widen(to->x, live_procedure_cell(to->p, to->key, high_Nm, to->x->value / high_Nm));
}

struct swing {
	double sum, sum2, n;
};

static bool add_sample(void *ctx, const struct sample *sample)
{
	struct swing *s = ctx;

	if (isfinite(sample->torque_Nm)) {
		s->sum += sample->torque_Nm;
		s->sum2 += sample->torque_Nm * sample->torque_Nm;
		s->n++;
	}
	return true;
}

/* A shaft that stands shows one angle of its turn, a zero the mean of all: standard deviation of the torque over the
 * whole turns of the zeros. */
static enum rc turn_u_Nm(struct obeying *w, double *ret_Nm, struct err *err)
{
	struct seq_point *points = NULL;
	int64_t *run_of = NULL;
	double var = 0, windows = 0;
	size_t n = 0;
	enum rc rc = logbook_points(w->p.s.logbook, w->p.run_id, &points, &run_of, &n, err);

	for (size_t i = 0; i < n && rc == RC_OK; i++) {
		struct swing s = { 0, 0, 0 };
		if (!(points[i].flags & POINT_TARE) || points[i].direction == 0)
			continue;
		rc = logbook_each_sample(w->p.s.logbook, w->p.run_id, points[i].begin.ns, points[i].end.ns, add_sample,
					 &s, err);
		if (!(s.n > 1))
			continue;
		var += fmax(0, s.sum2 / s.n - s.sum / s.n * (s.sum / s.n));
		windows++;
	}
	*ret_Nm = windows > 0 ? sqrt(var / windows) : 0;
	free(points);
	free(run_of);
	return rc;
}

static void widen_offset(struct obeying *w, double u_still_Nm, double u_turn_Nm, double u_mirror_Nm)
{
	double slope_Nm = fabs(cellcal_slope_Nm(&w->p.s.calibration, 0));
	struct widening offset = widening(w, &w->slow.offset_Nm, "offset_Nm");

	w->drift_Nm = (w->p.after.count - w->p.before.count) * slope_Nm;
	add(&offset, "cell without load", u_still_Nm);
	/* the zero was somewhere between its two readings: a rectangle of half the drift; without the second one the
	 * uncertainty of the offset is not known (NaN) */
	add(&offset, "zero", w->p.before.u_count * slope_Nm);
	add(&offset, "drift of the zero", w->drift_Nm / 2 / sqrt(3));
	add(&offset, "torque over a turn", u_turn_Nm);
	add(&offset, MIRROR, u_mirror_Nm);
}

static void add_cell(struct obeying *w, double u_turn_Nm)
{
	const struct cellcal *cal = &w->p.s.calibration;
	double high_Nm = HIGH_SHARE * w->most_Nm, u_mirror_Nm = cell_mirror_u_Nm(cal, w->most_Nm);
	double u_still_Nm = fmax(cell_u_Nm(cal, 0), STILL_SHARE * cal->max_Nm / sqrt(3));
	struct obey_slow *s = &w->slow;
	struct widening gain = widening(w, &s->gain, "gain"), dead = widening(w, &s->dead_band_Nm, "dead_band_Nm"),
			hysteresis = widening(w, &s->hysteresis_Nm, "hysteresis_Nm"),
			growth = widening(w, &s->hysteresis_growth, "hysteresis_growth");

	add_scale(&gain, high_Nm);
	add(&gain, MIRROR, s->gain.value * u_mirror_Nm / high_Nm);
	widen_offset(w, u_still_Nm, u_turn_Nm, u_mirror_Nm);
	add(&dead, "cell without load", 2 * u_still_Nm / s->gain.value);
	add(&dead, MIRROR, u_mirror_Nm / s->gain.value);
	add(&hysteresis, "cell without load", 2 * u_still_Nm);
	add_scale(&growth, high_Nm);
	add(&growth, MIRROR, s->hysteresis_growth.value * u_mirror_Nm / high_Nm);
}

static enum rc evaluate(void *ctx, struct err *err)
{
	struct obeying *w = ctx;
	double commanded[OBEY_STEPS], measured[OBEY_STEPS], u_turn_Nm = 0;

	for (size_t i = 0; i < w->seq.n; i++) {
		commanded[i] = w->seq.reading[i].commanded_Nm;
		measured[i] = w->seq.reading[i].measured_Nm;
	}
	enum rc rc = obey_slow(commanded, measured, w->seq.n, &w->slow, err);
	if (rc == RC_OK)
		rc = turn_u_Nm(w, &u_turn_Nm, err);
	if (rc == RC_OK)
		add_cell(w, u_turn_Nm);
	return rc == RC_OK ? carry_figure_obey(commanded, measured, w->seq.n, &w->slow, &w->p.result, err) : rc;
}

static json_t *points_json(const struct obeying *w)
{
	json_t *list = json_array();

	for (size_t i = 0; i < w->seq.n; i++) {
		const struct obey_reading *r = &w->seq.reading[i];
		json_array_append_new(list, json_pack("{s:f, s:f, s:s, s:f, s:f}", "commanded_Nm", r->commanded_Nm,
						      "measured_Nm", r->measured_Nm, "direction",
						      r->way > 0 ? "rising" : "falling", "begin_s",
						      s_from_ns(r->begin.ns), "end_s", s_from_ns(r->end.ns)));
	}
	return list;
}

static json_t *document(const void *ctx)
{
	const struct obeying *w = ctx;
	const struct obey_fast none = obey_fast_none();
	json_t *doc = obey_json(&w->slow, &none);

	json_object_set_new(doc, "torque_Nm", cli_real(w->most_Nm));
	json_object_set_new(doc, "points", points_json(w));
	json_object_set_new(doc, "zero_drift_Nm", cli_real(w->drift_Nm));
	return doc;
}

static enum rc configure(void *ctx, struct err *err)
{
	struct obeying *w = ctx;
	enum rc rc = session_check_mode(&w->p.s, DRIVE_TORQUE, "bridle obey", err);

	return rc == RC_OK ? make_config(w, err) : rc;
}

static void print(const void *ctx)
{
	const struct obeying *w = ctx;

	printf("Torque commanded at a locked shaft, up to %.4g N·m both ways, %zu readings:\n", w->most_Nm, w->seq.n);
	obey_print_slow(&w->slow);
	if (w->p.s.calibration.min_Nm > -w->most_Nm)
		live_say("The cell was calibrated one way; the other way its curve is continued, and the intervals are "
			 "wider for it.");
	live_say("The shaft stood: friction of the gear is in the hysteresis. Multiply the drive's torque constant "
		 "in N·m for each ampere by the gain.");
}

#define AT(member) offsetof(struct obeying, member)
static const struct live_procedure_key keys[] = {
	{ "torque_Nm", AT(most_Nm) },
	{ "steps", AT(steps) },
	{ "cycles", AT(cycles) },
	{ "slew_Nm_per_s", AT(config.slew_Nm_per_s) },
	{ "settle_s", AT(config.settle_s) },
	{ "window_s", AT(config.window_s) },
	{ "lock_A", AT(config.lock_A) },
	{ "slew_A_per_s", AT(config.slew_A_per_s) },
	{ "limit_rpm", AT(config.limit_rpm) },
	{ "slip_deg", AT(config.slip_deg) },
};

static void init(void *ctx, const void *request)
{
	struct obeying *w = ctx;

	w->q = request;
	w->slow = obey_slow_none();
}

static const struct live_procedure_parts parts = { .kind = "obey",
						   .size = LIVE_PROCEDURE_SIZE(struct obeying),
						   .init = init,
						   .hazards = hazards,
						   .n_hazards = sizeof hazards / sizeof hazards[0],
						   .configure = configure,
						   .zero_share = 0.15,
						   .steps = steps,
						   .sequence_s = sequence_s,
						   .measure = measure,
						   .begin = begin,
						   .key = keys,
						   .n_keys = sizeof keys / sizeof keys[0],
						   .evaluate = evaluate,
						   .document = document,
						   .print = print };

enum rc obey_would(const struct live *live, struct err *err)
{
	static const struct obey_request plain = { 0 };

	return live_procedure_would(&parts, live, &plain, err);
}

enum rc obey_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err)
{
	return live_procedure_again(&parts, lb, run_id, ret, err);
}

int obey_live(const struct cli *cli, const struct obey_request *q)
{
	const struct live_procedure_call call = { q->actuator, q->answers, q->figure, NULL, &q->live };

	return live_procedure(cli, &parts, &call, q);
}
