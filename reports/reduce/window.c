/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/window_private.h"

#include "calib/fit/stats.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SUPPLY_AT_LIMIT 0.97 /* of the stated limit: a bench supply's limit is set by hand, a few percent at best */
#define SUPPLY_SAG 0.97      /* of the voltage that the cable's drop leaves of what this run began with */
#define LIGHT_FRAC 0.3       /* of the stated current limit: no supply sags there */
#define LIGHT_SAMPLES 200
#define EDGE_AGE_MAX_s 0.99 /* the node's age field ends there: an older edge has no time */
#define STRETCHES 500
#define STEP_SD \
	0.5 /* Gaussian scatter of so many steps leaves a bias of at most e^(-2 pi^2 sd^2)/pi: 0.2 % of a step */

static bool grow(struct series *s)
{
	size_t room = s->room ? 2 * s->room : 1024;
	double *x = realloc(s->x, room * sizeof *x);

	if (x == NULL)
		return false;
	s->x = x;
	s->room = room;
	return true;
}

static void merge(struct series *s)
{
	s->n /= 2;
	for (size_t i = 0; i < s->n; i++)
		s->x[i] = s->thinned ? s->x[2 * i] : (s->x[2 * i] + s->x[2 * i + 1]) / 2;
	s->each *= 2;
}

static bool begin_entry(struct series *s)
{
	if (s->each == 0)
		s->each = 1;
	if (s->n == SERIES_MAX)
		merge(s);
	s->sum = 0;
	return s->n < s->room || grow(s);
}

void series_push(struct series *s, double value, bool *out_of_memory)
{
	if (s->part == 0 && !begin_entry(s)) {
		*out_of_memory = true;
		return;
	}
	s->readings++;
	s->sum += value;
	if (s->thinned && s->part == 0)
		s->x[s->n++] = value;
	if (++s->part < s->each)
		return;
	s->part = 0;
	if (!s->thinned)
		s->x[s->n++] = s->sum / (double)s->each;
}

static void push(struct window *w, struct series *s, double value)
{
	series_push(s, value, &w->out_of_memory);
}

static void empty(struct series *s)
{
	*s = (struct series){ .x = s->x, .room = s->room, .thinned = s->thinned };
}

static const struct limit_facts no_facts = {
	.undervoltage_V = NAN,
	.min_V = NAN,
	.max_A = NAN,
	.max_brake_A = 0,
	.open_V = NAN,
	.max_drive_A = NAN,
	.min_rpm = NAN,
	.max_Nm = NAN,
};

void window_open(struct window *w, const struct window_rig *limits)
{
	*w = (struct window){ .limits = *limits, .before = no_facts, .inside = no_facts };
	w->edge_s.thinned = w->edge_pulse.thinned = true;
}

void window_free(struct window *w)
{
	struct series *all[] = { &w->count, &w->volt, &w->amp, &w->power, &w->edge_s, &w->edge_pulse };

	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
		free(all[i]->x);
		*all[i] = (struct series){ 0 };
	}
}

void window_reset(struct window *w)
{
	struct window fresh = { .limits = w->limits,
				.before = no_facts,
				.inside = no_facts,
				.last_conversion = w->last_conversion,
				.last_sample = w->last_sample,
				.open_sum_V = w->open_sum_V,
				.open_n = w->open_n,
				.started = w->started,
				.out_of_memory = w->out_of_memory,
				.count = w->count,
				.volt = w->volt,
				.amp = w->amp,
				.power = w->power,
				.edge_s = w->edge_s,
				.edge_pulse = w->edge_pulse };

	struct series *all[] = {
		&fresh.count, &fresh.volt, &fresh.amp, &fresh.power, &fresh.edge_s, &fresh.edge_pulse
	};
	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
		empty(all[i]);
	*w = fresh;
}

/* What the supply gives at light load at the begin of the run: a dial that is not where rig.ini says is no sag. */
static double open_voltage(struct window *w, const struct sample *s)
{
	const struct window_rig *limits = &w->limits;
	double source_V = s->voltage_V + limits->cable_ohm * s->current_A;

	if (w->open_n < LIGHT_SAMPLES && s->current_A < LIGHT_FRAC * limits->supply_limit_A &&
	    !(s->drive_flags & DRIVE_UNDERVOLTAGE)) {
		w->open_sum_V += source_V;
		w->open_n++;
	}
	return w->open_n ? w->open_sum_V / (double)w->open_n : limits->supply_V;
}

