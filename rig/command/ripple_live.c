/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/ripple_live.h"

#include "calib/number/units.h"
#include "command/carry_figure.h"
#include "command/cell_u.h"
#include "command/live_procedure.h"
#include "command/offline.h"
#include "run/seq_ripple.h"
#include "run/torque_room.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define SPEED_rpm 5.0
#define TURNS 6
#define LONGEST_S 600.0  /* each way */
#define FULL_SPEED_S 2.0 /* from standstill to the speed */
#define FULL_BRAKE_S 4.0
#define SLIP_SHARE 0.9     /* of what the brake takes for ever */
#define STILL_SHARE 0.0005 /* of the heaviest load: friction of the cradle's bearing, as in `obey` */

static const struct live_item hazards[] = {
	{ "guard", "Guard closed and fixed, nobody in the plane of rotation, sleeves and hair away?" },
	{ "weights_removed", "Calibration weights, hanger and arm removed, tools away from the shaft?" },
	{ "free_turn", "The output can turn BOTH ways over all the turns: no lever, no cable that winds up, no stop?" },
	{ "slow_is_turning",
	  "Everybody knows: a slow shaft draws in as a fast one does, and it turns back without a sign?" },
	{ "drive_limits", "The drive's own limits of speed and current set?" },
	{ "emergency_stop", "Emergency stop within reach, and it works with this computer dead?" },
};

struct rippling {
	struct live_procedure p;
	const struct ripple_request *q;
	struct ripple_wanted wanted;
	struct ripple_config config;
	struct seq_ripple seq;
	struct ripple_found found;
	double drift_Nm;
};

static enum rc check_load(const struct rippling *w, struct err *err)
{
	const struct rig_profile *rig = &w->p.s.rig;
	struct torque_room room = torque_room_of(&w->p.s);
	const struct ripple_config *c = &w->config;
	double slip_W = c->torque_Nm * rad_per_s_from_rpm(c->speed_rpm), most_W = SLIP_SHARE * rig->slip_power_W;

	if (!w->q->torque)
		return RC_OK;
	enum rc rc = torque_room_check(&room, "--torque", c->torque_Nm, err);
	if (rc == RC_OK && !(c->speed_rpm >= rig->min_slip_rpm))
		rc = err_set(err, RC_ARG, 0,
			     "--speed: found %.4g rpm, expected at least %.4g rpm ([brake] min_slip) under a torque",
			     c->speed_rpm, rig->min_slip_rpm);
	if (rc == RC_OK && !(slip_W <= most_W))
		rc = err_set(err, RC_ARG, 0,
			     "--torque: %.4g N·m at %.4g rpm are %.4g W, expected at most %.4g W (%.0f %% of [brake] "
			     "slip_power)",
			     c->torque_Nm, c->speed_rpm, slip_W, most_W, 100 * SLIP_SHARE);
	return rc;
}

static enum rc check_time(const struct rippling *w, struct err *err)
{
	const struct ripple_config *c = &w->config;
	double least_rpm = live_zero_rpm(&w->p.live, 0), most_rpm = TORQUE_ROOM_SHARE * w->p.live.limits.speed_rpm;
	double each_s = c->turns * 60 / c->speed_rpm;

	if (!(c->speed_rpm >= least_rpm && c->speed_rpm <= most_rpm))
		return err_set(
			err, RC_ARG, 0,
			"--speed: found %.4g rpm, expected %.4g rpm (slower the pick-up takes the shaft for one that "
			"stands) to %.4g rpm (%.0f %% of the smallest [limits] speed)",
			c->speed_rpm, least_rpm, most_rpm, 100 * TORQUE_ROOM_SHARE);
	if (!(each_s <= LONGEST_S))
		return err_set(
			err, RC_ARG, 0,
			"--turns and --speed: %.4g turns at %.4g rpm take %.4g s each way, expected at most %.0f s",
			c->turns, c->speed_rpm, each_s, LONGEST_S);
	return RC_OK;
}

