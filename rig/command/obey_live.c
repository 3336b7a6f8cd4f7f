/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/obey_live.h"

#include "calib/number/number_json.h"
#include "calib/play/play.h"
#include "command/carry_figure.h"
#include "command/cell_u.h"
#include "command/obey_tell.h"
#include "command/live_procedure.h"
#include "command/offline.h"
#include "command/play_figure.h"
#include "calib/number/units.h"
#include "run/seq_obey.h"
#include "run/seq_obey_turn.h"
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
#define TURN_LOADS 4   /* beyond none */
#define TURN_SHARE 0.7 /* of the largest command: the largest load, with room for friction */
#define TURN_SETTLE_S 1.5
#define TURN_WINDOW_S 2.0
#define TURN_RAMP_S 8.0 /* of the load, from none to the largest */
#define FULL_BRAKE_S 4.0
#define SLIP_POWER 0.9  /* of what the brake takes for ever */
#define TURN_FASTER 2.0 /* the drive keeps twice the speed when its load lets go */
#define ROWS (OBEY_STEPS + OBEY_TURN_ROWS)
#define HIGH_SHARE 0.7 /* of the largest torque: where the cell's uncertainty counts as that of the gain */

static const struct live_item hazards[] = {
	{ "guard", "Guard closed and fixed, nobody in the plane of rotation, nobody reaches in during the run?" },
	{ "weights_removed", "Calibration weights, hanger and arm removed, tools away from the shaft?" },
	{ "both_ways", "Coupling, cell and mountings carry the torque in BOTH directions?" },
	{ "wound_up", "Everybody knows: the gear is wound up against the brake, and what lets go lets go suddenly?" },
	{ "drive_limits", "The drive's own limits of speed and current set, its torque mode tried without load?" },
	{ "emergency_stop", "Emergency stop within reach, and it works with this computer dead?" },
};

/* Where it turns too. */
static const struct live_item hazards_turning[] = {
	{ "guard", "Guard closed and fixed, nobody in the plane of rotation, nobody reaches in during the run?" },
	{ "weights_removed", "Calibration weights, hanger and arm removed, tools away from the shaft?" },
	{ "both_ways", "Coupling, cell and mountings carry the torque in BOTH directions?" },
	{ "wound_up", "Everybody knows: the gear is wound up against the brake, and what lets go lets go suddenly?" },
	{ "free_turn", "The output can turn BOTH ways for minutes: no lever, no cable that winds up, no stop?" },
	{ "may_run_away",
	  "Everybody knows: in torque mode only the brake and the drive's limit hold the speed of the shaft?" },
	{ "drive_limits", "The drive's own limits of speed and current set, its torque mode tried without load?" },
	{ "emergency_stop", "Emergency stop within reach, and it works with this computer dead?" },
};

struct obeying {
	struct live_procedure p;
	const struct obey_request *q;
	double most_Nm, steps, cycles;
	double constant_Nm_per_A, u_constant; /* of the drive; 0 or NaN: not told */
	struct obey_config config;
	struct seq_obey seq;
	double drift_Nm;
	struct obey_slow slow;
	/* where it turns too */
	struct obey_turn_config turn; /* n_speeds 0: not */
	struct seq_obey_turn turning;
	bool turns;     /* from the next tick on */
	double turn_ns; /* the tick with which that began; NaN: not yet */
	struct obey_speeds speeds;
	struct play_number coulomb_Nm, viscous_Nm_per_rpm, ratio;
};

static enum rc read_count(const char *name, const char *text, double most, double *ret, struct err *err)
{
	return text ? live_number(name, text, 1, most, ret, err) : RC_OK;
}

static enum rc check_speed(const struct obeying *w, double rpm, struct err *err)
{
	const struct rig_profile *rig = &w->p.s.rig;
	double most_rpm = w->p.live.limits.speed_rpm / TURN_FASTER, slip_W = shaft_power_W(w->turn.load_Nm, rpm);
	double least_rpm = fmax(rig->min_slip_rpm, live_zero_rpm(&w->p.live, 0)),
	       most_W = SLIP_POWER * rig->slip_power_W;