static void gather_supply(struct limit_facts *f, struct window *w, const struct sample *s)
{
	if (!(s->lines & 4u) || !isfinite(s->voltage_V))
		return;
	f->open_V = open_voltage(w, s);
	bool full = s->current_A >= SUPPLY_AT_LIMIT * w->limits.supply_limit_A, told = s->lines & 8u;
	bool sags = s->voltage_V < SUPPLY_SAG * (f->open_V - w->limits.cable_ohm * s->current_A);
	if (!(f->min_V <= s->voltage_V))
		f->min_V = s->voltage_V;
	if (!(f->max_A >= s->current_A))
		f->max_A = s->current_A;
	f->supply_full += told || (full && sags);
	f->strained += told || full || sags;
}

static void gather(struct limit_facts *f, struct window *w, const struct sample *s)
{
	f->n++;
	if (s->drive_flags & DRIVE_ENABLED)
		f->enabled++;
	if (s->drive_flags & DRIVE_CURRENT_LIMITED)
		f->current_limited++;
	if (s->drive_flags & DRIVE_DERATING)
		f->derating++;
	if ((s->drive_flags & DRIVE_UNDERVOLTAGE) && !f->undervoltage) {
		f->undervoltage = true;
		f->undervoltage_V = s->voltage_V;
	}
	if (s->drive_flags & DRIVE_FAULT)
		f->drive_fault = true;
	if (fabs((double)s->cell_count) >= w->limits.cell_saturation_count)
		f->saturated++;
	if (s->brake_A > f->max_brake_A)
		f->max_brake_A = s->brake_A;
	f->max_drive_A = fmax(f->max_drive_A, fabs(s->drive_A)); /* fmax passes over NaN */
	f->min_rpm = fmin(f->min_rpm, fabs(s->speed_rpm));
	f->max_Nm = fmax(f->max_Nm, s->torque_Nm);
	gather_supply(f, w, s);
}

void window_know_open_voltage(struct window *w, double open_V)
{
	w->open_n = LIGHT_SAMPLES;
	w->open_sum_V = open_V * LIGHT_SAMPLES;
}

static bool is_new(struct window *w, const struct sample *s)
{
	bool fresh = !w->started || s->sample_no != w->last_sample;

	w->last_sample = s->sample_no;
	return fresh;
}

void window_before(struct window *w, const struct sample *s)
{
	if (!is_new(w, s))
		return;
	w->started = true;
	w->last_conversion = s->cell_conversions;
	gather(&w->before, w, s);
}

static void take_edge(struct window *w, const struct sample *s)
{
	double now_s = w->limits.host_edges ? (double)s->mono_ns * 1e-9 : (double)s->node_us * 1e-6;
	double pulses = (double)s->pulses, age_s = now_s - s->edge_time_s;

	if (!isfinite(s->edge_time_s) || !(age_s < EDGE_AGE_MAX_s))
		return;
	/* The last edge before the window opens it when it is close; an edge is taken once. */
	if (w->edge_s.n && !(s->edge_time_s > w->edge_s.x[w->edge_s.n - 1]))
		return;
	push(w, &w->edge_s, s->edge_time_s);
	push(w, &w->edge_pulse, pulses);
}

/* The product of two averages, and what the node says that the average of the products is more. */
static void take_power(struct window *w, const struct sample *s)
{
	bool told = isfinite(s->ripple_W);

	push(w, &w->power, s->voltage_V * s->current_A + (told ? s->ripple_W : 0));
	w->n_untold += !told;
}

/* A slow meter tells less often than there are rows: a row that repeats its value is no reading. */
static bool is_fresh(const struct sample *s, enum channel_id channel)
{
	return !(s->repeats & 1u << channel);
}

static void take_meter(struct window *w, const struct sample *s)
{
	bool volt = isfinite(s->voltage_V) && is_fresh(s, CHANNEL_VOLTAGE),
	     amp = isfinite(s->current_A) && is_fresh(s, CHANNEL_CURRENT);

	if (volt)
		push(w, &w->volt, s->voltage_V);
	if (amp) {
		push(w, &w->amp, s->current_A);
		w->sum_amp2 += s->current_A * s->current_A;
	}
	if (amp && isfinite(s->voltage_V))
		take_power(w, s);
}

static void take_temp(struct window *w, const struct sample *s, int i)
{
	w->stood_degC[i] = s->temp_degC[i];
	if (!isfinite(s->temp_degC[i]) || !is_fresh(s, (enum channel_id)(CHANNEL_TEMP + i)))
		return;
	w->sum_temp[i] += s->temp_degC[i];
	w->n_temp[i]++;
}

static void take_drive(struct window *w, const struct sample *s)
{
	w->stood_rpm = s->drive_rotor_rpm;
	w->stood_A = s->drive_A;
	if (!isfinite(s->drive_rotor_rpm) || !isfinite(s->drive_A) || !is_fresh(s, CHANNEL_DRIVE))
		return;
	w->sum_rotor_rpm += s->drive_rotor_rpm;
	w->sum_drive_A += s->drive_A;
	w->n_rotor++;
}