/* What was built, where no option tells it. */
static void take_built(struct ripple_wanted *w, const struct actuator_profile *a)
{
	const struct {
		double *to, from;
	} list[] = { { &w->ratio_1, a->gear_ratio },
		     { &w->pole_pairs_1, a->pole_pairs },
		     { &w->slots_1, a->slots },
		     { &w->teeth_1, a->teeth },
		     { &w->belt_1, a->belt_turns } };

	for (size_t i = 0; i < sizeof list / sizeof list[0]; i++)
		if (!(*list[i].to > 0) && list[i].from > 0)
			*list[i].to = list[i].from;
}

static enum rc make_config(struct rippling *w, struct err *err)
{
	struct ripple_config *c = &w->config;
	const struct session *s = &w->p.s;

	*c = (struct ripple_config){ .speed_rpm = isfinite(w->q->speed_rpm) ? w->q->speed_rpm : SPEED_rpm,
				     .turns = TURNS,
				     .pulses_per_rev = s->rig.pulses_per_rev };
	const struct offline_option torque = { "torque", w->q->torque, "N.m", &c->torque_Nm, true };
	enum rc rc = offline_options(&torque, 1, err);
	if (rc == RC_OK && w->q->turns)
		rc = live_number("turns", w->q->turns, 2, 50, &c->turns, err);
	if (rc == RC_OK && !live_can_turn(&w->p.live, live_zero_rpm(&w->p.live, 0)))
		rc = err_set(
			err, RC_ARG, 0,
			"the rig cannot turn the shaft slowly: a drive with the speed mode and a pick-up are needed");
	if (rc == RC_OK && !session_pick_has_direction(s))
		rc = err_set(
			err, RC_ARG, 0,
			"the pick-up does not tell the direction, so both ways cannot be put to one angle; record by "
			"other means and use --from");
	if (rc == RC_OK)
		rc = check_time(w, err);
	if (rc == RC_OK)
		rc = check_load(w, err);
	c->turns = round(c->turns);
	c->slew_rpm_per_s = c->speed_rpm / FULL_SPEED_S;
	c->control = (struct torque_control_config){ .max_A = s->rig.brake_max_A,
						     .rated_Nm = s->rig.brake_rated_Nm,
						     .lag_s = NAN,
						     .ramp_Nm_per_s = c->torque_Nm / FULL_BRAKE_S,
						     .slew_A_per_s = s->rig.brake_max_A / FULL_BRAKE_S };
	take_built(&w->wanted, &s->actuator);
	return rc;
}

static struct sequence begin(void *ctx)
{
	struct rippling *w = ctx;

	w->config.control.map = w->p.s.map_id ? &w->p.s.map : NULL;
	seq_ripple_begin(&w->seq, &w->config);
	return (struct sequence){ seq_ripple_step, &w->seq };
}

static void on_event(void *ctx, const struct seq_event *event)
{
	struct rippling *w = ctx;

	if (event->kind == SEQ_EVENT_POINT)
		progress_line(w->p.live.progress, "%g turns %s, %zu readings so far", w->config.turns,
			      event->point.direction > 0 ? "forward" : "backward", w->seq.n);
}

static int steps(const void *ctx)
{
	(void)ctx;
	return 2;
}

static double sequence_s(const void *ctx)
{
	const struct rippling *w = ctx;

	return seq_ripple_s(&w->config);
}

static enum rc measure(void *ctx, struct err *err)
{
	struct rippling *w = ctx;
	const struct sequence sequence = begin(w);
	int direction = w->p.live.limits.expect_direction;

	w->p.live.event = on_event;
	w->p.live.limits.expect_direction = 0; /* both ways are right */
	enum rc rc = live_procedure_sequence(&w->p, &sequence, err);
	w->p.live.limits.expect_direction = direction;
	return rc;
}

static void rows(const void *ctx, FILE *f)
{
	const struct rippling *w = ctx;
	const struct seq_ripple *s = &w->seq;

	fprintf(f, "time (s),angle (deg),torque (N.m)\n");
	for (size_t i = 0; i < s->n; i++)
		fprintf(f, "%.17g,%.17g,%.17g\n", s->time_s[i], 360 * s->turn[i], s->torque_Nm[i]);
}

/* Of the two records, without the turning round between them. */
static double span_s(const struct seq_ripple *s)
{
	size_t m = s->n_there;

	return s->time_s[m - 1] - s->time_s[0] + s->time_s[s->n - 1] - s->time_s[m];
}

