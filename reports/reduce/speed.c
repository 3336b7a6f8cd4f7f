/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/speed.h"

#include "calib/number/units.h"
#include "reports/reduce/whole_turns.h"

#include <math.h>
#include <stdlib.h>

#define LEFT_OUT 0.1     /* of the window: most that a speed over whole turns may leave out */
#define TURNS_EDGES 8192 /* longer series are not searched for whole turns: their ends hardly count */
#define SEES 0.3 /* of the most misplaced edges of a run: a window that shows less sees one phase of the marks only */

size_t speed_of_blocks(const struct window *w, double per_rev, double *ret_rpm, size_t max)
{
	size_t n = w->edge_s.n - 1, blocks = n / 2 < max ? n / 2 : max;

	for (size_t b = 0; b < blocks; b++) {
		size_t from = b * n / blocks, to = (b + 1) * n / blocks;
		double dt = w->edge_s.x[to] - w->edge_s.x[from];
		ret_rpm[b] = fabs(w->edge_pulse.x[to] - w->edge_pulse.x[from]) / per_rev / dt * 60.0;
	}
	return blocks;
}

/* Steps from edge to edge about the mean speed, in counts. */
static double step(const struct window *w, size_t i, double rate)
{
	return w->edge_pulse.x[i] - w->edge_pulse.x[i - 1] - rate * (w->edge_s.x[i] - w->edge_s.x[i - 1]);
}

static double mean_rate(const struct window *w)
{
	size_t n = w->edge_s.n - 1;

	return (w->edge_pulse.x[n] - w->edge_pulse.x[0]) / (w->edge_s.x[n] - w->edge_s.x[0]);
}

/* What changes from each edge to the next and back again is misplaced edges, since a shaft cannot. Two looks: minus the
 * autocovariance of neighbouring steps, and third differences of the places (20 times the variance of one), which a
 * smooth motion does not touch; the shyer one counts. */
static double edge_counts(const struct window *w, double rate)
{
	size_t n = w->edge_s.n - 1;
	double neighbours = 0, thirds = 0;

	for (size_t i = 2; i <= n; i++)
		neighbours += step(w, i, rate) * step(w, i - 1, rate);
	for (size_t i = 3; i <= n; i++)
		thirds += pow(step(w, i, rate) - 2 * step(w, i - 1, rate) + step(w, i - 2, rate), 2);
	return sqrt(fmax(fmax(-neighbours / (double)(n - 1), n > 2 ? thirds / (double)(n - 2) / 20 : 0), 0));
}

/* Amplitude of a sine over the turn, fitted to the steps. */
static double turn_counts(const struct window *w, double per_rev, double rate)
{
	const double *at = w->edge_pulse.x;
	size_t n = w->edge_s.n - 1;
	double around = 2 * UNITS_PI / per_rev, cc = 0, cs = 0, ss = 0, cd = 0, sd = 0;

	for (size_t i = 1; i <= n; i++) {
		double d = step(w, i, rate);
		double c = cos(around * at[i]) - cos(around * at[i - 1]),
		       s = sin(around * at[i]) - sin(around * at[i - 1]);
		cc += c * c;
		cs += c * s;
		ss += s * s;
		cd += c * d;
		sd += s * d;
	}
	double det = cc * ss - cs * cs;
	if (fabs(at[n] - at[0]) < per_rev || !(det > 0))
		return 0;
	return hypot(ss * cd - cs * sd, cc * sd - cs * cd) / det;
}

/* The first and the last edge lie up to a sample away from the window's ends: what the shaft did there counts with the
 * standard deviation of its speed from edge to edge. Nothing to a whole sample, evenly spread, at each end. */
static double ends_rpm(const struct window *w, double per_rev, double value, double edge)
{
	size_t n = w->edge_s.n - 1;
	double squares = 0, dt = w->edge_s.x[n] - w->edge_s.x[0];

	for (size_t i = 1; i <= n; i++) {
		double gap = w->edge_s.x[i] - w->edge_s.x[i - 1];
		double off = fabs(w->edge_pulse.x[i] - w->edge_pulse.x[i - 1]) / per_rev / gap * 60.0 - value;
		squares += off * off * gap;
	}
	/* What misplaced edges make of the steps is no motion. */
	double by_edges = sqrt(2) * edge / per_rev / (dt / (double)n) * 60.0;
	return sqrt(fmax(squares / dt - by_edges * by_edges, 0)) / (double)n * sqrt(2.0 / 3);
}

static struct disc disc_seen(const struct window *w, double per_rev, double value)
{
	size_t n = w->edge_s.n - 1;
	double rate = mean_rate(w), squares = 0, dt = w->edge_s.x[n] - w->edge_s.x[0];
	double tick = value * 1e-6 / sqrt(6) / dt; /* the node's clock counts whole microseconds, at both ends */

