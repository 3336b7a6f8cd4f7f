/* SPDX-License-Identifier: GPL-3.0-or-later */
/* I20a. Brakes whose torque is known by construction: 40 N.m/A without memory, behind a lag, with a loop, with fade; a
 * second of it at 100 ticks. The limits: 0.1 A of step, 2 N.m of fall, 5 rpm. */
#include "guard/slope.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define DT_S 0.01
#define NM_PER_A 40.0

struct moment {
	double A, Nm, rpm;
};
typedef struct moment rig_fn(double t_s);

/* When it is called a fault, s; 0: never. */
static double found_s(rig_fn *rig, double dt_s, double for_s)
{
	struct guard_slope s = { 0 };

	for (double t_s = dt_s; t_s < for_s; t_s += dt_s) {
		struct moment m = rig(t_s);
		if (slope_step(&s, m.A, m.Nm, m.rpm, dt_s, 0.1, 2, 5))
			return t_s;
	}
	return 0;
}

/* The slope turned round at 10 N.m: what an offset behind swapped wires looks like under load, beyond any light one. */
static struct moment falls(double t)
{
	double A = 0.25 + 0.2 * t;

	return (struct moment){ A, 20 - NM_PER_A * A, 60 };
}
static struct moment rises(double t)
{
	double A = 0.9 - 0.2 * t;

	return (struct moment){ A, 50 - NM_PER_A * A, 60 };
}
/* A loop that is too slow for a zero that walks by 12 N.m/s: the current makes up for two fifths of it. */
static struct moment drifts(double t)
{
	double A = 0.25 + 0.12 * t;

	return (struct moment){ A, 10 - 12 * t + NM_PER_A * 0.12 * t, 60 };
}
/* A current that comes in steps of 0.06 A every 0.3 s is one that rises. */
static struct moment falls_in_steps(double t)
{
	double A = 0.25 + 0.06 * floor(t / 0.3 + 1e-9);

	return (struct moment){ A, 20 - NM_PER_A * A, 60 };
}

static struct moment honest(double t)
{
	double A = 0.1 + 0.1 * t;

	return (struct moment){ A, NM_PER_A * A, 60 };
}
/* To and fro in 4 s behind a lag of 0.1 s. */
static struct moment lags(double t)
{
	double w = 2 * M_PI / 4;

	return (struct moment){ 0.5 + 0.3 * sin(w * t), NM_PER_A * (0.5 + 0.3 * sin(w * (t - 0.1))), 60 };
}
/* A hysteresis brake: its falling branch is 6 N.m above the rising one; after a turn it goes over within 0.3 A. */
static struct moment loops(double t)
{
	double part = fmod(t, 8), A = part < 4 ? 0.2 + 0.2 * part : 1.8 - 0.2 * part;
	double since_A = part < 4 ? A - 0.2 : 1 - A, over = fmin(1, since_A / 0.3);

	return (struct moment){ A, NM_PER_A * A + (part < 4 ? 3 - 6 * over : -3 + 6 * over), 60 };
}
/* Heat: 2 % of the torque a second, 100 K/s at 0.0002 a kelvin; while a loop makes up for it. */
static struct moment fades(double t)
{
	double A = 0.5 * (1 + 0.021 * t);

	return (struct moment){ A, NM_PER_A * A * (1 - 0.02 * t), 60 };
}
/* The actuator gives less and less, and the shaft slows down: a brake that knows its speed falls with it. */
static struct moment sags(double t)
{
	double rpm = 60 - 10 * t;

