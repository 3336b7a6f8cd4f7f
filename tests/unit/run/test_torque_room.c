/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expected values: by hand from the profile's figures below and the two shares that the header states. */
#include "run/torque_room.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

/* Each limit so wide that none decides alone: a test narrows the one it is about. */
static struct session *wide(void)
{
	struct session *s = calloc(1, sizeof *s);

	assert_non_null(s);
	s->rig = (struct rig_profile){ .brake_max_A = 2,
				       .brake_rated_Nm = 1000,
				       .limit_torque_Nm = 1000,
				       .coupling_Nm = 1000,
				       .cell_full_scale_Nm = 1000 };
	s->actuator = (struct actuator_profile){ .limit_torque_Nm = 1000, .limit_current_A = 10, .k_t_Nm_per_A = 100 };
	s->calibration.max_Nm = 1000;
	return s;
}

static void assert_room(struct session *s, double want_Nm, const char *decides)
{
	struct torque_room room = torque_room_of(s);

	assert_near(room.most_Nm, want_Nm, 1e-12 * want_Nm);
	assert_string_equal(room.decides, decides);
	free(s);
}

#define FIELD(name) offsetof(struct session, name)

/* One figure of the wide session is another: what room is left, and whose it is. */
static void the_smallest_limit_decides_with_its_share(void **state)
{
	static const struct {
		size_t field;
		double value, room_Nm;
		const char *decides;
	} rows[] = {
		{ FIELD(rig.brake_rated_Nm), 1000, 800,
		  "80 % of 1000 N·m, which the brake holds at its largest current" },
		{ FIELD(rig.brake_rated_Nm), 50, 40, "80 % of 50 N·m, which the brake holds at its largest current" },
		{ FIELD(rig.cell_full_scale_Nm), 40, 36, "90 % of 40 N·m, [cell] full_scale" },
		{ FIELD(rig.coupling_Nm), 50, 45, "90 % of 50 N·m, [limits] coupling" },
		{ FIELD(rig.limit_torque_Nm), 30, 27, "90 % of 30 N·m, [limits] torque in rig.ini" },
		{ FIELD(actuator.limit_torque_Nm), 20, 18, "90 % of 20 N·m, [limits] torque of the actuator" },
		{ FIELD(actuator.k_t_Nm_per_A), 4, 36, "90 % of 40 N·m, [drive] k_t times [limits] current" },
		{ FIELD(calibration.max_Nm), 25, 25, "25 N·m, the heaviest load of the calibration" },
		/* without a loaded calibration there is no room */
		{ FIELD(calibration.max_Nm), 0, 0, "0 N·m, the heaviest load of the calibration" },
		{ FIELD(calibration.max_Nm), -5, 0, "-5 N·m, the heaviest load of the calibration" },
		/* nor with a limit that is no number */
		{ FIELD(rig.cell_full_scale_Nm), NAN, 0, "[cell] full_scale: not known" },
		{ FIELD(rig.coupling_Nm), NAN, 0, "[limits] coupling: not known" },
		{ FIELD(rig.limit_torque_Nm), NAN, 0, "[limits] torque in rig.ini: not known" },
		{ FIELD(actuator.limit_torque_Nm), NAN, 0, "[limits] torque of the actuator: not known" },
		{ FIELD(actuator.limit_current_A), NAN, 0, "[drive] k_t times [limits] current: not known" },
		{ FIELD(actuator.k_t_Nm_per_A), NAN, 0, "[drive] k_t times [limits] current: not known" },
		{ FIELD(calibration.max_Nm), NAN, 0, "the heaviest load of the calibration: not known" },
		{ FIELD(rig.brake_rated_Nm), NAN, 0, "which the brake holds at its largest current: not known" },
		/* what the profile does not give does not bound */
		{ FIELD(rig.coupling_Nm), 0, 800, "80 % of 1000 N·m, which the brake holds at its largest current" },
		{ FIELD(actuator.k_t_Nm_per_A), 0, 800,
		  "80 % of 1000 N·m, which the brake holds at its largest current" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct session *s = wide();

		memcpy((char *)s + rows[i].field, &rows[i].value, sizeof rows[i].value);
		assert_room(s, rows[i].room_Nm, rows[i].decides);
	}
}

static void what_was_mapped_counts_before_the_rating(void **state)
{
	struct session *s = wide();

	(void)state;
	s->map_id = 3;
	s->map.max_Nm = 60;
	assert_room(s, 48, "80 % of 60 N·m, which the brake holds at its largest current");
}

static void a_torque_beyond_the_room_is_refused_with_the_number(void **state)
{
	const struct torque_room room = { .most_Nm = 18, .decides = "90 % of 20 N·m, [limits] torque of the actuator" };
	struct err err = { 0 };

	(void)state;
	assert_int_equal(torque_room_check(&room, "--torque", 18, &err), RC_OK);
	assert_int_equal(torque_room_check(&room, "--torque", 18.01, &err), RC_ARG);
	assert_non_null(strstr(err.what, "--torque: found 18.01 N·m, expected more than 0 and at most 18 N·m (90 % of "
					 "20 N·m, [limits] torque of the actuator)"));
	assert_int_equal(torque_room_check(&room, "--torque", 0, &err), RC_ARG);
	assert_int_equal(torque_room_check(&room, "--torque", NAN, &err), RC_ARG);
}

static void the_brake_locks_with_its_grip_and_never_above_its_largest_current(void **state)
{
	struct session *s = wide();

	(void)state;
	s->rig.brake_rated_Nm = 50;
	assert_near(torque_room_lock_A(s, 20), 1, 1e-12); /* 1.25 * 20 of 50 N·m at 2 A */
	assert_near(torque_room_lock_A(s, 100), 2, 0);
	free(s);
}

/* 25 N·m by a map of 50 N·m/A are 0.5 A, where the rating would say 1; a map of nothing leaves the rating. */
static void a_map_tells_the_current_of_the_lock(void **state)
{
	struct session *s = wide();

	(void)state;
	s->rig.brake_rated_Nm = 50;
	s->map_id = 3;
	assert_near(torque_room_lock_A(s, 20), 1, 1e-12);
	s->map = (struct brakemap){ .max_A = 2,
				    .max_Nm = 100,
				    .branch = { { .n = 3,
						  .current_A = { 0, 1, 2 },
						  .torque_Nm = { 0, 50, 100 },
						  .slope_Nm_per_A = { 50, 50, 50 } } } };
	assert_near(torque_room_lock_A(s, 20), 0.5, 1e-9);
	s->map.max_Nm = 0;
	assert_room(s, 40, "80 % of 50 N·m, which the brake holds at its largest current");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_smallest_limit_decides_with_its_share),
		cmocka_unit_test(what_was_mapped_counts_before_the_rating),
		cmocka_unit_test(a_torque_beyond_the_room_is_refused_with_the_number),
		cmocka_unit_test(the_brake_locks_with_its_grip_and_never_above_its_largest_current),
		cmocka_unit_test(a_map_tells_the_current_of_the_lock),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
