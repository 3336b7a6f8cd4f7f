/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/reduce_hand.h"
#include "reports/reduce/outlier.h"
#include "reports/reduce/reduce.h"

#include <ctype.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

/* Gravity on the ground lies between 9.764 and 9.834 m/s2; sea level alone 9.780 to 9.832 (GRS80, Moritz 1980). */
#define GRAVITY_ANYWHERE "9.80665 m/s2 ± 0.027 m/s2 rect"

enum col {
	COL_TORQUE,
	COL_FORCE,
	COL_LEVER,
	COL_TIGHT,
	COL_SLACK,
	COL_SPRING1,
	COL_SPRING2,
	COL_SPEED,
	COL_VOLT,
	COL_AMP,
	COL_POWER,
	COL_DIRECTION,
	COL_COUNT
};
static const char *const names[COL_COUNT][8] = {
	[COL_TORQUE] = { "torque", "T" },
	[COL_FORCE] = { "force", "F" },
	[COL_LEVER] = { "lever", "arm" },
	[COL_TIGHT] = { "tight" },
	[COL_SLACK] = { "slack" },
	[COL_SPRING1] = { "spring 1", "T1", "W1", "S1", "F1" },
	[COL_SPRING2] = { "spring 2", "T2", "W2", "S2", "F2" },
	[COL_SPEED] = { "speed", "n" },
	[COL_VOLT] = { "voltage", "V" },
	[COL_AMP] = { "current", "I" },
	[COL_POWER] = { "input power", "P_in" },
	[COL_DIRECTION] = { "direction" },
};

struct hand {
	const struct csv *table;
	const struct hand_want *want;
	struct mistakes *m;
	struct err *err;
	struct report *report;
	struct curve *curve;
	struct unc_ctx *ctx;
	int column[COL_COUNT];        /* -1 absent */
	struct unc *value[COL_COUNT]; /* n_rows each, in N, m, rpm, V, A, W; NULL when absent */
	struct unc gravity, radius;
	bool in_mass[COL_COUNT];
	bool unstated; /* some column has no stated uncertainty */
	char unstated_names[160];
};

static enum rc find_columns(struct hand *h)
{
	for (int c = 0; c < COL_COUNT; c++) {
		h->column[c] = -1;
		for (size_t i = 0; i < h->table->n_columns; i++) {
			for (const char *const *name = names[c]; *name; name++) {
				if (strcasecmp(h->table->column[i].name, *name) != 0)
					continue;
				if (h->column[c] >= 0)
					return err_set(h->err, RC_ARG, 0,
						       "%s: columns \"%s\" and \"%s\" mean the same, one is expected",
						       h->table->name, h->table->column[h->column[c]].name,
						       h->table->column[i].name);
				h->column[c] = (int)i;
				break;
			}
		}
	}
	return RC_OK;
}

static bool has(const struct hand *h, enum col c)
{
	return h->column[c] >= 0;
}

static enum rc check_columns(const struct hand *h)
{
	int ways = has(h, COL_TORQUE) + has(h, COL_FORCE) + (has(h, COL_TIGHT) || has(h, COL_SLACK)) +
		   (has(h, COL_SPRING1) || has(h, COL_SPRING2));
	const char *name = h->table->name;

	if (!has(h, COL_SPEED))
		return err_set(h->err, RC_ARG, 0,
			       "%s: no column \"speed\" was found, expected for instance \"speed (rpm)\"", name);
	if (ways == 0)
		return err_set(
			h->err, RC_ARG, 0,
			"%s: nothing tells the torque: expected a column torque, or force, or tight and slack, or "
			"spring 1 and spring 2, each with its unit",
			name);
	if (ways > 1)
		return err_set(h->err, RC_ARG, 0,
			       "%s: the torque is told in more than one way: expected one of torque, force, tight with "
			       "slack, spring 1 with spring 2",
			       name);
	if (has(h, COL_TIGHT) != has(h, COL_SLACK) || has(h, COL_SPRING1) != has(h, COL_SPRING2))
		return err_set(
			h->err, RC_ARG, 0,
			"%s: one spring balance only: expected tight and slack, or spring 1 and spring 2; with one "
			"balance on a lever call the column force",
			name);
	return RC_OK;
}

