/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/brake/brakemap_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Currents closer than this share of the largest are one current: read-back noise, not a step. */
#define SAME_CURRENT 0.01

static int by_current(const void *a, const void *b)
{
	double x = ((const struct brakemap_reading *)a)->current_A, y = ((const struct brakemap_reading *)b)->current_A;

	return (x > y) - (x < y);
}

/* The readings of a branch in order of current; NULL when out of memory. Given to the caller. */
static struct brakemap_reading *sorted(const struct brakemap_reading *r, size_t n, enum brakemap_branch branch,
				       size_t *ret_n)
{
	struct brakemap_reading *copy = calloc(n ? n : 1, sizeof *copy);

	*ret_n = 0;
	if (!copy)
		return NULL;
	for (size_t i = 0; i < n; i++)
		if (r[i].branch == branch)
			copy[(*ret_n)++] = r[i];
	qsort(copy, *ret_n, sizeof *copy, by_current);
	return copy;
}

static size_t group_end(const struct brakemap_reading *r, size_t n, size_t begin, double width)
{
	size_t end = begin + 1;

	while (end < n && r[end].current_A - r[begin].current_A <= width)
		end++;
	return end;
}

/* As narrow as gives no more groups than there are knots. */
static double group_width(const struct brakemap_reading *r, size_t n, double max_A)
{
	double width = SAME_CURRENT * max_A;

	for (;;) {
		size_t groups = 0;
		for (size_t i = 0; i < n; i = group_end(r, n, i, width))
			groups++;
		if (groups <= BRAKEMAP_KNOTS)
			return width;
		width *= 1.3;
	}
}

static struct brakemap_knot knot_of(const struct brakemap_reading *r, size_t n, double slip_slope, double slip_rpm)
{
	struct brakemap_knot k = { .n = (double)n };
	double common = 0;

	for (size_t i = 0; i < n; i++) {
		k.current_A += r[i].current_A / k.n;
		k.torque_Nm += (r[i].torque_Nm - slip_slope * (fabs(r[i].slip_rpm) - slip_rpm)) / k.n;
		common += r[i].u_torque_Nm * r[i].u_torque_Nm / k.n;
	}
	for (size_t i = 0; i < n; i++) {
		double d = r[i].torque_Nm - slip_slope * (fabs(r[i].slip_rpm) - slip_rpm) - k.torque_Nm;
		k.ss += d * d;
	}
	k.u_random_Nm = n > 1 ? sqrt(k.ss / (k.n - 1) / k.n) : NAN;
	/* The cell's own uncertainty is common to the readings and does not average out. */
	k.u_Nm = sqrt(common + (n > 1 ? k.u_random_Nm * k.u_random_Nm : 0));
	return k;
}

double brakemap_scale(const struct brakemap_knot *top)
{
	double random = isfinite(top->u_random_Nm) ? top->u_random_Nm : 0;

	return sqrt(fmax(top->u_Nm * top->u_Nm - random * random, 0)) / fabs(top->torque_Nm);
}

enum rc brakemap_gather(const struct brakemap_reading *r, size_t n, enum brakemap_branch branch,
			const struct brakemap *map, struct brakemap_knots *ret, struct err *err)
{
	double slope = isfinite(map->slip_slope_Nm_per_rpm) ? map->slip_slope_Nm_per_rpm : 0;
	size_t m, end;
	struct brakemap_reading *copy = sorted(r, n, branch, &m);

	if (!copy)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu readings", n);
	ret->n = 0;
	double width = group_width(copy, m, map->max_A);
	for (size_t i = 0; i < m; i = end) {
		end = group_end(copy, m, i, width);
		ret->knot[ret->n++] = knot_of(copy + i, end - i, slope, 0.5 * (map->min_slip_rpm + map->max_slip_rpm));
	}
	free(copy);
	return RC_OK;
}

struct slip_sums {
	double n, sss, sst, stt;
};

/* Within groups of one current only, so that what the current does stays out of it. */
static void add_group(const struct brakemap_reading *r, size_t n, struct slip_sums *sums)
{
	double slip = 0, torque = 0;

	for (size_t i = 0; i < n; i++) {
		slip += fabs(r[i].slip_rpm) / (double)n;
		torque += r[i].torque_Nm / (double)n;
	}
	sums->n += (double)n - 1;
	for (size_t i = 0; i < n; i++) {
		double s = fabs(r[i].slip_rpm) - slip, t = r[i].torque_Nm - torque;
		sums->sss += s * s;
		sums->sst += s * t;
		sums->stt += t * t;
	}
}

enum rc brakemap_slip(const struct brakemap_reading *r, size_t n, struct brakemap *map, struct err *err)
{
	struct slip_sums sums = { 0 };

	map->slip_slope_Nm_per_rpm = map->u_slip_slope_Nm_per_rpm = NAN;
	for (int b = 0; b < 2; b++) {
		size_t m, end;
		struct brakemap_reading *copy = sorted(r, n, b ? BRAKEMAP_FALLING : BRAKEMAP_RISING, &m);
		if (!copy)
			return err_set(err, RC_NOMEM, 0, "out of memory for %zu readings", n);
		double width = group_width(copy, m, map->max_A);
		for (size_t i = 0; i < m; i = end) {
			end = group_end(copy, m, i, width);
			add_group(copy + i, end - i, &sums);
		}
		free(copy);
	}
	/* Noise of one and the same speed is not two speeds. */
	if (!(map->max_slip_rpm - map->min_slip_rpm > 0.1 * map->max_slip_rpm) || !(sums.sss > 0) || !(sums.n > 1))
		return RC_OK;
	double slope = sums.sst / sums.sss, rss = sums.stt - slope * sums.sst;
	map->slip_slope_Nm_per_rpm = slope;
	map->u_slip_slope_Nm_per_rpm = sqrt(fmax(rss, 0) / (sums.n - 1) / sums.sss);
	return RC_OK;
}
