/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/quantity.h"
#include "calib/number/number.h"
#include "calib/number/quantity_unit.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define TEXT_MAX 200

/* The pieces of a text, before units are looked at. */
struct pieces {
	double value;
	bool has_value;
	const char *unit;
	size_t unit_length;
	double bracket_u; /* from "(2)", in the unit of the value; NaN when absent */
	double spread;    /* after ±; NaN when absent */
	const char *spread_unit;
	size_t spread_unit_length;
	double k, dof, beta; /* NaN when absent */
	bool rect, tri, normal;
};

static const char *skip_blanks(const char *s)
{
	for (;;) {
		if (isspace((unsigned char)*s))
			s++;
		else if (strncmp(s, "\xc2\xa0", 2) == 0)
			s += 2;
		else
			return s;
	}
}

/* Length of "±", "+-" or "+/-" at s, else 0. */
static size_t plus_minus(const char *s)
{
	static const char *const ways[] = { "\xc2\xb1", "+-", "+/-" };

	for (size_t i = 0; i < sizeof ways / sizeof ways[0]; i++)
		if (strncmp(s, ways[i], strlen(ways[i])) == 0)
			return strlen(ways[i]);
	return 0;
}

static bool word_at(const char *start, const char *s, const char *word)
{
	size_t n = strlen(word);

	if (s > start && (isalnum((unsigned char)s[-1]) || strchr("./_^*", s[-1])))
		return false;
	return strncmp(s, word, n) == 0 && !isalnum((unsigned char)s[n]);
}

static bool is_key(const char *start, const char *s, const char *key)
{
	return word_at(start, s, key) && *skip_blanks(s + strlen(key)) == '=';
}

/* Where the unit ends and "k=2", "rect", "(k = 2.00, 95 %)" begin. */
static const char *find_trailer(const char *s)
{
	static const char *const words[] = { "rect", "tri", "normal" };
	static const char *const keys[] = { "k", "dof", "trap" };
	const char *start = s;

	for (; *s; s++) {
		if (*s == '(' && is_key(s + 1, skip_blanks(s + 1), "k"))
			return s;
		for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
			if (word_at(start, s, words[i]))
				return s;
		for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
			if (is_key(start, s, keys[i]))
				return s;
	}
	return s;
}

static enum rc read_key(const char **s, const char *key, double *ret, struct err *err)
{
	struct number n;
	const char *at = skip_blanks(skip_blanks(*s + strlen(key)) + 1);

	if (!isnan(*ret))
		return err_set(err, RC_ARG, 0, "%s= is given twice", key);
	if (strcmp(key, "dof") == 0 && word_at(at, at, "inf")) {
		*ret = INFINITY;
		*s = at + 3;
		return RC_OK;
	}
	enum rc rc = number_scan(at, &n, err);
	if (rc) {
		err_prefix(err, "after %s=: ", key);
		return rc;
	}
	*ret = n.value;
	*s = n.end;
	return RC_OK;
}

/* "(k = 2.05, 95 %)" as quantity_format writes it: the coverage is said for people, k decides. */
static enum rc read_k_note(const char **s, struct pieces *p, struct err *err)
{
	const char *at = skip_blanks(*s + 1), *close = strchr(*s, ')');

	if (!close)
		return err_set(err, RC_ARG, 0, "a bracket is not closed in \"%.40s\"", *s);
	enum rc rc = read_key(&at, "k", &p->k, err);
	*s = close + 1;
	return rc;
}

