/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/forecast.h"

#include "calib/number/units.h"
#include "run/seq_sweep.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define SETTLE_WINDOWS 1.5 /* expected settling in windows of the test, ramp included */
#define SEARCH_SHARE 0.9   /* of each limit at which guard, brake or supply would end a search; common practice */
#define CHANGE_S 3.0       /* for a change of the speed by the whole of the largest (run/sweep_setup.c) */

static const struct {
	const char *name, *word, *unit, *advice;
	bool refuses;
} checks[FORECAST_CHECKS] = {
	[FORECAST_TORQUE] = { "torque", "torque", "N\u00b7m", "end the plan below the limit", true },
	[FORECAST_COUPLING] = { "coupling torque", "coupling_torque", "N\u00b7m",
				"fit a stronger coupling or end the plan earlier", true },
	[FORECAST_CELL] = { "cell torque", "cell_torque", "N\u00b7m", "end the plan below the cell's full scale",
			    true },
	[FORECAST_CALIBRATED] = { "torque against the calibration", "calibrated_torque", "N\u00b7m",
				  "calibrate with heavier weights, or the points beyond are extrapolated", false },
	[FORECAST_SPEED] = { "speed", "speed", "rpm", "plan a lower speed", true },
	[FORECAST_BRAKE_TORQUE] = { "brake torque", "brake_torque", "N\u00b7m", "this is the brake's largest torque",
				    true },
	[FORECAST_BRAKE_CURRENT] = { "brake current", "brake_current", "A", "stay below the coil's largest current",
				     true },
	[FORECAST_SLIP_POWER] = { "brake slip power", "slip_power", "W", "plan a lower speed or less torque", true },
	[FORECAST_SLIP_ENERGY] = { "brake heat above its continuous rating", "slip_energy", "J",
				   "shorten dwell and window, put rests between the steps, or end the plan earlier",
				   true },
	[FORECAST_SUPPLY_CURRENT] = { "supply current", "supply_current", "A",
				      "a stronger supply, a lower speed, or end the plan earlier: beyond it the curve "
				      "says nothing about the actuator",
				      true },
	[FORECAST_SUPPLY_VOLTAGE] = { "drop-out voltage as a share of the lowest supply voltage", "supply_voltage", "",
				      "thicker cable or a higher supply voltage: the drive would drop out", true },
	[FORECAST_DRIVE_CURRENT] = { "drive current", "drive_current", "A",
				     "the drive would limit first: end the plan earlier", true },
};

const char *forecast_check_word(enum forecast_check check)
{
	return checks[check].word;
}
const char *forecast_check_unit(enum forecast_check check)
{
	return checks[check].unit;
}
bool forecast_check_refuses(enum forecast_check check)
{
	return checks[check].refuses;
}

double forecast_supply_A(double input_W, double supply_V, double cable_ohm)
{
	if (!(cable_ohm > 0))
		return input_W / supply_V;
	double square = supply_V * supply_V - 4 * cable_ohm * input_W;
	if (!(square >= 0))
		return NAN;
	/* the small root without cancellation */
	return 2 * input_W / (supply_V + sqrt(square));
}

static double smaller(double a, double b)
{
	return !(a > 0) ? b : !(b > 0) ? a : fmin(a, b);
}

static double known(double limit)
{
	return limit > 0 ? limit : NAN;
}

/* The torque of the largest current. A map that was cut short below it by another limit is carried on along its slope,
 * with a tenth taken off: that is a forecast, no measurement. */
static double brake_most_Nm(const struct forecast_input *in)
{
	const struct brakemap *m = in->map;

	if (!m)
		return in->rig->brake_rated_Nm;
	return m->max_Nm + 0.9 * m->slope_Nm_per_A * fmax(0, in->rig->brake_max_A - m->max_A);
}

static double brake_current_A(const struct forecast_input *in, double torque_Nm)
{
	double current_A = brakemap_current(in->map, BRAKEMAP_RISING, torque_Nm);

	if (torque_Nm > in->map->max_Nm && in->map->slope_Nm_per_A > 0)
		current_A = in->map->max_A + (torque_Nm - in->map->max_Nm) / (0.9 * in->map->slope_Nm_per_A);
	return current_A;
}