/* --- uncertainty of a column --- */
struct spread {
	double frac, absolute;
	enum dist dist;
	double dof;
	bool given;
};

static enum rc read_spread(const char *option, const char *text, const char *unit, struct spread *ret, struct err *err)
{
	char written[200];
	struct quantity q;
	bool relative = strpbrk(text ? text : "", "%") != NULL || (text && strstr(text, "ppm") != NULL);

	*ret = (struct spread){ .dist = DIST_RECT, .dof = INFINITY };
	if (text == NULL)
		return RC_OK;
	int n = relative ? snprintf(written, sizeof written, "1 ± %s", text)
			 : snprintf(written, sizeof written, "0 %s ± %s", unit, text);
	enum rc rc = n < (int)sizeof written ? quantity_parse(written, relative ? "1" : unit, &q, err)
					     : err_set(err, RC_ARG, 0, "too long");
	if (rc != RC_OK) {
		err_set(err, rc, 0,
			"--%s: found \"%.60s\", expected a share such as \"0.5 %%\" or an amount such as \"0.1 %s\", "
			"with rect, "
			"normal or k=2 where it is not plain limits",
			option, text, unit);
		return rc;
	}
	*ret = (struct spread){
		.frac = relative ? q.u : 0, .absolute = relative ? 0 : q.u, .dist = q.dist, .dof = q.dof, .given = true
	};
	return RC_OK;
}

/* Half of the finest digit that the column was written with. */
static double finest_step(const struct csv *t, size_t column)
{
	int finest = 0;

	for (size_t row = 0; row < t->n_rows; row++) {
		const char *cell = csv_cell(t, row, column), *point = strchr(cell, '.');
		int decimals = 0;
		while (point && isdigit((unsigned char)point[decimals + 1]))
			decimals++;
		if (decimals > finest)
			finest = decimals;
	}
	return pow(10, -finest);
}

static void name_unstated(struct hand *h, const char *column)
{
	size_t used = strlen(h->unstated_names);

	h->unstated = true;
	snprintf(h->unstated_names + used, sizeof h->unstated_names - used, "%s%s", used ? ", " : "", column);
}

static enum rc read_column(struct hand *h, enum col c, const char *unit, const char *option, const char *spread_text)
{
	size_t n = h->table->n_rows, column = (size_t)h->column[c];
	const char *name = h->table->column[column].name, *own = h->table->column[column].unit;
	double factor, offset, *x = calloc(n, sizeof *x);
	struct spread spread;
	char source[64];

	h->value[c] = calloc(n, sizeof *h->value[c]);
	if (x == NULL || h->value[c] == NULL) {
		free(x);
		return err_set(h->err, RC_NOMEM, 0, "out of memory");
	}
	enum rc rc = csv_numbers(h->table, column, unit, x, h->m, h->err);
	if (rc == RC_OK)
		rc = read_spread(option, spread_text, unit, &spread, h->err);
	if (rc == RC_OK)
		rc = quantity_convert(own, unit, &factor, &offset, h->err);
	if (rc != RC_OK) {
		free(x);
		return rc;
	}
	if (!spread.given)
		name_unstated(h, name);
	snprintf(source, sizeof source, "%s, gain", name);
	uint32_t gain = spread.frac > 0 ? unc_source(h->ctx, source, spread.dist, spread.dof) : 0;
	double rounding = fabs(factor) * finest_step(h->table, column) / 2 / sqrt(3);
	for (size_t i = 0; i < n; i++) {
		struct unc v = unc_exact(x[i]);
		bool own_u = spread.absolute > 0;
		snprintf(source, sizeof source, "%s, %s in row %zu", name, own_u ? "reading" : "rounding", i + 1);
		v = unc_with(h->ctx, v,
			     unc_source(h->ctx, source, own_u ? spread.dist : DIST_RECT, own_u ? spread.dof : INFINITY),
			     own_u ? spread.absolute : rounding);
		h->value[c][i] = spread.frac > 0 ? unc_with(h->ctx, v, gain, x[i] * spread.frac) : v;
	}
	free(x);
	return RC_OK;
}

