/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/obey/obey_step.h"

#include <math.h>

#define JUMP 0.2
#define SAME 0.02
#define FOLLOWS 4.0 /* times the scatter of a level, below which the torque does not follow */

struct record {
	const double *time, *command, *torque;
	size_t n;
	double range; /* of the commands */
};

static double level(const struct record *r, size_t from, size_t to, double *ret_sd)
{
	double mean = 0, squares = 0, n = (double)(to - from);

	for (size_t i = from; i < to; i++)
		mean += r->torque[i] / n;
	for (size_t i = from; i < to; i++)
		squares += (r->torque[i] - mean) * (r->torque[i] - mean);
	*ret_sd = sqrt(squares / n);
	return mean;
}

/* Where the command changes from what it was at that row, or n. */
static size_t end_of(const struct record *r, size_t from)
{
	size_t i = from;

	while (i < r->n && fabs(r->command[i] - r->command[from]) <= SAME * r->range)
		i++;
	return i;
}

/* First time at which the way reaches a share; NaN: never. */
static double reaches(const struct record *r, size_t from, size_t to, double low, double high, double share)
{
	double at = low + share * (high - low), way = high > low ? 1 : -1;

	for (size_t i = from; i < to; i++) {
		if (!(way * (r->torque[i] - at) >= 0))
			continue;
		if (i == 0)
			return r->time[0];
		double before = r->torque[i - 1], part = (at - before) / (r->torque[i] - before);
		return r->time[i - 1] + fmin(fmax(part, 0), 1) * (r->time[i] - r->time[i - 1]);
	}
	return NAN;
}

static double highest(const struct record *r, size_t from, size_t to, double low, double high)
{
	double most = 0;

	for (size_t i = from + 1; i + 1 < to; i++)
		most = fmax(most, ((r->torque[i - 1] + r->torque[i] + r->torque[i + 1]) / 3 - low) / (high - low));
	return most;
}

struct sums {
	double n, mean[3], squares[3];
};

static void take(struct sums *s, const double value[3])
{
	s->n++;
	for (int k = 0; k < 3; k++) {
		double off = value[k] - s->mean[k];
		s->mean[k] += off / s->n;
		s->squares[k] += off * (value[k] - s->mean[k]);
	}
}

static void take_step(const struct record *r, size_t begin, size_t at, size_t end, struct sums *s)
{
	double sd[2], low = level(r, at - (at - begin) / 4 - 1, at, &sd[0]),
		      high = level(r, end - (end - at) / 4 - 1, end, &sd[1]);

	if (!(fabs(high - low) > FOLLOWS * fmax(sd[0], sd[1])))
		return;
	double slow = reaches(r, at, end, low, high, 0.1), fast = reaches(r, at, end, low, high, 0.9);
	double half = reaches(r, at, end, low, high, 0.5) - r->time[at];
	double value[3] = { half < 0 ? 0 : half, fast - slow, fmax(highest(r, at, end, low, high) - 1, 0) };
	if (isfinite(value[0]) && isfinite(value[1]))
		take(s, value);
}

static struct obey_number number(const struct sums *s, int k)
{
	return (struct obey_number){ s->mean[k], s->n > 1 ? sqrt(s->squares[k] / (s->n - 1) / s->n) : NAN,
				     s->n > 1 ? s->n - 1 : NAN };
}

/* Degrees of freedom as of the scatter's share (JCGM 100:2008, G.4.1). */
static struct obey_number widened(struct obey_number x, double row_s)
{
	double u = hypot(x.u, row_s / sqrt(12));

	return (struct obey_number){ x.value, u, x.u > 0 ? x.dof * pow(u / x.u, 4) : INFINITY };
}

enum rc obey_step(const double *time_s, const double *commanded_Nm, const double *measured_Nm, size_t n,
		  struct obey_step *ret, struct err *err)
{
	struct record r = { time_s, commanded_Nm, measured_Nm, n, 0 };
	struct sums s = { 0, { 0 }, { 0 } };
	double low = INFINITY, high = -INFINITY;
	size_t seen = 0;

	for (size_t i = 0; i < n; i++) {
		low = fmin(low, commanded_Nm[i]);
		high = fmax(high, commanded_Nm[i]);
		if (i > 0 && !(time_s[i] > time_s[i - 1]))
			return err_set(err, RC_ARG, 0, "row %zu: the time %g s follows %g s; expected rising times",
				       i + 1, time_s[i], time_s[i - 1]);
	}
	r.range = high - low;
	for (size_t begin = 0, at = end_of(&r, 0), end; r.range > 0 && at < n; begin = at, at = end) {
		end = end_of(&r, at);
		if (at - begin < OBEY_STEP_ROWS || end - at < OBEY_STEP_ROWS ||
		    !(fabs(commanded_Nm[at] - commanded_Nm[at - 1]) > JUMP * r.range))
			continue;
		seen++;
		take_step(&r, begin, at, end, &s);
	}
	if (!seen)
		return err_set(err, RC_ARG, 0,
			       "no step of the command; expected one or more, each with %d rows or more before and "
			       "behind it",
			       OBEY_STEP_ROWS);
	if (!(s.n > 0))
		return err_set(err, RC_ARG, 0, "the measured torque follows none of %zu step%s of the command", seen,
			       seen == 1 ? "" : "s");
	double row_s = (time_s[n - 1] - time_s[0]) / (double)(n - 1);
	*ret = (struct obey_step){ (size_t)s.n, row_s, widened(number(&s, 0), row_s), widened(number(&s, 1), row_s),
				   number(&s, 2) };
	if (ret->overshoot_1.value < 1e-9) /* rounding */
		ret->overshoot_1.value = 0;
	return RC_OK;
}