	return (struct moment){ 0.3 + 0.15 * t, 30 * rpm / 60, rpm };
}
/* It stands: the torque is the actuator's, whatever the brake could hold. */
static struct moment stalled(double t)
{
	return (struct moment){ 0.3 + 0.3 * t, 20 - 5 * t, 0.5 };
}
/* 4 N.m of ripple at 2 Hz on a torque that stays: a saturated brake. */
static struct moment ripples(double t)
{
	return (struct moment){ 0.5 + 0.15 * t, 20 + 2 * sin(2 * M_PI * 2 * t), 60 };
}
static struct moment too_little(double t)
{
	return (struct moment){ 0.5 + 0.15 * t, 20 - 2.5 * t, 60 }; /* 1.75 N.m between the ends of the second */
}
static struct moment to_and_fro(double t)
{
	double A = 0.5 + 0.05 * t + 0.06 * sin(2 * M_PI * t);

	return (struct moment){ A, 20 - 10 * t, 60 };
}
static struct moment unknown_at_times(double t)
{
	struct moment m = falls(t);

	m.Nm = fmod(t, 0.9) < DT_S ? NAN : m.Nm;
	return m;
}
/* The tenth of a second that t_s, the end of a look, belongs to. */
static int tenth(double t)
{
	return (int)floor((t - DT_S / 2) / 0.1);
}
/* Between the third tenth of the second and the eighth it falls for 0.5 s: by 2.5 N.m. Between the fourth and the
 * seventh it would be 1.5. */
static struct moment falls_by_little(double t)
{
	return (struct moment){ 0.25 + 0.125 * t, 20 - 5 * t, 60 };
}
/* Each fourth tenth goes back: by less than a twentieth of the step, or by more. */
static struct moment rises_with(double back_A, double t)
{
	int n = tenth(t);
	double A = 0.25 + 0.02 * (n % 4 == 3 ? n - 1 : n);

	return (struct moment){ n % 4 == 3 ? A - back_A : A, 20 - 8 * t, 60 };
}
static struct moment goes_back_a_little(double t)
{
	return rises_with(0.004, t);
}
static struct moment goes_back(double t)
{
	return rises_with(0.006, t);
}
static struct moment speed_8_percent(double t)
{
	struct moment m = falls(t);

	m.rpm = tenth(t) % 2 ? 60 : 55.5; /* within a tenth of it */
	return m;
}
static struct moment begins_slowly(double t)
{
	struct moment m = falls(t);

	m.rpm = tenth(t) == 0 ? 40 : 60;
	return m;
}
static struct moment current_stays(double t)
{
	return (struct moment){ 0.5, 20 - 8 * t, 60 };
}
static struct moment current_hardly_rises(double t)
{
	return (struct moment){ 0.5 + 0.05 * t, 20 - 8 * t, 60 };
}
static struct moment rises_to_and_fro(double t)
{
	return (struct moment){ 0.5 + 0.2 * t + 0.06 * sin(2 * M_PI * 2 * t), 20 - 8 * t, 60 };
}
static struct moment rises_too_little(double t)
{
	return (struct moment){ 0.9 - 0.2 * t, 5 + 2.5 * t, 60 }; /* 1.25 N.m */
}

static void a_torque_that_goes_against_its_current_is_found(void **state)
{
	(void)state;
	/* A second is full at 1 s: 0.2 A/s are 8 N.m, and 0.5 s of it lie between the ends. */
	assert_in_range(found_s(falls, DT_S, 3) * 1000, 990, 1110);
	assert_in_range(found_s(rises, DT_S, 3) * 1000, 990, 1110);
	assert_in_range(found_s(drifts, DT_S, 3) * 1000, 990, 1110);
	assert_in_range(found_s(falls_in_steps, DT_S, 3) * 1000, 990, 1310);
	assert_in_range(found_s(falls, 0.002, 3) * 1000, 990, 1110);
	assert_in_range(found_s(falls_by_little, DT_S, 3) * 1000, 990, 1110);
	assert_in_range(found_s(goes_back_a_little, DT_S, 3) * 1000, 990, 1110);
	assert_in_range(found_s(speed_8_percent, DT_S, 3) * 1000, 990, 1110);
	/* only from its second tenth on is the speed steady */
	assert_in_range(found_s(begins_slowly, DT_S, 3) * 1000, 1090, 1110);
}