static enum rc read_trailer(const char *s, struct pieces *p, struct err *err)
{
	for (s = skip_blanks(s); *s; s = skip_blanks(s)) {
		enum rc rc = RC_OK;
		if (*s == ',' || *s == ';') {
			s++;
		} else if (*s == '(') {
			rc = read_k_note(&s, p, err);
		} else if (is_key(s, s, "k")) {
			rc = read_key(&s, "k", &p->k, err);
		} else if (is_key(s, s, "dof")) {
			rc = read_key(&s, "dof", &p->dof, err);
		} else if (is_key(s, s, "trap")) {
			rc = read_key(&s, "trap", &p->beta, err);
		} else if (word_at(s, s, "rect")) {
			p->rect = true;
			s += 4;
		} else if (word_at(s, s, "tri")) {
			p->tri = true;
			s += 3;
		} else if (word_at(s, s, "normal")) {
			p->normal = true;
			s += 6;
		} else {
			return err_set(err, RC_ARG, 0,
				       "\"%.40s\" is not understood; after an uncertainty may stand "
				       "rect, tri, normal, trap=, k= and dof=",
				       s);
		}
		if (rc)
			return rc;
	}
	return RC_OK;
}

/* "(2)" in units of the last digit, or "(0.2)" in the unit of the value (GUM 7.2.2, b and c). */
static enum rc read_bracket(const char **s, const struct number *n, struct pieces *p, struct err *err)
{
	const char *open = n->digits_end;
	struct number inside;
	int exponent = n->exponent;

	enum rc rc = number_scan(open + 1, &inside, err);
	if (rc)
		return rc;
	if (*inside.end != ')')
		return err_set(err, RC_ARG, 0, "a bracket is not closed in \"%.40s\"", open);
	*s = inside.end + 1;
	if (**s == 'e' || **s == 'E') { /* 1.234(5)e-3 */
		char text[48];
		struct number whole;
		snprintf(text, sizeof text, "1%.40s", *s);
		rc = number_scan(text, &whole, err);
		if (rc)
			return rc;
		if (whole.end > text + 1) {
			exponent = whole.exponent;
			p->value *= whole.value;
			*s += whole.end - text - 1;
		}
	}
	bool has_point = memchr(open, '.', (size_t)(inside.end - open)) != NULL;
	p->bracket_u = inside.value * pow(10.0, exponent - (has_point ? 0 : n->decimals));
	return RC_OK;
}

static enum rc read_value(const char **s, struct pieces *p, struct err *err)
{
	struct number n;

	if (plus_minus(*s))
		return RC_OK;
	enum rc rc = number_scan(*s, &n, err);
	if (rc)
		return rc;
	p->value = n.value;
	p->has_value = true;
	*s = n.end;
	if (*n.digits_end == '(' &&
	    (isdigit((unsigned char)n.digits_end[1]) || n.digits_end[1] == '.' || n.digits_end[1] == '-'))
		return read_bracket(s, &n, p, err);
	return RC_OK;
}

static enum rc read_spread(const char *s, struct pieces *p, struct err *err)
{
	struct number n;
	enum rc rc = number_scan(skip_blanks(s), &n, err);

	if (rc) {
		err_prefix(err, "after \xc2\xb1: ");
		return rc;
	}
	p->spread = n.value;
	p->spread_unit = skip_blanks(n.end);
	const char *trailer = find_trailer(p->spread_unit);
	p->spread_unit_length = (size_t)(trailer - p->spread_unit);
	return read_trailer(trailer, p, err);
}

static const char *find_plus_minus(const char *s)
{
	while (*s && !plus_minus(s))
		s++;
	return s;
}

/* "(250.0 ± 0.2) mm": both numbers in the unit after the bracket. Rewritten in place of reading it twice. */
static bool unwrap(const char *s, char *ret, size_t size)
{
	const char *close = *s == '(' ? strchr(s, ')') : NULL;

	if (!close || find_plus_minus(s) >= close)
		return false;
	const char *pm = find_plus_minus(s), *unit = skip_blanks(close + 1), *trailer = find_trailer(unit);
	int n = snprintf(ret, size, "%.*s %.*s %.*s %.*s %s", (int)(pm - s - 1), s + 1, (int)(trailer - unit), unit,
			 (int)(close - pm), pm, (int)(trailer - unit), unit, trailer);
	return n > 0 && (size_t)n < size;
}

