/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The actuator's curve: a table of largest torques, or points.csv of a report, which has all points that were held. */
#include "command/offline.h"
#include "command/suit.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ONE_SPEED 0.01 /* points so near are of one speed; common practice, no source */

void suit_curve_free(struct joint_curve *c)
{
	free(c->speed_rpm);
	free(c->torque_Nm);
	free(c->u_torque_Nm);
	free(c->open);
}

static bool says(const struct csv *t, size_t row, const char *column, const char *word)
{
	int at = csv_find(t, column);

	return at >= 0 && strcmp(csv_cell(t, row, (size_t)at), word) == 0;
}

/* Nothing shows that this is the largest: the load was held, or something else than the actuator ended it. */
static bool is_open(const struct csv *t, size_t row)
{
	return !says(t, row, "limit", "actuator") && !says(t, row, "at limit", "yes");
}

static bool doubtful(const struct csv *t, size_t row)
{
	return says(t, row, "outlier", "yes") || says(t, row, "impossible", "yes");
}

static bool one_speed(double a, double b)
{
	return fabs(a - b) <= ONE_SPEED * fmax(a, b);
}

static void put(struct joint_curve *c, size_t to, double torque_Nm, double u_Nm, bool open)
{
	c->torque_Nm[to] = torque_Nm;
	if (c->u_torque_Nm)
		c->u_torque_Nm[to] = u_Nm;
	c->open[to] = open ? 1 : 0;
}

/* Largest torque of one way at that speed; the row, or n. */
static size_t heaviest(const struct joint_curve *all, const double *way, double speed_rpm, double sign)
{
	size_t best = all->n;

	for (size_t i = 0; i < all->n; i++)
		if (one_speed(all->speed_rpm[i], speed_rpm) && way[i] * sign > 0 &&
		    (best == all->n || all->torque_Nm[i] > all->torque_Nm[best]))
			best = i;
	return best;
}

/* Of points of a report the envelope: at each speed the heaviest, of both ways the weaker. all: speeds and torques
 * without sign; way: -1 or 1. ret: its columns have as many places. */
static void envelope(const struct joint_curve *all, const double *way, struct joint_curve *ret)
{
	ret->n = 0;
	for (size_t i = 0; i < all->n; i++) {
		bool known = false;
		for (size_t k = 0; k < ret->n; k++)
			known = known || one_speed(ret->speed_rpm[k], all->speed_rpm[i]);
		if (known)
			continue;
		size_t a = heaviest(all, way, all->speed_rpm[i], 1), b = heaviest(all, way, all->speed_rpm[i], -1);
		size_t from = a == all->n ? b : b == all->n || all->torque_Nm[a] < all->torque_Nm[b] ? a : b;
		ret->speed_rpm[ret->n] = all->speed_rpm[i];
		put(ret, ret->n, all->torque_Nm[from], all->u_torque_Nm ? all->u_torque_Nm[from] : 0,
		    all->open[from] > 0);
		ret->n++;
	}
}

/* Points to the envelope, in place. set_rpm: as commanded (NaN, or NULL: not told); a point that came to it stands
 * there. way: room for as many as there are points. */
static enum rc reduce(const struct csv *t, const double *set_rpm, double *way, struct joint_curve *c, struct err *err)
{
	struct joint_curve all = { 0, calloc(c->n, sizeof(double)), calloc(c->n, sizeof(double)),
				   c->u_torque_Nm ? calloc(c->n, sizeof(double)) : NULL, calloc(c->n, sizeof(double)) };
	bool room = all.speed_rpm && all.torque_Nm && all.open && (all.u_torque_Nm || !c->u_torque_Nm);

	for (size_t i = 0; room && i < c->n; i++) {
		double speed = fabs(c->speed_rpm[i]), set = set_rpm ? fabs(set_rpm[i]) : NAN;
		double sign = c->speed_rpm[i] < 0 ? -1 : 1;
		if (doubtful(t, i) || c->torque_Nm[i] * sign < 0)
			continue;
		way[all.n] = sign;
		all.speed_rpm[all.n] = one_speed(speed, set) ? set : speed;
		put(&all, all.n, c->torque_Nm[i] * sign, c->u_torque_Nm ? c->u_torque_Nm[i] : 0, is_open(t, i));
		all.n++;
	}
	if (room)
		envelope(&all, way, c);
	suit_curve_free(&all);
	if (!room)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", t->name);
	return c->n ? RC_OK
		    : err_set(err, RC_ARG, 0,
			      "%s: no point that the actuator drives and that is neither outlier nor impossible; "
			      "expected one",
			      t->name);
}

static enum rc check_typed(const struct offline *o, const struct joint_curve *c, struct err *err)
{
	for (size_t i = 0; i < c->n; i++)
		if (c->speed_rpm[i] < 0 || c->torque_Nm[i] < 0)
			return err_set(err, RC_ARG, 0,
				       "%s:%u: %g rpm and %g N.m; expected a curve of speeds and torques of 0 or more",
				       o->table.name, o->table.line[i], c->speed_rpm[i], c->torque_Nm[i]);
	return RC_OK;
}

enum rc suit_curve(const char *path, struct joint_curve *ret, struct mistakes *m, struct err *err)
{
	static const struct offline_column columns[] = {
		{ "speed", "rpm", true, false, NULL },
		{ "torque", "N.m", true, false, NULL },
		{ "u torque", "N.m", false, false, NULL },
		{ "speed set", "rpm", false, true, NULL },
	};
	struct offline o;
	enum rc rc = offline_read(path, columns, sizeof columns / sizeof columns[0], &o, m, err);

	if (!rc) {
		*ret = (struct joint_curve){ o.n, offline_take(&o, "speed"), offline_take(&o, "torque"),
					     offline_take(&o, "u torque"), NULL };
		if (csv_find(&o.table, "limit") < 0) {
			rc = check_typed(&o, ret, err);
		} else {
			double *way = calloc(o.n, sizeof *way);
			ret->open = calloc(o.n, sizeof *ret->open);
			rc = way && ret->open ? reduce(&o.table, offline_column(&o, "speed set"), way, ret, err)
					      : err_set(err, RC_NOMEM, 0, "%s: out of memory", path);
			free(way);
		}
		if (!rc)
			joint_curve_sort(ret);
	}
	offline_free(&o);
	return rc;
}

void suit_curve_run(const char *path, struct suit_run *ret)
{
	const char *base = strrchr(path, '/');
	char beside[600];

	*ret = (struct suit_run){ .id = "" };
	if (snprintf(beside, sizeof beside, "%.*sreport.json", base ? (int)(base + 1 - path) : 0, path) >=
	    (int)sizeof beside)
		return;
	json_t *doc = json_load_file(beside, 0, NULL);
	suit_run_of(doc, ret);
	json_decref(doc);
}
