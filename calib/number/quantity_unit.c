/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/quantity_unit.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <udunits2.h>

/* The one cache of the room: reading the unit database takes milliseconds. */
static ut_system *unit_system;

static const struct {
	const char *written, *known;
} aliases[] = {
	{ "deg", "degree" },
	{ "degs", "degree" },
	{ "rev", "revolution" },
	{ "revs", "revolution" },
	{ "rpm", "revolution/minute" },
	{ "RPM", "revolution/minute" },
	{ "sec", "s" },
	{ "secs", "s" },
	{ "ohm", "ohm" },
	{ "ohms", "ohm" },
	{ "Ohms", "ohm" },
	{ "Ah", "A.h" },
	{ "mAh", "mA.h" },
	{ "Wh", "W.h" },
	{ "kWh", "kW.h" },
	{ "arcmins", "arcmin" },
	{ "kgm2", "kg.m2" },
	{ "gcm2", "g.cm2" },
	{ "VA", "V.A" },
	{ "Vs", "V.s" },
	{ "Nms", "N.m.s" },
};

/* "Nm", "mNm", "kNm", "Ncm", "Nmm": a newton-metre written as one word, which UDUNITS-2 does not know. */
static bool newton_metre(const char *word, size_t length, char *ret, size_t size)
{
	size_t at = strspn(word, "mkcuMn");

	if (at > 1 || at >= length || word[at] != 'N')
		return false;
	const char *tail = word + at + 1;
	size_t n = length - at - 1;
	if (!((n == 1 && *tail == 'm') || (n == 2 && (*tail == 'm' || *tail == 'c') && tail[1] == 'm')))
		return false;
	snprintf(ret, size, "%.*sN.%.*s", (int)at, word, (int)n, tail);
	return true;
}

static void spell_word(const char *word, size_t length, char *ret, size_t size)
{
	for (size_t i = 0; i < sizeof aliases / sizeof aliases[0]; i++) {
		if (strlen(aliases[i].written) == length && memcmp(aliases[i].written, word, length) == 0) {
			/* Parentheses, or "N.m/rpm" would divide by the revolution only. */
			snprintf(ret, size, strpbrk(aliases[i].known, "/.") ? "(%s)" : "%s", aliases[i].known);
			return;
		}
	}
	char product[16];
	if (newton_metre(word, length, product, sizeof product))
		snprintf(ret, size, "(%s)", product);
	else
		snprintf(ret, size, "%.*s", (int)length, word);
}

/* Multi-byte signs that people write; a table because UDUNITS-2 takes only some of them. */
static const struct {
	const char *written, *known;
} signs[] = {
	{ "\xc2\xb7", "." },     /* U+00B7 middle dot */
	{ "\xe2\x8b\x85", "." }, /* U+22C5 dot operator */
	{ "\xe2\x80\xa2", "." }, /* U+2022 bullet */
	{ "\xc3\x97", "." },     /* U+00D7 times */
	{ "\u00b0C", "degC" },        { "\xc2\xb0", "degree" },     { "\xe2\x84\x83", "degC" }, /* U+2103 */
	{ "\xce\xa9", "ohm" },        { "\xe2\x84\xa6", "ohm" },    { "\xc2\xb5", "u" },
	{ "\xce\xbc", "u" }, /* micro sign, Greek mu */
	{ "\xc2\xb2", "2" },          { "\xc2\xb3", "3" },          { "\xc2\xb9", "1" },
	{ "\xe2\x81\xbb", "-" },                                    /* U+207B superscript minus */
	{ "\xe2\x88\x92", "-" },      { "\xe2\x80\xb2", "arcmin" }, /* U+2032 prime */
	{ "\xe2\x80\xb0", "(1e-3)" },                               /* U+2030 per mille */
	{ "\xc2\xa0", " " },          { "\xe2\x80\xaf", " " },      /* no-break blanks */
};

static size_t copy_sign(const char *s, size_t left, char *ret, size_t size)
{
	for (size_t i = 0; i < sizeof signs / sizeof signs[0]; i++) {
		size_t n = strlen(signs[i].written);
		if (n <= left && memcmp(signs[i].written, s, n) == 0) {
			snprintf(ret, size, "%s", signs[i].known);
			return n;
		}
	}
	return 0;
}

/* Signs first, so that words such as "µm" and "mΩ" are whole before they are looked up. */
static enum rc plain_signs(const char *unit, size_t length, char *ret, size_t size, struct err *err)
{
	size_t out = 0;

	for (size_t i = 0; i < length;) {
		unsigned char c = (unsigned char)unit[i];
		if (out + 12 > size)
			return err_set(err, RC_ARG, 0, "the unit \"%.40s...\" is too long", unit);
		if (c < 0x80) {
			if (!isalnum(c) && !strchr(" ./*^()%-'\"_", c))
				return err_set(err, RC_ARG, 0, "\"%c\" has no place in the unit \"%.*s\"",
					       isprint(c) ? c : '?', (int)length, unit);
			ret[out++] = c == '*' ? '.' : (char)c;
			i++;
			continue;
		}
		size_t used = copy_sign(unit + i, length - i, ret + out, size - out);
		if (used == 0)
			return err_set(err, RC_ARG, 0, "the unit \"%.*s\" has a sign in it that is not known",
				       (int)length, unit);
		i += used;
		out += strlen(ret + out);
	}
	ret[out] = '\0';
	return RC_OK;
}

