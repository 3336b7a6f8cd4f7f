/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/obey/obey_speeds.h"

#include <math.h>
#include <stdlib.h>

#define APART 0.05   /* of the largest speed */
#define ALIKE 0.0005 /* of the largest command: a command that came again */

/* One row for the sorting. */
struct place {
	double speed, way, command, measured;
	size_t row, group;
};

static int by_speed(const void *a, const void *b)
{
	const struct place *x = a, *y = b;

	return (x->speed > y->speed) - (x->speed < y->speed);
}

static int by_row(const void *a, const void *b)
{
	const struct place *x = a, *y = b;

	return (x->row > y->row) - (x->row < y->row);
}

static int by_command(const void *a, const void *b)
{
	const struct place *x = a, *y = b;

	if (x->group != y->group)
		return x->group > y->group ? 1 : -1;
	if (x->way > y->way || x->way < y->way)
		return x->way > y->way ? 1 : -1;
	return (x->command > y->command) - (x->command < y->command);
}

/* Groups numbered from the lowest speed on; the places are in the order of rows again afterwards. */
static enum rc part(struct place *p, size_t n, struct obey_speeds *ret, struct err *err)
{
	double most = 0;

	for (size_t i = 0; i < n; i++)
		most = fmax(most, fabs(p[i].speed));
	qsort(p, n, sizeof *p, by_speed);
	ret->n = 1;
	for (size_t i = 0; i < n; i++) {
		if (i > 0 && p[i].speed - p[i - 1].speed > APART * most)
			ret->n++;
		if (ret->n > OBEY_SPEEDS)
			return err_set(err, RC_ARG, 0, "more than %d speeds; expected at most so many in one table",
				       OBEY_SPEEDS);
		p[i].group = ret->n - 1;
	}
	qsort(p, n, sizeof *p, by_row);
	return RC_OK;
}

/* Way of the command within its group, as the fit sees it. */
static void find_ways(struct place *p, size_t n, size_t groups, double most_Nm)
{
	for (size_t g = 0; g < groups; g++) {
		double way = 0, before = NAN;
		for (size_t i = 0; i < n; i++) {
			if (p[i].group != g)
				continue;
			double by = p[i].command - before;
			if (fabs(by) > 1e-6 * most_Nm)
				way = by > 0 ? 1 : -1;
			before = p[i].command;
			p[i].way = way;
		}
	}
}

static struct obey_number repeatability(struct place *p, size_t n, double most_Nm)
{
	double squares = 0, dof = 0;

	qsort(p, n, sizeof *p, by_command);
	for (size_t from = 0, to; from < n; from = to) {
		double mean = 0, here = 0, count = 0;
		for (to = from; to < n && p[to].group == p[from].group && fabs(p[to].way - p[from].way) < 0.5 &&
				p[to].command - p[from].command <= ALIKE * most_Nm;
		     to++) {
			double off = p[to].measured - mean;
			mean += off / ++count;
			here += off * (p[to].measured - mean);
		}
		squares += here;
		dof += count - 1;
	}
	double sd = sqrt(squares / dof);
	return dof >= 1 ? (struct obey_number){ sd, sd / sqrt(2 * dof), dof } : (struct obey_number){ NAN, NAN, NAN };
}

/* The rows of one speed by themselves. room: 3 n. */
static enum rc judge(const struct obey_rows *r, const struct place *p, size_t group, double *room,
		     struct obey_speed *ret, struct err *err)
{
	double *commanded = room, *measured = room + r->n, *temp = room + 2 * r->n, sum = 0;
	size_t m = 0;

	for (size_t i = 0; i < r->n; i++) {
		if (p[i].group != group)
			continue;
		commanded[m] = p[i].command;
		measured[m] = p[i].measured;
		temp[m] = r->temp_degC ? r->temp_degC[i] : NAN;
		sum += p[i].speed;
		m++;
	}
	*ret = (struct obey_speed){ .speed_rpm = r->speed_rpm ? sum / (double)m : NAN, .rows = m };
	enum rc rc = obey_warm(commanded, measured, r->temp_degC ? temp : NULL, m, &ret->slow, err);
	ret->known = rc == RC_OK;
	return rc;
}

static enum rc judge_all(const struct obey_rows *r, struct place *p, double *room, struct obey_speeds *ret,
			 struct err *err)
{
	struct err first = { 0 };
	enum rc rc = part(p, r->n, ret, err), worst = RC_OK;
	bool any = false;

	for (size_t g = 0; !rc && g < ret->n; g++) {
		struct err one = { 0 };
		enum rc here = judge(r, p, g, room, &ret->list[g], &one);
		if (here && !worst) {
			worst = here;
			first = one;
		}
		if (!here && (!any || fabs(ret->list[g].speed_rpm) < fabs(ret->list[ret->slowest].speed_rpm)))
			ret->slowest = g;
		any = any || !here;
	}
	if (rc || any)
		return rc;
	*err = first;
	return worst;
}

enum rc obey_speeds(const struct obey_rows *r, struct obey_speeds *ret, struct err *err)
{
	struct place *p = calloc(r->n, sizeof *p);
	double *room = calloc(3 * r->n, sizeof *room), most_Nm = 0;
	enum rc rc = p && room ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", r->n);

	*ret = (struct obey_speeds){ .n = 0 };
	for (size_t i = 0; !rc && i < r->n; i++) {
		p[i] = (struct place){
			r->speed_rpm ? r->speed_rpm[i] : 0, 0, r->commanded_Nm[i], r->measured_Nm[i], i, 0
		};
		most_Nm = fmax(most_Nm, fabs(p[i].command));
	}
	if (!rc)
		rc = judge_all(r, p, room, ret, err);
	if (!rc) {
		find_ways(p, r->n, ret->n, most_Nm);
		ret->repeatability_Nm = repeatability(p, r->n, most_Nm);
	}
	free(p);
	free(room);
	return rc;
}
