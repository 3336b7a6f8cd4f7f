/* SPDX-License-Identifier: GPL-3.0-or-later */
/* I20 */
#include "run/seq_signs.h"

#include "tiny_rig.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>

#include <cmocka.h>

/* What is the wrong way round, and how much the brake was given. */
struct lie {
	bool cell, pick, rotor, ratio;
	bool no_speed, no_angle;                  /* what the pick-up does: nothing, a speed alone */
	double waits_s;                           /* so long its drive waits for a person */
	double goes_on_rpm;                       /* what it tells of a shaft in the end; 0: the truth */
	double swing_Nm;                          /* of the torque once a turn */
	double coil_frac;                         /* of the brake's current that is read back; 0: all */
	double most_A, most_Nm, before_A, fall_A; /* fall: the largest in a tick */
};

static void bend(void *ctx, const struct tiny_rig *rig, const struct seq_out *out)
{
	struct lie *lie = ctx;

	lie->most_A = fmax(lie->most_A, out->wish.brake_A);
	lie->fall_A = fmax(lie->fall_A, lie->before_A - out->wish.brake_A);
	lie->before_A = out->wish.brake_A;
	lie->most_Nm = fmax(lie->most_Nm, rig->brake_Nm);
}

static struct seq_signs told;

static void step_through(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	const struct lie *lie = state;
	struct snapshot seen = *snap;

	seen.torque_Nm += lie->swing_Nm * sin(2 * 3.14159265358979 * seen.angle_rev);
	seen.torque_Nm *= lie->cell ? -1 : 1;
	seen.speed_rpm *= lie->pick ? -1 : 1;
	seen.drive_rotor_rpm *= lie->rotor ? -1 : lie->ratio ? 1.5 : 1;
	if (lie->coil_frac > 0)
		seen.brake_A *= lie->coil_frac;
	seen.drive_waits = (double)(seen.now.ns - 1000000000) * 1e-9 < lie->waits_s;
	if (lie->no_speed)
		seen.speed_rpm = NAN;
	if (lie->no_angle)
		seen.angle_rev = 0;
	if (lie->goes_on_rpm > 0 && told.phase == SIGNS_COAST)
		seen.speed_rpm = lie->goes_on_rpm;
	seq_signs_step(&told, &seen, ret);
}

static struct seq_out check(struct lie *lie, bool mute)
{
	struct tiny_rig rig = tiny_rig_make(31);
	const struct signs_config config = {
		.speed_rpm = 20, .slew_rpm_per_s = 40, .answer_Nm = 1.5, .most_A = 0.3, .max_A = 1, .gear_ratio = 36
	};

	rig.tare_count = rig.zero_count;
	rig.mute_drive = mute;
	seq_signs_begin(&told, &config);
	return tiny_run(&rig, step_through, lie, 60, bend, lie);
}

static void a_rig_in_order_passes(void **state)
{
	(void)state;
	for (int mute = 0; mute < 2; mute++) {
		struct lie none = { .cell = false };
		struct seq_out out = check(&none, mute);
		assert_true(out.done && !out.stop && !told.wrong);
		assert_true(told.answer_Nm >= 1.5 && told.answer_Nm < 3);
		assert_int_equal(told.rotor_judged, !mute);
		/* 0.5 N·m of drag and remanence, 40 N·m/A: hardly more than the answer took */
		assert_true(none.most_Nm < 4);
	}
}

/* A tenth of the largest current a second, up and down: 0.002 A a tick of one of 2 A. A shaft that is told to creep at
 * 0.8 rpm stands: the last pulses are believed for a while. */
static void the_load_goes_as_slowly_as_it_came(void **state)
{
	struct tiny_rig rig = tiny_rig_make(35);
	const struct signs_config config = {
		.speed_rpm = 20, .slew_rpm_per_s = 40, .answer_Nm = 1.5, .most_A = 0.3, .max_A = 2, .gear_ratio = 36
	};
	struct lie creeps = { .goes_on_rpm = 0.8 };

	(void)state;
	rig.tare_count = rig.zero_count;
	seq_signs_begin(&told, &config);
	assert_true(tiny_run(&rig, step_through, &creeps, 60, bend, &creeps).done);
	assert_true(fabs(creeps.fall_A - 0.002) < 1e-9);
}

/* A torque that rises while the coil has no current is no answer of the brake. 0.3 A is allowed, so half of it, 0.15 A,
 * is a load, and half of that has to be read back: 0.06 A is too little, 0.09 A is enough. */