/* A number is allowed as an exponent of one digit, and as the "1" of "1/K". Anything else ("5 mm" as a unit)
 * would silently scale the value. */
static bool number_is_exponent(const char *start, const char *digit)
{
	const char *s = digit;

	if (isdigit((unsigned char)digit[1]))
		return false;
	if (s > start && (s[-1] == '-' || s[-1] == '^'))
		s--;
	if (s > start && *s == '-' && s[-1] == '^')
		s--;
	return s > start && (isalpha((unsigned char)s[-1]) || s[-1] == ')');
}

static enum rc spell_words(const char *s, char *ret, size_t size, struct err *err)
{
	const char *start = s;
	size_t out = 0;

	while (*s) {
		char piece[48];
		size_t n = 1;
		if (isalpha((unsigned char)*s)) {
			while (isalpha((unsigned char)s[n]) || s[n] == '_')
				n++;
			if (n > 30)
				return err_set(err, RC_ARG, 0, "unknown unit \"%.40s\"", s);
			spell_word(s, n, piece, sizeof piece);
		} else {
			bool one = s == start && *s == '1' && (s[1] == '/' || s[1] == '\0' || s[1] == ' ');
			bool per_mille = strncmp(s, "1e-3)", 5) == 0 && s > start && s[-1] == '(';
			if (per_mille)
				n = 4;
			else if (isdigit((unsigned char)*s) && !one && !number_is_exponent(start, s))
				return err_set(err, RC_ARG, 0,
					       "there is a number in the unit \"%.40s\"; write one "
					       "number, without blanks in it, and then the unit",
					       start);
			snprintf(piece, sizeof piece, "%.*s", (int)n, s);
		}
		s += n;
		if (out + strlen(piece) + 1 > size)
			return err_set(err, RC_ARG, 0, "the unit \"%.40s\" is too long", start);
		memcpy(ret + out, piece, strlen(piece) + 1);
		out += strlen(piece);
	}
	return RC_OK;
}

/* Spell a unit the way UDUNITS-2 knows: "Nm" -> "N.m", "deg" -> "degree", "°C" -> "degC", blanks trimmed, "" -> "1".
 * RC_ARG: a character or a number that has no place in a unit, or longer than 60 bytes. */
static enum rc unit_spell(const char *unit, size_t length, char ret[UNIT_TEXT], struct err *err)
{
	char plain[80];

	while (length && isspace((unsigned char)*unit)) {
		unit++;
		length--;
	}
	while (length && isspace((unsigned char)unit[length - 1]))
		length--;
	if (length > 60)
		return err_set(err, RC_ARG, 0, "the unit \"%.40s...\" is too long", unit);
	if (length == 0) {
		memcpy(ret, "1", 2);
		return RC_OK;
	}
	/* Prefixed "/min" means 1/min. */
	char lead[64];
	snprintf(lead, sizeof lead, "%s%.*s", *unit == '/' ? "1" : "", (int)length, unit);
	enum rc rc = plain_signs(lead, strlen(lead), plain, sizeof plain, err);
	if (rc)
		return rc;
	ret[0] = '\0';
	return spell_words(plain, ret, UNIT_TEXT, err);
}

static enum rc system_get(struct err *err)
{
	if (unit_system)
		return RC_OK;
	ut_set_error_message_handler(ut_ignore);
	unit_system = ut_read_xml(NULL);
	if (!unit_system)
		return err_set(err, RC_IO, 0,
			       "the unit database of UDUNITS-2 cannot be read; install the package "
			       "libudunits2-data");
	return RC_OK;
}

/* Power of the radian in a unit: UDUNITS-2 lets angles pass for plain numbers, we do not. */
static int angle_power(const ut_unit *unit)
{
	char text[200];
	int n = ut_format(unit, text, sizeof text, UT_ASCII | UT_DEFINITION);

	if (n < 0 || n >= (int)sizeof text)
		return 0;
	const char *rad = strstr(text, "rad");
	if (!rad)
		return 0;
	rad += 3;
	return *rad == '-' || isdigit((unsigned char)*rad) ? atoi(rad) : 1;
}