/* A balance is marked in newtons or in kilograms. */
static enum rc read_balance(struct hand *h, enum col c)
{
	const struct csv_column *column = &h->table->column[h->column[c]];
	double factor, offset;

	if (quantity_convert(column->unit, "kg", &factor, &offset, NULL) == RC_OK) {
		enum rc rc = read_column(h, c, "kg", "u-force", h->want->u_force);
		for (size_t i = 0; rc == RC_OK && i < h->table->n_rows; i++)
			h->value[c][i] = unc_mul(h->ctx, h->value[c][i], h->gravity);
		h->in_mass[c] = true;
		return rc;
	}
	if (quantity_convert(column->unit, "N", &factor, &offset, NULL) != RC_OK)
		return err_set(h->err, RC_ARG, 0,
			       "%s: column \"%s\": found unit \"%s\", expected a force (N) or a mass (kg, g)",
			       h->table->name, column->name, column->unit);
	return read_column(h, c, "N", "u-force", h->want->u_force);
}

static enum rc read_length(struct hand *h, const char *option, const char *text, struct unc *ret, bool *given)
{
	struct quantity q;

	*given = text != NULL;
	*ret = unc_exact(0);
	if (text == NULL)
		return RC_OK;
	if (quantity_parse(text, "m", &q, h->err) != RC_OK) {
		err_prefix(h->err, "--%s: ", option);
		return RC_ARG;
	}
	if (!(q.value > 0))
		return err_set(h->err, RC_ARG, 0, "--%s: found \"%.60s\", expected a length above zero", option, text);
	if (!q.has_u)
		name_unstated(h, option);
	*ret = unc_of_quantity(h->ctx, option, q);
	return RC_OK;
}

static enum rc read_lever_column(struct hand *h)
{
	enum rc rc = read_column(h, COL_LEVER, "m", "lever", NULL);

	for (size_t i = 0; rc == RC_OK && i < h->table->n_rows; i++)
		if (!(h->value[COL_LEVER][i].value > 0))
			rc = err_set(h->err, RC_ARG, 0,
				     "%s:%u: %s: found %g m, expected a length above zero: such an arm gives no torque",
				     h->table->name, h->table->line[i], h->table->column[h->column[COL_LEVER]].name,
				     h->value[COL_LEVER][i].value);
	return rc;
}

/* The radius at which the rope's middle, or the lever's end, pulls. */
static enum rc read_radius(struct hand *h)
{
	bool lever, radius, diameter, rope;
	struct unc l, r, d, t;
	enum rc rc = read_length(h, "lever", h->want->lever, &l, &lever);

	if (rc == RC_OK)
		rc = read_length(h, "drum-radius", h->want->drum_radius, &r, &radius);
	if (rc == RC_OK)
		rc = read_length(h, "drum-diameter", h->want->drum_diameter, &d, &diameter);
	if (rc == RC_OK)
		rc = read_length(h, "rope", h->want->rope, &t, &rope);
	if (rc != RC_OK)
		return rc;
	bool drum = radius || diameter, column = has(h, COL_LEVER), needed = !has(h, COL_TORQUE);
	if (!needed && (drum || lever || rope || column))
		return err_set(h->err, RC_ARG, 0,
			       "%s gives the torque itself: expected no lever, drum or rope beside it", h->table->name);
	int given = lever + radius + diameter + column;
	if (needed && given != 1)
		return err_set(h->err, RC_ARG, 0,
			       "%s of lever, drum radius and drum diameter %s: expected one, as an option "
			       "(--lever \"250 mm\", --drum-radius, --drum-diameter) or a column lever",
			       given > 1 ? "more than one" : "none", given > 1 ? "are given" : "is given");
	if (rope && !drum)
		return err_set(h->err, RC_ARG, 0, "--rope needs a drum: expected --drum-radius or --drum-diameter");
	h->radius = lever ? l : radius ? r : unc_scale(h->ctx, d, 0.5);
	h->radius = unc_add(h->ctx, h->radius, unc_scale(h->ctx, t, 0.5));
	return column ? read_lever_column(h) : RC_OK;
}