static enum rc split(const char *s, struct pieces *p, struct err *err)
{
	*p = (struct pieces){ .bracket_u = NAN, .spread = NAN, .k = NAN, .dof = NAN, .beta = NAN, .unit = "" };
	s = skip_blanks(s);
	if (!*s)
		return err_set(err, RC_ARG, 0, "nothing is written here; a number with a unit is expected");
	enum rc rc = read_value(&s, p, err);
	if (rc)
		return rc;
	s = skip_blanks(s);
	const char *pm = find_plus_minus(s), *trailer = find_trailer(s);
	p->unit = s;
	p->unit_length = (size_t)((pm < trailer ? pm : trailer) - s);
	if (*pm && pm < trailer)
		return read_spread(pm + plus_minus(pm), p, err);
	return read_trailer(trailer, p, err);
}

/* ---- meaning ---- */

static bool is_percentage(const char *unit, size_t length, double *ret_factor)
{
	while (length && isspace((unsigned char)unit[length - 1]))
		length--;
	if (length == 1 && *unit == '%')
		*ret_factor = 0.01;
	else if (length == 3 && memcmp(unit, "ppm", 3) == 0)
		*ret_factor = 1e-6;
	else
		return false;
	return true;
}

static bool blank(const char *s, size_t length)
{
	for (size_t i = 0; i < length; i++)
		if (!isspace((unsigned char)s[i]))
			return false;
	return true;
}

/* Factor and offset from the written unit to the wanted one. */
static enum rc written_to(const char *s, size_t length, const char *unit, double *factor, double *offset,
			  struct err *err)
{
	char text[UNIT_TEXT];

	if (length >= sizeof text)
		return err_set(err, RC_ARG, 0, "the unit \"%.40s...\" is too long", s);
	snprintf(text, sizeof text, "%.*s", (int)length, s);
	for (size_t n = strlen(text); n && isspace((unsigned char)text[n - 1]); n--)
		text[n - 1] = '\0';
	return unit_convert(text, unit, factor, offset, err);
}

static enum rc value_of(struct pieces *p, const char *unit, double *ret_value, double *ret_factor, struct err *err)
{
	double factor = 1.0, offset = 0.0, pct = 1.0;

	/* "250.0 ± 0.2 mm": the one unit is for both. */
	if (blank(p->unit, p->unit_length) && !isnan(p->spread) && !blank(p->spread_unit, p->spread_unit_length) &&
	    (!p->has_value || !is_percentage(p->spread_unit, p->spread_unit_length, &pct))) {
		p->unit = p->spread_unit;
		p->unit_length = p->spread_unit_length;
	}
	if (blank(p->unit, p->unit_length) && strcmp(unit, "1") != 0)
		return err_set(err, RC_ARG, 0, "the unit is missing; expected a number with a unit such as %s", unit);
	enum rc rc = written_to(p->unit, p->unit_length, unit, &factor, &offset, err);
	if (rc)
		return rc;
	*ret_value = p->has_value ? p->value * factor + offset : 0.0;
	*ret_factor = factor;
	if (!isfinite(*ret_value))
		return err_set(err, RC_RANGE, 0, "the value is too large in %s", unit);
	return RC_OK;
}

/* The written spread in the wanted unit. */
static enum rc spread_of(const struct pieces *p, const char *unit, double value, double value_factor, double *ret,
			 struct err *err)
{
	double factor = value_factor, offset = 0.0, pct = 1.0;