static void take_slow(struct window *w, const struct sample *s)
{
	for (int i = 0; i < TEMP_COUNT; i++)
		take_temp(w, s, i);
	take_drive(w, s);
	if (isfinite(s->speed_rpm)) {
		w->sum_speed_rpm += s->speed_rpm;
		w->n_speed++;
	}
	w->sum_brake_A += s->brake_A;
	w->n_rows++;
}

void window_inside(struct window *w, const struct sample *s)
{
	bool node_told = is_new(w, s);

	/* A meter of its own may tell something in a row without a new fast sample. */
	if (node_told || s->repeats != 0)
		take_meter(w, s);
	if (!node_told)
		return;
	gather(&w->inside, w, s);
	if (w->started && s->cell_conversions != w->last_conversion)
		push(w, &w->count, (double)s->cell_count);
	w->started = true;
	w->last_conversion = s->cell_conversions;
	take_edge(w, s);
	take_slow(w, s);
}

struct mean mean_with_step(struct mean m)
{
	double step_u = sqrt(1.0 / 12), u = hypot(m.u, step_u);

	if (m.n == 0 || m.sd >= STEP_SD)
		return m;
	m.dof = m.u > 0 ? m.dof * pow(u / m.u, 4) : INFINITY; /* Welch and Satterthwaite (GUM G.4.1) */
	m.u = u;
	m.scatter = hypot(m.scatter, step_u);
	return m;
}

double window_temp(const struct window *w, enum temp_place place)
{
	if (w->n_rows == 0)
		return NAN;
	return w->n_temp[place] ? w->sum_temp[place] / (double)w->n_temp[place] : w->stood_degC[place];
}

void window_drive(const struct window *w, double *ret_rotor_rpm, double *ret_A)
{
	*ret_rotor_rpm = *ret_A = NAN;
	if (w->n_rows == 0)
		return;
	*ret_rotor_rpm = w->n_rotor ? w->sum_rotor_rpm / (double)w->n_rotor : w->stood_rpm;
	*ret_A = w->n_rotor ? w->sum_drive_A / (double)w->n_rotor : w->stood_A;
}

/* Long series are averaged in stretches first: that keeps the mean and all slow correlation, and the search
 * for the effective count stays cheap. */
static size_t in_stretches(const double *x, size_t n, double *ret)
{
	size_t length = n / STRETCHES + (n % STRETCHES != 0), stretches = n / length;

	for (size_t s = 0; s < stretches; s++) {
		double sum = 0;
		for (size_t i = 0; i < length; i++)
			sum += x[s * length + i];
		ret[s] = sum / (double)length;
	}
	return stretches;
}

/* Half the mean square of the differences of neighbours. */
static double white_variance(const double *x, size_t n)
{
	double sum = 0;

	for (size_t i = 1; i < n; i++)
		sum += (x[i] - x[i - 1]) * (x[i] - x[i - 1]);
	return sum / (2 * ((double)n - 1));
}

struct mean mean_of(const double *x, size_t n)
{
	double stretch[STRETCHES];
	struct stats_mean all, few;
	struct mean ret = { .value = NAN,
			    .u = NAN,
			    .dof = 1,
			    .scatter = NAN,
			    .scatter_dof = 1,
			    .n_effective = NAN,
			    .sd = NAN,
			    .fluctuation = NAN,
			    .n = n };

	if (stats_mean(x, n, &all, NULL) != RC_OK)
		return ret;
	ret.value = all.mean;
	ret.n_effective = 1;
	if (n < 2)
		return ret;
	size_t m = in_stretches(x, n, stretch);
	if (stats_mean(stretch, m, &few, NULL) != RC_OK)
		return ret;
	/* Two looks at the same correlation, a model and none; the shyer one counts. */
	double effective = few.n_effective_finite, without_model = stats_n_effective_acf(stretch, m);
	if (without_model < effective)
		effective = without_model;
	ret.scatter = few.sd / sqrt(effective);
	ret.scatter_dof = effective > 2 ? effective - 1 : 1;
	ret.n_effective = few.sd > 0 ? all.sd * all.sd / (ret.scatter * ret.scatter) : (double)n;
	double white = white_variance(x, n);
	ret.sd = all.sd;
	ret.fluctuation = sqrt(fmax(all.sd * all.sd - white, 0));
	ret.u = hypot(sqrt(white / (double)n), all.sd / (double)n);
	/* Of the mean square successive difference of white noise: var = (3n - 4)/(n - 1)^2, so 2/var degrees of
	 * freedom. */
	ret.dof = fmax(1, 2 * pow((double)n - 1, 2) / (3 * (double)n - 4));
	return ret;
}

struct mean series_mean(const struct series *s)
{
	struct mean ret = mean_of(s->x, s->n);

	ret.n = s->readings;
	return ret;
}
