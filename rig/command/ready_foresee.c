/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/ready_foresee.h"

#include "live/live.h"
#include "reports/reduce/curve.h"
#include "reports/reduce/expect.h"
#include "reports/reduce/study.h"
#include "reports/reduce/text.h"
#include "run/sweep_setup.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The newest run of this kind with this actuator that can be reduced; NULL when there is none. */
static struct curve *earlier(const struct session *s, const char *kind,
			     enum rc (*reduce)(struct logbook *, int64_t, struct curve **, struct err *))
{
	int64_t *ids = NULL;
	size_t n = 0;
	struct curve *c = NULL;

	if (logbook_runs(s->logbook, kind, &ids, &n, NULL) != RC_OK)
		return NULL;
	for (size_t i = 0; i < n && c == NULL; i++) {
		struct run_info info;
		if (logbook_run_info(s->logbook, ids[i], &info, NULL) == RC_OK &&
		    strcmp(info.actuator, s->actuator.name) == 0 && reduce(s->logbook, ids[i], &c, NULL) != RC_OK)
			c = NULL;
	}
	free(ids);
	return c;
}

/* A powder brake keeps its remanence once it has worked; a hysteresis brake is cleared before the zero. */
static double drag_Nm(const struct session *s)
{
	bool keeps = s->rig.brake_kind == BRAKE_POWDER && isfinite(s->map.remanence_Nm);

	return s->map.drag_Nm + (keeps ? s->map.remanence_Nm : 0);
}

/* "" where it can. */
static void cannot_reach(const struct session *s, const struct forecast_step *step, struct foreseen *p)
{
	const struct dwell_until target = sweep_until_of(&s->plan, &s->rig);
	double per_cent = 100 / fmax(step->torque_Nm, target.floor_Nm), wanted = 100 * target.frac;

	p->cannot[0] = '\0';
	if (!(target.frac > 0) || !(p->U_common_Nm * per_cent > wanted))
		return;
	if (p->U_part_Nm * per_cent > wanted)
		snprintf(p->cannot, sizeof p->cannot, "%.2g %% cannot be reached: %.40s alone is %.2g %%", wanted,
			 p->source, p->U_part_Nm * per_cent);
	else
		snprintf(p->cannot, sizeof p->cannot,
			 "%.2g %% cannot be reached: what no dwell changes is %.2g %%, most of it %.40s", wanted,
			 p->U_common_Nm * per_cent, p->source);
}

/* What makes it no source of the run is told with the run's own curve. NULL: there is none. */
static struct study_source *study_named(const struct session *s)
{
	struct study_source *study = s->rig.study_record > 0 ? malloc(sizeof *study) : NULL;

	if (study && study_read(s->logbook, &s->rig, &s->actuator, s->rig.is_virtual, study, NULL) == RC_OK)
		return study;
	free(study);
	return NULL;
}

enum rc ready_foresee(const struct session *s, const struct forecast *f, bool turned, struct foreseen *ret,
		      struct err *err)
{
	struct foresee_input in = {
		.rig = &s->rig,
		.actuator = &s->actuator,
		.plan = &s->plan,
		.cal = &s->calibration,
		.drag_Nm = s->map_id ? drag_Nm(s) : NAN,
		.turned = turned,
		.length_s = f->time_s,
	};
	struct foresee_step step[FORECAST_POINTS];

	for (size_t i = 0; i < f->n_points; i++) {
		const struct forecast_point *at = &f->point[i];
		const struct forecast_step *p = &f->step[at->step];
		step[i] = (struct foresee_step){ .torque_Nm = p->torque_Nm,
						 .speed_rpm = copysign(p->speed_rpm, p->set_rpm),
						 .input_W = p->input_W,
						 .volt_V = p->actuator_V,
						 .at_s = at->at_s,
						 .noise_Nm = NAN,
						 .noise_W = NAN,
						 .direction = at->direction };
		ret[i] = (struct foreseen){
			NAN, NAN, NAN, NAN, .share = NAN, .U_part_Nm = NAN, .U_common_Nm = NAN, .U_halved_Nm = NAN
		};
	}
	if (!s->calibration_id)
		return RC_OK;
	struct curve *sweep = earlier(s, "sweep", curve_from_run), *map = earlier(s, "map", curve_from_map);
	expect_zero(sweep, map, &in);
	for (size_t i = 0; i < f->n_points; i++)
		expect_step(sweep, map, f->step[f->point[i].step].dwell_s, in.drag_Nm, &step[i]);
	curve_free(sweep);
	curve_free(map);
	struct study_source *study = study_named(s);
	in.study = study;
	enum rc rc = foresee(&in, step, f->n_points, ret, err);
	for (size_t i = 0; rc == RC_OK && i < f->n_points; i++)
		cannot_reach(s, &f->step[f->point[i].step], &ret[i]);
	free(study);
	return rc;
}

