/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "command/ready_check.h"

#include "calib/cell/cell_warmth.h"
#include "calib/cell/check_mass.h"
#include "command/hang_loads.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PRELOAD_AVERAGE_S 1.0
#define READ_AGAIN 'r'

struct check {
	struct live *live;
	struct session *s;
	struct hang_loads loads; /* one load: hanger and check weight */
	char pieces[2 * PROFILE_WORD + 8];
	const char *further; /* a piece that goes on top and comes off before the reading; NULL: there is none */
	struct cellcal_point *points; /* of the calibration */
	size_t n_points;
	double cal_ambient_degC, cal_cell_degC; /* NaN unknown */
	bool same_arm;
	/* the readings, signed counts */
	struct stats_mean zero[2], load;
	double ambient_degC, cell_degC;
	struct check_mass result;
	json_t *json;
};

/* --- what is known --- */

static enum rc find_load(struct check *c, const char **ret_cause, struct err *err)
{
	struct weights_profile some = { .hanger = -1 };
	const struct weights_profile *all = &c->s->weights;
	int piece = profile_piece(all, c->s->rig.check_piece);
	struct hang_place place = hang_place_of(&c->s->rig);

	if (piece < 0) {
		*ret_cause = "bad_input";
		return err_set(err, RC_ARG, 0,
			       "rig.ini: [check] weight: found \"%s\", expected a section of weights.ini",
			       c->s->rig.check_piece);
	}
	if (all->hanger >= 0 && all->hanger != piece) {
		some.hanger = (int)some.n;
		some.piece[some.n++] = all->piece[all->hanger];
		snprintf(c->pieces, sizeof c->pieces, "%s and ", all->piece[all->hanger].name);
	}
	some.piece[some.n++] = all->piece[piece];
	size_t used = strlen(c->pieces);
	snprintf(c->pieces + used, sizeof c->pieces - used, "%s", all->piece[piece].name);
	return hang_loads_make(&place, &some, 1, &c->loads, err);
}

/* The lightest other piece. */
static void find_further(struct check *c)
{
	const struct weights_profile *all = &c->s->weights;
	double least = INFINITY;

	for (size_t i = 0; i < all->n; i++) {
		const struct weight_piece *p = &all->piece[i];
		if ((int)i == all->hanger || strcmp(p->name, c->s->rig.check_piece) == 0 || !(p->mass_kg.value < least))
			continue;
		least = p->mass_kg.value;
		c->further = p->name;
	}
}