	double edge = edge_counts(w, rate);
	for (size_t i = 1; i <= n; i++)
		squares += step(w, i, rate) * step(w, i, rate);
	return (struct disc){
		.edge = edge,
		.turn = turn_counts(w, per_rev, rate),
		.uneven = fabs(w->edge_pulse.x[n] - w->edge_pulse.x[0]) >= per_rev ? sqrt(squares / (double)n) : NAN,
		.apart = sqrt(1 - cos(2 * UNITS_PI * (w->edge_pulse.x[n] - w->edge_pulse.x[0]) / per_rev)),
		.rpm_per_count = 60.0 / (per_rev * dt),
		.other_u_rpm = hypot(tick, ends_rpm(w, per_rev, value, edge)),
	};
}

void speed_take_disc(struct mean *speed, const struct disc *window, const struct disc *disc)
{
	if (window->rpm_per_count > 0 && disc->rpm_per_count > 0)
		speed->u = hypot(window->other_u_rpm,
				 window->rpm_per_count * hypot(window->apart * disc->turn, sqrt(2) * disc->edge));
}

static int by_size(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

/* Of the windows that see more than one phase of the marks, the middle. Writes over edge. */
static double middle_edge(double *edge, size_t n)
{
	size_t from = 0;

	qsort(edge, n, sizeof *edge, by_size);
	while (from < n && edge[from] < SEES * edge[n - 1])
		from++;
	return from < n ? edge[from + (n - from) / 2] : 0;
}

struct disc disc_of(const struct disc *const *seen, size_t n)
{
	struct disc best = { .uneven = NAN };
	double *edge = calloc(n ? n : 1, sizeof *edge);
	size_t m = 0;

	for (size_t i = 0; i < n; i++) {
		if (!(seen[i]->uneven >= 0))
			continue;
		if (edge)
			edge[m++] = seen[i]->edge;
		if (!(best.uneven <= seen[i]->uneven))
			best = *seen[i];
	}
	best.edge = m > 0 ? middle_edge(edge, m) : best.edge;
	free(edge);
	return best;
}

/* The same marks at both ends; what was left out may have been as fast as any stretch. */
static bool by_whole_turns(const struct window *w, double per_rev, const struct mean *stretches, double other_u_rpm,
			   struct mean *ret)
{
	struct whole_turns t;

	if (w->edge_s.n > TURNS_EDGES || !whole_turns(w->edge_s.x, w->edge_pulse.x, w->edge_s.n, per_rev, &t) ||
	    !(t.left_frac < LEFT_OUT))
		return false;
	double spread = stretches->scatter * sqrt(stretches->n_effective);
	ret->value = copysign(t.rpm, ret->value);
	ret->u = hypot(other_u_rpm, hypot(t.u_rpm, t.left_frac * spread));
	return true;
}

struct mean window_speed(const struct window *w, double per_rev, double length_s, struct disc *ret_disc)
{
	double sign = w->n_speed && w->sum_speed_rpm < 0 ? -1 : 1, speed[WINDOW_BLOCKS];
	struct mean ret = { .n = w->edge_s.n, .scatter = NAN, .n_effective = NAN, .dof = INFINITY };
	struct disc disc = { .uneven = NAN };

	if (ret_disc)
		*ret_disc = disc;
	if (w->edge_s.n < 2) {
		/* Fewer than two edges: slower than one pulse in the window, rectangular. */
		ret.u = 60.0 / (per_rev * length_s) / sqrt(3);
		return ret;
	}
	size_t last = w->edge_s.n - 1, blocks = speed_of_blocks(w, per_rev, speed, WINDOW_BLOCKS);
	double dt = w->edge_s.x[last] - w->edge_s.x[0];
	double value = fabs(w->edge_pulse.x[last] - w->edge_pulse.x[0]) / per_rev / dt * 60.0;
	ret.value = sign * value;
	if (blocks < 4) {
		/* Too few edges to see where they really lie: a pulse's pitch at each end. */
		ret.u = hypot(value * 1e-6 / sqrt(6) / dt, 60.0 / (per_rev * dt) / sqrt(6));
		return ret;
	}
	struct mean few = mean_of(speed, blocks);
	disc = disc_seen(w, per_rev, value);
	ret.scatter = few.scatter;
	ret.n_effective = few.n_effective;
	if (by_whole_turns(w, per_rev, &few, disc.other_u_rpm, &ret))
		return ret;
	speed_take_disc(&ret, &disc, &disc);
	if (ret_disc)
		*ret_disc = disc;
	return ret;
}