static void an_answer_needs_current_in_the_coil(void **state)
{
	(void)state;
	for (int enough = 0; enough < 2; enough++) {
		struct tiny_rig rig = tiny_rig_make(36);
		const struct signs_config config = { .speed_rpm = 20,
						     .slew_rpm_per_s = 40,
						     .answer_Nm = 1.5,
						     .most_A = 0.3,
						     .max_A = 20,
						     .gear_ratio = 36 };
		struct lie lie = { .coil_frac = enough ? 0.3 : 0.2 };

		rig.tare_count = rig.zero_count;
		seq_signs_begin(&told, &config);
		struct seq_out out = tiny_run(&rig, step_through, &lie, 60, bend, &lie);
		assert_int_equal(out.done, enough);
		if (!enough)
			assert_string_equal(told.wrong, "no_answer");
	}
}

static void each_wrong_sign_is_named_at_a_small_load(void **state)
{
	static const struct {
		struct lie lie;
		const char *wrong;
	} rows[] = {
		{ { .cell = true }, "wrong_sign" },
		{ { .pick = true }, "wrong_direction" },
		{ { .rotor = true }, "wrong_direction" },
		{ { .ratio = true }, "wrong_ratio" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct lie lie = rows[i].lie;
		struct seq_out out = check(&lie, false);
		assert_true(out.stop && !out.done);
		assert_string_equal(told.wrong, rows[i].wrong);
		assert_true(strlen(out.event.text) > 20 && strlen(out.event.text) < sizeof out.event.text - 1);
		assert_true(lie.most_Nm < 4);
	}
}

/* Once a turn by more than the answer, up and down: neither passes for the brake. */
static void a_torque_that_swings_is_no_answer(void **state)
{
	(void)state;
	for (int swapped = 0; swapped < 2; swapped++)
		for (int dead = 0; dead < 2; dead++) {
			struct lie lie = { .cell = swapped, .swing_Nm = 2.5 };
			struct tiny_rig rig = tiny_rig_make(33);
			const struct signs_config config = {
				.speed_rpm = 20, .slew_rpm_per_s = 40, .answer_Nm = 1.5, .most_A = 0.3, .max_A = 1
			};
			rig.tare_count = rig.zero_count;
			rig.Nm_per_A = dead ? 0.1 : rig.Nm_per_A;
			seq_signs_begin(&told, &config);
			struct seq_out out = tiny_run(&rig, step_through, &lie, 60, bend, &lie);
			if (!dead && !swapped)
				assert_true(out.done && !told.wrong);
			else
				assert_string_equal(told.wrong, dead ? "no_answer" : "wrong_sign");
		}
}

static void no_torque_at_all_is_told(void **state)
{
	const struct signs_config config = {
		.speed_rpm = 20, .slew_rpm_per_s = 40, .answer_Nm = 1.5, .most_A = 0.3, .max_A = 1
	};
	struct lie lie = { .swing_Nm = NAN };
	struct tiny_rig rig = tiny_rig_make(34);

	(void)state;
	seq_signs_begin(&told, &config);
	struct seq_out out = tiny_run(&rig, step_through, &lie, 120, bend, &lie);
	assert_true(out.stop);
	assert_string_equal(told.wrong, "no_answer");
	assert_null(strstr(out.event.text, "nan"));
	assert_true(lie.most_A <= 0);
}

static void a_cell_that_does_not_answer_is_told(void **state)
{
	struct tiny_rig rig = tiny_rig_make(32);
	const struct signs_config config = {
		.speed_rpm = 20, .slew_rpm_per_s = 40, .answer_Nm = 1.5, .most_A = 0.3, .max_A = 1
	};

	(void)state;
	rig.tare_count = rig.zero_count;
	rig.Nm_per_A = 0.1;
	seq_signs_begin(&told, &config);
	struct seq_out out = tiny_run(&rig, seq_signs_step, &told, 60, NULL, NULL);
	assert_true(out.stop);
	assert_string_equal(told.wrong, "no_answer");
}

static void what_does_not_turn_or_stop_is_told(void **state)
{
	static const struct {
		struct lie lie;
		bool no_contactor, no_torque, by_hand;
		const char *words;
	} rows[] = {
		{ .no_contactor = true, .words = "the contactor does not close" },
		{ .no_torque = true, .words = "the pick-up reads 0 rpm, 20 rpm was commanded: check drive, supply" },
		{ .lie.no_speed = true, .words = "the pick-up gives no speed" },
		{ .lie.no_angle = true, .words = "the shaft made no whole turn in 60 s" },
		{ .lie.goes_on_rpm = 1.2, .words = "the shaft does not stop" },
		{ .by_hand = true, .words = "the pick-up reads 0 rpm, 20 rpm was asked for: check the pick-up" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct lie lie = rows[i].lie;
		struct tiny_rig rig = tiny_rig_make(35);
		const struct signs_config config = { .speed_rpm = 20,
						     .slew_rpm_per_s = 40,
						     .answer_Nm = 1.5,
						     .most_A = 0.3,
						     .max_A = 1,
						     .by_hand = rows[i].by_hand };

		rig.tare_count = rig.zero_count;
		rig.contactor_fails = rows[i].no_contactor;
		rig.motor_most_Nm = rows[i].no_torque ? 0 : rig.motor_most_Nm;
		seq_signs_begin(&told, &config);
		struct seq_out out = tiny_run(&rig, step_through, &lie, 200, bend, &lie);
		if (!out.stop || !strstr(out.event.text, rows[i].words))
			fail_msg("row %zu: %s", i, out.event.text);
		assert_string_equal(told.wrong, "no_answer");
	}
}

/* A drive that waits for its person stops the clock of the phase: the contactor has all its time after that. */
static void a_drive_that_waits_stops_the_clock(void **state)
{
	struct lie lie = { .waits_s = 40 };
	struct tiny_rig rig = tiny_rig_make(35);
	const struct signs_config config = {
		.speed_rpm = 20, .slew_rpm_per_s = 40, .answer_Nm = 1.5, .most_A = 0.3, .max_A = 1
	};

	(void)state;
	rig.tare_count = rig.zero_count;
	rig.contactor_fails = true;
	seq_signs_begin(&told, &config);
	struct seq_out out = tiny_run(&rig, step_through, &lie, 60, bend, &lie);
	assert_true(out.stop && strstr(out.event.text, "the contactor does not close"));
	assert_true((double)rig.ticks * TINY_TICK_S > 41);
}

/* A person's hand in the drive's place: lets go once under load, waits, and turns again. */
struct hand {
	unsigned lets_go, asked; /* notes that asked for turning */
	double rest_s, most_rested_A;
};

static void step_by_hand(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct hand *hand = state;

	seq_signs_step(&told, snap, ret);
	assert_true(ret->wish.mode == DRIVE_OFF && !ret->wish.power);
	hand->asked += ret->event.kind == SEQ_EVENT_NOTE && strstr(ret->event.text, "turn the shaft forward") != NULL;
	if (told.phase == SIGNS_LOAD && hand->lets_go == 0 && ret->wish.brake_A > 0.02) {
		hand->lets_go++;
		hand->rest_s = 5;
	}
	hand->rest_s -= TINY_TICK_S;
	if (hand->rest_s > 0 && hand->rest_s < 4)
		hand->most_rested_A = fmax(hand->most_rested_A, ret->wish.brake_A);
	if (hand->rest_s > 0 || told.phase >= SIGNS_COAST)
		return;
	ret->wish.mode = DRIVE_SPEED;
	ret->wish.speed_rpm = 20;
	ret->wish.power = true;
}

static void who_lets_go_begins_again_without_load(void **state)
{
	struct tiny_rig rig = tiny_rig_make(36);
	const struct signs_config config = {
		.speed_rpm = 20, .answer_Nm = 1.5, .most_A = 0.3, .max_A = 1, .gear_ratio = 36, .by_hand = true
	};
	struct hand hand = { .lets_go = 0 };

	(void)state;
	rig.tare_count = rig.zero_count;
	seq_signs_begin(&told, &config);
	struct seq_out out = tiny_run(&rig, step_by_hand, &hand, 60, NULL, NULL);
	assert_true(out.done && !told.wrong && told.answer_Nm >= 1.5 && told.answer_Nm < 3);
	assert_int_equal(hand.lets_go, 1);
	assert_int_equal(hand.asked, 2);
	assert_true(hand.most_rested_A <= 0);
	assert_false(told.rotor_judged); /* the drive has no power */
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_rig_in_order_passes),
		cmocka_unit_test(the_load_goes_as_slowly_as_it_came),
		cmocka_unit_test(an_answer_needs_current_in_the_coil),
		cmocka_unit_test(each_wrong_sign_is_named_at_a_small_load),
		cmocka_unit_test(a_torque_that_swings_is_no_answer),
		cmocka_unit_test(no_torque_at_all_is_told),
		cmocka_unit_test(a_cell_that_does_not_answer_is_told),
		cmocka_unit_test(what_does_not_turn_or_stop_is_told),
		cmocka_unit_test(a_drive_that_waits_stops_the_clock),
		cmocka_unit_test(who_lets_go_begins_again_without_load),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