	if (!(rpm >= least_rpm && rpm <= most_rpm))
		return err_set(
			err, RC_ARG, 0,
			"--speeds: found %.4g rpm, expected %.4g rpm ([brake] min_slip, or what the pick-up tells "
			"from standstill) to %.4g rpm (half of the smallest [limits] speed)",
			rpm, least_rpm, most_rpm);
	if (!(slip_W <= most_W))
		return err_set(err, RC_ARG, 0,
			       "--speeds: %.4g N·m at %.4g rpm are %.4g W, expected at most %.4g W (%.0f %% of [brake] "
			       "slip_power)",
			       w->turn.load_Nm, rpm, slip_W, most_W, 100 * SLIP_POWER);
	return RC_OK;
}

/* The rest follows from the largest command. */
static void fill_turn(struct obeying *w)
{
	struct obey_turn_config *c = &w->turn;
	const struct rig_profile *rig = &w->p.s.rig;
	double slowest_rpm = INFINITY;

	for (size_t i = 0; i < c->n_speeds; i++)
		slowest_rpm = fmin(slowest_rpm, c->speed_rpm[i]);
	c->steps = TURN_LOADS;
	c->most_Nm = w->most_Nm;
	c->load_Nm = TURN_SHARE * w->most_Nm;
	c->settle_s = TURN_SETTLE_S;
	c->window_s = fmax(TURN_WINDOW_S, 60 / slowest_rpm); /* a whole turn */
	c->control = (struct torque_control_config){ .map = w->p.s.map_id ? &w->p.s.map : NULL,
						     .max_A = rig->brake_max_A,
						     .rated_Nm = rig->brake_rated_Nm,
						     .lag_s = NAN,
						     .ramp_Nm_per_s = c->load_Nm / TURN_RAMP_S,
						     .slew_A_per_s = rig->brake_max_A / FULL_BRAKE_S };
}

static enum rc read_speeds(struct obeying *w, struct err *err)
{
	struct obey_turn_config *c = &w->turn;

	if (!w->q->speeds)
		return RC_OK;
	enum rc rc = offline_list("speeds", w->q->speeds, "rpm", c->speed_rpm, OBEY_TURN_SPEEDS, &c->n_speeds, err);
	if (rc == RC_OK && !live_can_turn_back(&w->p.live, live_zero_rpm(&w->p.live, 0)))
		rc = err_set(
			err, RC_ARG, 0,
			"--speeds: the shaft has to turn both ways, and this drive or pick-up cannot tell or do it; "
			"leave the option out");
	fill_turn(w);
	for (size_t i = 0; i < c->n_speeds && rc == RC_OK; i++)
		rc = check_speed(w, c->speed_rpm[i], err);
	return rc;
}

static enum rc make_config(struct obeying *w, struct err *err)
{
	struct torque_room room = torque_room_of(&w->p.s);
	const struct claim *rated = &w->p.s.actuator.rated_torque_Nm;

	w->steps = DEFAULT_STEPS;
	w->cycles = DEFAULT_CYCLES;
	w->constant_Nm_per_A = w->q->constant_Nm_per_A;
	w->u_constant = w->q->u_constant;
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
	rc = read_speeds(w, err);
	if (rc == RC_OK && c->n == 0)
		rc = err_set(err, RC_ARG, 0, "--steps %.0f and --cycles %.0f make %.0f readings, at most %d", w->steps,
			     w->cycles, 4 * w->steps * w->cycles, OBEY_STEPS);
	return rc;
}

/* First at standstill, then, from a tick on that the record knows, turning. */
static void step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct obeying *w = state;

	if (w->turns && isnan(w->turn_ns))
		w->turn_ns = (double)snap->now.ns;
	if ((double)snap->now.ns >= w->turn_ns)
		seq_obey_turn_step(&w->turning, snap, ret);
	else if (w->seq.phase != OBEY_END)
		seq_obey_step(&w->seq, snap, ret);
	else
		ret->done = true;
}

static struct sequence begin(void *ctx)
{
	struct obeying *w = ctx;

	w->config.n = seq_obey_stairs(w->most_Nm, (size_t)w->steps, (size_t)w->cycles, w->config.torque_Nm);
	seq_obey_begin(&w->seq, &w->config);
	if (w->turn.n_speeds > 0)
		fill_turn(w);
	seq_obey_turn_begin(&w->turning, &w->turn);
	return (struct sequence){ step, w };
}

