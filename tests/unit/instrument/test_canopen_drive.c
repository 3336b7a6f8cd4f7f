/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive in order: set up, switched on and off, what it is driven by. */
#include "tests/unit/instrument/canopen_scene.h"

static void it_is_set_up_as_stated(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_drive(), RC_OK);
	assert_int_equal(d.in.modes, 1u << DRIVE_SPEED | 1u << DRIVE_TORQUE);
	assert_true(d.operational);
	assert_int_equal(*object(KEY(0x1016, 1), 4), 127 << 16 | 300);
	assert_int_equal(*object(KEY(0x6007, 0), 2), 2);
	assert_int_equal(*object(KEY(0x1400, 1), 4), 0x205);
	assert_int_equal(*object(KEY(0x1600, 1), 4), 0x60400010);
	assert_int_equal(*object(KEY(0x1600, 2), 4), 0x60600008);
	assert_int_equal(*object(KEY(0x1601, 1), 4), 0x60ff0020);
	assert_int_equal(*object(KEY(0x1602, 1), 4), 0x60710010);
	assert_int_equal(*object(KEY(0x1602, 2), 4), 0x60800020);
	assert_int_equal(*object(KEY(0x1800, 1), 4), 0x185);
	assert_int_equal(*object(KEY(0x1800, 3), 2), 100); /* 10 ms in 100 us (CiA 301, from memory) */
	assert_int_equal(*object(KEY(0x1800, 5), 2), 20);
	assert_int_equal(*object(KEY(0x1a00, 0), 1), 3);
	end();
}

static void it_is_switched_on_step_by_step(void **state)
{
	(void)state;
	bring_up();
	tick(0.05, 0x250, 0, &speed);
	assert_true(heard("t2053060003"));
	tick(0.05, 0x231, 0, &speed);
	assert_true(heard("t2053070003"));
	tick(0.1, 0x233, 0, &speed); /* it shows no mode yet */
	assert_false(heard("t20530F0003"));
	*object(KEY(0x6061, 0), 1) = 3;
	tick(0.1, 0x233, 0, &speed);
	assert_true(heard("t20530F0003"));
	d.n_last = 0;
	tick(0.05, 0x233, 0, &speed);
	assert_false(heard("t305400600000")); /* no speed before it says operation enabled */
	tick(0.02, 0x237, 0, &speed);
	assert_true(heard("t305400600000"));
	tick(0.1, 0x237, 24576, &speed);
	assert_true(heard("t77F105")); /* the heartbeat */
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED);
	assert_true(fabs(d.snap.drive_rotor_rpm - 360) < 1e-6);
	assert_true(fabs(d.snap.drive_A - 3.25) < 1e-9);
	assert_true(fabs(d.snap.temp_degC[TEMP_WINDING] - 31.5) < 1e-9);
	tick(0.01, 0xa37, 24576, &off); /* bit 11: a limit of its own */
	assert_true(heard("t2053000003"));
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED | DRIVE_CURRENT_LIMITED);
	end();
}

/* 1.152 N.m of the output is a tenth of the rated torque, 100 per mille; 5 rpm are 180 rpm of the rotor: B4h. */
static void torque_with_its_speed_limit(void **state)
{
	const struct wish torque = { .mode = DRIVE_TORQUE, .torque_Nm = 1.152, .speed_rpm = 5, .power = true };
	const struct wish slow = { .mode = DRIVE_TORQUE, .torque_Nm = 1.152, .speed_rpm = 0.01, .power = true };
	const struct wish none = { .mode = DRIVE_TORQUE, .torque_Nm = NAN, .speed_rpm = 5, .power = true };

	(void)state;
	bring_up();
	*object(KEY(0x6061, 0), 1) = 4;
	tick(0.05, 0x250, 0, &torque);
	tick(0.05, 0x231, 0, &torque);
	tick(0.1, 0x233, 0, &torque);
	d.n_last = 0;
	tick(0.05, 0x237, 0, &torque);
	assert_true(heard("t40566400B4000000"));
	tick(0.1, 0x237, 0, &slow);
	assert_true(heard("t4056000000000000")); /* no torque: a speed limit of 0 may mean none */
	tick(0.01, 0x237, 0, &none);
	assert_true(heard("t2053000004"));
	end();
}

/* A torque that is commanded while it is still set up after a restart. */
static void a_mode_that_was_commanded_meanwhile(void **state)
{
	const struct wish torque = { .mode = DRIVE_TORQUE, .torque_Nm = 1.152, .speed_rpm = 5, .power = true };
	static const uint8_t boot = 0;

	(void)state;
	bring_up();
	say_frame(0x705, &boot, 1);
	tick(0.01, 0x250, 0, &torque);
	assert_false(heard("t2053060004"));
	tick(1, 0x250, 0, &torque);
	assert_true(heard("t2053060004"));
	assert_false(heard("t2053060003"));
	end();
}