/* A reading is the mean over a conversion and is told when it is over: half of it late. A converter whose filter looks
 * back over several of them, and one that is read at once, lie within as much. An indicator's filter comes on top. */
static void tell_lag(struct rippling *w)
{
	const struct seq_ripple *s = &w->seq;
	double half_s = span_s(s) / (double)(s->n - 1) / 2, filter_s = live_procedure_filter_s(&w->p) / 2;

	w->wanted.late_s = half_s + filter_s;
	w->wanted.late_limit_s = half_s + filter_s;
	w->wanted.means = true;
}

/* u with what the cell adds to a number of the document; u_late_Nm is in u already. */
static double with_cell(struct rippling *w, const char *key, double value, double u, double u_late_Nm, double at_Nm,
			double u_still_Nm)
{
	live_procedure_part(&w->p, key, "noise of the record", sqrt(fmax(0, u * u - u_late_Nm * u_late_Nm)));
	live_procedure_part(&w->p, key, "lag of the cell's readings", u_late_Nm);
	live_procedure_part(&w->p, key, "friction of the cradle's bearing", u_still_Nm);
	return hypot(hypot(u, u_still_Nm), live_procedure_cell(&w->p, key, at_Nm, value / at_Nm));
}

/* The cell's part: its calibration scales every wave. Friction of the cradle's bearing has the sign of the way, and it
 * takes up to as much off a small wave, since the cradle has to move for the cell to see it. */
static void add_cell(struct rippling *w)
{
	const struct cellcal *cal = &w->p.s.calibration;
	double at_Nm = fmax(w->config.torque_Nm, 0.1 * cal->max_Nm);
	double u_still_Nm = fmax(cell_u_Nm(cal, 0), STILL_SHARE * cal->max_Nm / sqrt(3));
	struct ripple_found *f = &w->found;
	char key[64];

	w->drift_Nm = (w->p.after.count - w->p.before.count) * fabs(cellcal_slope_Nm(cal, 0));
	for (size_t i = 0; i < f->s.n_waves; i++) {
		struct order_wave *v = &f->s.wave[i];
		snprintf(key, sizeof key, "orders.%zu.amplitude_Nm", i);
		ripple_widen(v, with_cell(w, key, v->amplitude_Nm, v->u_Nm, f->u_late_Nm[i], at_Nm, u_still_Nm));
	}
	struct order_spectrum *all = &f->s;
	all->u_rms_Nm = with_cell(w, "rms_Nm", all->rms_Nm, all->u_rms_Nm, f->u_late_rms_Nm, at_Nm, u_still_Nm);
	all->u_peak_to_peak_Nm = with_cell(w, "peak_to_peak_Nm", all->peak_to_peak_Nm, all->u_peak_to_peak_Nm,
					   f->u_late_peak_Nm, at_Nm, 2 * u_still_Nm);
	f->u_friction_Nm = with_cell(w, "friction_Nm", f->friction_Nm, f->u_friction_Nm, 0, at_Nm, u_still_Nm);
}

static enum rc evaluate(void *ctx, struct err *err)
{
	struct rippling *w = ctx;
	struct seq_ripple *s = &w->seq;
	enum rc rc = RC_OK;

	if (s->n_there == 0 || s->n == s->n_there)
		rc = err_set(err, RC_ARG, 0, "the cell gave no reading while the shaft turned");
	if (rc == RC_OK)
		tell_lag(w);
	if (rc == RC_OK)
		rc = ripple_find(&w->wanted, s->turn, s->torque_Nm, s->n, span_s(s), &w->found, err);
	if (rc == RC_OK)
		add_cell(w);
	return rc == RC_OK ? carry_figure_ripple(&w->found, &w->p.result, err) : rc;
}

static json_t *document(const void *ctx)
{
	const struct rippling *w = ctx;
	json_t *doc = ripple_json(&w->found);

	json_object_set_new(doc, "torque_Nm", cli_real(w->config.torque_Nm));
	json_object_set_new(doc, "rows", json_integer((json_int_t)w->seq.n));
	json_object_set_new(doc, "zero_drift_Nm", cli_real(w->drift_Nm));
	return doc;
}

static enum rc configure(void *ctx, struct err *err)
{
	struct rippling *w = ctx;
	enum rc rc = session_check_own_drive(&w->p.s, "bridle ripple", err);

