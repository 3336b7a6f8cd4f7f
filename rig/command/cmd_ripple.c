/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "calib/ripple/order_spectrum.h"
#include "command/command.h"
#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NAMED 16

struct wanted {
	const char *from, *ratio, *pole_pairs, *slots, *teeth, *belt, *orders, *cell_rate, *speed;
	double ratio_1, pole_pairs_1, slots_1, teeth_1, belt_1, cell_rate_Hz, speed_rpm, list[NAMED];
	size_t n_list;
};

struct found {
	const struct wanted *wanted;
	struct order_spectrum s;
	size_t n_named;
	double named[NAMED];
	const char *name[NAMED];
	bool both, slow_cell;
	double friction_Nm, u_friction_Nm, rate_Hz, speed_rpm, cell_order; /* NaN where not known */
};

static enum rc options_of(struct wanted *w, struct err *err)
{
	const struct offline_option options[] = {
		{ "ratio", w->ratio, "1", &w->ratio_1, true },
		{ "pole-pairs", w->pole_pairs, "1", &w->pole_pairs_1, true },
		{ "slots", w->slots, "1", &w->slots_1, true },
		{ "teeth", w->teeth, "1", &w->teeth_1, true },
		{ "belt", w->belt, "1", &w->belt_1, true },
		{ "cell-rate", w->cell_rate, "1/s", &w->cell_rate_Hz, true },
		{ "speed", w->speed, "rpm", &w->speed_rpm, true },
	};
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);

	if (!rc && w->orders)
		rc = offline_list("orders", w->orders, "1", w->list, NAMED, &w->n_list, err);
	return rc;
}

static void add(struct found *f, double order, const char *name)
{
	for (size_t i = 0; i < f->n_named; i++)
		if (fabs(f->named[i] - order) < 1e-6 * order)
			return;
	if (!(order > 0) || f->n_named == NAMED)
		return;
	f->named[f->n_named] = order;
	f->name[f->n_named++] = name;
}

static double common_multiple(double a, double b)
{
	long x = lround(a), y = lround(b), m = x, n = y;

	while (n) {
		long r = m % n;
		m = n;
		n = r;
	}
	return m > 0 ? (double)x / (double)m * (double)y : NAN;
}

static void name_orders(const struct wanted *w, struct found *f)
{
	double i = w->ratio_1, p = w->pole_pairs_1, s = w->slots_1;
	double cogging = w->slots && w->pole_pairs ? i * common_multiple(2 * p, s) : NAN;

	if (w->ratio)
		add(f, i, "rotor, once a turn");
	if (w->pole_pairs) {
		add(f, i * p, "electrical, once a period");
		add(f, 2 * i * p, "electrical, twice a period");
		add(f, 6 * i * p,
		    fabs(cogging - 6 * i * p) < 1e-6 * cogging ? "commutation, and cogging of poles and slots"
							       : "commutation, six a period");
	}
	if (w->slots)
		add(f, i * s, "slots");
	add(f, cogging, "cogging of poles and slots");
	if (w->teeth)
		add(f, w->teeth_1, "gear mesh at the output");
	if (w->belt)
		add(f, w->belt_1, "belt");
	for (size_t k = 0; k < w->n_list; k++)
		add(f, w->list[k], "asked for");
	add(f, 1, "output, once a turn");
	add(f, 2, "output, twice a turn (coupling)");
}

static const char *name_of(const struct found *f, double order)
{
	for (size_t i = 0; i < f->n_named; i++)
		if (fabs(f->named[i] - order) < fmax(0.3 / f->s.turns, 1e-4 * order))
			return f->name[i];
	return NULL;
}

/* Turns of the output by what the table has: angle, speed and time, or --speed and time. */
static enum rc turns_of(const struct wanted *w, const struct offline *o, double *ret, struct err *err)
{
	double *angle = offline_column(o, "angle"), *time = offline_column(o, "time"),
	       *speed = offline_column(o, "speed");