/* Torque and brake current of a step, whichever of them the plan gives. */
static void torque_and_current(const struct forecast_input *in, double set, struct forecast_step *ret)
{
	double per_A = in->rig->brake_rated_Nm / in->rig->brake_max_A;

	if (in->plan->load == LOAD_TORQUE) {
		ret->torque_Nm = set;
		ret->brake_A = in->map ? brake_current_A(in, set) : set / per_A;
	} else {
		ret->brake_A = set;
		ret->torque_Nm = in->map ? brakemap_torque(in->map, BRAKEMAP_RISING, set) : set * per_A;
	}
	ret->extrapolated = in->map && (ret->brake_A > in->map->max_A || ret->torque_Nm > in->map->max_Nm);
}

double forecast_hand_rpm(const struct rig_profile *rig)
{
	return fmax(4 * rig->min_slip_rpm, 15);
}

static double plan_speed(const struct forecast_input *in, size_t k)
{
	if (in->plan->drive == PLAN_HAND)
		return forecast_hand_rpm(in->rig);
	double speed = fabs(in->plan->speed_rpm[k]);

	if (!(speed > 0))
		speed = fabs(in->actuator->speed_mode_rpm);
	if (!(speed > 0) && in->actuator->no_load_rpm.given)
		speed = in->actuator->no_load_rpm.value;
	return speed;
}

double forecast_loss_rpm(const struct actuator_profile *a, double rpm)
{
	double eta = a->expect_efficiency > 0 ? a->expect_efficiency : 0.5;
	double own = a->speed_mode_rpm > 0 ? a->speed_mode_rpm : a->no_load_rpm.given ? a->no_load_rpm.value : 0;

	return fmax(fabs(rpm), own) * (1 / eta - 1);
}

static void electrical(const struct forecast_input *in, struct forecast_step *ret)
{
	const struct actuator_profile *a = in->actuator;
	double turned_rpm = ret->speed_rpm + forecast_loss_rpm(a, ret->speed_rpm);

	ret->input_W =
		in->plan->drive == PLAN_HAND ? 0 : shaft_power_W(ret->torque_Nm, turned_rpm) + a->expect_no_load_W;
	ret->supply_A = forecast_supply_A(ret->input_W, in->rig->supply_V, in->rig->cable_ohm.value);
	ret->actuator_V = in->rig->supply_V - ret->supply_A * in->rig->cable_ohm.value;
	ret->check[FORECAST_SUPPLY_CURRENT] = (struct forecast_value){ isnan(ret->supply_A) ? INFINITY : ret->supply_A,
								       known(in->rig->supply_limit_A) };
	ret->check[FORECAST_SUPPLY_VOLTAGE] =
		(struct forecast_value){ isnan(ret->actuator_V) ? INFINITY : a->voltage_min_V / ret->actuator_V,
					 a->voltage_min_V > 0 && in->plan->drive != PLAN_HAND ? 1 : NAN };
	double drive_A = in->plan->drive == PLAN_DRIVE_CURRENT                  ? fabs(in->plan->drive_A)
			 : a->k_t_Nm_per_A > 0 && in->plan->drive == PLAN_SPEED ? ret->torque_Nm / a->k_t_Nm_per_A
										: NAN;
	ret->check[FORECAST_DRIVE_CURRENT] =
		(struct forecast_value){ drive_A, isnan(drive_A) ? NAN : known(a->limit_current_A) };
}

static void mechanical(const struct forecast_input *in, struct forecast_step *ret)
{
	const struct rig_profile *r = in->rig;
	double torque = ret->torque_Nm;

	/* A plan by brake current is judged by its current alone. */
	double brake_most = brake_most_Nm(in);

	ret->check[FORECAST_TORQUE] =
		(struct forecast_value){ torque, known(smaller(r->limit_torque_Nm, in->actuator->limit_torque_Nm)) };
	ret->check[FORECAST_COUPLING] = (struct forecast_value){ torque, known(r->coupling_Nm) };
	ret->check[FORECAST_CELL] = (struct forecast_value){ torque, known(r->cell_full_scale_Nm) };
	ret->check[FORECAST_CALIBRATED] = (struct forecast_value){ torque, known(in->calibrated_Nm) };
	ret->check[FORECAST_SPEED] =
		(struct forecast_value){ ret->speed_rpm,
					 known(smaller(r->limit_speed_rpm, in->actuator->limit_speed_rpm)) };
	ret->check[FORECAST_BRAKE_TORQUE] =
		(struct forecast_value){ torque, in->plan->load == LOAD_TORQUE ? known(brake_most) : NAN };
	ret->check[FORECAST_BRAKE_CURRENT] = (struct forecast_value){ ret->brake_A, known(r->brake_max_A) };
	ret->check[FORECAST_SLIP_POWER] =
		(struct forecast_value){ ret->slip_power_W,
					 known(r->slip_power_short_W > 0 ? r->slip_power_short_W : r->slip_power_W) };
}