/* A shaft at half a turn a minute is judged like any other: least 0.2 rpm. */
static void a_slow_shaft_is_judged_as_well(void **state)
{
	struct guard_slope s = { 0 };
	bool found = false;

	(void)state;
	for (double t_s = DT_S; t_s < 1.2; t_s += DT_S) {
		struct moment m = falls(t_s);
		found |= slope_step(&s, m.A, m.Nm, 0.5, DT_S, 0.1, 2, 0.2);
	}
	assert_true(found);
}

/* The slowest ticks that a profile allows ([tether] rate = 10 Hz and a little more), none of them on the dot. */
static double found_at_s(rig_fn *rig, double rate_Hz, double for_s)
{
	static const double late_s[] = { 0, 0.004, -0.003, 0.002, -0.001, 0.004, -0.002 };
	struct guard_slope s = { 0 };
	double before_s = 0;

	for (int i = 1; i < for_s * rate_Hz; i++) {
		double t_s = i / rate_Hz + late_s[i % 7];
		struct moment m = rig(t_s);
		if (slope_step(&s, m.A, m.Nm, m.rpm, t_s - before_s, 0.1, 2, 5))
			return t_s;
		before_s = t_s;
	}
	return 0;
}

static const double slow_Hz[] = { 10, 11, 12, 13, 14, 15, 17, 19, 20, 25, 30 };

static void slow_ticks_are_judged_as_well(void **state)
{
	(void)state;
	for (size_t i = 0; i < sizeof slow_Hz / sizeof slow_Hz[0]; i++) {
		double down_s = found_at_s(falls, slow_Hz[i], 4), up_s = found_at_s(rises, slow_Hz[i], 4);
		if (!(down_s > 0.5 && down_s < 1.8 && up_s > 0.5 && up_s < 1.8))
			fail_msg("%.0f ticks a second: %.2f s, %.2f s", slow_Hz[i], down_s, up_s);
	}
}

static void an_honest_brake_is_left_alone(void **state)
{
	static const struct {
		const char *name;
		rig_fn *rig;
		double for_s;
	} rows[] = {
		{ "honest", honest, 9 },
		{ "lag", lags, 20 },
		{ "hysteresis", loops, 40 },
		{ "fade", fades, 20 },
		{ "sagging actuator", sags, 5 },
		{ "stalled", stalled, 3 },
		{ "ripple", ripples, 4 },
		{ "a fall that is too small", too_little, 3 },
		{ "a rise that is too small", rises_too_little, 3 },
		{ "a current that goes to and fro", to_and_fro, 3 },
		{ "a current that rises to and fro", rises_to_and_fro, 3 },
		{ "a current that goes back", goes_back, 3 },
		{ "a current that stays", current_stays, 2 },
		{ "a current that hardly rises", current_hardly_rises, 2 },
		{ "torque unknown at times", unknown_at_times, 3 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		double t_s = found_s(rows[i].rig, DT_S, rows[i].for_s);
		if (t_s > 0)
			fail_msg("%s: called a fault after %.2f s", rows[i].name, t_s);
	}
	for (size_t i = 0; i < 7; i++) /* the brakes; what is too small is by tenths of a second */
		for (size_t k = 0; k < sizeof slow_Hz / sizeof slow_Hz[0]; k++) {
			double t_s = found_at_s(rows[i].rig, slow_Hz[k], rows[i].for_s);
			if (t_s > 0)
				fail_msg("%s at %.0f Hz: called a fault after %.2f s", rows[i].name, slow_Hz[k], t_s);
		}
	assert_true(found_s(falls, 0.2, 5) <= 0); /* too few looks to tell */
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_torque_that_goes_against_its_current_is_found),
		cmocka_unit_test(a_slow_shaft_is_judged_as_well),
		cmocka_unit_test(slow_ticks_are_judged_as_well),
		cmocka_unit_test(an_honest_brake_is_left_alone),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
