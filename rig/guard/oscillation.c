/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/oscillation.h"

#include <math.h>

/* Common practice, no source. */
#define HALF_CYCLE_S 1.0 /* slower is a set-point that moves, not a limit cycle */
#define FADED_FRAC 0.5
#define BACK_FRAC 0.25
#define GROWS_TIMES 1.1
#define GROWS_MOST 4.0 /* a load that comes at once is larger than the noise before it by more */
#define GROWN_HALVES 4
#define BEYOND_HALVES 3
#define RATTLE_JUMPS 3 /* a load that comes at once makes two: down and back */
#define CREEP_FRAC \
	0.25 /* of the rotor's change: the shaft's at the most, where it is the gear's play that lets the rotor go */
#define RATTLE_WORDS 5

static void begin(struct guard_osc *osc, double value)
{
	*osc = (struct guard_osc){ .known = true, .extreme = value, .turned_at = value };
}

/* The swing that has just ended. One of less than half of the largest begins the count again: so a step that rings
 * down, even slowly, never counts up. Half, not more: the samples of a fast limit cycle cut every swing at another
 * place. */
static void count(struct guard_osc *osc, double swing)
{
	double size = fabs(osc->extreme - osc->turned_at);
	bool faded = size < FADED_FRAC * osc->largest;
	bool grows = size > GROWS_TIMES * osc->size && size < GROWS_MOST * osc->size;

	/* Of those that grow the last are beyond the swing: what grows has its first ones in the noise. */
	if (osc->swing_s > HALF_CYCLE_S)
		osc->grown = 0;
	else
		osc->grown = grows ? osc->grown + 1 : 1;
	osc->beyond = size < swing ? 0 : osc->beyond + 1;
	osc->size = size;

	if (osc->swing_s > HALF_CYCLE_S)
		osc->halves = 0;
	else if (size < swing)
		osc->halves = osc->halves > 2 ? osc->halves - 2 : 0;
	else
		osc->halves = faded ? 1 : osc->halves + 1;
	osc->largest = osc->halves <= 1 ? size : fmax(osc->largest, size);
}

static void turn(struct guard_osc *osc, double value, double swing, int sense)
{
	if (osc->sense != 0)
		count(osc, swing);
	osc->turned_at = osc->extreme;
	osc->extreme = value;
	osc->sense = sense;
	osc->swing_s = 0;
}

unsigned oscillation_step(struct guard_osc *osc, double value, double swing, double dt_s)
{
	double back = BACK_FRAC * swing;

	if (isnan(value) || !osc->known) {
		begin(osc, value);
		osc->known = !isnan(value);
		return 0;
	}
	osc->swing_s += dt_s;
	if (osc->swing_s > 2 * HALF_CYCLE_S)
		osc->halves = osc->grown = 0;
	if (osc->sense >= 0 && value > osc->extreme)
		osc->extreme = value;
	else if (osc->sense <= 0 && value < osc->extreme)
		osc->extreme = value;
	if (osc->sense == 0 && fabs(value - osc->turned_at) > back) {
		osc->sense = value > osc->turned_at ? 1 : -1;
		osc->extreme = value;
	} else if (osc->sense > 0 && value < osc->extreme - back) {
		turn(osc, value, swing, -1);
	} else if (osc->sense < 0 && value > osc->extreme + back) {
		turn(osc, value, swing, 1);
	}
	return osc->halves / 2;
}

bool oscillation_grows(const struct guard_osc *osc)
{
	return osc->grown >= GROWN_HALVES && osc->beyond >= BEYOND_HALVES;
}

void oscillation_let_go(struct guard_osc *osc)
{
	osc->grown = 0;
}

static unsigned bits_of(unsigned word)
{
	unsigned n = 0;

	for (; word != 0; word >>= 1)
		n += word & 1;
	return n;
}

/* Nearly in step with the words a swing shows itself slowly: each word is a little farther along it, and off a shaft
 * that goes on as before. One that gains speed goes along with its rotor, be it by a pick-up that slips. */
static bool creeps_off(const struct guard_rattle *r, double rotor_rpm, double speed_rpm, double swing_rpm)
{
	double crept_rpm = fabs(rotor_rpm - r->rotor_rpm);

	return fabs(rotor_rpm - speed_rpm) > 2 * swing_rpm && crept_rpm > swing_rpm / 2 &&
	       fabs(speed_rpm - r->speed_rpm) < CREEP_FRAC * crept_rpm;
}

/* A shaft that stands while its rotor turns one way is no swing: the pick-up, or what joins them. In front of a shaft
 * that really stands a rotor swings about nothing. */
static bool turns_beside(const struct guard_rattle *r, double rotor_rpm, double speed_rpm, double swing_rpm)
{
	return fabs(speed_rpm) + fabs(r->speed_rpm) < swing_rpm / 2 && rotor_rpm * r->rotor_rpm > 0;
}

bool rattle_step(struct guard_rattle *r, double rotor_rpm, double speed_rpm, double swing_rpm)
{
	r->jump_rpm = fabs(rotor_rpm - r->rotor_rpm) - fabs(speed_rpm - r->speed_rpm);
	if (isnan(r->jump_rpm))
		r->jumped = 0;
	bool jumps = (r->jump_rpm > swing_rpm || creeps_off(r, rotor_rpm, speed_rpm, swing_rpm)) &&
		     !turns_beside(r, rotor_rpm, speed_rpm, swing_rpm);
	r->jumped = (r->jumped << 1 | jumps) & ((1u << RATTLE_WORDS) - 1);
	r->rotor_rpm = rotor_rpm;
	r->speed_rpm = speed_rpm;
	return bits_of(r->jumped) >= RATTLE_JUMPS;
}
