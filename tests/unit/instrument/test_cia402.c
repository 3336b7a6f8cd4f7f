/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Statuswords and controlwords are those of CiA DSP 402 V3.0, table 27 and the figure of its state machine, as printed
 * in public drive manuals ("SW: xxxx xxxx x01x 0111", "CW: xxxx xxxx 0xxx x110"). */
#include "instrument/cia402.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <string.h>
#include <cmocka.h>

static const struct {
	const char *pattern; /* bits 6 to 0 */
	enum cia402_state state;
} printed[] = {
	{ "0xx0000", CIA402_NOT_READY },      { "1xx0000", CIA402_SWITCH_ON_DISABLED },
	{ "01x0001", CIA402_READY },          { "01x0011", CIA402_SWITCHED_ON },
	{ "01x0111", CIA402_ENABLED },        { "00x0111", CIA402_QUICK_STOP },
	{ "0xx1111", CIA402_FAULT_REACTION }, { "0xx1000", CIA402_FAULT },
};

static bool fits(const char *pattern, unsigned word)
{
	for (int bit = 6; bit >= 0; bit--, pattern++)
		if (*pattern != 'x' && (*pattern == '1') != (word >> bit & 1))
			return false;
	return true;
}

static void every_word_has_its_state(void **state)
{
	(void)state;
	for (unsigned word = 0; word <= 0xffff; word++) {
		enum cia402_state want = CIA402_UNKNOWN;

		for (size_t i = 0; i < sizeof printed / sizeof printed[0]; i++)
			want = fits(printed[i].pattern, word) ? printed[i].state : want;
		if (cia402_state_of((uint16_t)word) != want)
			fail_msg("statusword %04x is %s", word, cia402_state_words(cia402_state_of((uint16_t)word)));
	}
}

/* Each state, told to be on and off, with the right mode shown and with another. */
static void each_transition(void **state)
{
	static const struct {
		enum cia402_state state;
		uint16_t on, on_other_mode;
	} rows[] = {
		{ CIA402_NOT_READY, 0, 0 },         { CIA402_SWITCH_ON_DISABLED, 0x06, 0x06 }, /* transition 2 */
		{ CIA402_READY, 0x07, 0x07 },                                                  /* 3 */
		{ CIA402_SWITCHED_ON, 0x0f, 0x07 },                                            /* 4 */
		{ CIA402_ENABLED, 0x0f, 0 },                                                   /* 9 */
		{ CIA402_QUICK_STOP, 0, 0 },                                                   /* 12 */
		{ CIA402_FAULT_REACTION, 0, 0 },    { CIA402_FAULT, 0, 0 }, /* never the edge of bit 7 */
		{ CIA402_UNKNOWN, 0, 0 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct cia402 was_off = { .was_off = true };
		struct cia402 m = was_off;

		assert_int_equal(cia402_step(&m, rows[i].state, true, true), rows[i].on);
		m = was_off;
		assert_int_equal(cia402_step(&m, rows[i].state, true, false), rows[i].on_other_mode);
		assert_int_equal(cia402_step(&m, rows[i].state, false, true), 0);
		assert_false(m.left || m.was_enabled);
	}
}

static void one_that_goes_off_by_itself_stays_so(void **state)
{
	struct cia402 m = { 0 };

	(void)state;
	for (int s = CIA402_SWITCH_ON_DISABLED; s <= CIA402_ENABLED; s++)
		assert_int_not_equal(cia402_step(&m, (enum cia402_state)s, true, true), 0);
	assert_int_equal(cia402_step(&m, CIA402_SWITCH_ON_DISABLED, true, true), 0);
	assert_true(m.left);
	assert_int_equal(cia402_step(&m, CIA402_READY, true, true), 0);
	assert_int_equal(cia402_step(&m, CIA402_ENABLED, true, true), 0);
	assert_int_equal(cia402_step(&m, CIA402_READY, false, true), 0);
	assert_int_equal(cia402_step(&m, CIA402_READY, true, true), 0x07);
}

/* Off and on again before its statusword says that it was off: that word is from before. */
static void an_old_word_switches_nothing_on(void **state)
{
	struct cia402 m = { 0 };

	(void)state;
	assert_int_equal(cia402_step(&m, CIA402_ENABLED, true, true), 0);
	assert_int_equal(cia402_step(&m, CIA402_UNKNOWN, true, true), 0);
	assert_int_equal(cia402_step(&m, CIA402_NOT_READY, true, true), 0); /* a word of zeros says nothing */
	assert_int_equal(cia402_step(&m, CIA402_UNKNOWN, false, true), 0);
	assert_int_equal(cia402_step(&m, CIA402_NOT_READY, true, true), 0);
	assert_int_equal(cia402_step(&m, CIA402_ENABLED, true, true), 0);
	assert_int_equal(cia402_step(&m, CIA402_SWITCH_ON_DISABLED, true, true), 0x06);
	assert_false(m.left);
}

static void torque_is_believed_where_it_may_be(void **state)
{
	(void)state;
	for (int s = CIA402_NOT_READY; s <= CIA402_UNKNOWN; s++) {
		bool may = s == CIA402_ENABLED || s == CIA402_QUICK_STOP || s == CIA402_FAULT_REACTION ||
			   s == CIA402_UNKNOWN;

		assert_int_equal(cia402_has_torque((enum cia402_state)s), may);
		assert_true(strlen(cia402_state_words((enum cia402_state)s)) > 0);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_word_has_its_state),
		cmocka_unit_test(each_transition),
		cmocka_unit_test(one_that_goes_off_by_itself_stays_so),
		cmocka_unit_test(an_old_word_switches_nothing_on),
		cmocka_unit_test(torque_is_believed_where_it_may_be),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
