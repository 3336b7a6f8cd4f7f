/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/tame_live.h"

#include "calib/number/number_json.h"
#include "calib/number/units.h"
#include "calib/tame/tame_free.h"
#include "command/carry_figure.h"
#include "command/live_procedure.h"
#include "command/offline.h"
#include "command/tame_known.h"
#include "command/tame_tell.h"
#include "profile/textfile.h"
#include "run/seq_excite.h"
#include "run/torque_room.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source. */
#define SPEED_rpm 30.0
#define RECORD_S 60.0
#define RECORD_MOST_S 600.0
#define STEP_S 0.1
#define STEP_PULSES 20.0 /* of the pick-up, in one step */
#define STEP_MOST_S 0.5
#define SWING_SHARE 0.25 /* of the guard's swing: two steps of one sign may follow each other */
#define SWING_MOST_SHARE 0.45
#define TORQUE_SHARE 0.5 /* of the rated torque: the most that is commanded unless typed */
#define STEPS_SHARE 0.1  /* of that torque's room, the most for a step */
#define LIMIT_TIMES 2.0  /* of the mean speed: what the drive keeps */
#define STOP_S 0.5
#define DRAG_GROWS 0.1 /* of the brake's drag, at most: what it has only while it turns so fast */

static const struct live_item hazards[] = {
	{ "guard", "Guard closed and fixed, nobody in the plane of rotation, sleeves and hair away?" },
	{ "weights_removed", "Calibration weights, hanger and arm removed, tools away from the shaft?" },
	{ "free_turn", "The output is free to turn many turns: no lever, no arm, no cable that winds up, no stop?" },
	{ "may_run_away",
	  "Everybody knows: in torque mode with the brake off nothing but the drive's limit holds the speed?" },
	{ "may_oscillate", "The drive's gains tried without load, its own limits of speed and current set?" },
	{ "emergency_stop", "Emergency stop within reach, and it works with this computer dead?" },
};

struct taming {
	struct live_procedure p;
	const struct tame_request *q;
	struct excite_config config;
	struct seq_excite seq;
	struct tame_known known;
	double tick_s, pulses_per_rev, rig_kgm2, u_rig_kgm2, ratio, draws;
	double known_obey_run, known_play_run;
	char *loop_text; /* owned; NULL: no loop */
	char loop_name[120];
	/* results */
	struct tame_free free;
	struct tame_told told;
	struct tame_number whole_kgm2, dry_Nm, viscous_Nm_per_rpm;
	double drag_Nm, u_drag_Nm, drift_Nm;
};

/* --- what is asked for --- */
static enum rc read_quantity(const char *option, const char *text, const char *unit, double *ret, double *ret_u,
			     struct err *err)
{
	struct quantity q;

	if (!text)
		return RC_OK;
	if (quantity_parse(text, unit, &q, err) != RC_OK) {
		err_prefix(err, "--%s: ", option);
		return RC_ARG;
	}
	if (!(q.value > 0))
		return err_set(err, RC_ARG, 0, "--%s: found %.4g %s, expected more than 0", option, q.value, unit);
	*ret = q.value;
	*ret_u = q.u;
	return RC_OK;
}

static enum rc check_speed(const struct taming *w, struct err *err)
{
	const struct excite_config *c = &w->config;
	double most_rpm = w->p.live.limits.speed_rpm / LIMIT_TIMES;
	double least_rpm = 60 * STEP_PULSES / STEP_MOST_S / w->pulses_per_rev;
	double swing_rpm = SWING_MOST_SHARE * w->p.s.rig.osc_rpm;

	if (!(c->speed_rpm <= most_rpm))
		return err_set(err, RC_ARG, 0,
			       "--speed: found %.4g rpm, expected at most %.4g rpm (half of the smallest [limits] "
			       "speed, for a shaft that is free)",
			       c->speed_rpm, most_rpm);
	if (!(c->speed_rpm >= least_rpm))
		return err_set(
			err, RC_ARG, 0,
			"--speed: found %.4g rpm, expected at least %.4g rpm: the pick-up has to give %.0f pulses "
			"in %.1f s",
			c->speed_rpm, least_rpm, STEP_PULSES, STEP_MOST_S);
	if (!(c->swing_rpm <= swing_rpm))
		return err_set(err, RC_ARG, 0,
			       "--swing: found %.4g rpm, expected at most %.4g rpm (%.0f %% of [guard] "
			       "oscillation_speed: more is taken for an oscillation)",
			       c->swing_rpm, swing_rpm, 100 * SWING_MOST_SHARE);
	if (!(c->record_s / w->tick_s <= EXCITE_ROWS))
		return err_set(err, RC_ARG, 0, "--time: found %.4g s, expected at most %.4g s at [tether] rate",
			       c->record_s, EXCITE_ROWS * w->tick_s);
	return RC_OK;
}

