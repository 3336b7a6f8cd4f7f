/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_free.h"

#include <math.h>
#include <stdlib.h>

#define DELAYS 11
#define NEARER 40 /* halvings by the golden section */
#define LEAST_EDGES 100

/* The torque's integral over time, and the integral of that, at each moment of a command. */
struct held {
	const struct tame_pulses *p;
	double *once, *twice;
	size_t at; /* where the last look was */
};

static double twice_at(struct held *h, double t_s)
{
	const struct tame_pulses *p = h->p;

	while (h->at > 0 && p->set_s[h->at] > t_s)
		h->at--;
	while (h->at + 1 < p->n && p->set_s[h->at + 1] <= t_s)
		h->at++;
	double since = t_s - p->set_s[h->at];
	return h->twice[h->at] + since * (h->once[h->at] + since * p->set_Nm[h->at] / 2);
}

static void integrate(struct held *h)
{
	const struct tame_pulses *p = h->p;

	h->once[0] = h->twice[0] = 0;
	for (size_t i = 1; i < p->n; i++) {
		double step = p->set_s[i] - p->set_s[i - 1], Nm = p->set_Nm[i - 1];
		h->twice[i] = h->twice[i - 1] + step * (h->once[i - 1] + step * Nm / 2);
		h->once[i] = h->once[i - 1] + step * Nm;
	}
}

/* Torque of each row with that delay. */
static void fill_torque(struct held *h, double delay_s, struct tame_free *f)
{
	double step = h->p->step_s;

	for (size_t i = 0; i < f->n; i++) {
		double t = f->time_s[i] - delay_s;
		f->torque_Nm[i] = (twice_at(h, t + step) - 2 * twice_at(h, t) + twice_at(h, t - step)) / (step * step);
	}
}

/* Between the two pulses around it. */
static double angle_at(const struct tame_pulses *p, size_t *at, double t_s)
{
	size_t next;

	while (*at + 1 < p->n && p->edge_s[*at + 1] <= t_s)
		++*at;
	for (next = *at + 1; next < p->n && !(p->edge_s[next] > p->edge_s[*at]); next++)
		;
	if (next >= p->n)
		return p->edge_rad[*at];
	double share = (t_s - p->edge_s[*at]) / (p->edge_s[next] - p->edge_s[*at]);
	return p->edge_rad[*at] + share * (p->edge_rad[next] - p->edge_rad[*at]);
}

static size_t edges(const struct tame_pulses *p)
{
	size_t n = 0;

	for (size_t i = 1; i < p->n; i++)
		n += p->edge_s[i] > p->edge_s[i - 1];
	return n;
}

/* Beside the rounding of the averages; a command that stands makes none. */
static bool changes(const struct tame_pulses *p)
{
	double least = INFINITY, most = -INFINITY;

	for (size_t i = 0; i < p->n; i++) {
		least = fmin(least, p->set_Nm[i]);
		most = fmax(most, p->set_Nm[i]);
	}
	return most - least > 1e-6 * fmax(fabs(least), fabs(most));
}

static enum rc make_rows(const struct tame_pulses *p, struct tame_free *f, struct err *err)
{
	size_t n_edges = edges(p), at = 0;

	if (n_edges < LEAST_EDGES)
		return err_set(err, RC_ARG, 0, "%zu rows have a new pulse of the pick-up, expected at least %d",
			       n_edges, LEAST_EDGES);
	if (!changes(p))
		return err_set(err, RC_ARG, 0, "the torque is %g N·m in every row; excite by steps", p->set_Nm[0]);
	double begin_s = p->edge_s[0] + TAME_DELAY_MOST_S + 2 * p->step_s, end_s = p->edge_s[p->n - 1] - p->step_s;
	f->n = end_s > begin_s ? (size_t)((end_s - begin_s) / p->step_s) : 0;
	f->time_s = calloc(3 * f->n + 1, sizeof *f->time_s);
	if (!f->time_s)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", f->n);
	f->torque_Nm = f->time_s + f->n;
	f->speed_rad_per_s = f->torque_Nm + f->n;
	double before = angle_at(p, &at, begin_s - p->step_s);
	for (size_t i = 0; i < f->n; i++) {
		f->time_s[i] = begin_s + (double)i * p->step_s;
		double now = angle_at(p, &at, f->time_s[i]);
		f->speed_rad_per_s[i] = (now - before) / p->step_s;
		before = now;
	}
	return RC_OK;
}

static double scatter_of(struct held *h, double delay_s, struct tame_free *f, struct err *err)
{
	const struct tame_record record = { f->time_s, f->torque_Nm, f->speed_rad_per_s, f->n };

	fill_torque(h, delay_s, f);
	return tame_identify_one(&record, &f->id, err) == RC_OK ? f->id.scatter : INFINITY;
}

/* The least of a coarse row, then the golden section around it. */
static double best_delay_s(struct held *h, struct tame_free *f, struct err *err)
{
	const double golden = (sqrt(5) - 1) / 2;
	double step = TAME_DELAY_MOST_S / (DELAYS - 1), best = 0, least = INFINITY;

	for (int i = 0; i < DELAYS; i++) {
		double scatter = scatter_of(h, i * step, f, err);
		if (scatter < least) {
			least = scatter;
			best = i * step;
		}
	}
	double low = fmax(0, best - step), high = fmin(TAME_DELAY_MOST_S, best + step);
	for (int i = 0; i < NEARER && high - low > 1e-4; i++) {
		double a = high - golden * (high - low), b = low + golden * (high - low);
		if (scatter_of(h, a, f, err) < scatter_of(h, b, f, err))
			high = b;
		else
			low = a;
	}
	return (low + high) / 2;
}

static void tell_means(struct tame_free *f)
{
	double sum = 0, sum2 = 0, torque = 0, n = (double)f->n;

	for (size_t i = 0; i < f->n; i++) {
		sum += f->speed_rad_per_s[i];
		torque += f->torque_Nm[i];
	}
	for (size_t i = 0; i < f->n; i++)
		sum2 += (f->speed_rad_per_s[i] - sum / n) * (f->speed_rad_per_s[i] - sum / n);
	f->mean_rad_per_s = sum / n;
	f->mean_Nm = torque / n;
	f->swing_rad_per_s = sqrt(sum2 / n);
}

enum rc tame_free_find(const struct tame_pulses *p, struct tame_free *ret, struct err *err)
{
	struct held h = { .p = p };
	const double none = NAN;

	*ret = (struct tame_free){ .delay_s = none };
	enum rc rc = p->n < 2 ? err_set(err, RC_ARG, 0, "found %zu rows", p->n) : make_rows(p, ret, err);
	if (rc != RC_OK)
		return rc;
	h.once = calloc(2 * p->n, sizeof *h.once);
	if (!h.once)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", p->n);
	h.twice = h.once + p->n;
	integrate(&h);
	ret->delay_s = best_delay_s(&h, ret, err);
	fill_torque(&h, ret->delay_s, ret);
	const struct tame_record record = { ret->time_s, ret->torque_Nm, ret->speed_rad_per_s, ret->n };
	rc = tame_identify_one(&record, &ret->id, err);
	if (rc == RC_OK)
		tell_means(ret);
	free(h.once);
	return rc;
}

void tame_free_clear(struct tame_free *f)
{
	free(f->time_s);
	*f = (struct tame_free){ 0 };
}
