/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/regress.h"
#include "calib/thermal/thermal_fit.h"
#include "command/command.h"
#include "command/hold_tell.h"
#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct wanted {
	const char *from, *limit, *ambient, *rated_ambient, *equilibrium, *window, *torque, *torques, *cold_ohm,
		*cold_degC, *copper;
	double limit_degC, ambient_degC, rated_degC, K_per_h, window_s, torque_Nm, cold_R, cold_T, k,
		list[HOLD_TORQUES];
	size_t n_list;
};

static enum rc options_of(struct wanted *w, struct err *err)
{
	const struct offline_option options[] = {
		{ "limit", w->limit, "degC", &w->limit_degC, false },
		{ "ambient", w->ambient, "degC", &w->ambient_degC, false },
		{ "rated-ambient", w->rated_ambient, "degC", &w->rated_degC, false },
		{ "equilibrium", w->equilibrium, "K/h", &w->K_per_h, true },
		{ "window", w->window, "s", &w->window_s, true },
		{ "torque", w->torque, "N.m", &w->torque_Nm, false },
		{ "cold-resistance", w->cold_ohm, "ohm", &w->cold_R, false },
		{ "cold-temperature", w->cold_degC, "degC", &w->cold_T, false },
		{ "copper", w->copper, "1", &w->k, false },
	};
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);

	if (!rc && w->torques)
		rc = offline_list("torques", w->torques, "N.m", w->list, HOLD_TORQUES, &w->n_list, err);
	return rc;
}

struct state {
	const struct wanted *wanted;
	struct hold_found *found;
};

/* A column of its own of one value, where the table has none. */
static double *filled(struct offline *o, const char *name, double value)
{
	for (size_t i = 0; i < o->n_columns; i++)
		if (strcmp(o->column[i].name, name) == 0 && !o->column[i].value) {
			o->column[i].value = calloc(o->n, sizeof(double));
			for (size_t k = 0; o->column[i].value && k < o->n; k++)
				o->column[i].value[k] = value;
		}
	return offline_column(o, name);
}

static enum rc by_resistance(const struct wanted *w, struct offline *o, struct hold_found *h, struct err *err)
{
	double *volt = offline_column(o, "voltage"), *ampere = offline_column(o, "current");

	if (!volt || !ampere || offline_column(o, "winding"))
		return RC_OK;
	if (!(w->cold_R > 0) || !isfinite(w->cold_T))
		return err_set(err, RC_ARG, 0,
			       "%s: volts and amperes tell the winding's temperature only with --cold-resistance and "
			       "--cold-temperature",
			       o->table.name);
	double *winding = filled(o, "winding", 0);
	if (!winding)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	for (size_t i = 0; i < o->n; i++) {
		if (!(fabs(ampere[i]) > 0))
			return err_set(err, RC_ARG, 0, "%s:%u: the current is %g A, so the resistance is not known",
				       o->table.name, o->table.line[i], ampere[i]);
		winding[i] = thermal_by_resistance_degC(volt[i] / ampere[i], w->cold_R, w->cold_T, w->k);
	}
	h->by_resistance = true;
	return RC_OK;
}

static double lowest(const double *y, size_t n)
{
	double low = INFINITY;

	for (size_t i = 0; y && i < n; i++)
		low = fmin(low, y[i]);
	return low;
}

static enum rc record_of(const struct wanted *w, struct offline *o, struct hold_found *h, struct thermal_record *ret,
			 struct err *err)
{
	enum rc rc = by_resistance(w, o, h, err);

	if (rc)
		return rc;
	double *winding = offline_column(o, "winding"), *box = offline_column(o, "case");
	if (!winding && !box)
		return err_set(err, RC_ARG, 0,
			       "%s: no temperature; expected a column winding (degC), case (degC), or voltage (V) and "
			       "current (A)",
			       o->table.name);
	h->store = winding ? "winding" : "case";
	if (!offline_column(o, "ambient")) {
		h->ambient_assumed = !isfinite(w->ambient_degC);
		filled(o, "ambient",
		       h->ambient_assumed ? fmin(lowest(winding, o->n), lowest(box, o->n)) : w->ambient_degC);
	}
	if (isfinite(w->torque_Nm))
		filled(o, "torque", w->torque_Nm);
	*ret = (struct thermal_record){ .n = o->n,
					.time_s = offline_column(o, "time"),
					.winding_degC = winding,
					.case_degC = box,
					.ambient_degC = offline_column(o, "ambient"),
					.torque_Nm = offline_column(o, "torque"),
					.loss_W = offline_column(o, "loss"),
					.hold = offline_column(o, "hold") };
	return ret->ambient_degC ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory");
}