static enum rc make_config(struct taming *w, struct err *err)
{
	struct torque_room room = torque_room_of(&w->p.s);
	const struct claim *rated = &w->p.s.actuator.rated_torque_Nm;
	double rated_Nm = rated->given ? fmin(rated->value, room.most_Nm) : room.most_Nm;
	struct excite_config *c = &w->config;

	*c = (struct excite_config){ .speed_rpm = SPEED_rpm,
				     .torque_Nm = TORQUE_SHARE * rated_Nm,
				     .steps_Nm = STEPS_SHARE * rated_Nm,
				     .swing_rpm = SWING_SHARE * w->p.s.rig.osc_rpm,
				     .record_s = RECORD_S };
	const struct offline_option options[] = { { "speed", w->q->speed, "rpm", &c->speed_rpm, true },
						  { "torque", w->q->torque, "N.m", &c->torque_Nm, true },
						  { "swing", w->q->swing, "rpm", &c->swing_rpm, true },
						  { "time", w->q->time, "s", &c->record_s, true } };
	w->tick_s = 1 / w->p.s.rig.rate_Hz;
	w->pulses_per_rev = w->p.s.rig.pulses_per_rev;
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);
	if (rc == RC_OK)
		rc = torque_room_check(&room, "--torque", c->torque_Nm, err);
	if (rc == RC_OK && !(c->record_s >= 10 && c->record_s <= RECORD_MOST_S))
		rc = err_set(err, RC_ARG, 0, "--time: found %.4g s, expected 10 to %.0f s", c->record_s, RECORD_MOST_S);
	if (rc == RC_OK)
		rc = check_speed(w, err);
	c->step_s = fmax(STEP_S, 60 * STEP_PULSES / (w->pulses_per_rev * c->speed_rpm));
	c->limit_rpm = fmin(LIMIT_TIMES * c->speed_rpm, w->p.live.limits.speed_rpm);
	c->slew_Nm_per_s = c->torque_Nm / STOP_S;
	c->slew_A_per_s = w->p.s.rig.brake_max_A; /* not 0: there is no current to let go */
	return rc;
}

/* --- what it rests on --- */
static enum rc know(struct taming *w, struct err *err)
{
	struct tame_known *k = &w->known;
	enum rc rc = tame_known_find(&w->p.s, k, err);

	if (rc == RC_OK && w->q->torque_gain) {
		rc = read_quantity("torque-gain", w->q->torque_gain, "1", &k->gain, &k->u_gain, err);
		k->obey_run = 0;
		k->u_straight = k->u_by_loss = 0;
		k->dof = INFINITY;
	}
	if (rc == RC_OK && !(k->gain > 0))
		rc = err_set(err, RC_ARG, 0,
			     "the logbook has no obey of this actuator, so the torque for each N·m commanded is not "
			     "known; run bridle obey first, or give --torque-gain");
	w->known_obey_run = (double)k->obey_run;
	w->known_play_run = (double)k->play_run;
	return rc;
}

static enum rc read_loop(struct taming *w, struct err *err)
{
	struct tame_identified none = { .two = true,
					.rotor_kgm2 = { 1, 0, NAN },
					.arm_kgm2 = { NAN, NAN, NAN },
					.stiffness_Nm_per_rad = { NAN, NAN, NAN },
					.damping_Nms = { NAN, NAN, NAN },
					.viscous_Nms = { NAN, NAN, NAN } };

	if (!w->q->loop)
		return RC_OK;
	snprintf(w->loop_name, sizeof w->loop_name, "%s", w->q->loop);
	enum rc rc = textfile_read(w->q->loop, TEXTFILE_MAX, &w->loop_text, err);
	/* Its mistakes before anything moves: with a rotor as if it had been measured. */
	return rc == RC_OK ? tame_read_text(w->loop_name, w->loop_text, &none, w->known.play, &w->told.typed, err) : rc;
}