/* Only speed, no rated values, no lease, nothing sent by itself: what is not stated is not touched, and it is asked. */
static void one_of_which_little_is_stated(void **state)
{
	(void)state;
	begin();
	d.setup.temperature.index = 0;
	d.setup.drive.lease_s = 0;
	d.setup.plan = (struct canopen_plan){ .node = 5, .host = 127, .velocity_mode = 3 };
	size_t before = d.n_objects;
	assert_int_equal(open_drive(), RC_OK);
	assert_int_equal(d.in.modes, 1u << DRIVE_SPEED);
	for (size_t i = before; i < d.n_objects; i++)
		switch (d.object[i].key >> 8) {
		case 0x1016:
		case 0x6007:
		case 0x1402:
		case 0x1602:
		case 0x1800:
		case 0x1a00: fail_msg("object %04Xh was touched", d.object[i].key >> 8);
		default: break;
		}
	*object(KEY(0x6061, 0), 1) = 3;
	for (unsigned i = 0; i < 3; i++)
		tick(0.3, (const unsigned[]){ 0x250, 0x231, 0x233 }[i], 0, &speed);
	d.n_last = 0;
	tick(0.3, 0x237, 24576, &speed);
	assert_true(heard("t305400600000"));
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED);
	assert_true(fabs(d.snap.drive_rotor_rpm - 360) < 1e-6);
	assert_true(isnan(d.snap.drive_A)); /* nobody knows it */
	tick(0.2, 0x237, 24576, &speed);
	assert_false(heard("t77F105"));
	tick(0.5, 0x250, 0, &off);
	d.in.ops->close(d.in.ctx);
	d.in.ops = NULL;
	run_device();
	assert_int_equal(*object(KEY(0x1016, 1), 4), 0);
	end();
}

/* Only torque, and its telemetry without a current. */
static void one_that_is_driven_by_torque_alone(void **state)
{
	(void)state;
	begin();
	d.setup.plan.velocity_mode = 0;
	d.setup.plan.rated_A = 0;
	assert_int_equal(open_drive(), RC_OK);
	assert_int_equal(d.in.modes, 1u << DRIVE_TORQUE);
	assert_int_equal(*object(KEY(0x1a00, 0), 1), 2);
	tick(0.1, 0x250, 24576, &off);
	assert_true(heard("t2053000004"));
	assert_true(fabs(d.snap.drive_rotor_rpm - 360) < 1e-6);
	assert_true(isnan(d.snap.drive_A));
	end();
}

/* Its electronics get their power by the contactor: it is not waited for, and set up once it has power. */
static void one_that_starts_with_the_contactor(void **state)
{
	(void)state;
	begin();
	d.setup.drive.boot_s = 2;
	d.is_mute = true;
	d.snap.contactor_closed = false;
	assert_int_equal(open_drive(), RC_OK);
	tick(1, 0x250, 0, &off);
	assert_int_equal(d.snap.drive_flags, 0);
	d.snap.contactor_closed = true;
	tick(0.3, 0x250, 0, &off);
	assert_int_equal(d.snap.drive_flags, 0);
	d.is_mute = false;
	tick(1.2, 0x250, 0, &off);
	assert_true(d.operational);
	assert_int_equal(d.snap.drive_flags, 0);
	assert_string_equal(d.in.error, "");
	d.n_last = 0;
	tick(0.1, 0x250, 0, &speed);
	assert_true(heard("t2053060003"));
	end();
}