	if (rc == RC_OK)
		rc = session_check_mode(&w->p.s, DRIVE_SPEED, "bridle ripple", err);
	return rc == RC_OK ? make_config(w, err) : rc;
}

static void print(const void *ctx)
{
	const struct rippling *w = ctx;

	printf("%g turns there and back at %.3g rpm, %zu readings, ", w->config.turns, w->config.speed_rpm, w->seq.n);
	if (w->config.torque_Nm > 0)
		printf("the brake at %.4g N·m.\n", w->config.torque_Nm);
	else
		printf("the brake off.\n");
	ripple_print(&w->found);
	live_say("The cell sees what holds the shaft back: brake, bearings and coupling. What the actuator makes by "
		 "itself "
		 "changes the speed and not the torque of a friction brake.");
}

static void keep(const void *ctx, json_t *rests_on)
{
	const struct rippling *w = ctx;

	live_procedure_keep_list(rests_on, "orders", w->wanted.list, w->wanted.n_list);
}

static enum rc recall(void *ctx, const json_t *record, struct err *err)
{
	struct rippling *w = ctx;

	(void)err;
	w->wanted.n_list = live_procedure_recall_list(record, "orders", w->wanted.list, RIPPLE_ORDERS);
	return RC_OK;
}

#define AT(member) offsetof(struct rippling, member)
static const struct live_procedure_key keys[] = {
	{ "speed_rpm", AT(config.speed_rpm) },
	{ "slew_rpm_per_s", AT(config.slew_rpm_per_s) },
	{ "turns", AT(config.turns) },
	{ "pulses_per_rev", AT(config.pulses_per_rev) },
	{ "torque_Nm", AT(config.torque_Nm) },
	{ "brake_most_A", AT(config.control.max_A) },
	{ "brake_rated_Nm", AT(config.control.rated_Nm) },
	{ "brake_lag_s", AT(config.control.lag_s) },
	{ "brake_ramp_Nm_per_s", AT(config.control.ramp_Nm_per_s) },
	{ "brake_slew_A_per_s", AT(config.control.slew_A_per_s) },
	{ "ratio", AT(wanted.ratio_1) },
	{ "pole_pairs", AT(wanted.pole_pairs_1) },
	{ "slots", AT(wanted.slots_1) },
	{ "teeth", AT(wanted.teeth_1) },
	{ "belt", AT(wanted.belt_1) },
	{ "cell_rate_Hz", AT(wanted.cell_rate_Hz) },
};

struct asked {
	const struct ripple_request *q;
	const struct ripple_wanted *wanted;
};

static void init(void *ctx, const void *request)
{
	struct rippling *w = ctx;
	const struct asked *asked = request;

	if (asked) {
		w->q = asked->q;
		w->wanted = *asked->wanted;
	}
}

static const struct live_procedure_parts parts = { .kind = "ripple",
						   .size = LIVE_PROCEDURE_SIZE(struct rippling),
						   .init = init,
						   .hazards = hazards,
						   .n_hazards = sizeof hazards / sizeof hazards[0],
						   .configure = configure,
						   .zero_share = 0.1,
						   .steps = steps,
						   .sequence_s = sequence_s,
						   .measure = measure,
						   .begin = begin,
						   .key = keys,
						   .n_keys = sizeof keys / sizeof keys[0],
						   .keep = keep,
						   .recall = recall,
						   .evaluate = evaluate,
						   .rows = rows,
						   .document = document,
						   .print = print };

enum rc ripple_would(const struct live *live, struct err *err)
{
	const struct ripple_request plain = { .speed_rpm = NAN };
	const struct ripple_wanted wanted = ripple_nothing_wanted();
	const struct asked asked = { &plain, &wanted };

	return live_procedure_would(&parts, live, &asked, err);
}

enum rc ripple_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err)
{
	return live_procedure_again(&parts, lb, run_id, ret, err);
}

int ripple_live(const struct cli *cli, const struct ripple_request *q, const struct ripple_wanted *wanted)
{
	const struct asked asked = { q, wanted };
	const struct live_procedure_call call = { q->actuator, q->answers, q->figure, q->out, &q->live };

	return live_procedure(cli, &parts, &call, &asked);
}