static void on_event(void *ctx, const struct seq_event *event)
{
	struct obeying *w = ctx;

	const struct seq_point *p = &event->point;

	if (event->kind != SEQ_EVENT_POINT)
		return;
	if (isfinite(p->setpoint_rpm))
		progress_line(w->p.live.progress, "%6.4g rpm  load %8.3f N\u00b7m  measured %8.3f N\u00b7m",
			      p->setpoint_rpm, p->setpoint_Nm, p->mean_torque_Nm);
	else
		progress_line(w->p.live.progress, "commanded %8.3f N\u00b7m  %-7s  measured %8.3f N\u00b7m",
			      p->setpoint_Nm, p->direction > 0 ? "rising" : "falling", p->mean_torque_Nm);
}

static int steps(const void *ctx)
{
	const struct obeying *w = ctx;

	return (int)(w->config.n + seq_obey_turn_rows(&w->turn));
}

static double sequence_s(const void *ctx)
{
	const struct obeying *w = ctx;

	return seq_obey_s(&w->config) + seq_obey_turn_s(&w->turn);
}

static enum rc measure(void *ctx, struct err *err)
{
	struct obeying *w = ctx;
	const struct sequence sequence = begin(w);

	w->p.live.event = on_event;
	enum rc rc = live_procedure_locked(&w->p, &sequence, seq_obey_s(&w->config), err);
	if (rc != RC_OK || w->turn.n_speeds == 0)
		return rc;
	int usual = w->p.live.limits.expect_direction;
	w->turns = true;
	w->p.live.limits.expect_direction = 0; /* both ways are right */
	rc = live_procedure_sequence(&w->p, &sequence, err);
	w->p.live.limits.expect_direction = usual;
	return rc;
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

/* --- at speeds --- */
/* What is common to the readings at one speed; key of the list of the document. */
static void add_cell_at_speed(struct obeying *w, size_t at)
{
	const struct cellcal *cal = &w->p.s.calibration;
	struct obey_speed *v = &w->speeds.list[at];
	double high_Nm = HIGH_SHARE * w->turn.load_Nm, slope_Nm = fabs(cellcal_slope_Nm(cal, 0));
	double u_mirror_Nm = v->speed_rpm < 0 ? cell_mirror_u_Nm(cal, w->turn.load_Nm) : 0;
	double u_still_Nm = fmax(cell_u_Nm(cal, 0), STILL_SHARE * cal->max_Nm / sqrt(3));
	char key[2][60];

	snprintf(key[0], sizeof key[0], "speeds.%zu.gain", at);
	snprintf(key[1], sizeof key[1], "speeds.%zu.offset_Nm", at);
	struct widening gain = widening(w, &v->slow.gain, key[0]), offset = widening(w, &v->slow.offset_Nm, key[1]);
	add_scale(&gain, high_Nm);
	add(&gain, MIRROR, v->slow.gain.value * u_mirror_Nm / high_Nm);
	add(&offset, "cell without load", u_still_Nm);
	add(&offset, "zero", w->p.before.u_count * slope_Nm);
	add(&offset, "drift of the zero", w->drift_Nm / 2 / sqrt(3));
	add(&offset, MIRROR, u_mirror_Nm);
}

/* Friction without load as the cell sees it: what each offset takes off. What is common to all offsets has one sign for
 * both ways and falls out of it; the cradle's own friction does not. */
static enum rc find_friction(struct obeying *w, struct err *err)
{
	const struct cellcal *cal = &w->p.s.calibration;
	double torque_Nm[OBEY_SPEEDS], rpm[OBEY_SPEEDS];
	size_t n = 0;
	struct err ignored;