static enum rc read_gravity(struct hand *h)
{
	struct quantity q;
	enum rc rc = quantity_parse(h->want->gravity ? h->want->gravity : GRAVITY_ANYWHERE, "m/s2", &q, h->err);

	if (rc != RC_OK) {
		err_prefix(h->err, "--gravity: ");
		return rc;
	}
	if (!(q.value > 9) || !(q.value < 10))
		return err_set(h->err, RC_ARG, 0, "--gravity: found \"%.60s\", expected between 9 and 10 m/s2",
			       h->want->gravity);
	h->gravity = unc_of_quantity(h->ctx, "local gravity", q);
	return RC_OK;
}

static enum rc read_all(struct hand *h)
{
	static const enum col balances[] = { COL_FORCE, COL_TIGHT, COL_SLACK, COL_SPRING1, COL_SPRING2 };
	const struct {
		enum col c;
		const char *unit, *option, *spread;
	} plain[] = {
		{ COL_TORQUE, "N.m", "u-torque", h->want->u_torque }, { COL_SPEED, "rpm", "u-speed", h->want->u_speed },
		{ COL_VOLT, "V", "u-voltage", h->want->u_voltage },   { COL_AMP, "A", "u-current", h->want->u_current },
		{ COL_POWER, "W", "u-power", h->want->u_power },
	};
	enum rc rc = read_gravity(h), first = RC_OK;

	if (rc == RC_OK)
		rc = read_radius(h);
	if (rc != RC_OK)
		return rc;
	/* All columns are read, so that every mistake of the table is told at once; the first one is the one returned.
	 */
	for (size_t i = 0; i < sizeof balances / sizeof balances[0]; i++) {
		rc = has(h, balances[i]) ? read_balance(h, balances[i]) : RC_OK;
		first = first ? first : rc;
	}
	for (size_t i = 0; i < sizeof plain / sizeof plain[0]; i++) {
		rc = has(h, plain[i].c) ? read_column(h, plain[i].c, plain[i].unit, plain[i].option, plain[i].spread)
					: RC_OK;
		first = first ? first : rc;
	}
	return first;
}

/* --- points --- */
/* Which of two unnamed balances is the tight one: the one that pulls more, in most rows. */
static int tight_sign(const struct hand *h)
{
	int sum = 0;

	for (size_t i = 0; i < h->table->n_rows; i++) {
		double diff = h->value[COL_SPRING1][i].value - h->value[COL_SPRING2][i].value;
		sum += (diff > 0) - (diff < 0);
	}
	return sum < 0 ? -1 : 1;
}

static struct unc torque_of(const struct hand *h, size_t row, int sign)
{
	struct unc_ctx *ctx = h->ctx;
	struct unc radius = has(h, COL_LEVER) ? h->value[COL_LEVER][row] : h->radius;

	if (has(h, COL_TORQUE))
		return h->value[COL_TORQUE][row];
	if (has(h, COL_FORCE))
		return unc_mul(ctx, h->value[COL_FORCE][row], radius);
	struct unc pull = has(h, COL_TIGHT) ? unc_sub(ctx, h->value[COL_TIGHT][row], h->value[COL_SLACK][row])
					    : unc_sub(ctx, h->value[COL_SPRING1][row], h->value[COL_SPRING2][row]);
	return unc_mul(ctx, unc_scale(ctx, pull, sign), radius);
}