	for (size_t i = 0; i < o->n; i++) {
		if (angle)
			ret[i] = angle[i];
		else if (!time || !(speed || isfinite(w->speed_rpm)))
			return err_set(
				err, RC_ARG, 0,
				"%s: no angle; expected a column angle (deg), or time (s) with a column speed (rpm) or "
				"--speed",
				o->table.name);
		else if (i == 0)
			ret[i] = 0;
		else if (!(time[i] > time[i - 1]))
			return err_set(err, RC_ARG, 0, "%s:%u: the times do not rise", o->table.name, o->table.line[i]);
		else
			ret[i] = ret[i - 1] +
				 (time[i] - time[i - 1]) / 60 * (speed ? (speed[i] + speed[i - 1]) / 2 : w->speed_rpm);
	}
	return RC_OK;
}

/* Rows up to where the angle turns back for good: the farthest one. */
static size_t farthest(const double *turn, size_t n)
{
	size_t at = 0;

	for (size_t i = 0; i < n; i++)
		if (turn[i] > turn[at])
			at = i;
	return at + 1;
}

static enum rc spectrum(double *turn, const double *torque, size_t n, struct found *f, struct err *err)
{
	if (n > 1 && turn[n - 1] < turn[0] && farthest(turn, n) < n / 10) /* backwards all the way */
		for (size_t i = 0; i < n; i++)
			turn[i] = -turn[i];
	size_t there = farthest(turn, n);
	if (n - there < n / 10)
		return order_spectrum(turn, torque, there, f->named, f->n_named, &f->s, err);
	double *x = calloc(2 * n, sizeof *x);
	size_t m = 0;
	if (!x)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	f->both = true;
	enum rc rc = order_both_ways(turn, torque, there, n, n, &m, x, x + n, &f->friction_Nm, &f->u_friction_Nm, err);
	if (!rc)
		rc = order_spectrum(x, x + n, m, f->named, f->n_named, &f->s, err);
	free(x);
	return rc;
}

/* What the cell cannot see: its conversions a turn, halved. */
static void look_at_cell(const struct wanted *w, const struct offline *o, const double *turn, struct found *f)
{
	double *time = offline_column(o, "time");
	double span = time ? time[o->n - 1] - time[0] : NAN, turns = 0;

	for (size_t i = 1; i < o->n; i++)
		turns += fabs(turn[i] - turn[i - 1]);
	f->speed_rpm = 60 * turns / span;
	f->rate_Hz = isfinite(w->cell_rate_Hz) ? w->cell_rate_Hz : (double)(o->n - 1) / span;
	f->cell_order = fmin(f->s.highest_order, f->rate_Hz / (2 * f->speed_rpm / 60));
	if (isnan(f->cell_order))
		f->cell_order = f->s.highest_order;
}

static double slow_enough_rpm(const struct found *f, double order)
{
	return 60 * f->rate_Hz / (2.5 * order); /* 2.5 readings to a wave */
}

static json_t *in_json(const void *state)
{
	const struct found *f = state;
	json_t *list = json_array();

	for (size_t i = 0; i < f->s.n_waves; i++) {
		const struct order_wave *v = &f->s.wave[i];
		const char *name = name_of(f, v->order);
		bool seen = v->order < f->cell_order;
		json_array_append_new(
			list, json_pack("{s:o, s:o, s:o, s:b, s:b, s:o}", "order", cli_real(v->order), "amplitude_Nm",
					seen ? number_json(v->amplitude_Nm, v->u_Nm, 0) : json_null(), "name",
					cli_text(name), "stands_out", seen && v->stands_out, "visible", seen,
					"speed_at_most_rpm", cli_real(slow_enough_rpm(f, v->order))));
	}
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "orders", list, "turns", cli_real(f->s.turns),
			 "highest_order", cli_real(f->cell_order), "mean_Nm", cli_real(f->s.mean_Nm), "rms_Nm",
			 cli_real(f->s.rms_Nm), "peak_to_peak_Nm", cli_real(f->s.peak_to_peak_Nm), "speed_rpm",
			 cli_real(f->speed_rpm), "friction_Nm",
			 f->both ? number_json(f->friction_Nm, f->u_friction_Nm, 0) : json_null());
}

