/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/play_live.h"

#include "calib/number/units.h"
#include "command/carry_figure.h"
#include "command/cell_u.h"
#include "command/live_procedure.h"
#include "command/offline.h"
#include "command/play_known.h"
#include "run/play_setup.h"
#include "run/torque_room.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LOOPS 2
#define STILL_SHARE 0.0005 /* of the heaviest load: friction of the cradle's bearing, as in `obey` */
#define HIGH_SHARE 0.75    /* of the largest torque: the middle of where the stiffness is read */

static const struct live_item hazards[] = {
	{ "guard", "Guard closed and fixed, nobody in the plane of rotation, nobody reaches in during the run?" },
	{ "weights_removed", "Calibration weights, hanger and arm removed, tools away from the shaft?" },
	{ "no_arm", "No lever or arm on the output that can reach a person or a stop?" },
	{ "both_ways", "Coupling, cell and mountings carry the torque in BOTH directions?" },
	{ "wound_up", "Everybody knows: the gear is wound up against the brake, and what lets go lets go suddenly?" },
	{ "drive_limits", "The drive's own limits of speed and current set, its torque mode tried without load?" },
	{ "emergency_stop", "Emergency stop within reach, and it works with this computer dead?" },
};

struct playing {
	struct live_procedure p;
	const struct play_request *q;
	double loops, most_Nm, rig_rad_per_Nm, u_rig_rad_per_Nm, u_angle_arcmin, drift_Nm;
	struct seq_play_config config;
	struct seq_play seq;
	struct play_found found;
	json_t *known;           /* owned: friction and ratio of an earlier obey; NULL: none */
	size_t n_words, at_word; /* of the record; the next to be fed */
	json_t *words;           /* borrowed from the record */
	uint32_t fresh;
};

/* The rig's twist for each N.m, what it is uncertain by, from its stiffness. */
static enum rc read_stiffness(struct playing *w, struct err *err)
{
	struct quantity q;

	if (!w->q->stiffness)
		return RC_OK;
	if (quantity_parse(w->q->stiffness, "N.m/rad", &q, err) != RC_OK) {
		err_prefix(err, "--rig-stiffness: ");
		return RC_ARG;
	}
	if (!(q.value > 0))
		return err_set(err, RC_ARG, 0, "--rig-stiffness: found %.4g N·m/rad, expected more than 0", q.value);
	w->rig_rad_per_Nm = 1 / q.value;
	w->u_rig_rad_per_Nm = q.u / (q.value * q.value);
	return RC_OK;
}

static enum rc make_config(struct playing *w, struct err *err)
{
	struct torque_room room = torque_room_of(&w->p.s);
	const struct claim *rated = &w->p.s.actuator.rated_torque_Nm;

	w->loops = LOOPS;
	w->most_Nm = rated->given ? fmin(rated->value, room.most_Nm) : room.most_Nm;
	const struct offline_option options[] = { { "torque", w->q->torque, "N.m", &w->most_Nm, false },
						  { "u-angle", w->q->u_angle, "arcmin", &w->u_angle_arcmin, false } };
	enum rc rc = offline_options(options, 2, err);
	if (rc == RC_OK && w->q->loops)
		rc = live_number("loops", w->q->loops, 1, 20, &w->loops, err);
	if (rc == RC_OK)
		rc = torque_room_check(&room, "--torque", w->most_Nm, err);
	if (rc == RC_OK)
		rc = read_stiffness(w, err);
	if (rc == RC_OK && !(w->p.s.actuator.gear_ratio > 0))
		rc = err_set(err, RC_ARG, 0,
			     "[actuator] ratio is not known: the rotor's angle cannot be brought to "
			     "the output");
	if (!w->q->u_angle)
		w->u_angle_arcmin = play_setup_u_arcmin(&w->p.s);
	w->config = play_setup(&w->p.s, w->most_Nm, w->p.live.limits.speed_rpm);
	return rc;
}

static struct sequence begin(void *ctx)
{
	struct playing *w = ctx;

	w->config.loops = (int)w->loops;
	seq_play_begin(&w->seq, &w->config);
	return (struct sequence){ seq_play_step, &w->seq };
}

static void on_event(void *ctx, const struct seq_event *event)
{
	struct playing *w = ctx;

	if (event->kind == SEQ_EVENT_POINT)
		progress_line(w->p.live.progress, "commanded %8.3f N\u00b7m reached  measured %8.3f N\u00b7m  %zu rows",
			      event->point.setpoint_Nm, event->point.mean_torque_Nm, w->seq.n);
}

static int steps(const void *ctx)
{
	const struct playing *w = ctx;

	return 2 * w->config.loops + 2;
}

static double sequence_s(const void *ctx)
{
	const struct playing *w = ctx;

	return seq_play_s(&w->config);
}