/* Rows of the last steady load, or of the last hold where there is no load's column. */
static void last_load(const struct thermal_record *r, size_t *ret_first, size_t *ret_last)
{
	const double *load = r->loss_W ? r->loss_W : r->torque_Nm;
	double most = 0;
	size_t last = r->n - 1;

	for (size_t i = 0; load && i < r->n; i++)
		most = fmax(most, fabs(load[i]));
	while (most > 0 && last > 0 && !(fabs(load[last]) > most / 2))
		last--;
	*ret_first = *ret_last = last;
	while (*ret_first > 0 && r->time_s[*ret_first - 1] < r->time_s[*ret_first] &&
	       (!(most > 0) || fabs(load[*ret_first - 1] - load[last]) < 0.2 * fabs(load[last])))
		(*ret_first)--;
}

/* Slope of the rise over the ambient at the end of the last load: half an hour, or a quarter of the record when that is
 * less, at least three rows. */
static void judge_equilibrium(const struct wanted *w, const struct thermal_record *r, struct hold_found *h)
{
	const double *temp[2] = { r->winding_degC, r->case_degC };
	size_t begin, last, first;

	last_load(r, &begin, &last);
	double end = r->time_s[last], window = fmin(w->window_s, (end - r->time_s[begin]) / 4);
	for (first = last; first > begin && (end - r->time_s[first - 1] <= window || last + 1 - first < 3);)
		first--;
	size_t n = last + 1 - first;
	double *rise = calloc(n, sizeof *rise);
	h->window_s = end - r->time_s[first];
	h->equilibrium = n >= 3;
	for (int k = 0; rise && n >= 3 && k < 2; k++) {
		struct regress_line line;
		if (!temp[k])
			continue;
		for (size_t i = 0; i < n; i++)
			rise[i] = temp[k][first + i] - r->ambient_degC[first + i];
		if (regress_line_fit(r->time_s + first, rise, NULL, n, &line, NULL))
			continue;
		double slope = 3600 * line.slope, u = 3600 * line.u_slope;
		h->equilibrium = h->equilibrium && fabs(slope) + u <= h->equilibrium_K_per_h;
		if (!h->slope_known || fabs(slope) > fabs(h->slope_K_per_h)) {
			h->slope_K_per_h = slope;
			h->u_slope_K_per_h = u;
		}
		h->slope_known = true;
	}
	h->equilibrium = h->equilibrium && h->slope_known;
	free(rise);
}

/* The load of the last steady stretch. */
static double load_of(const struct thermal_record *r, const double *load)
{
	size_t first, last;
	double sum = 0;

	last_load(r, &first, &last);
	for (size_t i = first; i <= last; i++)
		sum += fabs(load[i]);
	return sum / (double)(last + 1 - first);
}

struct question {
	const struct hold_found *h;
	double torque_Nm, loss_W, start[2], ambient, limit, time_s, share;
};

static struct thermal_loss loss_for(const struct question *q, const struct thermal_loss *law)
{
	return isfinite(q->loss_W) ? (struct thermal_loss){ q->loss_W, 0, 0, 0 } : *law;
}

static double time_of(const struct thermal_model *m, const struct thermal_loss *law, void *ctx)
{
	const struct question *q = ctx;
	struct thermal_loss loss = loss_for(q, law);

	return thermal_time_to_s(m, &loss, q->torque_Nm, q->start, q->ambient, q->limit);
}

static double steady_of(const struct thermal_model *m, const struct thermal_loss *law, void *ctx)
{
	const struct question *q = ctx;
	struct thermal_loss loss = loss_for(q, law);

	return thermal_steady_degC(m, &loss, q->torque_Nm, q->ambient);
}