void ready_expect_dwell(const struct session *s, const struct forecast *f, double *ret_s)
{
	const struct dwell_until target = sweep_until_of(&s->plan, &s->rig);
	struct curve *sweep = earlier(s, "sweep", curve_from_run), *map = earlier(s, "map", curve_from_map);

	for (size_t i = 0; i < f->n; i++) {
		const struct foresee_step step = { .torque_Nm = f->step[i].torque_Nm,
						   .speed_rpm = f->step[i].speed_rpm };
		ret_s[i] = dwell_until_expected_s(&target, step.torque_Nm, expect_scatter_Nm(sweep, map, &step));
	}
	curve_free(sweep);
	curve_free(map);
}

static json_t *point_json(const struct forecast_step *step, const struct forecast_point *at, const struct foreseen *p)
{
	const char *way = at->direction > 0 ? "up" : at->direction < 0 ? "down" : "none";

	return json_pack("{s:I, s:s, s:b, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:{s:o, s:o}, s:o, s:o}", "step",
			 (json_int_t)step->load + 1, "direction", way, "repeat", at->repeat, "torque_Nm",
			 cli_real(step->torque_Nm), "speed_set_rpm", cli_real(copysign(step->speed_rpm, step->set_rpm)),
			 "u_torque_Nm", cli_real(p->u_torque_Nm), "U_torque_Nm", cli_real(p->U_torque_Nm),
			 "u_efficiency", cli_real(p->u_efficiency), "U_efficiency", cli_real(p->U_efficiency),
			 "dwell_s", cli_real(step->dwell_s), "largest", "source",
			 p->source[0] ? cli_text(p->source) : json_null(), "share", cli_real(p->share), "advice",
			 p->advice[0] ? cli_text(p->advice) : json_null(), "cannot_reach",
			 p->cannot[0] ? cli_text(p->cannot) : json_null());
}

json_t *ready_foresee_json(const struct forecast *f, const struct foreseen *seen)
{
	json_t *list = json_array();

	for (size_t i = 0; i < f->n_points; i++)
		json_array_append_new(list, point_json(&f->step[f->point[i].step], &f->point[i], &seen[i]));
	return list;
}

/* The larger U of a load on its ways up and down; NULL: the sweep has none of it. */
static const struct foreseen *largest_of(const struct forecast *f, const struct foreseen *seen, size_t step)
{
	const struct foreseen *ret = NULL;

	for (size_t i = 0; i < f->n_points; i++)
		if (f->point[i].step == step && (!ret || seen[i].U_torque_Nm > ret->U_torque_Nm))
			ret = &seen[i];
	return ret;
}

/* With two significant digits, also where the second one is 0. */
static void print_U(int width, double U)
{
	char text[40];

	text_U(text, sizeof text, U);
	printf(" %*s", width, text[0] ? text : "-");
}

static void print_row(const struct forecast_step *s, const struct foreseen *p)
{
	char part[40];

	printf("%8.2f %5.1f", s->torque_Nm, copysign(s->speed_rpm, s->set_rpm));
	print_U(8, p->U_torque_Nm);
	print_U(6, s->torque_Nm > 0 ? 100 * p->U_torque_Nm / s->torque_Nm : NAN);
	print_U(10, 100 * p->U_efficiency);
	text_U(part, sizeof part, p->U_part_Nm);
	if (p->source[0])
		printf("  %s %.34s", part, p->source);
	putchar('\n');
}

/* " at -60 rpm" where the plan has several speeds. */
static const char *at_speed(const struct forecast *f, const struct forecast_step *step, char buf[32])
{
	buf[0] = '\0';
	if (f->speeds > 1)
		snprintf(buf, 32, " at %.4g rpm", step->set_rpm);
	return buf;
}

static void tell_target(const struct session *s, const struct forecast *f, const struct foreseen *seen)
{
	double shortest_s = INFINITY, most_s = 0;

	for (size_t i = 0; s->plan.until_frac > 0 && i < f->n; i++) {
		const struct foreseen *p = largest_of(f, seen, i);
		char at[32];
		shortest_s = fmin(shortest_s, f->step[i].dwell_s);
		most_s = fmax(most_s, f->step[i].dwell_s);
		if (p && p->cannot[0])
			live_say("Step %zu, %.4g N\u00b7m%s: %s.", f->step[i].load + 1, f->step[i].torque_Nm,
				 at_speed(f, &f->step[i], at), p->cannot);
	}
	if (most_s > 0)
		live_say("Expected dwell: %.0f to %.0f s a step, at most %.0f s.", shortest_s, most_s,
			 s->plan.longest_s);
}

void ready_foresee_print(const struct session *s, const struct forecast *f, const struct foreseen *seen)
{
	const struct foreseen *last = NULL;

	for (size_t i = 0; i < f->n; i++) {
		const struct foreseen *p = largest_of(f, seen, i);
		if (!p || !isfinite(p->U_torque_Nm))
			continue;
		if (last == NULL)
			printf("Expected uncertainty of the points (95 %%):\n"
			       "  torque speed        U      U efficiency  of which, N·m\n"
			       "     N·m   rpm      N·m      %%       U, %%\n");
		print_row(&f->step[i], p);
		last = p;
	}
	tell_target(s, f, seen);
	if (last && last->advice[0])
		live_say("What helps most: %s", last->advice);
}