/* The program ends in order: the drive no longer has to hear it. Else it still has to. */
/* Only one that was seen off: the lease is the last that switches off one that obeys nothing or says nothing. */
static void a_closed_one_that_is_off_has_nobody_to_miss(void **state)
{
	static const struct {
		unsigned status;
		bool is_mute, ends;
		const struct wish *wish;
		double for_s;
	} rows[] = {
		{ 0x250, false, true, &off, 0.1 },
		{ 0x237, false, false, &speed, 0.1 },
		{ 0x237, false, false, &off, 0.6 },
		{ 0x250, true, false, &off, 1.0 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		enable();
		d.is_mute = rows[i].is_mute;
		tick(rows[i].for_s, rows[i].status, 0, rows[i].wish);
		d.is_mute = false;
		d.in.ops->close(d.in.ctx);
		d.in.ops = NULL;
		run_device();
		assert_int_equal(*object(KEY(0x1016, 1), 4) == 0, rows[i].ends);
		end();
	}
}

/* Pre-operational it takes no PDO and tells nothing; the SDO reaches it. Without heartbeat its lease follows. */
static void one_that_takes_no_pdo_is_switched_off_by_sdo(void **state)
{
	(void)state;
	enable();
	*object(KEY(0x6040, 0), 2) = 0x0f;
	d.operational = false;
	tick(0.2, 0x237, 0, &speed);
	assert_int_equal(*object(KEY(0x6040, 0), 2), 0x0f);
	tick(1.5, 0x237, 0, &off);
	assert_int_equal(*object(KEY(0x6040, 0), 2), 0);
	d.n_last = 0;
	tick(0.1, 0x237, 0, &off);
	assert_false(heard("t77F105"));
	end();
}

/* A drive whose communication came up anew may be enabled still: off does not wait for the set-up. */
static void off_does_not_wait_for_the_set_up(void **state)
{
	static const uint8_t boot = 0;

	(void)state;
	enable();
	*object(KEY(0x6040, 0), 2) = 0x0f;
	*object(KEY(0x1000, 0), 4) = 0;
	say_frame(0x705, &boot, 1);
	tick(0.5, 0x237, 0, &off);
	assert_int_equal(*object(KEY(0x6040, 0), 2), 0);
	end();
}

/* It keeps its own speed limit when the run is over, whatever a torque mode needed; not before it is seen off. */
static void its_own_speed_limit_is_given_back(void **state)
{
	const struct wish torque = { .mode = DRIVE_TORQUE, .torque_Nm = 1.152, .speed_rpm = 5, .power = true };

	(void)state;
	bring_up();
	*object(KEY(0x6061, 0), 1) = 4;
	for (unsigned i = 0; i < 4; i++)
		tick(0.1, (const unsigned[]){ 0x250, 0x231, 0x233, 0x237 }[i], 0, &torque);
	*object(KEY(0x6080, 0), 4) = 180; /* as RPDO 3 says it */
	tick(0.3, 0x237, 0, &torque);
	tick(0.3, 0x237, 0, &off);
	assert_int_equal(*object(KEY(0x6080, 0), 4), 180);
	tick(0.3, 0x250, 0, &off);
	assert_int_equal(*object(KEY(0x6080, 0), 4), 4500);
	*object(KEY(0x6080, 0), 4) = 1; /* by somebody else: not the program's to write */
	tick(0.5, 0x250, 0, &off);
	assert_int_equal(*object(KEY(0x6080, 0), 4), 1);
	end();
}

/* 1800h:3 is no must. */
static void one_without_an_inhibit_time_is_taken(void **state)
{
	(void)state;
	begin();
	d.refuses = KEY(0x1800, 3);
	assert_int_equal(open_drive(), RC_OK);
	assert_true(d.operational);
	end();
}

/* Of the velocities of RPDO 2 that came since, the largest jump from one to the next; ret_last: the newest. */
static double jump(double *ret_last)
{
	double most = 0;

	for (size_t i = 0; i < d.n_last; i++) {
		struct can_message m;
		if (!can_frame_read(d.last[i], &m) || m.id != 0x305)
			continue;
		double v = (int32_t)((uint32_t)m.byte[0] | (uint32_t)m.byte[1] << 8 | (uint32_t)m.byte[2] << 16 |
				     (uint32_t)m.byte[3] << 24);
		most = fmax(most, fabs(v - *ret_last));
		*ret_last = v;
	}
	d.n_last = 0;
	return most;
}

/* The command goes up by 10 rpm a second, to 20 rpm, and the drive comes up after 1 s: 49152 counts a second are 20
 * rpm, and a command each 20 ms changes by 491.5. */
static void a_late_drive_goes_up_the_ramp_from_its_beginning(void **state)
{
	double last = 0, most = 0, at_s = 0;

	(void)state;
	bring_up();
	*object(KEY(0x6061, 0), 1) = 3;
	for (int i = 1; i <= 400; i++) {
		const struct wish ramp = { .mode = DRIVE_SPEED, .speed_rpm = fmin(0.1 * i, 20), .power = true };
		tick(0.01, i < 30 ? 0x250 : i < 60 ? 0x231 : i < 100 ? 0x233 : 0x237, 0, &ramp);
		most = fmax(most, jump(&last));
		if (i == 99)
			assert_true(last < 1);
		at_s = at_s > 0 || last < 49151 ? at_s : 0.01 * i;
	}
	assert_true(fabs(last - 49152) < 1);
	assert_true(most < 1.1 * 2 * 245.8 + 1);
	assert_true(at_s > 2.95 && at_s < 3.1);
	end();
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(it_is_set_up_as_stated),
		cmocka_unit_test(it_is_switched_on_step_by_step),
		cmocka_unit_test(torque_with_its_speed_limit),
		cmocka_unit_test(a_mode_that_was_commanded_meanwhile),
		cmocka_unit_test(one_of_which_little_is_stated),
		cmocka_unit_test(one_that_is_driven_by_torque_alone),
		cmocka_unit_test(one_that_starts_with_the_contactor),
		cmocka_unit_test(a_closed_one_that_is_off_has_nobody_to_miss),
		cmocka_unit_test(one_that_takes_no_pdo_is_switched_off_by_sdo),
		cmocka_unit_test(off_does_not_wait_for_the_set_up),
		cmocka_unit_test(its_own_speed_limit_is_given_back),
		cmocka_unit_test(one_without_an_inhibit_time_is_taken),
		cmocka_unit_test(a_late_drive_goes_up_the_ramp_from_its_beginning),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