static enum rc configure(void *ctx, struct err *err)
{
	struct taming *w = ctx;
	const struct session *s = &w->p.s;
	enum rc rc = session_check_mode(s, DRIVE_TORQUE, "bridle tame", err);

	w->ratio = s->actuator.gear_ratio;
	w->draws = w->q->draws;
	w->told.target = w->q->target;
	if (rc == RC_OK && session_fills(s, ROLE_PICK) != &s->instrument[0])
		rc = err_set(err, RC_ARG, 0,
			     "the pick-up is not the node's, so its pulses are told by another clock than the command; "
			     "record by other means and use --from");
	if (rc == RC_OK && !(w->ratio > 0))
		rc = err_set(err, RC_ARG, 0,
			     "[actuator] ratio is not known: the inertia cannot be told of the rotor itself");
	if (rc == RC_OK)
		rc = make_config(w, err);
	if (rc == RC_OK)
		rc = read_quantity("rig-inertia", w->q->rig_inertia, "kg.m2", &w->rig_kgm2, &w->u_rig_kgm2, err);
	if (rc == RC_OK)
		rc = know(w, err);
	return rc == RC_OK ? read_loop(w, err) : rc;
}

/* --- at the rig --- */
static struct sequence begin(void *ctx)
{
	struct taming *w = ctx;

	seq_excite_begin(&w->seq, &w->config);
	return (struct sequence){ seq_excite_step, &w->seq };
}

static double sequence_s(const void *ctx)
{
	const struct taming *w = ctx;

	return seq_excite_s(&w->config);
}

static enum rc measure(void *ctx, struct err *err)
{
	struct taming *w = ctx;
	const struct sequence sequence = begin(w);

	return live_procedure_sequence(&w->p, &sequence, err);
}

/* --- what it tells --- */
static enum rc find_free(struct taming *w, struct err *err)
{
	size_t n = w->seq.n;
	double *room = calloc(4 * n + 1, sizeof *room);

	if (!room)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	for (size_t i = 0; i < n; i++) {
		const struct excite_row *r = &w->seq.row[i];
		room[i] = r->node_s;
		room[n + i] = r->set_Nm;
		room[2 * n + i] = r->edge_s;
		room[3 * n + i] = 2 * M_PI * r->edge_rev;
	}
	const struct tame_pulses pulses = { room, room + n, room + 2 * n, room + 3 * n, n, w->tick_s };
	enum rc rc = tame_free_find(&pulses, &w->free, err);
	free(room);
	return rc;
}

/* Mean of the cell's conversions: the brake's drag, which is no friction of the actuator. */
static void find_drag(struct taming *w)
{
	const struct seq_excite *s = &w->seq;
	double slope_Nm = fabs(cellcal_slope_Nm(&w->p.s.calibration, 0)), sum = 0, n = 0;

	for (size_t i = 1; i < s->n; i++)
		if (s->row[i].conversion != s->row[i - 1].conversion && isfinite(s->row[i].torque_Nm)) {
			sum += s->row[i].torque_Nm;
			n++;
		}
	w->drift_Nm = (w->p.after.count - w->p.before.count) * slope_Nm;
	w->drag_Nm = sum / n;
	w->u_drag_Nm = hypot(w->p.before.u_count * slope_Nm, w->drift_Nm / 2 / sqrt(3));
}

/* A number with its u, source by source into the record. u_scale: its part by the whole of the torque's scale, the one
 * with few degrees of freedom (JCGM 100:2008, G.4.1). */
static struct tame_number number(struct taming *w, const char *key, double value, const char *const source[],
				 const double u[], size_t n, double u_scale)
{
	double sum = 0;

	for (size_t i = 0; i < n; i++) {
		live_procedure_part(&w->p, key, source[i], u[i]);
		sum = hypot(sum, u[i]);
	}
	return (struct tame_number){ value, sum, fabs(u_scale) > 0 ? w->known.dof * pow(sum / fabs(u_scale), 4) : NAN };
}

/* What the torque's scale is uncertain by: the gain of `obey` or --torque-gain itself, a response that is not straight,
 * the loss. Records from before told only the whole. */
struct scale {
	double u_gain, u_straight, u_by_loss;
};

static struct scale scale_of(const struct tame_known *k)
{
	struct scale s = { 0, isfinite(k->u_straight) ? k->u_straight : 0, isfinite(k->u_by_loss) ? k->u_by_loss : 0 };