static enum rc measure(void *ctx, struct err *err)
{
	struct playing *w = ctx;
	const struct sequence sequence = begin(w);

	w->p.live.event = on_event;
	return live_procedure_locked(&w->p, &sequence, seq_play_s(&w->config), err);
}

/* The rig's own twist is in the rotor's angle: it is taken off. */
static void take_rig_off(struct playing *w)
{
	for (size_t i = 0; i < w->seq.n; i++)
		w->seq.angle_arcmin[i] -= w->seq.torque_Nm[i] * w->rig_rad_per_Nm * PLAY_ARCMIN_PER_RAD;
}

/* Common to all rows, so no scatter shows it. */
static void widen(struct play_number *x, double u_common)
{
	double u = hypot(x->u, u_common);

	x->dof = x->u > 0 ? x->dof * pow(u / x->u, 4) : x->dof;
	x->u = u;
}

/* A number of the loop with its key in the document. */
struct widening {
	struct live_procedure *p;
	struct play_number *x;
	const char *key;
};

static void add(const struct widening *to, const char *source, double u)
{
	widen(to->x, u);
	live_procedure_part(to->p, to->key, source, u);
}

static struct widening widening(struct playing *w, struct play_number *x, const char *key)
{
	live_procedure_part(&w->p, key, "scatter of the loop", x->u);
	return (struct widening){ &w->p, x, key };
}

/* The torque's scale, as it is at the high torque; value: what a relative error of the torque changes by itself. */
static void add_scale(const struct widening *to, const struct playing *w, double high_Nm, double value)
{
	widen(to->x, live_procedure_cell(to->p, to->key, high_Nm, value / high_Nm));
	add(to, "curve of the calibration, continued",
	    value * cell_mirror_u_Nm(&to->p->s.calibration, w->most_Nm) / high_Nm);
}

/* How late a torque may be told at most: the middle of the conversions of its mean, and an indicator's own filter. */
static double most_lag_s(const struct playing *w)
{
	double period_s = (1 + 4.0 * w->config.loops) * PLAY_UP_S / fmax(1, w->seq.n_newest);

	return 0.5 * (SEQ_PLAY_MEAN - 1) * period_s + live_procedure_filter_s(&w->p);
}

/* A torque that is told late is too small while it rises and too large while it falls. The middle of both ways keeps
 * its place and so do the slopes; the two ways lie apart by as much, between nothing and twice the most (rectangle). */
static double apart_Nm(const struct playing *w)
{
	return 2 * most_lag_s(w) * w->config.slew_Nm_per_s / sqrt(3);
}

static void widen_slopes(struct playing *w, double high_Nm, double u_rig, double u_two)
{
	struct play_loop *l = &w->found.loop;
	double K = l->stiffness_Nm_per_arcmin.value, K0 = l->stiffness_zero_Nm_per_arcmin.value;
	double half_arcmin = 0.5 * l->rated_Nm / K; /* twist of the stretch from 50 to 100 % */
	double near_arcmin = (0.15 - PLAY_LOST_SHARE) * l->rated_Nm / K0;
	struct widening high = widening(w, &l->stiffness_Nm_per_arcmin, "stiffness_Nm_per_arcmin"),
			near = widening(w, &l->stiffness_zero_Nm_per_arcmin, "stiffness_near_zero_Nm_per_arcmin");

	add_scale(&high, w, high_Nm, K);
	add(&high, "stiffness of the rig", K * K * u_rig);
	add(&high, "angle", K * u_two / half_arcmin / sqrt(2));
	add_scale(&near, w, high_Nm, K0);
	add(&near, "stiffness of the rig", K0 * K0 * u_rig);
	add(&near, "angle", K0 * u_two / near_arcmin / sqrt(2));
}

static void widen_angles(struct playing *w, double high_Nm, double u_rig, double u_two)
{
	struct play_loop *l = &w->found.loop;
	const struct cellcal *cal = &w->p.s.calibration;
	double K = l->stiffness_Nm_per_arcmin.value, lost_Nm = 2 * PLAY_LOST_SHARE * l->rated_Nm;
	double K_low = fmin(K, l->stiffness_zero_Nm_per_arcmin.value); /* lost motion is read where the gear is soft */
	double u_still_Nm = fmax(cell_u_Nm(cal, 0), STILL_SHARE * cal->max_Nm / sqrt(3));
	struct widening lost = widening(w, &l->lost_motion_arcmin, "lost_motion_arcmin"),
			hysteresis = widening(w, &l->hysteresis_arcmin, "hysteresis_arcmin"),
			wind_up = widening(w, &l->wind_up_arcmin, "wind_up_arcmin");

	add(&lost, "angle", u_two);
	add(&lost, "cell without load", sqrt(2) * u_still_Nm / K_low);
	add(&lost, "stiffness of the rig", lost_Nm * u_rig);
	add_scale(&lost, w, high_Nm, lost_Nm / K_low);
	add(&hysteresis, "angle", u_two);
	add(&hysteresis, "lag of the torque", apart_Nm(w) / K);
	add(&wind_up, "angle", u_two);
	add(&wind_up, "stiffness of the rig", 2 * l->rated_Nm * u_rig);
	add_scale(&wind_up, w, high_Nm, 2 * l->rated_Nm / K);
	add(&wind_up, "lag of the torque", apart_Nm(w) / K);
}