static double rating_of(const struct thermal_model *m, const struct thermal_loss *law, void *ctx)
{
	const struct question *q = ctx;

	if (!(q->time_s > 0))
		return thermal_continuous_Nm(m, law, q->ambient, q->limit);
	return isnan(q->share) ? thermal_s2_Nm(m, law, q->time_s, q->ambient, q->limit)
			       : thermal_s3_Nm(m, law, q->time_s, q->share, q->ambient, q->limit);
}

static void forecast_this(const struct thermal_record *r, struct hold_found *h)
{
	const struct thermal_fit *f = &h->fit;
	const double *warm = r->winding_degC ? r->winding_degC : r->case_degC, *start = f->start_degC[f->holds - 1];
	struct question q = { h, 0, NAN, { start[0], start[1] }, h->ambient_degC, h->limit_degC, 0, NAN };

	h->held_Nm = r->torque_Nm ? load_of(r, r->torque_Nm) : NAN;
	h->held_W = r->loss_W ? load_of(r, r->loss_W) : NAN;
	if (f->torque)
		q.torque_Nm = h->held_Nm;
	else if (f->watts)
		q.loss_W = h->held_W;
	h->warmest_degC = -INFINITY;
	for (size_t i = 0; i < r->n; i++)
		h->warmest_degC = fmax(h->warmest_degC, warm[i]);
	h->limit_reached = h->warmest_degC >= h->limit_degC;
	h->steady_degC = thermal_answer(f, steady_of, &q);
	if (isfinite(h->limit_degC))
		h->time_s = thermal_answer(f, time_of, &q);
}

static void forecast_others(const struct wanted *w, const struct thermal_record *r, struct hold_found *h)
{
	static const double times[] = { 1.1, 1.25, 1.5, 1.75, 2, 2.5, 3 };
	static const struct {
		double time_s, share;
	} duty[] = { { 600, NAN },  { 1800, NAN }, { 3600, NAN }, { 5400, NAN },
		     { 600, 0.15 }, { 600, 0.25 }, { 600, 0.4 },  { 600, 0.6 } };
	struct question q = { h, 0, NAN, { w->rated_degC, w->rated_degC }, w->rated_degC, h->limit_degC, 0, NAN };

	if (!isfinite(q.ambient))
		q.ambient = q.start[0] = q.start[1] = h->ambient_degC;
	h->ambient_degC = q.ambient;
	h->most_Nm = 0;
	for (size_t i = 0; i < r->n; i++)
		h->most_Nm = fmax(h->most_Nm, fabs(r->torque_Nm[i]));
	h->continuous_Nm = thermal_answer(&h->fit, rating_of, &q);
	size_t n = w->n_list ? w->n_list : sizeof times / sizeof times[0];
	for (size_t i = 0; i < n && h->continuous_Nm.value > 0; i++) {
		q.torque_Nm = w->n_list ? w->list[i] : times[i] * h->continuous_Nm.value;
		h->point[h->n_points++] = (struct hold_point){ q.torque_Nm, thermal_answer(&h->fit, time_of, &q),
							       q.torque_Nm > 1.02 * h->most_Nm };
	}
	for (size_t i = 0; i < sizeof duty / sizeof duty[0]; i++) {
		q.time_s = duty[i].time_s;
		q.share = duty[i].share;
		h->duty[h->n_duties++] =
			(struct hold_duty){ q.time_s, q.share, thermal_answer(&h->fit, rating_of, &q) };
	}
}

static enum rc find(struct offline *o, void *state, struct err *err)
{
	struct state *s = state;
	const struct wanted *w = s->wanted;
	struct hold_found *h = s->found;
	struct thermal_record r;
	enum rc rc = record_of(w, o, h, &r, err);
	double sum = 0;

	if (rc)
		return rc;
	if ((rc = thermal_fit(&r, &h->fit, err))) {
		err_prefix(err, "%s: ", o->table.name);
		return rc;
	}
	for (size_t i = 0; i < r.n; i++)
		sum += r.ambient_degC[i];
	h->ambient_degC = sum / (double)r.n;
	if (isfinite(h->limit_degC) && !(h->limit_degC > h->ambient_degC))
		return err_set(err, RC_ARG, 0,
			       "--limit %g degC lies below the ambient of %.4g degC; expected the winding's limit",
			       h->limit_degC, h->ambient_degC);
	judge_equilibrium(w, &r, h);
	forecast_this(&r, h);
	if (h->fit.torque && isfinite(h->limit_degC))
		forecast_others(w, &r, h);
	return RC_OK;
}