static void decide(struct forecast_step *s)
{
	s->ok = true;
	s->load_frac = -1;
	for (int i = 0; i < FORECAST_CHECKS; i++) {
		const struct forecast_value *v = &s->check[i];
		if (isnan(v->limit))
			continue;
		double frac = isnan(v->value) ? INFINITY : v->value / v->limit;
		bool refuses = checks[i].refuses;
		if (refuses && !(frac <= 1))
			s->ok = false;
		if (refuses && frac > s->load_frac) {
			s->load_frac = frac;
			s->decides = (enum forecast_check)i;
		}
	}
}

/* Heat above the continuous rating piles up, and leaks while below it: the guard's own law. */
static double pile_up(double energy_J, double power_W, double continuous_W, double time_s)
{
	return continuous_W > 0 ? fmax(energy_J + (power_W - continuous_W) * time_s, 0) : 0;
}

static void one_step(const struct forecast_input *in, size_t k, size_t load, double set, struct forecast_step *ret)
{
	const struct plan_profile *p = in->plan;

	memset(ret, 0, sizeof *ret);
	ret->load = load;
	ret->set = set;
	ret->set_rpm = p->drive == PLAN_SPEED ? p->speed_rpm[k] : 0;
	ret->for_claim = load < p->n && p->for_claim[load];
	torque_and_current(in, set, ret);
	ret->speed_rpm = plan_speed(in, k);
	ret->slip_power_W = shaft_power_W(ret->torque_Nm, ret->speed_rpm);
	/* A load of the search dwells as the plan's heaviest. */
	size_t like = load < p->n ? load : p->n - 1;
	ret->dwell_s = in->dwell_s ? in->dwell_s[k * p->n + like] : p->dwell_s;
	double pilot_s = p->until_frac > 0 ? p->dwell_s : 0;
	ret->time_s = fmin(p->window_s * SETTLE_WINDOWS, p->timeout_s) + pilot_s + ret->dwell_s;
	ret->time_most_s = p->timeout_s + pilot_s + (p->until_frac > 0 ? p->longest_s : p->dwell_s);
	mechanical(in, ret);
	electrical(in, ret);
	ret->check[FORECAST_SLIP_ENERGY] = (struct forecast_value){ 0, known(in->rig->slip_energy_J) };
}

static size_t step_of(const struct forecast *f, const struct plan_profile *p, const struct sweep_item *item)
{
	size_t k = 0;

	while (k + 1 < f->speeds && !(fabs(p->speed_rpm[k] - item->rpm) < 1e-6))
		k++;
	return k * f->loads + (size_t)item->step;
}

/* --- the search for the limit --- */
double forecast_search_step(const struct plan_profile *plan)
{
	double widest = 0;

	for (size_t i = 1; i < plan->n; i++)
		widest = fmax(widest, plan->step[i] - plan->step[i - 1]);
	return widest > 0 ? widest : plan->n > 0 ? plan->step[0] : 0;
}

/* The drive's current is what may be found, the speed is the plan's, and a calibration's end is no harm. */
static bool bounds_search(enum forecast_check check)
{
	return checks[check].refuses && check != FORECAST_DRIVE_CURRENT && check != FORECAST_SPEED;
}

/* The check that forbids a load to a search, or FORECAST_CHECKS. */
static enum forecast_check forbids(const struct forecast_step *s)
{
	for (int c = 0; c < FORECAST_CHECKS; c++)
		if (bounds_search((enum forecast_check)c) && !isnan(s->check[c].limit) &&
		    !(s->check[c].value <= SEARCH_SHARE * s->check[c].limit))
			return (enum forecast_check)c;
	return FORECAST_CHECKS;
}

