// SPDX-License-Identifier: GPL-3.0-or-later
#include "bench/relay_line.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

static const struct profile_bytes on = { 4, { '\xa0', 1, 1, '\xa2' } }, off = { 4, { '\xa0', 1, 0, '\xa1' } };

static void it_obeys_whole_orders_in_any_pieces_and_keeps_its_state(void **state)
{
	struct relay_line l;

	(void)state;
	relay_line_init(&l, &on, &off);
	assert_false(l.closed);
	relay_line_receive(&l, "\xa0\x01\x01", 3);
	assert_false(l.closed);
	relay_line_receive(&l, "\xa2", 1);
	assert_true(l.closed);
	relay_line_receive(&l, "\xa0\x01 rubbish \xa0\x01\x00", 14);
	assert_true(l.closed);
	relay_line_receive(&l, "\xa0\x01\x00\xa1", 4); // half an order before it: a host that was killed in a write
	assert_false(l.closed);
	relay_line_receive(&l, "\xa0\x01\x00\xa1", 4);
	assert_false(l.closed);
}

int main(void)
{
	const struct CMUnitTest tests[] = { cmocka_unit_test(it_obeys_whole_orders_in_any_pieces_and_keeps_its_state) };

	return cmocka_run_group_tests_name("relay_line", tests, NULL, NULL);
}