static double real_of(const json_t *o, const char *key)
{
	const json_t *value = json_object_get(o, key);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static void take_points(struct check *c, const json_t *points)
{
	size_t n = json_array_size(points);

	c->points = n ? calloc(n, sizeof *c->points) : NULL;
	for (size_t i = 0; c->points && i < n; i++) {
		const json_t *p = json_array_get(points, i);
		const char *way = json_string_value(json_object_get(p, "direction"));
		struct cellcal_point *q = &c->points[c->n_points++];
		q->series = (int)json_integer_value(json_object_get(p, "series"));
		q->position = (int)json_integer_value(json_object_get(p, "position"));
		q->direction = way && strcmp(way, "falling") == 0 ? CELLCAL_DOWN : CELLCAL_UP;
		q->torque_Nm = real_of(p, "torque_Nm");
		q->indication = real_of(p, "indication");
		q->residual = real_of(p, "residual");
	}
}

/* Also when an older record does not say: then the names of the sources alone tell. */
static bool is_same(double then, double now)
{
	return isnan(then) || fabs(then - now) <= 1e-9 * fabs(now);
}

static enum rc read_calibration(struct check *c, struct err *err)
{
	struct hang_place place = hang_place_of(&c->s->rig);
	char *kind = NULL, *json = NULL;
	int64_t wall_ns;
	enum rc rc = logbook_record_by_id(c->s->logbook, c->s->calibration_id, &kind, &wall_ns, &json, err);

	if (rc != RC_OK)
		return rc;
	json_t *doc = json_loads(json, 0, NULL);
	take_points(c, json_object_get(doc, "points"));
	c->cal_ambient_degC = real_of(doc, "ambient_degC");
	c->cal_cell_degC = real_of(doc, "cell_degC");
	c->same_arm = is_same(real_of(doc, "arm_m"), place.arm_m.value) &&
		      is_same(real_of(doc, "gravity_m_per_s2"), place.gravity_m_per_s2.value);
	json_decref(doc);
	free(kind);
	free(json);
	return RC_OK;
}

/* --- the readings --- */

static enum rc read_still(struct check *c, bool preload, bool tare, struct stats_mean *ret, struct err *err)
{
	struct cell_reading_config config = live_reading_config(c->live);
	struct cell_reading r;
	const struct sequence sequence = { cell_reading_step, &r };

	config.set_tare = tare;
	config.flags = tare ? POINT_TARE : 0;
	config.setpoint_Nm = tare ? 0 : c->loads.load[1].torque_Nm;
	config.silent = preload;
	config.most_rpm = INFINITY;
	if (preload)
		config.average_s = PRELOAD_AVERAGE_S;
	cell_reading_begin(&r, &config);
	enum rc rc = live_run(c->live, &sequence, err);
	*ret = stats_run_result(&r.raw);
	c->ambient_degC = r.temp_degC[TEMP_AMBIENT];
	c->cell_degC = r.temp_degC[TEMP_CELL];
	return rc;
}

/* The check weight, and the further piece on top of it. */
static enum rc hang_it(struct check *c, const char *when, struct err *err)
{
	char hang[3][PROFILE_WORD + 8], text[300];
	const char *hands[4] = { NULL };
	size_t n = 0;

	if (c->further)
		snprintf(text, sizeof text, "Hang %s, and %s too%s.", c->pieces, c->further, when);
	else
		snprintf(text, sizeof text, "Hang %s%s.", c->pieces, when);

	if (c->s->weights.hanger >= 0 &&
	    strcmp(c->s->weights.piece[c->s->weights.hanger].name, c->s->rig.check_piece) != 0) {
		snprintf(hang[n], sizeof hang[n], "hang %s", c->s->weights.piece[c->s->weights.hanger].name);
		hands[n] = hang[n];
		n++;
	}
	snprintf(hang[n], sizeof hang[n], "hang %s", c->s->rig.check_piece);
	hands[n] = hang[n];
	n++;
	if (c->further) {
		snprintf(hang[n], sizeof hang[n], "hang %s", c->further);
		hands[n] = hang[n];
	}
	return live_ask(c->live, text, hands, err);
}

/* The load is then reached by unloading, as the zeros are. */
static enum rc take_further_off(struct check *c, struct err *err)
{
	char text[200], unhang[PROFILE_WORD + 8];
	const char *const hands[] = { unhang, NULL };
	struct stats_mean ignored;

	if (!c->further)
		return RC_OK;
	enum rc rc = read_still(c, true, false, &ignored, err);
	snprintf(unhang, sizeof unhang, "unhang %s", c->further);
	snprintf(text, sizeof text, "Take %s off gently; %s stays: %.3f N\u00b7m expected.", c->further, c->pieces,
		 c->loads.load[1].torque_Nm);
	return rc == RC_OK ? live_ask(c->live, text, hands, err) : rc;
}

static enum rc take_off(struct check *c, struct err *err)
{
	static const char *const hands[] = { "unhang all", NULL };

	return live_ask(c->live, "Take everything off the arm. Wait until it stands still.", hands, err);
}

/* On and off once, so that friction and memory are as they were in the calibration; then empty, weight, empty. */
static enum rc read_all(struct check *c, struct err *err)
{
	struct stats_mean ignored;
	enum rc rc = hang_it(c, " once as a preload", err);

	if (rc == RC_OK)
		rc = read_still(c, true, false, &ignored, err);
	if (rc == RC_OK)
		rc = take_off(c, err);
	if (rc == RC_OK)
		rc = read_still(c, false, true, &c->zero[0], err);
	if (rc == RC_OK)
		rc = hang_it(c, "", err);
	if (rc == RC_OK)
		rc = take_further_off(c, err);
	if (rc == RC_OK)
		rc = read_still(c, false, false, &c->load, err);
	if (rc == RC_OK)
		rc = take_off(c, err);
	return rc == RC_OK ? read_still(c, false, true, &c->zero[1], err) : rc;
}

/* --- the result --- */

static double u_temperature_Nm(const struct check *c)
{
	const struct quantity *gain = &c->s->rig.gain_drift_per_K;
	double change_K = cell_warmed_K(c->cal_cell_degC, c->cal_ambient_degC, c->cell_degC, c->ambient_degC);

	return isfinite(change_K) ? hypot(gain->value, gain->u) * fabs(change_K) * c->loads.load[1].torque_Nm : 0;
}

static enum rc judge(struct check *c, struct err *err)
{
	double zero_u = 0.5 * hypot(c->zero[0].u_mean, c->zero[1].u_mean);
	const struct check_mass_input in = {
		.cal = &c->s->calibration,
		.points = c->points,
		.n_points = c->n_points,
		.indication = c->load.mean - 0.5 * (c->zero[0].mean + c->zero[1].mean),
		.u_indication = hypot(c->load.u_mean, zero_u),
		.from_above = c->further != NULL,
		.zero_change = c->zero[1].mean - c->zero[0].mean,
		.load = c->loads.load[1],
		.source = c->loads.source,
		.n_sources = c->loads.n_sources,
		.same_arm = c->same_arm,
		.u_temperature_Nm = u_temperature_Nm(c),
	};

	return check_mass_judge(&in, &c->result, err);
}

static json_t *parts_json(const struct check_mass *r)
{
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "noise", cli_real(r->u_noise_Nm), "fit",
			 cli_real(r->u_fit_Nm), "weights_and_arm", cli_real(r->u_weights_Nm), "mounting",
			 cli_real(r->u_mounting_Nm), "repeatability", cli_real(r->u_repeat_Nm), "branch",
			 cli_real(r->u_branch_Nm), "zero", cli_real(r->u_zero_Nm), "temperature",
			 cli_real(r->u_temperature_Nm));
}

