/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/ready_foresee.h"
#include "live/live.h"
#include "reports/reduce/curve.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SAME_SPEED 0.05

/* The newest sweep of this actuator tells what its file can only let expect: the input power at a torque. */
static struct curve *earlier_sweep(const struct session *s)
{
	int64_t *ids = NULL;
	size_t n = 0;
	struct curve *c = NULL;

	if (logbook_runs(s->logbook, "sweep", &ids, &n, NULL) != RC_OK)
		return NULL;
	for (size_t i = 0; i < n && c == NULL; i++) {
		struct run_info info;
		if (logbook_run_info(s->logbook, ids[i], &info, NULL) == RC_OK &&
		    strcmp(info.actuator, s->actuator.name) == 0 &&
		    curve_from_run(s->logbook, ids[i], &c, NULL) != RC_OK)
			c = NULL;
	}
	free(ids);
	return c;
}

static bool usable(const struct curve_point *p, double rpm)
{
	return p->direction > 0 && isfinite(p->torque_Nm.value) && p->input_power_W.value > 0 &&
	       p->voltage_V.value > 0 && fabs(p->speed_rpm.value - rpm) <= SAME_SPEED * fabs(rpm);
}

/* Between the two rising points around the torque; what lies outside stays as the file lets expect. */
static void take_power(const struct curve *c, struct foresee_step *step)
{
	const struct curve_point *low = NULL, *high = NULL;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		double torque_Nm = point_way(p) * p->torque_Nm.value;
		if (!usable(p, step->speed_rpm))
			continue;
		if (torque_Nm <= 1.02 * step->torque_Nm && (!low || torque_Nm > point_way(low) * low->torque_Nm.value))
			low = p;
		if (torque_Nm >= 0.98 * step->torque_Nm &&
		    (!high || torque_Nm < point_way(high) * high->torque_Nm.value))
			high = p;
	}
	if (!low || !high)
		return;
	double from_Nm = point_way(low) * low->torque_Nm.value, gap = point_way(high) * high->torque_Nm.value - from_Nm,
	       share = gap > 0 ? (step->torque_Nm - from_Nm) / gap : 0;
	step->input_W = low->input_power_W.value + share * (high->input_power_W.value - low->input_power_W.value);
	step->volt_V = low->voltage_V.value + share * (high->voltage_V.value - low->voltage_V.value);
}

enum rc ready_foresee(const struct session *s, const struct forecast *f, bool turned, struct foreseen *ret,
		      struct err *err)
{
	const struct foresee_input in = {
		.rig = &s->rig,
		.actuator = &s->actuator,
		.plan = &s->plan,
		.cal = &s->calibration,
		.drag_Nm = s->map_id ? s->map.drag_Nm : NAN,
		.turned = turned,
		.length_s = f->time_s,
	};
	struct foresee_step step[PROFILE_STEPS];
	double at_s = 0;

	for (size_t i = 0; i < f->n; i++) {
		const struct forecast_step *p = &f->step[i];
		at_s += p->time_s;
		step[i] = (struct foresee_step){ p->torque_Nm, copysign(p->speed_rpm, p->set_rpm), p->input_W,
						 p->actuator_V, at_s };
		ret[i] = (struct foreseen){ NAN, NAN, NAN, NAN, .share = NAN, .U_part_Nm = NAN, .U_halved_Nm = NAN };
	}
	struct curve *earlier = s->calibration_id ? earlier_sweep(s) : NULL;
	for (size_t i = 0; earlier && i < f->n; i++)
		take_power(earlier, &step[i]);
	curve_free(earlier);
	return s->calibration_id ? foresee(&in, step, f->n, ret, err) : RC_OK;
}

json_t *ready_foresee_json(const struct forecast *f, const struct foreseen *seen)
{
	json_t *list = json_array();

	for (size_t i = 0; i < f->n; i++) {
		const struct foreseen *p = &seen[i];
		json_array_append_new(
			list,
			json_pack("{s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:{s:o, s:o}, s:o}", "step",
				  (json_int_t)f->step[i].load + 1, "torque_Nm", cli_real(f->step[i].torque_Nm),
				  "speed_set_rpm", cli_real(copysign(f->step[i].speed_rpm, f->step[i].set_rpm)),
				  "u_torque_Nm", cli_real(p->u_torque_Nm), "U_torque_Nm", cli_real(p->U_torque_Nm),
				  "u_efficiency", cli_real(p->u_efficiency), "U_efficiency", cli_real(p->U_efficiency),
				  "largest", "source", p->source[0] ? cli_text(p->source) : json_null(), "share",
				  cli_real(p->share), "advice", p->advice[0] ? cli_text(p->advice) : json_null()));
	}
	return list;
}

static void print_row(const struct forecast_step *s, const struct foreseen *p)
{
	printf("%8.2f %5.1f %8.2g", s->torque_Nm, copysign(s->speed_rpm, s->set_rpm), p->U_torque_Nm);
	if (s->torque_Nm > 0)
		printf(" %6.2g", 100 * p->U_torque_Nm / s->torque_Nm);
	else
		printf(" %6s", "-");
	if (isfinite(p->U_efficiency))
		printf(" %10.2g", 100 * p->U_efficiency);
	else
		printf(" %10s", "-");
	if (p->source[0])
		printf("  %.2g %.34s", p->U_part_Nm, p->source);
	putchar('\n');
}

void ready_foresee_print(const struct forecast *f, const struct foreseen *seen)
{
	const struct foreseen *last = NULL;

	for (size_t i = 0; i < f->n; i++) {
		if (!isfinite(seen[i].U_torque_Nm))
			continue;
		if (last == NULL)
			printf("Expected uncertainty of the points (95 %%), without noise:\n"
			       "  torque speed        U      U efficiency  of which, N·m\n"
			       "     N·m   rpm      N·m      %%       U, %%\n");
		print_row(&f->step[i], &seen[i]);
		last = &seen[i];
	}
	if (last && last->advice[0])
		live_say("What helps most at the heaviest step: %s.", last->advice);
}
