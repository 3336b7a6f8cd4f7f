/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Random harm to good quantities, units and headings: the reader never crashes, says one sentence for what it refuses
 * and leaves the result alone then; what it takes is finite, and its text comes back as the same number.
 * Usage: fuzz_quantity [SEED [ROUNDS]] */
#include "calib/number/quantity.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define ROOM 400

static uint64_t state;

/* xorshift64*: Vigna, ACM Trans. Math. Softw. 42 (2016) 30. */
static uint64_t draw(uint64_t below)
{
	state ^= state >> 12;
	state ^= state << 25;
	state ^= state >> 27;
	return (state * UINT64_C(2685821657736338717) >> 11) % below;
}

static const char *const corpus[] = {
	"250.0 mm \xc2\xb1 0.2 mm",
	"250.0(2) mm",
	"100.02147(0.00035) g",
	"1.234(5)e-3 m",
	"12 N\xc2\xb7m \xc2\xb1 0.5 %",
	"12 Nm +- 60 mNm rect",
	"\xc2\xb1 0.1 % k=2",
	"\xc2\xb1 50 ppm",
	"5 kg \xc2\xb1 250 mg tri",
	"80 rpm",
	"80 1/min",
	"20 degC \xc2\xb1 2 K normal",
	"0 1/K \xc2\xb1 20e-6 1/K",
	"20.34 N\xc2\xb7m \xc2\xb1 0.12 N\xc2\xb7m (k = 2.05, 95 %)",
	"(250.0 \xc2\xb1 0.2) mm",
	"1 V \xc2\xb1 2 mV k=2 dof=16",
	"5 kg \xc2\xb1 6 g trap=0.5",
	"3 arcmin",
	("\xe2\x88\x92"
	 "3.5 m/s\xc2\xb2"),
	"1 N.m/arcmin",
	"23 \xc2\xb0",
	"7",
	"7 \xc2\xb1 10 %",
	"1e300 m",
	"-0.0 mm",
	"0.11 N\xc2\xb7m/A",
	"1/(m s)",
	"speed (rpm)",
	"torque (N m)",
	"k (1/(m s))",
};

static const char *const pieces[] = {
	"\xc2\xb1",
	"+-",
	"k=",
	"dof=",
	"trap=",
	"rect",
	"tri",
	"normal",
	"(",
	")",
	"%",
	"ppm",
	"e999",
	"e-999",
	"e308",
	"1e308 k",
	"e-320",
	"nan",
	"inf",
	"-",
	" ",
	"\xc2\xb7",
	"\xe2\x8b\x85",
	"/",
	"^",
	"2",
	"99999999999999999999",
	".",
	",",
	"N",
	"m",
	"Nm",
	"degC",
	"@",
	"since",
	"lg(re 1 mW)",
	"\xff",
	"\xc2",
	"\x01",
	"\n",
	"'",
	"\"",
	"u",
	"k",
	"1/",
	"(2)",
	"0x1p3",
	"=",
	"s-",
	"rad",
	"((((((((",
	"))))",
};

static const char *const units[] = {
	"mm", "N.m", "rpm", "arcmin", "degC", "1", "kg", "V", "m/s2", "1/K", "rad/s", "%"
};

#define COUNT(a) (sizeof(a) / sizeof(a)[0])

static void harm(char *text)
{
	size_t n = strlen(text), at = n ? draw(n) : 0;
	const char *piece = pieces[draw(COUNT(pieces))];
	size_t length = strlen(piece);

	switch (draw(4)) {
	case 0: /* a byte */
		if (n)
			text[at] = (char)(1 + draw(255));
		break;
	case 1: /* a stretch taken out */
		if (n) {
			size_t gone = 1 + draw(n - at < 6 ? n - at : 6);
			memmove(text + at, text + at + gone, n - at - gone + 1);
		}
		break;
	default: /* a piece put in */
		if (n + length < ROOM - 1) {
			memmove(text + at + length, text + at, n - at + 1);
			memcpy(text + at, piece, length);
		}
	}
}

static int wrong(const char *what, const char *text, const char *unit)
{
	printf("%s\n  text \"%s\"\n  unit \"%s\"\n", what, text, unit);
	return 1;
}