static struct unc value_or_unknown(const struct hand *h, enum col c, size_t row)
{
	return has(h, c) ? h->value[c][row] : (struct unc){ .value = NAN };
}

static enum rc direction_of(const struct hand *h, size_t row, int *ret)
{
	const char *word = has(h, COL_DIRECTION) ? csv_cell(h->table, row, (size_t)h->column[COL_DIRECTION]) : "";

	*ret = strcasecmp(word, "up") == 0 ? 1 : strcasecmp(word, "down") == 0 ? -1 : 0;
	if (*ret == 0 && word[0] != '\0')
		return err_set(h->err, RC_ARG, 0, "%s:%u: direction: found \"%.40s\", expected up or down",
			       h->table->name, h->table->line[row], word);
	return RC_OK;
}

static enum rc make_point(struct hand *h, size_t row, int sign, struct curve_point *p)
{
	*p = (struct curve_point){
		.step = (int)row,
		.settled = true,
		.limit = LIMIT_UNKNOWN,
		.case_degC = NAN,
		.winding_degC = NAN,
		.brake_degC = NAN,
		.ambient_degC = NAN,
		.cell_degC = NAN,
		.brake_A = NAN,
		.rotor_rpm = NAN,
		.drive_A = NAN,
		.setpoint_Nm = NAN,
		.setpoint_A = NAN,
		.setpoint_rpm = NAN,
		.n_effective = NAN,
		.begin_s = NAN,
		.scatter_Nm = NAN,
		.fluctuation_Nm = NAN,
		.scatter_rpm = NAN,
		.scatter_shaft_W = NAN,
		.scatter_V = NAN,
		.scatter_A = NAN,
		.scatter_input_W = NAN,
		.scatter_efficiency = NAN,
		.end_s = NAN,
	};
	enum rc rc = direction_of(h, row, &p->direction);
	if (rc != RC_OK)
		return rc;
	p->torque_Nm = torque_of(h, row, sign);
	p->speed_rpm = h->value[COL_SPEED][row];
	p->voltage_V = value_or_unknown(h, COL_VOLT, row);
	p->current_A = value_or_unknown(h, COL_AMP, row);
	p->input_power_W = value_or_unknown(h, COL_POWER, row);
	if (!has(h, COL_POWER) && !h->want->ac && has(h, COL_VOLT) && has(h, COL_AMP))
		p->input_power_W = unc_mul(h->ctx, p->voltage_V, p->current_A);
	if (!has(h, COL_TORQUE) && !has(h, COL_FORCE) && p->torque_Nm.value < -2 * unc_u(p->torque_Nm))
		point_note(p, "the slack side pulls more than the tight one here: check which balance was read");
	point_derive(h->ctx, h->curve->coverage, p);
	return RC_OK;
}

static void describe_method(struct hand *h)
{
	struct report *r = h->report;
	bool mass = h->in_mass[COL_FORCE] || h->in_mass[COL_TIGHT] || h->in_mass[COL_SPRING1];
	char gravity[160] = "", radius[80] = "";

	if (mass)
		snprintf(gravity, sizeof gravity, " Kilograms became newtons with g = %.6g m/s²%s.", h->gravity.value,
			 h->want->gravity ? ""
					  : " (none was stated: the spread of g over the earth is in the uncertainty)");
	if (!has(h, COL_LEVER))
		snprintf(radius, sizeof radius, " of %.6g mm", 1000 * h->radius.value);
	if (has(h, COL_TORQUE))
		snprintf(r->hand_method, sizeof r->hand_method, "Torque as read.");
	else if (has(h, COL_FORCE))
		snprintf(r->hand_method, sizeof r->hand_method, "Torque is the force on a lever%s.%s", radius, gravity);
	else
		snprintf(r->hand_method, sizeof r->hand_method,
			 "Torque is the difference of two balances on a drum with an effective radius%s%s.%s", radius,
			 h->want->rope ? " (half of drum and rope together)" : "", gravity);
}