	if (p->spread < 0)
		return err_set(err, RC_ARG, 0, "the uncertainty %g is negative; it must be 0 or more", p->spread);
	if (blank(p->spread_unit, p->spread_unit_length)) {
		*ret = p->spread * fabs(value_factor);
	} else if (is_percentage(p->spread_unit, p->spread_unit_length, &pct) && p->has_value &&
		   !is_percentage(p->unit, p->unit_length, &factor)) {
		if (!(fabs(value) > 0) && p->spread > 0)
			return err_set(err, RC_ARG, 0,
				       "a percentage of zero is nothing; give the uncertainty with a "
				       "unit such as %s",
				       unit);
		*ret = p->spread * pct * fabs(value);
	} else {
		enum rc rc = written_to(p->spread_unit, p->spread_unit_length, unit, &factor, &offset, err);
		if (rc) {
			err_prefix(err, "uncertainty: ");
			return rc;
		}
		*ret = p->spread * fabs(factor);
	}
	return RC_OK;
}

static enum rc check_words(const struct pieces *p, struct err *err)
{
	int kinds = p->rect + p->tri + p->normal + !isnan(p->beta);
	bool has_u = !isnan(p->spread) || !isnan(p->bracket_u);

	if (!isnan(p->spread) && !isnan(p->bracket_u))
		return err_set(err, RC_ARG, 0, "the uncertainty is given twice, in brackets and after \xc2\xb1");
	if (!has_u && (kinds || !isnan(p->k) || !isnan(p->dof)))
		return err_set(err, RC_ARG, 0,
			       "there is no uncertainty that rect, tri, normal, trap=, k= or dof= "
			       "could describe; write it after \xc2\xb1");
	if (p->bracket_u < 0)
		return err_set(err, RC_ARG, 0, "the uncertainty in brackets is negative; it must be 0 or more");
	if (!isnan(p->bracket_u) && (p->rect || p->tri || !isnan(p->beta) || !isnan(p->k)))
		return err_set(err, RC_ARG, 0,
			       "an uncertainty in brackets is a standard uncertainty; rect, tri, trap= "
			       "and k= belong after \xc2\xb1");
	if (kinds > 1)
		return err_set(err, RC_ARG, 0, "only one of rect, tri, normal and trap= may be given");
	if (!isnan(p->k) && kinds && !p->normal)
		return err_set(err, RC_ARG, 0,
			       "k= is for an expanded uncertainty; limits (rect, tri, trap=) have none");
	if (!isnan(p->k) && !(p->k > 0))
		return err_set(err, RC_ARG, 0, "the coverage factor k=%g must be above 0", p->k);
	if (!isnan(p->beta) && !(p->beta >= 0 && p->beta <= 1))
		return err_set(err, RC_ARG, 0, "trap=%g must lie between 0 and 1", p->beta);
	if (!isnan(p->dof) && !(p->dof >= 1))
		return err_set(err, RC_ARG, 0, "dof=%g must be 1 or more", p->dof);
	return RC_OK;
}

static void take_spread(const struct pieces *p, double spread, struct quantity *q)
{
	if (!isnan(p->k) || p->normal) {
		q->dist = DIST_NORMAL;
		q->u = spread / (isnan(p->k) ? 1.0 : p->k);
	} else if (p->tri) {
		q->dist = DIST_TRI;
		q->u = spread / sqrt(6.0);
	} else if (!isnan(p->beta)) {
		q->dist = DIST_TRAPEZOID;
		q->beta = p->beta;
		q->u = spread * sqrt((1.0 + p->beta * p->beta) / 6.0);
	} else {
		q->dist = DIST_RECT;
		q->u = spread / sqrt(3.0);
	}
}

static enum rc quantity_of(struct pieces *p, const char *unit, struct quantity *q, struct err *err)
{
	double factor = 1.0, spread = 0.0;
	enum rc rc = check_words(p, err);

	if (!rc)
		rc = value_of(p, unit, &q->value, &factor, err);
	if (rc)
		return rc;
	if (!isnan(p->bracket_u)) {
		q->has_u = true;
		q->u = p->bracket_u * fabs(factor);
	} else if (!isnan(p->spread)) {
		rc = spread_of(p, unit, q->value, factor, &spread, err);
		if (rc)
			return rc;
		q->has_u = true;
		take_spread(p, spread, q);
	}
	if (!isfinite(q->u))
		return err_set(err, RC_RANGE, 0, "the uncertainty is too large in %s", unit);
	q->dof = isnan(p->dof) ? INFINITY : p->dof;
	if (q->dist == DIST_NORMAL && isfinite(q->dof))
		q->dist = DIST_T;
	return RC_OK;
}

