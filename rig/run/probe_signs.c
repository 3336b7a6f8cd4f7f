/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/probe_signs.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>

#define FULL_FRAC 0.99
#define STUCK_CONVERSIONS 20
#define SLOW_FRAC 0.5
#define SLOW_LEAST_S 1.0
#define SHAKEN_EDGES 8
#define START_VALUE_degC 85.0
#define COLDEST_degC (-55.0)
#define HOTTEST_degC 250.0
#define STEADY_READINGS 30
#define STEADY_S 60.0
#define AGAINST_LEAST 3

__attribute__((format(printf, 2, 3))) static struct probe_verdict verdict(enum probe_say say, const char *format, ...)
{
	struct probe_verdict ret = { .say = say };
	va_list list;

	va_start(list, format);
	vsnprintf(ret.words, sizeof ret.words, format, list);
	va_end(list);
	return ret;
}

static struct probe_verdict good(void)
{
	return (struct probe_verdict){ .say = PROBE_GOOD };
}

static double length_s(const struct probe *w)
{
	return mono_diff_s(w->last.now, w->begin);
}

static bool all_equal(const struct probe_sum *sum)
{
	return !(sum->max > sum->min);
}

/* A wave of the mains. */
static struct probe_verdict judge_hum(const struct probe *w)
{
	static const double mains_Hz[] = { 50, 60 };
	const size_t n = w->n_kept < PROBE_KEPT ? w->n_kept : PROBE_KEPT, first = n == PROBE_KEPT ? w->n_kept : 0;
	double amplitude, at_Hz = 0;

	for (int i = 0; i < 2; i++)
		if (probe_hum(w->kept, n, first, mains_Hz[i], &amplitude, &at_Hz))
			return verdict(PROBE_LOOK,
				       "A wave of %.3g counts either way at %.1f Hz: %g Hz of the mains look so here. "
				       "Ground the cable's screen at one end; keep it away from mains and drive.",
				       amplitude, at_Hz, mains_Hz[i]);
	return good();
}

static struct probe_verdict judge_cell(const struct probe *w, const struct probe_stated *stated)
{
	const struct probe_sum *sum = &w->sum[PROBE_CELL];
	double rate_Hz = (double)sum->n / length_s(w);

	if (!stated->has_cell)
		return (struct probe_verdict){ .say = PROBE_NONE };
	if (sum->n == 0)
		return verdict(PROBE_FAULT, "No conversion came. Check the converter's supply and its data line.");
	if (!(fabs(sum->mean) < FULL_FRAC * stated->saturation_count))
		return verdict(PROBE_FAULT,
			       "At full scale. A wire of the bridge is open, or the cell is overloaded: check both.");
	if (sum->n >= STUCK_CONVERSIONS && all_equal(sum))
		return verdict(PROBE_FAULT,
			       "%" PRIu64 " conversions are all equal. Check the converter's data and clock lines.",
			       sum->n);
	if (length_s(w) >= SLOW_LEAST_S && rate_Hz < SLOW_FRAC * stated->conversions_Hz)
		return verdict(PROBE_FAULT,
			       "%.1f conversions/s; the node states %g. Check the converter's rate pin and the node.",
			       rate_Hz, stated->conversions_Hz);
	return judge_hum(w);
}

static struct probe_verdict judge_pickup(const struct probe *w, const struct probe_stated *stated)
{
	if (w->sum[PROBE_SPEED].n == 0)
		return (struct probe_verdict){ .say = PROBE_NONE };
	if (stated->two_channels && w->edges >= SHAKEN_EDGES && w->pulses_max - w->pulses_min <= 1)
		return verdict(PROBE_FAULT,
			       "%" PRIu32 " edges, but the pulses go to and fro by one. One of the two channels is "
			       "dead, or the shaft shakes at an edge.",
			       w->edges);
	if (stated->two_channels && w->other_way >= AGAINST_LEAST && w->same_way == 0)
		return verdict(PROBE_FAULT,
			       "The drive says %" PRIu32 " times that its rotor turns the other way. Check [pickup] "
			       "sign, the two channels, and the drive's sign.",
			       w->other_way);
	if (w->pulses_max == w->pulses_min)
		return verdict(PROBE_LOOK, "No pulse came. Turn the shaft by hand while probe looks.");
	return good();
}

static struct probe_verdict judge_temperature(const struct probe *w, enum probe_channel channel)
{
	const struct probe_sum *sum = &w->sum[channel];

	if (sum->n == 0)
		return (struct probe_verdict){ .say = PROBE_NONE };
	if (all_equal(sum) && fabs(sum->min - START_VALUE_degC) < 1e-9)
		return verdict(PROBE_FAULT, "Always exactly 85 °C, the start value of many digital sensors. Check its "
					    "supply and its data line.");
	if (!(sum->min >= COLDEST_degC && sum->max <= HOTTEST_degC))
		return verdict(PROBE_FAULT, "%.1f °C cannot be. Check the sensor's wires for an open or a short one.",
			       sum->min >= COLDEST_degC ? sum->max : sum->min);
	if (sum->n >= STEADY_READINGS && length_s(w) >= STEADY_S && all_equal(sum))
		return verdict(PROBE_LOOK, "All readings of %.0f s are equal. Warm the sensor by hand: it must rise.",
			       length_s(w));
	return good();
}

struct probe_verdict probe_judge(const struct probe *w, enum probe_channel channel, const struct probe_stated *stated)
{
	if (channel == PROBE_CELL)
		return judge_cell(w, stated);
	if (channel == PROBE_SPEED)
		return judge_pickup(w, stated);
	if (channel >= PROBE_TEMP_BRAKE)
		return judge_temperature(w, channel);
	return w->sum[channel].n > 0 ? good() : (struct probe_verdict){ .say = PROBE_NONE };
}

const char *probe_say_word(enum probe_say say)
{
	static const char *const word[] = { "none", "good", "look", "fault" };

	return word[say];
}