static void make_json(struct check *c)
{
	const struct check_mass *r = &c->result;
	json_t *o = json_object();

	json_decref(c->json);
	c->json = o;
	json_object_set_new(o, "weights", cli_text(c->pieces));
	json_object_set_new(o, "calibration_id", json_integer(c->s->calibration_id));
	json_object_set_new(o, "expected_Nm", cli_real(r->expected_Nm));
	json_object_set_new(o, "u_expected_Nm", cli_real(c->loads.u_Nm[1]));
	json_object_set_new(o, "torque_Nm", cli_real(r->torque_Nm));
	json_object_set_new(o, "off_Nm", cli_real(r->off_Nm));
	json_t *off = json_pack("{s:o, s:o}", "k", cli_real(r->k), "U", cli_real(r->U_off_Nm));
	number_json_into(off, r->off_Nm, r->u_off_Nm, r->dof);
	json_object_set_new(o, "off", off);
	json_object_set_new(o, "allowed_Nm", cli_real(r->U_off_Nm));
	json_object_set_new(o, "E_n", cli_real(r->e_n));
	json_object_set_new(o, "u_parts_Nm", parts_json(r));
	json_object_set_new(o, "same_arm", json_boolean(c->same_arm));
	json_object_set_new(o, "read_from_above", json_boolean(c->further != NULL));
	json_object_set_new(o, "zero_change_Nm", cli_real(r->zero_change_Nm));
	json_object_set_new(o, "zero_came_back", json_boolean(r->zero_came_back));
	json_object_set_new(o, "zero_count", cli_real(c->zero[0].mean));
	json_object_set_new(o, "sensitivity_count_per_Nm", cli_real(r->sensitivity));
	json_object_set_new(o, "ambient_degC", cli_real(c->ambient_degC));
	json_object_set_new(o, "cell_degC", cli_real(c->cell_degC));
	json_object_set_new(o, "ok", json_boolean(r->holds));
}

static enum rc keep(struct check *c, struct err *err)
{
	int64_t id;
	char *text = json_dumps(c->json, JSON_REAL_PRECISION(17) | JSON_COMPACT);

	if (!text)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = logbook_record(c->s->logbook, c->s->run_id, c->s->clock.wall(c->s->clock.ctx).ns, READY_CHECK,
				    text, &id, err);
	free(text);
	return rc;
}

