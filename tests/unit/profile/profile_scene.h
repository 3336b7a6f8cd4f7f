/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Least files that are right, as texts, and how they are changed and read. The figures are the tests' own. After
 * cmocka.h. */
#ifndef BRIDLE_TESTS_PROFILE_SCENE_H
#define BRIDLE_TESTS_PROFILE_SCENE_H

#include "profile/profile.h"

static const char rig_text[] = "[rig]\n" /* 1 */
			       "name = bench two\n"
			       "latitude = 45 deg ± 0.1 deg\n"
			       "height = 100 m ± 30 m\n"
			       "[tether]\n" /* 5 */
			       "link = unix:run/t\n"
			       "[cell]\n"
			       "full_scale = 0.06 kN.m\n"
			       "mounting = shaft\n"
			       "zero_drift = 0 N.m/K ± 0.004 N.m/K normal\n" /* 10 */
			       "gain_drift = 0 1/K ± 20 ppm/K\n"
			       "creep = 0 % ± 0.02 %\n"
			       "[arm]\n"
			       "length = 500.0 mm ± 0.4 mm k=2\n"
			       "[brake]\n" /* 15 */
			       "kind = hysteresis\n"
			       "current = 1200 mA\n"
			       "torque = 50 N·m\n"
			       "slip_power = 500 W\n"
			       "slip_power_short = 1.2 kW\n" /* 20 */
			       "slip_energy = 120 kJ\n"
			       "temperature = 383.15 K\n"
			       "[supply]\n"
			       "voltage = 48 V\n"
			       "current_limit = 12 A\n" /* 25 */
			       "voltage_min = 36 V\n"
			       "voltage_max = 56 V\n"
			       "[meter]\n"
			       "plane = supply\n"
			       "voltage_gain = 1 ± 0.2 % k=2\n" /* 30 */
			       "voltage_offset = 0 mV ± 20 mV\n"
			       "current_gain = 1 ± 0.2 % k=2\n"
			       "current_offset = 0 mA ± 10 mA\n"
			       "[pickup]\n"
			       "pulses = 2400\n" /* 35 */
			       "[limits]\n"
			       "torque = 52 N.m\n"
			       "speed = 2.5 revolutions/s\n"
			       "coupling = 60 N.m\n";

static const char actuator_text[] =
	"[actuator]\nname = winder\nratio = 36\n"                                                          /* 1..3 */
	"[limits]\ntorque = 45 N.m\nspeed = 150 rpm\ncurrent = 20 A\ncase = 80 degC\nwinding = 120 degC\n" /* 4..9 */
	"[drive]\ndropout = 36 V\n"                                                                        /* 10, 11 */
	"[claims]\nrated_torque = 20 N.m @ 80 rpm\npeak_efficiency = 72 %\n";                              /* 12..14 */

static const char plan_text[] = "[plan]\nactuator = winder\nspeed = 85 rpm\n" /* 1..3 */
				"[steps]\ntorque = 0, 5, 10 N.m\n";           /* 4, 5 */

static const char weights_text[] = "[hanger]\nmass = 0.512 kg ± 0.5 g\n"    /* 1, 2 */
				   "[2kg-a]\nnominal = 2 kg\nclass = M1\n"; /* 3..5 */

static inline enum rc parse(enum profile_file which, const char *text, struct mistakes *m, struct err *err)
{
	static struct rig_profile rig;
	static struct actuator_profile actuator;
	static struct plan_profile plan;
	static struct weights_profile weights;

	switch (which) {
	case PROFILE_RIG: return profile_parse_rig(text, "rig.ini", &rig, m, err);
	case PROFILE_ACTUATOR: return profile_parse_actuator(text, "a.ini", &actuator, m, err);
	case PROFILE_PLAN: return profile_parse_plan(text, "p.ini", &plan, m, err);
	case PROFILE_WEIGHTS: return profile_parse_weights(text, "w.ini", &weights, m, err);
	}
	return RC_ARG;
}

static inline const char *base_text(enum profile_file which)
{
	static const char *const texts[] = { rig_text, actuator_text, plan_text, weights_text };

	return texts[which];
}

/* text with the first `from` replaced by `to`; malloc'ed. */
static inline char *replaced(const char *text, const char *from, const char *to)
{
	const char *at = strstr(text, from);
	size_t size = strlen(text) + strlen(to) + 1;
	char *ret = malloc(size);

	assert_non_null(at);
	assert_non_null(ret);
	snprintf(ret, size, "%.*s%s%s", (int)(at - text), text, to, at + strlen(from));
	return ret;
}

/* value_near: to a part in 1e12, the rounding of a few products. */
static inline void assert_near(double found, double expected)
{
	if (!(fabs(found - expected) <= 1e-12 * fmax(1, fabs(expected))))
		fail_msg("found %.17g, expected %.17g", found, expected);
}

static inline bool stands(const struct mistakes *m, const char *what)
{
	for (size_t i = 0; i < m->n; i++)
		if (strstr(m->line[i], what))
			return true;
	return false;
}

static inline int drop_units(void **state)
{
	(void)state;
	quantity_cleanup();
	return 0;
}

#endif