static int check_refusal(enum rc rc, const struct err *err, const struct quantity *q, const char *text,
			 const char *unit)
{
	if (rc != RC_ARG && rc != RC_RANGE)
		return wrong("refused with an unexpected kind", text, unit);
	if (strlen(err->what) < 5)
		return wrong("refused without a sentence", text, unit);
	if (!(fabs(q->value - 7) < 1e-12 && fabs(q->u - 8) < 1e-12))
		return wrong("refused, but the result was written", text, unit);
	return 0;
}

/* Two digits of u are kept, so value and u come back to a twentieth of u. */
static int check_round_trip(const struct quantity *q, const char *text, const char *unit)
{
	char written[1000];
	struct quantity back;

	if (!(fabs(q->value) < 1e12 && q->u > 1e-12 && q->u < 1e12 && fabs(q->value) < 1e12 * q->u))
		return 0;
	quantity_format_bracket(written, sizeof written, q->value, q->u, unit);
	if (quantity_parse(written, unit, &back, NULL) != RC_OK)
		return wrong("own text is not read", written, unit);
	if (!(fabs(back.value - q->value) <= 0.06 * q->u + 1e-9 * fabs(q->value) && fabs(back.u - q->u) <= 0.06 * q->u))
		return wrong("own text comes back as another number", written, text);
	return 0;
}

static int try_parse(const char *text, const char *unit)
{
	struct quantity q = { .value = 7, .u = 8 };
	struct err err = { 0 };
	enum rc rc = quantity_parse(text, unit, &q, &err);

	if (rc)
		return check_refusal(rc, &err, &q, text, unit);
	if (!isfinite(q.value) || !isfinite(q.u) || !(q.u >= 0) || !(q.dof >= 1) || (int)q.dist < 0 || q.dist > DIST_T)
		return wrong("took something that is not a number", text, unit);
	return check_round_trip(&q, text, unit);
}

static int try_others(const char *text, const char *unit)
{
	struct quantity q = { .value = 7, .u = 8 };
	struct err err = { 0 };
	char name[24] = "kept", part[24] = "kept";
	double factor = 7, offset = 8;

	enum rc rc = quantity_parse_si(text, &q, part, sizeof part, &err);
	if (rc && check_refusal(rc, &err, &q, text, "SI"))
		return 1;
	if (!rc && (!isfinite(q.value) || !isfinite(q.u)))
		return wrong("took something that is not a number", text, "SI");
	rc = quantity_convert(text, unit, &factor, &offset, &err);
	if (rc ? !(fabs(factor - 7) < 1e-12) : !isfinite(factor) || !isfinite(offset))
		return wrong("conversion", text, unit);
	if (!quantity_heading(text, name, sizeof name, part, sizeof part, &err) && !*name)
		return wrong("a heading without a name was taken", text, unit);
	return 0;
}

/* UDUNITS-2 2.2.28 loses the few bytes of a word when its grammar gives up on a malformed unit. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
	return "leak:utlex";
}

int main(int argc, char **argv)
{
	uint64_t seed = argc > 1 ? strtoull(argv[1], NULL, 10) : (uint64_t)time(NULL);
	long rounds = argc > 2 ? strtol(argv[2], NULL, 10) : 300000, taken = 0;
	int bad = 0;

	printf("seed %llu, %ld rounds\n", (unsigned long long)seed, rounds);
	state = seed * 2 + 1;
	for (size_t i = 0; i < COUNT(corpus); i++)
		for (size_t u = 0; u < COUNT(units); u++)
			bad |= try_parse(corpus[i], units[u]) | try_others(corpus[i], units[u]);
	for (long round = 0; round < rounds && !bad; round++) {
		char text[ROOM], written[64];
		const char *unit = units[draw(COUNT(units))];
		struct quantity q;
		snprintf(text, sizeof text, "%s", corpus[draw(COUNT(corpus))]);
		/* In its own unit as often as not, or hardly anything would be taken. */
		if (draw(2) && quantity_written_unit(text, written, sizeof written, NULL) == RC_OK)
			unit = written;
		for (uint64_t n = 1 + draw(3); n; n--)
			harm(text);
		bad = try_parse(text, unit) | try_others(text, unit);
		taken += quantity_parse(text, unit, &q, NULL) == RC_OK;
	}
	printf("%ld of them were still quantities\n", taken);
	quantity_cleanup();
	return bad || taken == 0;
}
