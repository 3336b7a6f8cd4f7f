/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pack/pack_check_private.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <string.h>

static struct pack_check check;

static void json(const char *a, const char *b)
{
	json_t *x = json_loads(a, JSON_DECODE_ANY, NULL), *y = json_loads(b, JSON_DECODE_ANY, NULL);

	assert_non_null(x);
	assert_non_null(y);
	check = (struct pack_check){ .same_program = true };
	pack_check_json(&check, x, y);
	json_decref(x);
	json_decref(y);
}

static void numbers_are_equal_or_within_rounding_or_not(void **state)
{
	(void)state;
	json("{\"a\":[1.5,2],\"b\":\"x\"}", "{\"a\":[1.5,2],\"b\":\"x\"}");
	assert_int_equal(check.n_differs + check.rounding, 0);
	assert_int_equal(check.numbers, 2);
	json("{\"a\":1.0000000001}", "{\"a\":1.0}");
	assert_int_equal(check.rounding, 1);
	assert_int_equal(check.n_differs, 0);
	json("{\"a\":[{\"t\":1.00000001}]}", "{\"a\":[{\"t\":1.0}]}");
	assert_int_equal(check.n_differs, 1);
	assert_string_equal(check.differs[0].name, "a[0].t");
	assert_string_equal(check.differs[0].recomputed, "1.0");
	/* A difference of large numbers: judged by its u. */
	json("{\"t\":0.0010001,\"u_t\":1.0}", "{\"t\":0.0010000,\"u_t\":1.0}");
	assert_int_equal(check.rounding, 1);
	json("{\"value\":0.0010001,\"u\":0.001}", "{\"value\":0.0010000,\"u\":0.001}");
	assert_int_equal(check.n_differs, 1);
}

static void what_is_missing_or_other_is_told(void **state)
{
	(void)state;
	json("{\"a\":1}", "{\"a\":1,\"b\":2}");
	assert_int_equal(check.n_differs, 1);
	assert_string_equal(check.differs[0].published, "nothing");
	json("{\"a\":1,\"b\":2}", "{\"a\":1}");
	assert_int_equal(check.n_differs, 1);
	json("[1,2]", "[1,2,3]");
	assert_int_equal(check.n_differs, 1);
	json("{\"a\":null}", "{\"a\":0}");
	assert_int_equal(check.n_differs, 1);
	json("{\"a\":\"confirmed\"}", "{\"a\":\"refuted\"}");
	assert_int_equal(check.n_differs, 1);
}

/* What another version words otherwise is not told, but what it found is: that an actuator did not meet its claim. */
static void a_result_is_compared_whoever_made_the_pack(void **state)
{
	static const char good[] = "{\"claims\":[{\"verdict\":\"refuted\",\"why\":\"b\"}],\"end_limit\":\"drive-"
				   "limited\",\"ended_by\":\"limit\"}",
			  other[] = "{\"claims\":[{\"verdict\":\"confirmed\",\"why\":\"a\"}],\"end_limit\":"
				    "\"actuator\",\"ended_by\":\"time\"}";
	json_t *x = json_loads(other, 0, NULL), *y = json_loads(good, 0, NULL);

	(void)state;
	check = (struct pack_check){ .same_program = false };
	pack_check_json(&check, x, y);
	json_decref(x);
	json_decref(y);
	assert_int_equal(check.n_differs, 3);
	assert_string_equal(check.differs[0].name, "claims[0].verdict");
	assert_string_equal(check.differs[0].published, "\"confirmed\"");
	assert_string_equal(check.differs[1].name, "end_limit");
	assert_string_equal(check.differs[2].name, "ended_by");
	check = (struct pack_check){ .same_program = false };
	pack_check_table(&check, "t.csv", "step,limit,note\n1,none,x\n", "step,limit,note\n1,supply-limited,y\n");
	assert_int_equal(check.n_differs, 1);
	assert_string_equal(check.differs[0].name, "t.csv line 2: limit");
}

static void table(const char *a, const char *b)
{
	check = (struct pack_check){ .same_program = true };
	pack_check_table(&check, "t.csv", a, b);
}

static void tables_are_compared_by_cell(void **state)
{
	(void)state;
	const char *good = "step,torque (N m),note\n1,1.234567891,\"a, b\"\n2,5,\n";

	table(good, good);
	assert_int_equal(check.n_differs + check.rounding, 0);
	assert_int_equal(check.numbers, 4);
	table("step,torque (N m),note\n1,1.234567892,\"a, b\"\n2,5,\n", good);
	assert_int_equal(check.n_differs, 0);
	assert_int_equal(check.rounding, 1);
	table("step,torque (N m),note\n1,1.23457,\"a, b\"\n2,5,\n", good);
	assert_int_equal(check.n_differs, 1);
	assert_string_equal(check.differs[0].name, "t.csv line 2: torque (N m)");
	table("step,torque (N m),note\n1,1.234567891,\"a, c\"\n2,5,\n", good);
	assert_int_equal(check.n_differs, 1);
	table("step,torque (N m),note\n1,1.234567891,\"a, b\"\n", good);
	assert_int_equal(check.n_differs, 1);
	table(good, "step,torque (N m),note\n1,1.234567891,\"a, b\"\n");
	assert_int_equal(check.n_differs, 1);
	table("", good);
	assert_int_equal(check.n_differs, 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(numbers_are_equal_or_within_rounding_or_not),
		cmocka_unit_test(what_is_missing_or_other_is_told),
		cmocka_unit_test(a_result_is_compared_whoever_made_the_pack),
		cmocka_unit_test(tables_are_compared_by_cell),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
