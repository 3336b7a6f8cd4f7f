/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/text.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

/* Decimals that show two significant digits of U; U itself may round up to one digit more (0.0996 -> 0.10). */
static int decimals_for(double U)
{
	int decimals = 1 - (int)floor(log10(U));
	double step = pow(10, -decimals);

	if (round(U / step) >= 100)
		decimals--;
	return decimals;
}

static double round_to(double value, int decimals)
{
	double step = pow(10, -decimals);

	return decimals >= 0 ? value : round(value / step) * step;
}

static bool has_U(double U)
{
	return isfinite(U) && U > 0;
}

void text_value(char *buf, size_t size, double value, double U)
{
	if (!isfinite(value)) {
		snprintf(buf, size, "–");
		return;
	}
	if (!has_U(U)) {
		snprintf(buf, size, "%.4g", value);
		return;
	}
	int decimals = decimals_for(U);
	double rounded = round_to(value, decimals);
	snprintf(buf, size, "%.*f", decimals > 0 ? decimals : 0, rounded);
	/* No minus sign in front of nothing. */
	if (buf[0] == '-' && strspn(buf + 1, "0.") == strlen(buf + 1))
		memmove(buf, buf + 1, strlen(buf));
}

void text_U(char *buf, size_t size, double U)
{
	if (!has_U(U)) {
		snprintf(buf, size, "%s", "");
		return;
	}
	int decimals = decimals_for(U);
	snprintf(buf, size, "%.*f", decimals > 0 ? decimals : 0, round_to(U, decimals));
}

void text_part(char *buf, size_t size, double u, double whole)
{
	int decimals = has_U(whole) ? decimals_for(whole) + 1 : 6;

	snprintf(buf, size, "%.*f", decimals > 0 ? decimals : 0, u);
}

void text_pm(char *buf, size_t size, double value, double U, const char *unit)
{
	char number[64], width[64];

	text_value(number, sizeof number, value, U);
	text_U(width, sizeof width, U);
	const char *space = unit && unit[0] ? " " : "";
	unit = unit ? unit : "";
	if (!isfinite(value))
		snprintf(buf, size, "–");
	else if (width[0])
		snprintf(buf, size, "%s%s%s ± %s%s%s", number, space, unit, width, space, unit);
	else
		snprintf(buf, size, "%s%s%s indicated", number, space, unit);
}

void text_unc(char *buf, size_t size, const struct curve *curve, struct unc x, const char *unit)
{
	text_pm(buf, size, x.value, unc_expanded(curve->ctx, x, curve->coverage, NULL), unit);
}

void text_repeatable(char *buf, size_t size, const struct curve *curve, struct unc x, double scatter, double scale,
		     const char *unit)
{
	double U = unc_expanded(curve->ctx, x, curve->coverage, NULL), other = another_window(scatter);

	text_pm(buf, size, scale * x.value, scale * (other > U ? other : U), unit);
}

void text_unc_percent(char *buf, size_t size, const struct curve *curve, struct unc x)
{
	text_pm(buf, size, 100 * x.value, 100 * unc_expanded(curve->ctx, x, curve->coverage, NULL), "%");
}

/* Length of the UTF-8 sequence at s, 0 when it is none (overlong forms and surrogates count as none). */
static size_t utf8_length(const unsigned char *s)
{
	static const struct {
		unsigned char mask, lead;
		size_t n;
		unsigned min;
	} forms[] = {
		{ 0xE0, 0xC0, 2, 0x80 },
		{ 0xF0, 0xE0, 3, 0x800 },
		{ 0xF8, 0xF0, 4, 0x10000 },
	};

	if (s[0] < 0x80)
		return 1;
	for (size_t f = 0; f < sizeof forms / sizeof forms[0]; f++) {
		if ((s[0] & forms[f].mask) != forms[f].lead)
			continue;
		unsigned code = s[0] & (unsigned char)~forms[f].mask;
		for (size_t i = 1; i < forms[f].n; i++) {
			if ((s[i] & 0xC0) != 0x80)
				return 0;
			code = code << 6 | (s[i] & 0x3Fu);
		}
		bool bad = code < forms[f].min || code > 0x10FFFF || (code >= 0xD800 && code < 0xE000);
		return bad ? 0 : forms[f].n;
	}
	return 0;
}