	for (size_t i = 0; i < w->speeds.n; i++) {
		const struct obey_speed *v = &w->speeds.list[i];
		if (!v->known || !(fabs(v->speed_rpm) > 0))
			continue;
		torque_Nm[n] = -v->slow.offset_Nm.value;
		rpm[n++] = v->speed_rpm;
	}
	if (play_friction(torque_Nm, rpm, n, &w->coulomb_Nm, &w->viscous_Nm_per_rpm, &ignored) != RC_OK)
		return RC_OK;
	double u_still_Nm = fmax(cell_u_Nm(cal, 0), STILL_SHARE * cal->max_Nm / sqrt(3));
	live_procedure_part(&w->p, "coulomb_Nm", "scatter of the speeds", w->coulomb_Nm.u);
	live_procedure_part(&w->p, "coulomb_Nm", "cell without load", u_still_Nm);
	w->coulomb_Nm.u = hypot(w->coulomb_Nm.u, u_still_Nm);
	return play_figure_friction("obey", torque_Nm, rpm, n, w->coulomb_Nm, w->viscous_Nm_per_rpm, &w->p.result, err);
}

/* Rotor over output, both as they are told, a value for each mean. */
static enum rc find_ratio(struct obeying *w, struct err *err)
{
	double sum = 0, sum2 = 0, each[ROWS], rpm[ROWS];
	size_t rows = 0;

	for (size_t i = 0; i < w->turning.n; i++) {
		double ratio = fabs(w->turning.row[i].rotor_rpm / w->turning.row[i].speed_rpm);
		if (!isfinite(ratio))
			continue;
		sum += ratio;
		sum2 += ratio * ratio;
		rpm[rows] = w->turning.row[i].speed_rpm;
		each[rows++] = ratio;
	}
	if (!(rows > 2))
		return RC_OK;
	double n = (double)rows, var = fmax(0, sum2 / n - sum / n * (sum / n)) * n / (n - 1);
	w->ratio = (struct play_number){ sum / n, sqrt(var / n), n - 1 };
	return play_figure_ratio_speeds(rpm, each, rows, w->ratio, &w->p.result, err);
}

static enum rc at_speeds(struct obeying *w, const double *commanded, const double *measured, struct err *err)
{
	double c[ROWS], m[ROWS], rpm[ROWS];
	size_t n = w->seq.n;