static void say(struct check *c)
{
	const struct check_mass *r = &c->result;
	double percent = 100 * r->U_off_Nm / r->expected_Nm, limit = 100 * c->s->rig.check_limit_frac;

	live_note(c->live,
		  "Check weight: %.4f N\u00b7m indicated, %.4f N\u00b7m expected, off by %+.4f N\u00b7m. U of the "
		  "difference is %.4f N\u00b7m, E_n = %+.2f "
		  "(limit 1).",
		  r->torque_Nm, r->expected_Nm, r->off_Nm, r->U_off_Nm, r->e_n);
	if (c->same_arm)
		live_note(c->live,
			  "The arm is the one of the calibration, so this check cannot find an error of the arm.");
	if (percent > limit)
		live_note(c->live,
			  "This check finds changes from %.2g %% on; [check] limit requires %.2g %%. A heavier check "
			  "weight finds smaller changes.",
			  percent, limit);
}

static enum rc verdict(struct check *c, const char **ret_cause, struct err *err)
{
	const struct check_mass *r = &c->result;

	if (r->holds)
		return RC_OK;
	*ret_cause = "check_mass";
	if (!r->zero_came_back)
		return err_set(err, RC_SAYS_NO, 0,
			       "check weight: the empty arm's reading changed by %+.4f N\u00b7m. Does something touch, "
			       "or is a weight still on? "
			       "Run bridle ready again",
			       r->zero_change_Nm);
	return err_set(err, RC_SAYS_NO, 0,
		       "check weight: off by %+.4f N\u00b7m (%+.2f %%), U = %.4f N\u00b7m, E_n = %+.2f where 1 is the "
		       "limit: the calibration does "
		       "not hold; see that the right weight hung free, then run bridle hang",
		       r->off_Nm, 100 * r->off_Nm / r->expected_Nm, r->U_off_Nm, r->e_n);
}

/* Once; *ret_again when it says no and the person hangs it once more. */
static enum rc check_once(struct check *c, const char **ret_cause, bool *ret_again, struct err *err)
{
	static const struct live_choice again = { READ_AGAIN, "r hang it once more" };
	char key = '\0';
	enum rc rc = read_all(c, err);

	*ret_again = false;
	if (rc == RC_OK)
		rc = judge(c, err);
	if (rc != RC_OK)
		return rc;
	make_json(c);
	say(c);
	rc = keep(c, err);
	if (rc == RC_OK)
		rc = verdict(c, ret_cause, err);
	if (rc != RC_SAYS_NO || c->live->hands)
		return rc;
	struct err ignored;
	if (live_choose(c->live, err->what, "ends it", &again, 1, &key, &ignored) == RC_OK && key == READ_AGAIN)
		*ret_again = true;
	return rc;
}

static enum rc hang_check_mass(struct check *c, const char **ret_cause, struct err *err)
{
	static const char *const fit[] = { "uncouple", "arm on", NULL }, *const off[] = { "unhang all", "arm off",
											  "couple", NULL };
	bool again = true;
	enum rc rc = find_load(c, ret_cause, err);

	find_further(c);
	if (rc == RC_OK)
		rc = read_calibration(c, err);
	if (rc == RC_OK)
		rc = live_arm(c->live, true, err);
	if (rc == RC_OK)
		rc = live_ask(c->live,
			      "Check weight: uncouple the actuator and fit the calibration arm, without a weight.", fit,
			      err);
	if (rc != RC_OK)
		return rc;
	while (again)
		rc = check_once(c, ret_cause, &again, err);
	struct err off_err = { 0 };
	enum rc off_rc =
		live_ask(c->live, "Take off weights, hanger and arm, couple the actuator again.", off, &off_err);
	if (off_rc == RC_OK)
		off_rc = live_arm(c->live, false, &off_err);
	if (rc == RC_OK && off_rc != RC_OK) {
		*err = off_err;
		rc = off_rc;
	}
	return rc;
}

enum rc ready_check_mass(struct live *live, json_t **ret_json, const char **ret_cause, struct err *err)
{
	struct check *c = calloc(1, sizeof *c);

	*ret_json = NULL;
	if (!c)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	c->live = live;
	c->s = live->s;
	live_limits_for_weights(live);
	enum rc rc = hang_check_mass(c, ret_cause, err);
	live_limits_again(live);
	live->s->tare_count = NAN;
	*ret_json = c->json;
	free(c->points);
	free(c);
	return rc;
}