static const char *entity_of(unsigned char c)
{
	switch (c) {
	case '&': return "&amp;";
	case '<': return "&lt;";
	case '>': return "&gt;";
	case '"': return "&quot;";
	case '\'': return "&#39;";
	default: return NULL;
	}
}

void text_html(FILE *to, const char *text)
{
	for (const unsigned char *s = (const unsigned char *)text; *s != '\0';) {
		size_t n = utf8_length(s);
		const char *entity = entity_of(*s);
		bool control = *s < 0x20 && *s != '\n' && *s != '\t';

		if (entity)
			fputs(entity, to);
		else if (n == 0 || control || *s == 0x7F)
			fputc('?', to);
		else
			fwrite(s, 1, n, to);
		s += n ? n : 1;
	}
}

static bool is_unit(const char *s)
{
	static const char *const units[] = { "N·m", "rpm", "°C", "%", "W", "A", "V" };

	for (size_t i = 0; i < sizeof units / sizeof units[0]; i++)
		if (strncmp(s, units[i], strlen(units[i])) == 0)
			return true;
	return false;
}

/* Blanks behind a digit that a unit or a sign follows, and those around the sign or "=", do not break. */
void text_html_kept(FILE *to, const char *text)
{
	static const char sign[] = "±";
	const size_t n = sizeof sign - 1;
	char kept[2400];
	size_t used = 0;

	for (const char *s = text; *s && used + 3 < sizeof kept; s++) {
		bool digit = s > text && s[-1] >= '0' && s[-1] <= '9';
		bool after = s >= text + n && strncmp(s - n, sign, n) == 0, before = strncmp(s + 1, sign, n) == 0;
		bool unit = digit && is_unit(s + 1), equals = s[1] == '=' || (s > text && s[-1] == '=');
		if (*s == ' ' && (after || before || unit || equals)) {
			memcpy(kept + used, "\xC2\xA0", 2);
			used += 2;
		} else {
			kept[used++] = *s;
		}
	}
	kept[used] = '\0';
	text_html(to, kept);
}

/* Behind what a number begins. */
static bool begins(const char *text, size_t i)
{
	static const char no_break[] = "\xC2\xA0", quote[] = "\xE2\x80\x9C";

	return i == 0 || strchr(" \t\n([,;=\"", text[i - 1]) || (i >= 2 && memcmp(text + i - 2, no_break, 2) == 0) ||
	       (i >= 3 && memcmp(text + i - 3, quote, 3) == 0);
}

static bool is_digit(char c)
{
	return c >= '0' && c <= '9';
}

void text_signs(FILE *to, const char *text, size_t n)
{
	size_t done = 0;

	for (size_t i = 0; i + 1 < n; i++) {
		bool number = is_digit(text[i + 1]) || (text[i + 1] == '.' && i + 2 < n && is_digit(text[i + 2]));
		if (text[i] != '-' || !number || !begins(text, i))
			continue;
		fwrite(text + done, 1, i - done, to);
		fputs("\xE2\x88\x92", to);
		done = i + 1;
	}
	fwrite(text + done, 1, n - done, to);
}

void text_time(char *buf, size_t size, int64_t wall_ns)
{
	time_t t = (time_t)(wall_ns / 1000000000);
	struct tm tm;

	if (wall_ns == 0 || gmtime_r(&t, &tm) == NULL || strftime(buf, size, "%Y-%m-%d %H:%M UTC", &tm) == 0)
		snprintf(buf, size, "–");
}

void text_swap(char *buf, size_t size, const char *text, const char *from, const char *to)
{
	size_t used = 0, length = strlen(from);

	if (size == 0)
		return;
	buf[0] = '\0';
	while (used < size - 1) {
		const char *hit = strstr(text, from);
		int n = hit ? snprintf(buf + used, size - used, "%.*s%s", (int)(hit - text), text, to)
			    : snprintf(buf + used, size - used, "%s", text);
		if (!hit || n < 0)
			return;
		used += (size_t)n;
		text = hit + length;
	}
}
