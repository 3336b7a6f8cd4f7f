/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The two kinds that tell nothing: a drive that a person sets, and a relay that the warden alone commands. */
#include "instrument/hand_drive.h"
#include "instrument/relay.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/instrument/far_end.h"

static void a_drive_that_a_person_sets(void **state)
{
	struct instrument_person person = { 0 };
	const struct instrument_config config = { .name = "hand-drive bench", .roles = ROLE_DRIVE, .person = &person };
	const struct snapshot blank = snapshot_blank();
	struct snapshot snap = blank;
	struct instrument in;

	(void)state;
	memset(&person, 0x2a, sizeof person);
	assert_int_equal(hand_drive_open(&config, NULL, NULL, &in, NULL), RC_OK);
	assert_int_equal(in.modes, 1u << DRIVE_SPEED);
	assert_ptr_not_equal(in.person, &person); /* its own copy */
	assert_memory_equal(in.person, &person, sizeof person);
	assert_null(in.ops->set); /* the person's hands alone */
	assert_true(isinf(in.stale_s));
	assert_int_equal(in.ops->begin(in.ctx, NULL), RC_OK);
	in.ops->poll(in.ctx, &snap);
	assert_memory_equal(&snap, &blank, sizeof snap);
	in.ops->close(in.ctx);
}

/* What it sends is read away, so that its line never fills, and nothing is taken from it. */
static void a_relay(void **state)
{
	const struct instrument_config config = { .name = "relay k", .roles = ROLE_POWER };
	const struct snapshot blank = snapshot_blank();
	struct snapshot snap = blank;
	struct instrument in;
	struct far_end end;
	char much[640];
	size_t n;

	(void)state;
	far_end_open("relay", &end);
	memset(much, 'k', sizeof much);
	assert_int_equal(relay_open(&config, end.link, NULL, &in, NULL), RC_OK);
	assert_int_equal(in.ops->begin(in.ctx, NULL), RC_OK);
	assert_null(in.ops->set);
	assert_int_equal(send(end.fd, much, sizeof much, 0), sizeof much);
	in.ops->poll(in.ctx, &snap);
	assert_memory_equal(&snap, &blank, sizeof snap);
	assert_int_equal(link_read(end.link, much, sizeof much, &n, NULL), RC_OK);
	assert_int_equal(n, 0);
	close(end.fd);
	end.fd = dup(end.listening);
	in.ops->poll(in.ctx, &snap); /* gone: the warden sees that */
	in.ops->close(in.ctx);
	far_end_close(&end);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_drive_that_a_person_sets),
		cmocka_unit_test(a_relay),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
