/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/stated_private.h"
#include "bench/draw.h"
#include "calib/number/quantity.h"
#include "calib/number/units.h"

#include <gsl/gsl_randist.h>
#include <ini.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

static const struct {
	const char *section, *key, *name, *unit, *standard;
} keys[STATED_KEYS] = {
	[STATED_LATITUDE] = { "rig", "latitude", "latitude", "deg", "" },
	[STATED_HEIGHT] = { "rig", "height", "height", "m", "" },
	[STATED_GRAVITY] = { "rig", "gravity", "gravity", "m/s2", "" },
	[STATED_AIR_DENSITY] = { "rig", "air_density", "air_density", "kg/m3", "1.2 kg/m3 ± 0.06 kg/m3 rect" },
	[STATED_CLOCK] = { "tether", "clock", "node_clock", "1", "± 50 ppm" },
	[STATED_ZERO_DRIFT] = { "cell", "zero_drift", "zero_drift", "N.m/K", "" },
	[STATED_GAIN_DRIFT] = { "cell", "gain_drift", "gain_drift", "1/K", "" },
	[STATED_CREEP] = { "cell", "creep", "creep", "1", "" },
	[STATED_ARM] = { "arm", "length", "arm", "m", "" },
	[STATED_LEVEL] = { "arm", "level", "arm_level", "deg", "0 deg ± 1 deg rect" },
	[STATED_DRAG_RATIO] = { "brake", "drag_ratio", "drag_ratio", "1", "1 ± 2 % rect" },
	[STATED_CABLE] = { "meter", "cable", "cable", "ohm", "0 ohm" },
	[STATED_VOLT_GAIN] = { "meter", "voltage_gain", "volt_gain", "1", "" },
	[STATED_VOLT_OFFSET] = { "meter", "voltage_offset", "volt_offset", "V", "" },
	[STATED_AMP_GAIN] = { "meter", "current_gain", "amp_gain", "1", "" },
	[STATED_AMP_OFFSET] = { "meter", "current_offset", "amp_offset", "A", "" },
};

/* ---- files ---- */

static void copy(char *to, size_t size, const char *text)
{
	snprintf(to, size, "%.*s", (int)size - 1, text);
}

static int take_rig(void *user, const char *section, const char *name, const char *value)
{
	struct stated *s = user;

	for (int i = 0; i < STATED_KEYS; i++)
		if (strcmp(keys[i].section, section) == 0 && strcmp(keys[i].key, name) == 0)
			copy(s->text[i], STATED_TEXT, value);
	return 1;
}

static int take_weight(void *user, const char *section, const char *name, const char *value)
{
	struct stated *s = user;
	struct stated_piece *piece = s->n > 0 ? &s->piece[s->n - 1] : NULL;

	if (piece == NULL || strcmp(piece->name, section) != 0) {
		if (s->n == STATED_PIECES)
			return 0;
		piece = &s->piece[s->n++];
		copy(piece->name, sizeof piece->name, section);
	}
	if (strcmp(name, "mass") == 0)
		copy(piece->mass, STATED_TEXT, value);
	else if (strcmp(name, "nominal") == 0)
		copy(piece->nominal, STATED_TEXT, value);
	else if (strcmp(name, "class") == 0)
		copy(piece->class_name, sizeof piece->class_name, value);
	else if (strcmp(name, "density") == 0)
		copy(piece->density, STATED_TEXT, value);
	return 1;
}

enum rc stated_parse(const char *rig_text, const char *weights_text, struct stated *ret, struct err *err)
{
	struct stated *s = calloc(1, sizeof *s);
	int bad;