static bool search_tries(const struct forecast_input *in, size_t k, double set, double energy_J,
			 struct forecast_search *ret)
{
	struct forecast_step s;

	one_step(in, k, in->plan->n, set, &s);
	for (int i = 0; i < LIMIT_SEARCH_TRIES; i++) {
		energy_J = i > 0 ? pile_up(energy_J, 0, in->rig->slip_power_W, in->plan->cool_s) : energy_J;
		energy_J = pile_up(energy_J, s.slip_power_W, in->rig->slip_power_W, s.time_s);
	}
	s.energy_J = s.check[FORECAST_SLIP_ENERGY].value = energy_J;
	enum forecast_check by = forbids(&s);
	if (by != FORECAST_CHECKS) {
		snprintf(ret->why, sizeof ret->why, "%.0f %% of the limit of %s", 100 * SEARCH_SHARE, checks[by].name);
		return false;
	}
	ret->ceiling = set;
	ret->energy_J = energy_J;
	ret->time_s = FORECAST_TRIES * (s.time_s + in->plan->cool_s);
	ret->top = s;
	return true;
}

/* The heaviest of the leading loads that nothing refuses; 0: none. */
static double heaviest_allowed(const struct forecast *f, size_t k)
{
	double set = 0;

	for (size_t i = 0; i < f->loads; i++) {
		struct forecast_step s = f->step[k * f->loads + i];
		decide(&s);
		if (!s.ok)
			break;
		set = s.set;
	}
	return set;
}

/* In half steps up to the last that is allowed, then by halves to what allows no more. */
static void forecast_search(const struct forecast_input *in, const struct forecast *f, size_t k, double energy_J,
			    struct forecast_search *ret)
{
	const struct plan_profile *p = in->plan;
	double step = forecast_search_step(p) / 2, set = heaviest_allowed(f, k);
	int i = 0;

	*ret = (struct forecast_search){ .set_rpm = p->speed_rpm[k], .ceiling = set, .energy_J = energy_J };
	one_step(in, k, p->n, set, &ret->top);
	snprintf(ret->why, sizeof ret->why, "%d tries", LIMIT_SEARCH_TRIES);
	for (; i < LIMIT_SEARCH_TRIES && step > 0 && search_tries(in, k, set + step, energy_J, ret); i++)
		set += step;
	for (double gap = step / 2; i < LIMIT_SEARCH_TRIES && gap > step / 64; gap /= 2)
		if (search_tries(in, k, set + gap, energy_J, ret))
			set += gap;
}

static bool last_on_the_way_up(const struct sweep_item *items, size_t n, size_t i)
{
	for (size_t j = i + 1; j < n; j++)
		if (items[j].direction > 0 && fabs(items[j].rpm - items[i].rpm) < 1e-9)
			return false;
	return items[i].direction > 0;
}

/* Heat and time in the order of the sweep. */
static void run_through(const struct forecast_input *in, struct forecast *f)
{
	struct sweep_item items[SWEEP_ITEMS];
	size_t n = sweep_order(in->plan, NULL, items);
	double energy_J = 0, top_rpm = fmax(plan_top_rpm(in->plan), 1e-9);

	for (size_t i = 0; i < n; i++) {
		struct forecast_step *s = &f->step[step_of(f, in->plan, &items[i])];
		double change_s = i == 0 ? 0 : CHANGE_S * fabs(items[i].rpm - items[i - 1].rpm) / top_rpm;
		energy_J = pile_up(energy_J, s->slip_power_W, in->rig->slip_power_W, s->time_s);
		s->energy_J = s->check[FORECAST_SLIP_ENERGY].value = fmax(s->energy_J, energy_J);
		energy_J = pile_up(energy_J, 0, in->rig->slip_power_W, in->plan->cool_s);
		f->energy_J += s->slip_power_W * s->time_s;
		if (f->n_points < FORECAST_POINTS)
			f->point[f->n_points++] =
				(struct forecast_point){ (size_t)(s - f->step), items[i].direction, items[i].repeat,
							 f->time_s + change_s + s->time_s - s->dwell_s / 2 };
		f->time_s += s->time_s + in->plan->cool_s + change_s;
		f->time_most_s += s->time_most_s + in->plan->cool_s + change_s;
		if (in->plan->find_limit && last_on_the_way_up(items, n, i)) {
			size_t k = (size_t)(s - f->step) / f->loads;
			struct forecast_search *search = &f->search[k];
			forecast_search(in, f, k, energy_J, search);
			f->n_search++;
			energy_J = search->energy_J;
			f->energy_J += search->top.slip_power_W * search->time_s;
			f->time_s += search->time_s;
			f->time_most_s += LIMIT_SEARCH_TRIES * (s->time_most_s + in->plan->cool_s);
		}
	}
}