enum rc quantity_parse(const char *text, const char *unit, struct quantity *ret, struct err *err)
{
	struct pieces p;
	struct quantity q = { .dof = INFINITY, .dist = DIST_NORMAL };
	char unwrapped[2 * TEXT_MAX];

	if (strlen(text) >= TEXT_MAX)
		return err_set(err, RC_ARG, 0, "\"%.40s...\" is longer than a quantity can be", text);
	const char *s = skip_blanks(text);
	enum rc rc = split(unwrap(s, unwrapped, sizeof unwrapped) ? unwrapped : s, &p, err);
	if (!rc)
		rc = quantity_of(&p, unit, &q, err);
	if (!rc)
		*ret = q;
	return rc;
}

/* The unit that value_of would use: that of the value, or of the spread when the value has none. */
static void unit_text(const struct pieces *p, char *ret, size_t size)
{
	double pct;

	if (blank(p->unit, p->unit_length) && !isnan(p->spread) &&
	    (!p->has_value || !is_percentage(p->spread_unit, p->spread_unit_length, &pct)))
		snprintf(ret, size, "%.*s", (int)p->spread_unit_length, p->spread_unit);
	else
		snprintf(ret, size, "%.*s", (int)p->unit_length, p->unit);
}

enum rc quantity_written_unit(const char *text, char *ret_unit, size_t unit_size, struct err *err)
{
	struct pieces p;
	char unwrapped[2 * TEXT_MAX], written[TEXT_MAX];

	if (strlen(text) >= TEXT_MAX)
		return err_set(err, RC_ARG, 0, "\"%.40s...\" is longer than a quantity can be", text);
	const char *s = skip_blanks(text);
	enum rc rc = split(unwrap(s, unwrapped, sizeof unwrapped) ? unwrapped : s, &p, err);
	if (rc)
		return rc;
	unit_text(&p, written, sizeof written);
	size_t n = strlen(written);
	while (n && isspace((unsigned char)written[n - 1]))
		written[--n] = '\0';
	if (n >= unit_size || unit_size < 2)
		return err_set(err, RC_RANGE, 0, "the unit \"%.40s\" is too long", written);
	snprintf(ret_unit, unit_size, "%s", n ? written : "1");
	return RC_OK;
}

enum rc quantity_parse_si(const char *text, struct quantity *ret, char *ret_unit, size_t unit_size, struct err *err)
{
	char written[UNIT_TEXT], unit[UNIT_TEXT];
	enum rc rc = quantity_written_unit(text, written, sizeof written, err);

	if (!rc)
		rc = unit_si(written, unit, sizeof unit, err);
	if (!rc && strlen(unit) >= unit_size)
		rc = err_set(err, RC_RANGE, 0, "the unit \"%s\" is too long in base units", written);
	if (!rc)
		rc = quantity_parse(text, unit, ret, err);
	if (!rc)
		snprintf(ret_unit, unit_size, "%s", unit);
	return rc;
}

enum rc quantity_si_unit(const char *unit, char *ret_unit, size_t unit_size, struct err *err)
{
	return unit_si(unit, ret_unit, unit_size, err);
}

enum rc quantity_convert(const char *from, const char *to, double *ret_factor, double *ret_offset, struct err *err)
{
	double factor, offset;
	enum rc rc = unit_convert(from, to, &factor, &offset, err);

	if (!rc) {
		*ret_factor = factor;
		*ret_offset = offset;
	}
	return rc;
}

void quantity_cleanup(void)
{
	unit_cleanup();
}