static void add_common(struct playing *w)
{
	struct play_loop *l = &w->found.loop;
	double high_Nm = HIGH_SHARE * l->rated_Nm, u_rig = w->u_rig_rad_per_Nm * PLAY_ARCMIN_PER_RAD;
	double u_two = sqrt(2) * w->u_angle_arcmin;
	struct widening loss = widening(w, &l->hysteresis_loss_J, "hysteresis_loss_J");

	w->drift_Nm = (w->p.after.count - w->p.before.count) * fabs(cellcal_slope_Nm(&w->p.s.calibration, 0));
	widen_slopes(w, high_Nm, u_rig, u_two);
	widen_angles(w, high_Nm, u_rig, u_two);
	add_scale(&loss, w, high_Nm, l->hysteresis_loss_J.value);
	add(&loss, "lag of the torque", apart_Nm(w) * l->wind_up_arcmin.value / PLAY_ARCMIN_PER_RAD);
}

static void rows(const void *ctx, FILE *f)
{
	const struct playing *w = ctx;
	const struct seq_play *s = &w->seq;

	fprintf(f, "torque (N.m),angle (arcmin)\n");
	for (size_t i = 0; i < s->n; i++)
		fprintf(f, "%.17g,%.17g\n", s->torque_Nm[i], s->angle_arcmin[i]);
}

static enum rc evaluate(void *ctx, struct err *err)
{
	struct playing *w = ctx;
	const struct seq_play *s = &w->seq;

	take_rig_off(w);
	enum rc rc = play_loop(s->torque_Nm, s->angle_arcmin, s->n, NAN, &w->found.loop, err);
	if (rc == RC_OK) {
		w->found.loop_done = true;
		add_common(w);
	}
	return rc == RC_OK ? carry_figure_play(s->torque_Nm, s->angle_arcmin, s->n, &w->found.loop, &w->p.result, err)
			   : rc;
}

static json_t *points_json(const struct playing *w)
{
	const struct seq_play *s = &w->seq;
	json_t *list = json_array();

	for (size_t i = 0; i < s->n; i++)
		json_array_append_new(list, json_pack("{s:f, s:f}", "torque_Nm", s->torque_Nm[i], "angle_arcmin",
						      s->angle_arcmin[i]));
	return list;
}

static json_t *document(const void *ctx)
{
	const struct playing *w = ctx;
	json_t *doc = play_json(&w->found);

	play_known_put(w->known, doc);
	json_object_set_new(doc, "torque_Nm", cli_real(w->most_Nm));
	json_object_set_new(doc, "rig_stiffness_Nm_per_rad",
			    cli_real(w->rig_rad_per_Nm > 0 ? 1 / w->rig_rad_per_Nm : NAN));
	json_object_set_new(doc, "cell_lag_s", cli_real(most_lag_s(w)));
	json_object_set_new(doc, "points", points_json(w));
	json_object_set_new(doc, "zero_drift_Nm", cli_real(w->drift_Nm));
	return doc;
}

static enum rc configure(void *ctx, struct err *err)
{
	struct playing *w = ctx;
	enum rc rc = session_check_mode(&w->p.s, DRIVE_TORQUE, "bridle play", err);

	if (rc == RC_OK)
		rc = make_config(w, err);
	if (rc == RC_OK)
		rc = play_known_find(&w->p.s, &w->known, err);
	play_known_take(w->known, &w->found);
	return rc;
}

static const char *untold(const void *ctx, const struct snapshot *snap)
{
	(void)ctx;
	return seq_play_untold(snap);
}