	s.u_gain = sqrt(fmax(0, k->u_gain * k->u_gain - s.u_straight * s.u_straight - s.u_by_loss * s.u_by_loss));
	return s;
}

/* The rig's inertia is driven through the gear, which takes its loss. More loss makes the scale smaller and the rig's
 * share larger: both parts have one sign. */
static void find_inertia(struct taming *w)
{
	static const char *const source[] = { "noise of the record", "torque for each N.m commanded",
					      "response that is not straight", "loss of the gear",
					      "inertia of the rig" };
	const struct tame_known *k = &w->known;
	const struct tame_number *raw = &w->free.id.rotor_kgm2;
	const struct scale s = scale_of(k);
	double u[] = { k->gain * raw->u, s.u_gain * raw->value, s.u_straight * raw->value, s.u_by_loss * raw->value,
		       (1 + k->loss) * w->u_rig_kgm2 };
	double whole = k->gain * raw->value, rotor = whole - (1 + k->loss) * w->rig_kgm2;
	struct tame_identified *id = &w->told.id;

	w->whole_kgm2 = number(w, "inertia_kgm2", whole, source, u, 4, k->u_gain * raw->value);
	u[3] += k->u_loss * w->rig_kgm2;
	id->rotor_kgm2 = number(w, "identified.rotor_inertia_kgm2", rotor, source, u, 5, k->u_gain * raw->value);
	id->root[TAME_ROTOR][TAME_ROTOR] = id->rotor_kgm2.u;
}

/* What the drive gives without motion, less what the brake drags, which passes the gear with its loss. A part of the
 * drag grows with the speed and is in the slope already. */
static void find_friction(struct taming *w)
{
	static const char *const source[] = { "noise of the record",
					      "torque for each N.m commanded",
					      "response that is not straight",
					      "loss of the gear",
					      "zero of the cell",
					      "drag that grows with speed" };
	const struct tame_known *k = &w->known;
	const struct tame_number *off = &w->free.id.offset_Nm, *slope = &w->free.id.viscous_Nms;
	const struct scale s = scale_of(k);
	double drag_Nm = (1 + k->loss) * w->drag_Nm, per_rpm = slope->value / 30 * M_PI;
	const double u[] = { k->gain * off->u,
			     s.u_gain * off->value,
			     s.u_straight * off->value,
			     s.u_by_loss * off->value + (1 - DRAG_GROWS / 2) * k->u_loss * w->drag_Nm,
			     (1 + k->loss) * w->u_drag_Nm,
			     DRAG_GROWS / sqrt(12) * drag_Nm };
	const double u_viscous[] = { k->gain * slope->u / 30 * M_PI, s.u_gain * per_rpm, s.u_straight * per_rpm,
				     s.u_by_loss * per_rpm };

	w->dry_Nm = number(w, "coulomb_Nm", k->gain * off->value - (1 - DRAG_GROWS / 2) * drag_Nm, source, u, 6,
			   k->u_gain * off->value);
	w->viscous_Nm_per_rpm =
		number(w, "viscous_Nm_per_rpm", k->gain * per_rpm, source, u_viscous, 4, k->u_gain * per_rpm);
	w->told.id.viscous_Nms =
		(struct tame_number){ fmax(0, k->gain * slope->value), k->gain * slope->u, slope->dof };
	w->told.id.root[TAME_VISCOUS][TAME_VISCOUS] = w->told.id.viscous_Nms.u;
	w->told.id.offset_Nm = w->dry_Nm;
}

static void begin_told(struct taming *w)
{
	const struct tame_number none = { NAN, NAN, NAN };
	struct tame_identified *id = &w->told.id;

	*id = w->free.id;
	id->two = true; /* the rotor is told by itself */
	id->arm_kgm2 = id->stiffness_Nm_per_rad = id->damping_Nms = id->resonance_Hz = none;
	memset(id->root, 0, sizeof id->root);
	id->scatter = w->free.id.scatter;
	w->told.recorded = true;
	w->told.reckoned = w->loop_text != NULL;
}

/* play's document with the friction of this run. */
static json_t *gear_json(const struct taming *w)
{
	json_t *doc = w->known.play ? json_copy(w->known.play) : json_object();

	json_object_set_new(doc, "coulomb_Nm", number_json(fmax(0, w->dry_Nm.value), w->dry_Nm.u, 0));
	return doc;
}