	if (s == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for what the profiles state");
	bad = ini_parse_string(rig_text, take_rig, s);
	if (bad == 0 && weights_text != NULL)
		bad = ini_parse_string(weights_text, take_weight, s);
	if (bad == 0)
		*ret = *s;
	free(s);
	return bad == 0 ? RC_OK : err_set(err, RC_ARG, 0, "line %d of rig.ini or weights.ini is not key = value", bad);
}

/* ---- one text ---- */

struct statement {
	double value, spread, k, dof, top; /* NaN where not written */
	char unit[40], spread_unit[40];
	char shape; /* r, t, n; 0 where not written */
};

static const char *blanks(const char *s)
{
	while (*s == ' ' || *s == '\t')
		s++;
	return s;
}

static size_t plus_minus(const char *s)
{
	return strncmp(s, "±", 2) == 0 ? 2 : strncmp(s, "+-", 2) == 0 ? 2 : strncmp(s, "+/-", 3) == 0 ? 3 : 0;
}

/* A word that says the shape, at the start of s and after a blank. */
static bool is_word(const char *s)
{
	static const char *const words[] = { "rect", "tri", "normal", "k=", "k =", "dof=", "dof =", "trap=", "trap =" };

	for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
		if (strncmp(s, words[i], strlen(words[i])) == 0)
			return true;
	return false;
}

/* The unit from s up to "±", a bracket's end, or a word; what follows it. */
static const char *unit_of(const char *s, char unit[40])
{
	size_t n = 0;

	for (s = blanks(s); *s != '\0' && *s != ')' && !plus_minus(s) && !(is_word(s) && (n == 0 || s[-1] == ' ')); s++)
		if (n < 39)
			unit[n++] = *s;
	while (n > 0 && unit[n - 1] == ' ')
		n--;
	unit[n] = '\0';
	return s;
}

/* "(5)" after 1.234: 0.005. */
static const char *bracket_of(const char *from, const char *s, double *ret)
{
	const char *point = memchr(from, '.', (size_t)(s - from));
	char *end;

	*ret = strtod(s + 1, &end) *
	       (memchr(s, '.', (size_t)(end - s)) ? 1 : pow(10, point != NULL ? -(double)(s - point - 1) : 0));
	return *end == ')' ? end + 1 : NULL;
}

static bool words_of(const char *s, struct statement *st)
{
	for (s = blanks(s); *s != '\0'; s = blanks(s)) {
		const char *equals = strchr(s, '=');
		char *end = NULL;

		if (*s == ',' || *s == ';') {
			s++;
		} else if (strncmp(s, "rect", 4) == 0 || strncmp(s, "tri", 3) == 0 || strncmp(s, "normal", 6) == 0) {
			st->shape = *s;
			s += *s == 'r' ? 4 : *s == 't' ? 3 : 6;
		} else if (is_word(s) && equals != NULL) {
			*(*s == 'k' ? &st->k : *s == 'd' ? &st->dof : &st->top) = strtod(equals + 1, &end);
			s = end;
		} else {
			return false;
		}
	}
	return true;
}

static bool read_statement(const char *text, struct statement *st)
{
	const char *s = blanks(text), *from;
	bool wrapped = *s == '(';
	char *end;

	*st = (struct statement){ .value = NAN, .spread = NAN, .k = NAN, .dof = NAN, .top = NAN };
	from = s = blanks(s + wrapped);
	if (!plus_minus(s)) {
		st->value = strtod(s, &end);
		if (end == s)
			return false;
		s = end;
	}
	if (*s == '(' && s > from) {
		s = bracket_of(from, s, &st->spread);
		st->shape = 'n';
		if (s == NULL)
			return false;
	}
	s = unit_of(s, st->unit);
	if (plus_minus(s)) {
		from = s + plus_minus(s);
		st->spread = strtod(from, &end);
		if (end == from)
			return false;
		s = unit_of(end, st->spread_unit);
	}
	if (wrapped) {
		if (*s != ')')
			return false;
		s = unit_of(s + 1, st->unit);
	}
	return words_of(s, st);
}

static double share_of(const char *unit)
{
	return strcmp(unit, "%") == 0 ? 1e-2 : strcmp(unit, "ppm") == 0 ? 1e-6 : NAN;
}

/* Value and spread in the wanted unit. */
static bool convert(const struct statement *st, const char *unit, double *value, double *spread)
{
	const char *value_unit = st->unit[0] != '\0' || isnan(st->spread) ? st->unit : st->spread_unit;
	const char *spread_unit = st->spread_unit[0] != '\0' ? st->spread_unit : value_unit;
	bool of_value = !isnan(share_of(spread_unit)) && !isnan(st->value) && isnan(share_of(st->unit));
	double factor = 1, offset = 0, spread_factor = 1, none;
	struct err err;

	if (of_value)
		value_unit = st->unit;
	if (quantity_convert(value_unit[0] != '\0' ? value_unit : "1", unit, &factor, &offset, &err) != RC_OK)
		return false;
	*value = isnan(st->value) ? 0 : st->value * factor + offset;
	if (of_value)
		*spread = st->spread * share_of(spread_unit) * fabs(*value);
	else if (quantity_convert(spread_unit[0] != '\0' ? spread_unit : "1", unit, &spread_factor, &none, &err) ==
		 RC_OK)
		*spread = st->spread * fabs(spread_factor);
	else
		return false;
	return true;
}

/* In units of the written half-width or deviation. */
static double deviate(gsl_rng *rng, const struct statement *st)
{
	double a = gsl_rng_uniform(rng), b = gsl_rng_uniform(rng), scale = isnan(st->k) ? 1 : 1 / st->k;

	if (st->shape == 'n' || !isnan(st->k))
		return scale * (isfinite(st->dof) ? gsl_ran_tdist(rng, st->dof) : draw_normal(rng));
	if (st->shape == 't')
		return a + b - 1;
	if (!isnan(st->top))
		return (1 + st->top) / 2 * (2 * a - 1) + (1 - st->top) / 2 * (2 * b - 1);
	return 2 * a - 1;
}

double stated_draw(uint64_t seed, const char *name, const char *text, const char *unit)
{
	struct statement st;
	double value, spread;
	gsl_rng *rng;

	if (!read_statement(text, &st) || !convert(&st, unit, &value, &spread))
		return NAN;
	if (!(spread > 0))
		return value;
	rng = draw_new(seed, name);
	if (rng == NULL)
		return NAN;
	value += spread * deviate(rng, &st);
	gsl_rng_free(rng);
	return value;
}

double stated_draw_key(uint64_t seed, const struct stated *stated, enum stated_key key)
{
	const char *text = stated->text[key][0] != '\0' ? stated->text[key] : keys[key].standard;

	return text[0] != '\0' ? stated_draw(seed, keys[key].name, text, keys[key].unit) : NAN;
}

double stated_value_key(const struct stated *stated, enum stated_key key)
{
	const char *text = stated->text[key][0] != '\0' ? stated->text[key] : keys[key].standard;
	struct statement st;
	double value, spread;

	return read_statement(text, &st) && convert(&st, keys[key].unit, &value, &spread) ? value : NAN;
}

/* ---- weights and gravity ---- */

/* Of the tolerance of class M1, rounded down. */
static double class_factor(const char *class_name)
{
	static const struct {
		const char *name;
		double factor;
	} classes[] = {
		{ "E2", 0.03 }, { "F1", 0.1 }, { "F2", 0.3 }, { "M1", 1 },
		{ "M1-2", 2 },  { "M2", 3 },   { "M2-3", 6 }, { "M3", 10 },
	};

	for (size_t i = 0; i < sizeof classes / sizeof classes[0]; i++)
		if (strcasecmp(class_name, classes[i].name) == 0)
			return classes[i].factor;
	return NAN;
}

/* 50 ppm of the mass from 100 g on; lighter pieces of 1 g and more: the cube root of the mass in grams, in mg, at most.
 */
static double m1_tolerance_kg(double kg)
{
	return kg >= 0.1 ? 50e-6 * kg : fmin(pow(kg * 1e3, 0.28) * 1e-6, 3e-6);
}

double stated_mass_kg(uint64_t seed, const struct stated *stated, size_t i, double *ret_density)
{
	const struct stated_piece *piece = &stated->piece[i];
	double density, conventional;
	struct statement even = { .value = 0, .spread = 1, .k = NAN, .dof = NAN, .top = NAN };
	char name[80];

	snprintf(name, sizeof name, "density.%.60s", piece->name);
	density = stated_draw(seed, name, piece->density[0] != '\0' ? piece->density : "7900 kg/m3 ± 500 kg/m3 rect",
			      "kg/m3");
	snprintf(name, sizeof name, "mass.%.60s", piece->name);
	if (piece->mass[0] != '\0') {
		conventional = stated_draw(seed, name, piece->mass, "kg");
	} else {
		gsl_rng *rng = draw_new(seed, name);

		conventional = stated_draw(seed, name, piece->nominal, "kg");
		if (rng != NULL)
			conventional +=
				class_factor(piece->class_name) * m1_tolerance_kg(conventional) * deviate(rng, &even);
		gsl_rng_free(rng);
	}
	*ret_density = density;
	return conventional * (1 - 1.2 / 8000) / (1 - 1.2 / density);
}

double stated_normal_gravity(double latitude_deg, double height_m)
{
	double s = sin(latitude_deg * UNITS_PI / 180), s2 = sin(2 * latitude_deg * UNITS_PI / 180);
	double free_air = -(3.0877e-6 - 4.3e-9 * s * s) * height_m + 7.2e-13 * height_m * height_m;

	return 9.780327 * (1 + 0.0053024 * s * s - 0.0000058 * s2 * s2) + free_air;
}

double stated_gravity(uint64_t seed, const struct stated *stated, double anomaly_m_per_s2)
{
	double given = stated_draw_key(seed, stated, STATED_GRAVITY);

	if (!isnan(given))
		return given;
	return stated_normal_gravity(stated_draw_key(seed, stated, STATED_LATITUDE),
				     stated_draw_key(seed, stated, STATED_HEIGHT)) +
	       anomaly_m_per_s2;
}
