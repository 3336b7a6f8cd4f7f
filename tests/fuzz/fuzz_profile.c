/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Random harm to good profiles: the reader never crashes, says at least one sentence for what it refuses, leaves
 * the result alone then, and what it takes is finite and inside its range. Usage: fuzz_profile [SEED [ROUNDS]] */
#include "profile/profile.h"
#include "channel/utf8.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define ROOM 40000

union any {
	struct rig_profile rig;
	struct actuator_profile actuator;
	struct plan_profile plan;
	struct weights_profile weights;
};

static uint64_t state;

/* xorshift64*: Vigna, ACM Trans. Math. Softw. 42 (2016) 30. */
static uint64_t draw(uint64_t below)
{
	state ^= state >> 12;
	state ^= state << 25;
	state ^= state >> 27;
	return (state * UINT64_C(2685821657736338717) >> 11) % below;
}

static const char *const pieces[] = {
	"=",
	"[",
	"]",
	"\n",
	"\r\n",
	"#",
	";",
	"±",
	"k=2",
	" N.m",
	"nan",
	"inf",
	"-",
	"1e308",
	"1e-308",
	"0x1p3",
	"%",
	"ppm",
	"@",
	"from ",
	" to ",
	" step ",
	",",
	"\xEF\xBB\xBF",
	"\xFF",
	"\xC2",
	"\x01",
	"\x7F",
	"99999999999999999999",
	"[cell]",
	"yes",
	("                                                                                                             "
	 " "
	 " "),
	"(2)",
	"^2",
	"/",
	"..",
	"torque = ",
	"\t",
	":",
	"²",
	"µ",
	"°",
};

static void harm(char *text)
{
	size_t n = strlen(text), at = n ? draw(n) : 0, from, length;

	switch (draw(6)) {
	case 0: /* a byte */
		if (n)
			text[at] = (char)(1 + draw(255));
		break;
	case 1: /* a piece put in */
	case 2: {
		const char *piece = pieces[draw(sizeof pieces / sizeof pieces[0])];
		length = strlen(piece);
		if (n + length < ROOM) {
			memmove(text + at + length, text + at, n - at + 1);
			memcpy(text + at, piece, length);
		}
		break;
	}
	case 3: /* a stretch taken out */
		length = draw(40);
		length = at + length < n ? length : n - at;
		memmove(text + at, text + at + length, n - at - length + 1);
		break;
	case 4: /* a stretch from elsewhere put in */
		length = draw(200);
		from = n ? draw(n) : 0;
		length = from + length < n ? length : n - from;
		if (n + length < ROOM) {
			char copy[200];
			memcpy(copy, text + from, length);
			memmove(text + at + length, text + at, n - at + 1);
			memcpy(text + at, copy, length);
		}
		break;
	default: /* cut off */
		if (draw(10) == 0)
			text[at] = '\0';
	}
}

static enum rc parse(int which, const char *text, union any *ret, struct mistakes *m, struct err *err)
{
	switch (which) {
	case PROFILE_RIG: return profile_parse_rig(text, "f.ini", &ret->rig, m, err);
	case PROFILE_ACTUATOR: return profile_parse_actuator(text, "f.ini", &ret->actuator, m, err);
	case PROFILE_PLAN: return profile_parse_plan(text, "f.ini", &ret->plan, m, err);
	default: return profile_parse_weights(text, "f.ini", &ret->weights, m, err);
	}
}

static const char *wrong_with_taken(int which, const union any *a)
{
	if (which == PROFILE_RIG &&
	    !(a->rig.cell_full_scale_Nm > 0 && a->rig.limit_torque_Nm <= a->rig.cell_full_scale_Nm &&
	      a->rig.arm_m.u >= 0 && isfinite(a->rig.arm_m.u) && a->rig.rate_Hz >= 10 &&
	      a->rig.lease_s * a->rig.rate_Hz >= 3 && a->rig.name[0] && memchr(a->rig.name, 0, PROFILE_WORD)))
		return "a rig that cannot be was taken";
	if (which == PROFILE_ACTUATOR && !(a->actuator.gear_ratio > 0 && isfinite(a->actuator.gear_ratio) &&
					   a->actuator.limit_torque_Nm > 0 && a->actuator.expect_efficiency <= 1))
		return "an actuator that cannot be was taken";
	if (which == PROFILE_PLAN) {
		if (a->plan.n < 1 || a->plan.n > PROFILE_STEPS || strchr(a->plan.actuator, '/'))
			return "a plan that cannot be was taken";
		for (size_t i = 0; i < a->plan.n; i++)
			if (!(a->plan.step[i] >= 0 && (i == 0 || a->plan.step[i] > a->plan.step[i - 1])))
				return "steps that do not rise were taken";
	}
	if (which == PROFILE_WEIGHTS) {
		if (a->weights.n < 1 || a->weights.n > PROFILE_PIECES || a->weights.hanger >= (int)a->weights.n)
			return "weights that cannot be were taken";
		for (size_t i = 0; i < a->weights.n; i++)
			if (!(a->weights.piece[i].mass_kg.value > 0 && a->weights.piece[i].mass_kg.has_u))
				return "a piece without mass or uncertainty was taken";
	}
	return NULL;
}

static const char *wrong_with_refused(const struct mistakes *m, const struct err *err, const union any *a,
				      const union any *before)
{
	if (m->n == 0 || !err->what[0])
		return "refused without a sentence";
	if (memcmp(a, before, sizeof *a) != 0)
		return "the result was written though it was refused";
	for (size_t i = 0; i < m->n; i++)
		for (const char *c = m->line[i]; *c;) {
			size_t n = utf8_length(c);
			if (n == 0)
				return "a sentence holds what no terminal should get";
			c += n;
		}
	return NULL;
}

int main(int argc, char **argv)
{
	uint64_t seed = argc > 1 ? strtoull(argv[1], NULL, 10) : (uint64_t)time(NULL);
	long rounds = argc > 2 ? strtol(argv[2], NULL, 10) : 2000, taken = 0;
	static char text[ROOM + 300];
	static union any any, before;

	printf("seed %llu, %ld rounds\n", (unsigned long long)seed, rounds);
	state = seed * 2 + 1;
	memset(&before, 0xA5, sizeof before);
	for (long i = 0; i < rounds; i++) {
		int which = (int)draw(4);
		char *good = profile_template((enum profile_file)which, true);
		struct mistakes m = { 0 };
		struct err err = { 0 };
		if (!good)
			return 3;
		snprintf(text, sizeof text, "%s", good);
		free(good);
		for (uint64_t times = 1 + draw(4); times > 0; times--)
			harm(text);
		memcpy(&any, &before, sizeof any);
		enum rc rc = parse(which, text, &any, &m, &err);
		const char *wrong = rc == RC_OK    ? wrong_with_taken(which, &any)
				    : rc == RC_ARG ? wrong_with_refused(&m, &err, &any, &before)
						   : "neither taken nor refused";
		if (wrong) {
			printf("round %ld: %s: %s\n----\n%s\n", i, wrong, err.what, text);
			return 1;
		}
		taken += rc == RC_OK;
	}
	quantity_cleanup();
	printf("%ld taken, %ld refused\n", taken, rounds - taken);
	return taken > rounds / 20 && taken < rounds ? 0 : 1; /* harm that always or never shows tests nothing */
}