	for (size_t i = 0; i < n; i++) {
		c[i] = commanded[i];
		m[i] = measured[i];
		rpm[i] = 0;
	}
	for (size_t i = 0; i < w->turning.n; i++, n++) {
		const struct obey_turn_row *r = &w->turning.row[i];
		size_t leg = i / (2 * w->turn.steps + 1);
		c[n] = r->commanded_Nm;
		m[n] = r->measured_Nm;
		rpm[n] = (leg % 2 ? -1 : 1) *
			 w->turn.speed_rpm[leg / 2]; /* the mean lies beside it by its own control */
	}
	const struct obey_rows rows = { n, c, m, rpm, NULL };
	enum rc rc = obey_speeds(&rows, &w->speeds, err);
	for (size_t i = 0; rc == RC_OK && i < w->speeds.n; i++) {
		struct obey_speed *v = &w->speeds.list[i];
		if (!(fabs(v->speed_rpm) > 0))
			v->slow = w->slow;
		else if (v->known)
			add_cell_at_speed(w, i);
	}
	if (rc == RC_OK)
		rc = carry_figure_obey_speeds(&rows, w->seq.n, &w->slow, &w->p.result, err);
	if (rc == RC_OK)
		rc = find_friction(w, err);
	return rc == RC_OK ? find_ratio(w, err) : rc;
}

/* The constant to write has what the gain has, and what the typed one is off by. */
static void add_constant(struct obeying *w)
{
	static const char key[] = "torque_constant_Nm_per_A";
	json_t *parts = json_object_get(w->p.budget, "gain"), *part;
	size_t i;

	if (!(w->constant_Nm_per_A > 0 && w->slow.gain.value > 0)) /* none is told then (obey_tell.h) */
		return;
	json_array_foreach(parts, i, part)
		live_procedure_part(&w->p, key, json_string_value(json_object_get(part, "source")),
				    w->constant_Nm_per_A * json_number_value(json_object_get(part, "u")));
	live_procedure_part(&w->p, key, "constant of the drive, as typed", w->slow.gain.value * w->u_constant);
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
	if (rc == RC_OK)
		add_constant(w);
	if (rc == RC_OK && w->turn.n_speeds > 0)
		return at_speeds(w, commanded, measured, err);
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

static json_t *turning_json(const struct obeying *w)
{
	json_t *list = json_array();

	for (size_t i = 0; i < w->turning.n; i++) {
		const struct obey_turn_row *r = &w->turning.row[i];
		json_array_append_new(list,
				      json_pack("{s:f, s:f, s:f, s:f, s:f}", "commanded_Nm", r->commanded_Nm,
						"measured_Nm", r->measured_Nm, "speed_rpm", r->speed_rpm, "begin_s",
						s_from_ns(r->begin.ns), "end_s", s_from_ns(r->end.ns)));
	}
	return list;
}

static json_t *found_json(const struct play_number *x)
{
	return x->value > 0 || x->u > 0 ? number_json(x->value, x->u, x->dof) : json_null();
}

static void put_speeds(const struct obeying *w, json_t *doc)
{
	obey_put_speeds(doc, &w->speeds);
	json_object_set_new(doc, "turning", turning_json(w));
	json_object_set_new(doc, "coulomb_Nm", found_json(&w->coulomb_Nm));
	json_object_set_new(doc, "viscous_Nm_per_rpm", found_json(&w->viscous_Nm_per_rpm));
	json_object_set_new(doc, "ratio", found_json(&w->ratio));
}

static json_t *document(const void *ctx)
{
	const struct obeying *w = ctx;
	const struct obey_fast none = obey_fast_none();
	json_t *doc = obey_json(&w->slow, &none);

	json_object_set_new(doc, "torque_Nm", cli_real(w->most_Nm));
	json_object_set_new(doc, "points", points_json(w));
	json_object_set_new(doc, "zero_drift_Nm", cli_real(w->drift_Nm));
	obey_put_constant(doc, &w->slow, w->constant_Nm_per_A, w->u_constant);
	if (w->turn.n_speeds > 0)
		put_speeds(w, doc);
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
	obey_print_constant(&w->slow, w->constant_Nm_per_A, w->u_constant);
	if (w->turn.n_speeds > 0) {
		obey_print_speeds(&w->speeds);
		offline_line("dry friction, turning", w->coulomb_Nm.value, w->coulomb_Nm.u, w->coulomb_Nm.dof, "N·m");
		offline_line("viscous friction", w->viscous_Nm_per_rpm.value, w->viscous_Nm_per_rpm.u,
			     w->viscous_Nm_per_rpm.dof, "N·m/rpm");
		offline_line("ratio, rotor to output", w->ratio.value, w->ratio.u, w->ratio.dof, "");
	}
	if (w->p.s.calibration.min_Nm > -w->most_Nm)
		live_say("The cell was calibrated one way; the other way its curve is continued, and the intervals are "
			 "wider for it.");
	live_say("The shaft stood: friction of the gear is in the hysteresis.%s",
		 w->constant_Nm_per_A > 0 ? ""
					  : " Multiply the drive's torque constant in N·m for each ampere by the gain, "
					    "or give it with --constant.");
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
	{ "turn_ns", AT(turn_ns) },
	{ "constant_Nm_per_A", AT(constant_Nm_per_A) },
	{ "u_constant_Nm_per_A", AT(u_constant) },
};

static void keep(const void *ctx, json_t *rests_on)
{
	const struct obeying *w = ctx;

	live_procedure_keep_list(rests_on, "speeds_rpm", w->turn.speed_rpm, w->turn.n_speeds);
}

static enum rc recall(void *ctx, const json_t *record, struct err *err)
{
	struct obeying *w = ctx;

	(void)err;
	w->turn.n_speeds = live_procedure_recall_list(record, "speeds_rpm", w->turn.speed_rpm, OBEY_TURN_SPEEDS);
	return RC_OK;
}

static void init(void *ctx, const void *request)
{
	struct obeying *w = ctx;

	w->q = request;
	w->slow = obey_slow_none();
	w->turn_ns = NAN;
	w->coulomb_Nm = w->viscous_Nm_per_rpm = w->ratio = (struct play_number){ NAN, NAN, NAN };
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
						   .keep = keep,
						   .recall = recall,
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

	struct live_procedure_parts turning = parts;

	turning.hazards = hazards_turning;
	turning.n_hazards = sizeof hazards_turning / sizeof hazards_turning[0];
	return live_procedure(cli, q->speeds ? &turning : &parts, &call, q);
}