static void note_warning(struct forecast *f, size_t i)
{
	for (int c = 0; c < FORECAST_CHECKS && !f->warns; c++) {
		const struct forecast_value *v = &f->step[i].check[c];
		if (checks[c].refuses || isnan(v->limit) || v->value <= v->limit)
			continue;
		f->warns = true;
		f->warning = (enum forecast_check)c;
		f->warning_step = i;
	}
}

static void judge(struct forecast *f)
{
	double most = -1;

	f->ok = true;
	for (size_t i = 0; i < f->n; i++) {
		struct forecast_step *s = &f->step[i];
		size_t speed = i / f->loads;
		decide(s);
		note_warning(f, i);
		if (f->ok && !s->ok) {
			f->ok = false;
			f->deciding_step = i;
		}
		if (f->ok && s->load_frac > most) {
			most = s->load_frac;
			f->deciding_step = i;
		}
		if (s->ok && f->allowed[speed] == s->load) {
			f->allowed[speed]++;
			f->n_ok++;
		}
	}
	f->decides = f->n ? f->step[f->deciding_step].decides : FORECAST_TORQUE;
}

void forecast_plan(const struct forecast_input *in, struct forecast *ret)
{
	const struct plan_profile *p = in->plan;

	memset(ret, 0, sizeof *ret);
	ret->loads = p->n;
	ret->speeds = p->drive == PLAN_SPEED ? p->n_speeds : 1;
	for (size_t k = 0; k < ret->speeds; k++)
		for (size_t i = 0; i < p->n && ret->n < PROFILE_STEPS; i++)
			one_step(in, k, i, p->step[i], &ret->step[ret->n++]);
	run_through(in, ret);
	judge(ret);
}

/* Where there are several: " at 60 rpm". */
static const char *at_speed(const struct forecast *f, const struct forecast_step *s, char buf[32])
{
	snprintf(buf, 32, " at %g rpm", s->set_rpm);
	return f->speeds > 1 ? buf : "";
}

/* "step 9 of 9 (40 N·m): supply current 14.2 A, limit 8 A" */
static void tell_step(const struct forecast *f, const struct plan_profile *plan, size_t step, enum forecast_check check,
		      char *buf, size_t size)
{
	const struct forecast_step *s = &f->step[step];
	const struct forecast_value *v = &s->check[check];
	const char *unit = checks[check].unit, *gap = *unit ? " " : "";
	char found[48], at[32];

	if (isinf(v->value))
		snprintf(found, sizeof found, "more than the cable can carry");
	else
		snprintf(found, sizeof found, "%.4g%s%s", v->value, gap, unit);
	snprintf(buf, size, "step %zu of %zu (%g %s%s): %s %s, limit %.4g%s%s", s->load + 1, f->loads, s->set,
		 plan->load == LOAD_TORQUE ? "N\u00b7m" : "A", at_speed(f, s, at), checks[check].name, found, v->limit,
		 gap, unit);
}

void forecast_sentence(const struct forecast *f, const struct plan_profile *plan, char *buf, size_t size)
{
	char step[240];

	if (f->n == 0) {
		snprintf(buf, size, "the plan has no steps");
		return;
	}
	tell_step(f, plan, f->deciding_step, f->decides, step, sizeof step);
	snprintf(buf, size, "%s %s%s%s", f->ok ? "nearest to a limit is" : "refused at", step, f->ok ? "" : "; ",
		 f->ok ? "" : checks[f->decides].advice);
}

void forecast_warning_sentence(const struct forecast *f, const struct plan_profile *plan, char *buf, size_t size)
{
	char step[240];

	tell_step(f, plan, f->warning_step, f->warning, step, sizeof step);
	snprintf(buf, size, "%s; %s", step, checks[f->warning].advice);
}