static enum rc reckon(struct taming *w, struct err *err)
{
	struct tame_told *t = &w->told;
	struct tame_typed *y = &t->typed;
	json_t *gear;

	if (!t->reckoned)
		return RC_OK;
	gear = gear_json(w);
	enum rc rc = tame_read_text(w->loop_name, w->loop_text, &t->id, gear, y, err);
	json_decref(gear);
	if (rc != RC_OK)
		return rc;
	tame_find(&y->loop, &y->inputs, (size_t)w->draws, &t->found);
	t->withheld = y->by_record && !tame_rests(&t->id);
	if (!t->withheld)
		tame_advise(&y->loop, &y->inputs, (size_t)w->draws, t->target, &t->advice);
	t->start = tame_start(&y->loop);
	return RC_OK;
}

static enum rc evaluate(void *ctx, struct err *err)
{
	struct taming *w = ctx;
	enum rc rc = find_free(w, err);

	if (rc != RC_OK)
		return rc;
	begin_told(w);
	find_drag(w);
	find_inertia(w);
	find_friction(w);
	if (!(w->told.id.rotor_kgm2.value > 0))
		return err_set(err, RC_SAYS_NO, 0,
			       "all that turns has %.4g kg·m² by this record, less than --rig-inertia; weigh the rig's "
			       "parts again, or run obey again",
			       w->whole_kgm2.value);
	rc = reckon(w, err);
	return rc == RC_OK ? carry_figure_tame(&w->free, w->known.gain, &w->p.result, err) : rc;
}

static json_t *shape(struct tame_number x)
{
	return number_json(x.value, x.u, x.dof);
}

static json_t *run_or_null(double run_id)
{
	return run_id > 0 ? json_integer((json_int_t)run_id) : json_null();
}

static json_t *document(const void *ctx)
{
	const struct taming *w = ctx;
	const struct tame_known *k = &w->known;
	json_t *doc = tame_json(&w->told);

	json_object_set_new(doc, "inertia_kgm2", shape(w->whole_kgm2));
	json_object_set_new(doc, "rig_inertia_kgm2", number_json(w->rig_kgm2, w->u_rig_kgm2, 0));
	json_object_set_new(doc, "coulomb_Nm", shape(w->dry_Nm));
	json_object_set_new(doc, "viscous_Nm_per_rpm", shape(w->viscous_Nm_per_rpm));
	json_object_set_new(doc, "drag_Nm", cli_real(w->drag_Nm));
	json_object_set_new(doc, "torque_gain", number_json(k->gain, k->u_gain, 0));
	json_object_set_new(doc, "gear_loss", number_json(k->loss, k->u_loss, 0));
	json_object_set_new(doc, "obey_run", run_or_null(w->known_obey_run));
	json_object_set_new(doc, "play_run", run_or_null(w->known_play_run));
	json_object_update(doc, k->play);
	json_object_set_new(doc, "delay_s", cli_real(w->free.delay_s));
	json_object_set_new(doc, "speed_rpm", cli_real(rpm_from_rad_per_s(w->free.mean_rad_per_s)));
	json_object_set_new(doc, "swing_rpm", cli_real(rpm_from_rad_per_s(w->free.swing_rad_per_s)));
	json_object_set_new(doc, "steps_Nm", cli_real(w->seq.half_Nm));
	json_object_set_new(doc, "torque_Nm", cli_real(w->config.torque_Nm));
	json_object_set_new(doc, "rows", json_integer((json_int_t)w->free.n));
	json_object_set_new(doc, "zero_drift_Nm", cli_real(w->drift_Nm));
	return doc;
}

static void print(const void *ctx)
{
	const struct taming *w = ctx;
	const struct tame_known *k = &w->known;

	printf("Free shaft at %.3g rpm, steps of ±%.3g N·m commanded, %zu rows.\n",
	       rpm_from_rad_per_s(w->free.mean_rad_per_s), w->seq.half_Nm, w->free.n);
	offline_line("all that turns", w->whole_kgm2.value, w->whole_kgm2.u, NAN, "kg·m²");
	offline_line("dry friction, actuator", w->dry_Nm.value, w->dry_Nm.u, NAN, "N·m");
	tame_print(&w->told);
	if (!w->q->rig_inertia)
		live_say("The rig's own inertia was not given (--rig-inertia), so it counts as the rotor's.");
	if (k->obey_run)
		live_say("Torque for each N·m commanded: %.4g, by run %lld (obey).", k->gain, (long long)k->obey_run);
	if (k->play_run)
		live_say("Play and stiffness: run %lld (play).", (long long)k->play_run);
	else
		live_say("Play and stiffness are not known: run bridle play, or type them into the file of --loop.");
}