static void in_text(const void *state)
{
	const struct found *f = state;

	printf("%g whole turns%s; what varies: RMS %.4g N\u00b7m, peak to peak %.4g N\u00b7m about %.5g N\u00b7m\n",
	       f->s.turns, f->both ? ", both ways" : "", f->s.rms_Nm, f->s.peak_to_peak_Nm, f->s.mean_Nm);
	if (f->both)
		offline_line("friction", f->friction_Nm, f->u_friction_Nm, INFINITY, "N·m");
	printf("\n  %10s %14s %12s  %s\n", "order", "amplitude, N\u00b7m", "u", "");
	for (size_t i = 0; i < f->s.n_waves; i++) {
		const struct order_wave *v = &f->s.wave[i];
		const char *name = name_of(f, v->order);
		if (v->order < f->cell_order)
			printf("  %10.5g %14.4g %12.2g  %s%s\n", v->order, v->amplitude_Nm, v->u_Nm, name ? name : "",
			       v->stands_out ? "" : " (in the noise)");
		else if (isfinite(f->rate_Hz))
			printf("  %10.5g %14s %12s  %s: not seen at %.3g rpm; turn at %.3g rpm or slower\n", v->order,
			       "-", "-", name ? name : "", f->speed_rpm, slow_enough_rpm(f, v->order));
		else
			printf("  %10.5g %14s %12s  %s: not seen, too few readings a turn\n", v->order, "-", "-",
			       name ? name : "");
	}
	printf("\nNothing above order %.4g is seen: that is half of the readings a turn. What lies above appears "
	       "below.\n",
	       f->cell_order);
}

static enum rc find(struct offline *o, void *state, struct err *err)
{
	struct found *f = state;
	double *turn = calloc(o->n, sizeof *turn);

	if (!turn)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", o->n);
	enum rc rc = turns_of(f->wanted, o, turn, err);
	if (!rc) {
		name_orders(f->wanted, f);
		rc = spectrum(turn, offline_column(o, "torque"), o->n, f, err);
		if (rc)
			err_prefix(err, "%s: ", o->table.name);
	}
	if (!rc)
		look_at_cell(f->wanted, o, turn, f);
	free(turn);
	return rc;
}

static int run(const struct cli *cli, void *wanted)
{
	static const struct offline_column columns[] = {
		{ "torque", "N.m", true, NULL },
		{ "angle", "turn", false, NULL },
		{ "time", "s", false, NULL },
		{ "speed", "rpm", false, NULL },
	};
	static const struct offline_work work = { columns, sizeof columns / sizeof columns[0], find, in_json, in_text };
	struct wanted *w = wanted;
	struct found f = { .wanted = w, .friction_Nm = NAN, .n_named = 0 };
	struct err err = { 0 };

	if (options_of(w, &err))
		return cli_fail(cli, &err, NULL, NULL);
	return offline_run(cli, w->from, &work, &f);
}

int cmd_ripple(int argc, char **argv)
{
	struct wanted w = { .ratio_1 = 1, .cell_rate_Hz = NAN, .speed_rpm = NAN };
	const struct cli_option options[] = {
		{ "from", "FILE.csv", "torque, and angle or time, see above", &w.from, NULL },
		{ "speed", "SPEED", "of the output, where the table has time alone", &w.speed, NULL },
		{ "ratio", "I", "rotor turns for one of the output; default 1", &w.ratio, NULL },
		{ "pole-pairs", "P", "of the rotor", &w.pole_pairs, NULL },
		{ "slots", "S", "of the stator", &w.slots, NULL },
		{ "teeth", "Z", "of the gear at the output", &w.teeth, NULL },
		{ "belt", "ORDER", "turns of the belt for one of the output", &w.belt, NULL },
		{ "orders", "N,N,...", "further orders to be told in any case", &w.orders, NULL },
		{ "cell-rate", "RATE", "conversions of the cell, where rows repeat them, in 1/s", &w.cell_rate, NULL },
	};
	const struct cli_spec spec = {
		.name = "ripple",
		.usage = "ripple --from FILE.csv [options]",
		.about = "Which waves are in the torque over a turn of the output? Columns \"torque (N.m)\" and "
			 "\"angle (deg)\", or "
			 "\"time (s)\" with \"speed (rpm)\" or --speed. Orders count waves in one turn of the output. "
			 "Over the same "
			 "angles both ways, there and back, cogging is told from friction.",
		.examples = "  bridle ripple --from slow.csv --ratio 36 --pole-pairs 7 --slots 12\n"
			    "  bridle ripple --from slow.csv --cell-rate 80 --json\n",
		CLI_TAKES(options),
	};
	return cli_run(&spec, argc, argv, run, &w);
}