static void remark(struct hand *h)
{
	size_t odd = 0, out = 0;

	for (size_t i = 0; i < h->curve->n; i++) {
		odd += h->curve->points[i].impossible;
		out += h->curve->points[i].outlier;
	}
	if (odd > 0)
		curve_remark(
			h->curve,
			"%zu of %zu rows are impossible as they stand: check the sign, the side (output or rotor), the "
			"ratio and "
			"the units; a reading in kg, N or lbf, or a radius taken for a diameter, is the usual slip.",
			odd, h->curve->n);
	if (out > 0)
		curve_remark(h->curve,
			     "%zu of %zu rows break the smooth trend of the others; they are marked, not removed.", out,
			     h->curve->n);
	if (h->unstated)
		curve_remark(h->curve,
			     "No uncertainty was stated for %s: only the rounding of those readings is in the ±.",
			     h->unstated_names);
	if (has(h, COL_VOLT) && has(h, COL_AMP) && !has(h, COL_POWER) && h->want->ac)
		curve_remark(h->curve, "Alternating current: volts times amperes is not the power, so there is no "
				       "efficiency without a column "
				       "input power.");
	for (size_t i = 0; i < h->table->n_columns; i++) {
		bool used = false;
		for (int c = 0; c < COL_COUNT; c++)
			used |= h->column[c] == (int)i;
		if (!used)
			curve_remark(h->curve, "Column “%.60s” is not used.", h->table->column[i].name);
	}
}

static enum rc reduce(struct hand *h)
{
	enum rc rc = find_columns(h);

	if (rc == RC_OK)
		rc = check_columns(h);
	if (rc == RC_OK)
		rc = read_all(h);
	if (rc != RC_OK)
		return rc;
	int sign = has(h, COL_SPRING1) ? tight_sign(h) : 1;
	for (size_t i = 0; i < h->table->n_rows; i++) {
		rc = make_point(h, i, sign, &h->curve->points[i]);
		if (rc != RC_OK)
			return rc;
		h->curve->n++;
	}
	outliers_flag(h->curve);
	describe_method(h);
	remark(h);
	h->report->ac = h->want->ac;
	h->report->hand_unstated = h->unstated;
	if (!h->want->ac)
		h->report->fits = fits_dc_of(h->curve, false);
	h->report->losses = losses_of(h->curve);
	if (unc_failed(h->ctx))
		return err_set(h->err, RC_NOMEM, 0, "out of memory");
	return RC_OK;
}

enum rc report_of_readings(const struct csv *table, const struct hand_want *want, struct report **ret,
			   struct mistakes *m, struct err *err)
{
	struct report *r = calloc(1, sizeof *r);
	struct curve *c = calloc(1, sizeof *c);
	struct hand h = { .table = table, .want = want, .m = m, .err = err, .report = r, .curve = c };

	if (r == NULL || c == NULL) {
		free(r);
		free(c);
		return err_set(err, RC_NOMEM, 0, "out of memory");
	}
	r->curve = c;
	r->by_hand = true;
	r->budget_step = -1;
	r->confidence = c->coverage = 0.95;
	h.ctx = c->ctx = unc_ctx_new();
	c->points = calloc(table->n_rows ? table->n_rows : 1, sizeof *c->points);
	const char *slash = strrchr(table->name, '/');
	snprintf(r->subject, sizeof r->subject, "%.120s", slash ? slash + 1 : table->name);
	snprintf(r->source, sizeof r->source, "%zu reading%s taken by hand", table->n_rows,
		 table->n_rows == 1 ? "" : "s");
	enum rc rc = c->ctx && c->points ? reduce(&h) : err_set(err, RC_NOMEM, 0, "out of memory");
	for (int i = 0; i < COL_COUNT; i++)
		free(h.value[i]);
	if (rc != RC_OK) {
		report_free(r);
		return rc;
	}
	*ret = r;
	return RC_OK;
}