static void rows(const void *ctx, FILE *f)
{
	const struct taming *w = ctx;

	fprintf(f, "time (s),torque (N.m),speed (rpm)\n");
	for (size_t i = 0; i < w->free.n; i++)
		fprintf(f, "%.17g,%.17g,%.17g\n", w->free.time_s[i] - w->free.time_s[0],
			w->known.gain * w->free.torque_Nm[i], rpm_from_rad_per_s(w->free.speed_rad_per_s[i]));
}

static void keep(const void *ctx, json_t *rests_on)
{
	const struct taming *w = ctx;

	if (w->known.play)
		json_object_set(rests_on, "play", w->known.play);
	if (w->loop_text) {
		json_object_set_new(rests_on, "loop", cli_text(w->loop_text));
		json_object_set_new(rests_on, "loop_name", cli_text(w->loop_name));
	}
}

static enum rc recall(void *ctx, const json_t *record, struct err *err)
{
	struct taming *w = ctx;
	const json_t *o = json_object_get(record, "rests_on");
	const char *text = json_string_value(json_object_get(o, "loop")),
		   *name = json_string_value(json_object_get(o, "loop_name"));

	w->known.play = json_incref(json_object_get(o, "play"));
	if (!text)
		return RC_OK;
	w->loop_text = strdup(text);
	snprintf(w->loop_name, sizeof w->loop_name, "%s", name ? name : "loop");
	return w->loop_text ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory");
}

#define AT(member) offsetof(struct taming, member)
static const struct live_procedure_key keys[] = {
	{ "speed_rpm", AT(config.speed_rpm) },
	{ "limit_rpm", AT(config.limit_rpm) },
	{ "torque_Nm", AT(config.torque_Nm) },
	{ "steps_Nm", AT(config.steps_Nm) },
	{ "swing_rpm", AT(config.swing_rpm) },
	{ "step_s", AT(config.step_s) },
	{ "record_s", AT(config.record_s) },
	{ "slew_Nm_per_s", AT(config.slew_Nm_per_s) },
	{ "slew_A_per_s", AT(config.slew_A_per_s) },
	{ "tick_s", AT(tick_s) },
	{ "torque_gain", AT(known.gain) },
	{ "torque_gain_u", AT(known.u_gain) },
	{ "torque_gain_dof", AT(known.dof) },
	{ "torque_gain_u_straight", AT(known.u_straight) },
	{ "torque_gain_u_by_loss", AT(known.u_by_loss) },
	{ "gear_loss", AT(known.loss) },
	{ "gear_loss_u", AT(known.u_loss) },
	{ "obey_run", AT(known_obey_run) },
	{ "play_run", AT(known_play_run) },
	{ "rig_kgm2", AT(rig_kgm2) },
	{ "rig_kgm2_u", AT(u_rig_kgm2) },
	{ "gain_margin_dB", AT(told.target.gain_dB) },
	{ "phase_margin_deg", AT(told.target.phase_deg) },
	{ "draws", AT(draws) },
};

static void init(void *ctx, const void *request)
{
	struct taming *w = ctx;

	w->q = request;
}

static void end(void *ctx)
{
	struct taming *w = ctx;

	tame_free_clear(&w->free);
	tame_known_clear(&w->known);
	free(w->loop_text);
}

static const struct live_procedure_parts parts = { .kind = "tame",
						   .size = LIVE_PROCEDURE_SIZE(struct taming),
						   .init = init,
						   .end = end,
						   .hazards = hazards,
						   .n_hazards = sizeof hazards / sizeof hazards[0],
						   .configure = configure,
						   .zero_share = 0.2,
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

enum rc tame_would(const struct live *live, struct err *err)
{
	static const struct tame_request plain = { 0 };

	return live_procedure_would(&parts, live, &plain, err);
}

enum rc tame_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err)
{
	return live_procedure_again(&parts, lb, run_id, ret, err);
}

int tame_live(const struct cli *cli, const struct tame_request *q)
{
	const struct live_procedure_call call = { q->actuator, q->answers, q->figure, q->out, &q->live };

	return live_procedure(cli, &parts, &call, q);
}