static void print(const void *ctx)
{
	const struct playing *w = ctx;

	printf("Torque commanded to %.4g N·m both ways at a locked shaft, %d loop%s, %zu rows.\n", w->most_Nm,
	       w->config.loops, w->config.loops > 1 ? "s" : "", w->seq.n);
	play_print(&w->found);
	if (w->rig_rad_per_Nm > 0)
		live_say("The rig's own twist was taken off, %.4g N·m/rad.", 1 / w->rig_rad_per_Nm);
	else
		live_say(
			"The twist of brake, cell and lever is in it: without --rig-stiffness the stiffness is that of "
			"gear and rig in series.");
	if (w->known)
		live_say("Friction and ratio are those of run %lld (bridle obey).",
			 (long long)json_integer_value(json_object_get(w->known, "obey_run")));
	else
		live_say("Friction and ratio: run bridle obey --actuator %s --speeds 10,30.", w->q->actuator);
	live_say("Back-driving: by hand, bridle play --from.");
	live_say("The torque is told up to %.2g s late. The intervals of hysteresis, its loss and wind-up allow for "
		 "it; lost motion "
		 "and "
		 "stiffness do not change.",
		 most_lag_s(w));
}

/* Pairs of moment (ns) and angle of the rotor (degrees within its turn). */
static void keep(const void *ctx, json_t *rests_on)
{
	const struct playing *w = ctx;
	json_t *list = json_array();

	for (size_t i = 0; i < w->seq.n_words; i++)
		json_array_append_new(list, json_pack("[I, f]", (json_int_t)w->seq.word_at[i].ns, w->seq.word_deg[i]));
	json_object_set_new(rests_on, "rotor_ns_deg", list);
	if (w->known)
		json_object_set(rests_on, "obey", w->known);
}

static enum rc recall(void *ctx, const json_t *record, struct err *err)
{
	struct playing *w = ctx;

	w->words = json_object_get(json_object_get(record, "rests_on"), "rotor_ns_deg");
	w->n_words = json_array_size(w->words);
	w->known = json_incref(json_object_get(json_object_get(record, "rests_on"), "obey"));
	play_known_take(w->known, &w->found);
	return w->n_words > 0 ? RC_OK : err_set(err, RC_ARG, 0, "the record of the play holds no angle of the rotor");
}

/* The newest angle; it is fresh in its own tick alone. Before the first it is that one: a drive that tells it. */
static void feed(void *ctx, struct snapshot *snap)
{
	struct playing *w = ctx;
	const json_t *word = json_array_get(w->words, w->at_word);

	if (word && json_integer_value(json_array_get(word, 0)) <= snap->now.ns) {
		w->at_word++;
		w->fresh++;
	} else if (w->at_word > 0) {
		word = json_array_get(w->words, w->at_word - 1);
	}
	snap->channel[CHANNEL_DRIVE].fresh = w->fresh;
	snap->rotor_deg = json_number_value(json_array_get(word, 1));
}

#define AT(member) offsetof(struct playing, member)
static const struct live_procedure_key keys[] = {
	{ "torque_Nm", AT(config.torque_Nm) },
	{ "slew_Nm_per_s", AT(config.slew_Nm_per_s) },
	{ "loops", AT(loops) },
	{ "lock_A", AT(config.lock_A) },
	{ "slew_A_per_s", AT(config.slew_A_per_s) },
	{ "limit_rpm", AT(config.limit_rpm) },
	{ "slip_deg", AT(config.slip_deg) },
	{ "ratio", AT(config.ratio) },
	{ "jump_arcmin", AT(config.jump_arcmin) },
	{ "most_Nm", AT(most_Nm) },
	{ "rig_rad_per_Nm", AT(rig_rad_per_Nm) },
	{ "rig_rad_per_Nm_u", AT(u_rig_rad_per_Nm) },
	{ "angle_arcmin_u", AT(u_angle_arcmin) },
};

static void init(void *ctx, const void *request)
{
	struct playing *w = ctx;

	w->q = request;
	w->found = play_none();
}

static void end(void *ctx)
{
	struct playing *w = ctx;

	json_decref(w->known);
}

static const struct live_procedure_parts parts = { .kind = "play",
						   .size = LIVE_PROCEDURE_SIZE(struct playing),
						   .init = init,
						   .hazards = hazards,
						   .n_hazards = sizeof hazards / sizeof hazards[0],
						   .configure = configure,
						   .untold = untold,
						   .zero_share = 0.15,
						   .steps = steps,
						   .sequence_s = sequence_s,
						   .measure = measure,
						   .begin = begin,
						   .key = keys,
						   .n_keys = sizeof keys / sizeof keys[0],
						   .keep = keep,
						   .recall = recall,
						   .feed = feed,
						   .evaluate = evaluate,
						   .rows = rows,
						   .document = document,
						   .print = print,
						   .end = end };

enum rc play_would(const struct live *live, struct err *err)
{
	static const struct play_request plain = { 0 };

	return live_procedure_would(&parts, live, &plain, err);
}

enum rc play_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err)
{
	return live_procedure_again(&parts, lb, run_id, ret, err);
}

int play_live(const struct cli *cli, const struct play_request *q)
{
	const struct live_procedure_call call = { q->actuator, q->answers, q->figure, q->out, &q->live };

	return live_procedure(cli, &parts, &call, q);
}