static json_t *in_json(const void *state)
{
	return hold_json(((const struct state *)state)->found);
}

static void in_text(const void *state)
{
	hold_print(((const struct state *)state)->found);
}

static int run(const struct cli *cli, void *wanted)
{
	static const struct offline_column columns[] = {
		{ "time", "s", true, NULL },        { "winding", "degC", false, NULL }, { "case", "degC", false, NULL },
		{ "ambient", "degC", false, NULL }, { "torque", "N.m", false, NULL },   { "loss", "W", false, NULL },
		{ "voltage", "V", false, NULL },    { "current", "A", false, NULL },    { "hold", NULL, false, NULL },
	};
	static const struct offline_work work = { columns, sizeof columns / sizeof columns[0], find, in_json, in_text };
	struct wanted *w = wanted;
	struct state s = { w, calloc(1, sizeof *s.found) };
	struct err err = { 0 };
	enum rc rc = s.found ? options_of(w, &err) : err_set(&err, RC_NOMEM, 0, "out of memory");
	int status;

	if (rc) {
		status = cli_fail(cli, &err, NULL, NULL);
	} else {
		struct thermal_answer none = { NAN, NAN, NAN, NAN };
		s.found->limit_degC = w->limit_degC;
		s.found->equilibrium_K_per_h = w->K_per_h;
		s.found->time_s = s.found->steady_degC = s.found->continuous_Nm = none;
		status = offline_run(cli, w->from, &work, &s);
	}
	free(s.found);
	return status;
}

int cmd_hold(int argc, char **argv)
{
	struct wanted w = { .limit_degC = NAN,
			    .ambient_degC = NAN,
			    .rated_degC = NAN,
			    .K_per_h = 2,
			    .window_s = 1800,
			    .torque_Nm = NAN,
			    .cold_R = NAN,
			    .cold_T = NAN,
			    .k = 235 };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "the record, see above", &w.from, NULL },
		{ "limit", "TEMP", "the winding's limit, such as \"120 degC\"", &w.limit, NULL },
		{ "ambient", "TEMP", "where the table has no ambient; default: its lowest temperature", &w.ambient,
		  NULL },
		{ "rated-ambient", "TEMP", "for holding times and ratings; default: the record's", &w.rated_ambient,
		  NULL },
		{ "torque", "TORQUE", "that was held, where the table has no torque", &w.torque, NULL },
		{ "torques", "T,T,...", "for the holding times; default: 1.1 to 3 times continuous", &w.torques, NULL },
		{ "equilibrium", "SLOPE", "default: 2 K/h, as IEC 60034-1", &w.equilibrium, NULL },
		{ "window", "TIME", "for the slope; default: 1800 s, at most a quarter of it", &w.window, NULL },
		{ "cold-resistance", "R", "of the winding, for its temperature by resistance", &w.cold_ohm, NULL },
		{ "cold-temperature", "TEMP", "at which that was measured", &w.cold_degC, NULL },
		{ "copper", "K", "235 (IEC 60034-1, default), 234.5 (IEEE 112), 225 aluminium", &w.copper, NULL },
	};
	const struct cli_spec spec = {
		.name = "hold",
		.usage = "hold --from FILE.csv [options]",
		.about = "How long can a torque be held? Finds the two heat stores, winding and case, from a record of "
			 "a "
			 "hold or of its cooling: equilibrium, time to the limit, holding times and ratings. The table "
			 "has "
			 "the columns \"time (s)\" and, as far as they were measured, \"winding (degC)\", \"case "
			 "(degC)\", "
			 "\"ambient (degC)\", \"torque (N.m)\", \"loss (W)\", or \"voltage (V)\" and \"current (A)\" "
			 "of the "
			 "winding at standstill. A column \"hold\" numbers several holds in one table.",
		.examples = "  bridle hold --from hold.csv --limit \"120 degC\"\n"
			    "  bridle hold --from hold.csv --limit \"120 degC\" --torques 10,20,30 --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