static enum rc convert_parsed(ut_unit *a, ut_unit *b, const char *from, const char *to, double *ret_factor,
			      double *ret_offset, struct err *err)
{
	if (!ut_are_convertible(a, b))
		return err_set(err, RC_ARG, 0, "\"%s\" is not a unit of the same kind as \"%s\"", from, to);
	if (angle_power(a) != angle_power(b))
		return err_set(err, RC_ARG, 0,
			       "\"%s\" and \"%s\" differ by an angle; write turns as rpm, rad/s or "
			       "deg/s and angles as deg, arcmin or rad",
			       from, to);
	cv_converter *converter = ut_get_converter(a, b);
	if (!converter)
		return err_set(err, RC_ARG, 0, "\"%s\" cannot be converted to \"%s\"", from, to);
	double offset = cv_convert_double(converter, 0.0);
	double factor = cv_convert_double(converter, 1.0) - offset;
	/* With an offset the difference loses digits that a large step keeps. */
	if (fabs(offset) > 0)
		factor = (cv_convert_double(converter, 1048576.0) - offset) / 1048576.0;
	cv_free(converter);
	if (!isfinite(factor) || !isfinite(offset) || !(fabs(factor) > 0))
		return err_set(err, RC_ARG, 0, "\"%s\" does not convert to \"%s\" by a factor", from, to);
	*ret_factor = factor;
	*ret_offset = offset;
	return RC_OK;
}

/* On nameplates "1/min" is a speed; elsewhere it is a rate. */
static bool is_per_minute(const char *spelled)
{
	static const char *const ways[] = { "1/min", "min-1", "min^-1" };

	for (size_t i = 0; i < sizeof ways / sizeof ways[0]; i++)
		if (strcmp(spelled, ways[i]) == 0)
			return true;
	return false;
}

enum rc unit_convert(const char *from, const char *to, double *ret_factor, double *ret_offset, struct err *err)
{
	char from_known[UNIT_TEXT], to_known[UNIT_TEXT];
	enum rc rc = unit_spell(from, strlen(from), from_known, err);

	if (!rc)
		rc = unit_spell(to, strlen(to), to_known, err);
	if (rc)
		return rc;
	if (strcmp(to_known, "(revolution/minute)") == 0 && is_per_minute(from_known))
		memcpy(from_known, to_known, sizeof from_known);
	if (strcmp(from_known, to_known) == 0 && strcmp(to_known, "1") == 0) {
		*ret_factor = 1.0;
		*ret_offset = 0.0;
		return RC_OK;
	}
	rc = system_get(err);
	if (rc)
		return rc;
	ut_unit *a = ut_parse(unit_system, from_known, UT_ASCII);
	ut_unit *b = a ? ut_parse(unit_system, to_known, UT_ASCII) : NULL;
	if (!a || !b)
		rc = err_set(err, RC_ARG, 0, "unknown unit \"%s\"", a ? to : from);
	else
		rc = convert_parsed(a, b, from, to, ret_factor, ret_offset, err);
	ut_free(a);
	ut_free(b);
	return rc;
}

/* "0.001 m", "K @ 273.15", "m2.kg.s-2" -> without the numbers. */
static void strip_numbers(char *text)
{
	char *at = strstr(text, " @");

	if (at)
		*at = '\0';
	char *space = strchr(text, ' ');
	if (space)
		memmove(text, space + 1, strlen(space + 1) + 1);
}

enum rc unit_si(const char *unit, char *ret, size_t size, struct err *err)
{
	char spelled[UNIT_TEXT], text[200];
	enum rc rc = unit_spell(unit, strlen(unit), spelled, err);

	if (!rc)
		rc = system_get(err);
	if (rc)
		return rc;
	ut_unit *parsed = ut_parse(unit_system, spelled, UT_ASCII);
	if (!parsed)
		return err_set(err, RC_ARG, 0, "unknown unit \"%s\"", unit);
	int n = ut_format(parsed, text, sizeof text, UT_ASCII | UT_DEFINITION);
	ut_free(parsed);
	if (n < 0 || n >= (int)sizeof text)
		return err_set(err, RC_RANGE, 0, "the unit \"%s\" is too long in base units", unit);
	strip_numbers(text);
	if (strlen(text) >= size)
		return err_set(err, RC_RANGE, 0, "the unit \"%s\" is too long in base units", unit);
	snprintf(ret, size, "%s", *text ? text : "1");
	return RC_OK;
}

void unit_pretty(const char *unit, char *buf, size_t size)
{
	static const struct {
		const char *plain, *pretty;
	} whole[] = {
		{ "1", "" },
		{ "degC", "\u00b0C" },
		{ "deg", "\xc2\xb0" },
		{ "Nm", "N\xc2\xb7m" },
	};
	size_t out = 0;

	for (size_t i = 0; i < sizeof whole / sizeof whole[0]; i++) {
		if (strcmp(unit, whole[i].plain) == 0) {
			snprintf(buf, size, "%s", whole[i].pretty);
			return;
		}
	}
	for (; *unit && out + 3 < size; unit++) {
		if (*unit == '.' || *unit == '*') {
			buf[out++] = '\xc2';
			buf[out++] = '\xb7';
		} else {
			buf[out++] = *unit;
		}
	}
	if (size)
		buf[out] = '\0';
}

void unit_cleanup(void)
{
	ut_free_system(unit_system);
	unit_system = NULL;
}
