/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/trace.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdlib.h>

/* However long the run, the bins stay within their room, count every sample once and keep its extremes. */
static void a_long_run_fits_and_keeps_its_extremes(void **state)
{
	struct trace *t = malloc(sizeof *t);
	const size_t n = 300000; /* 50 minutes at 100 Hz */
	size_t counted = 0;
	double high = -INFINITY, sum = 0, expect = 0;
	(void)state;

	assert_non_null(t);
	trace_begin(t);
	for (size_t i = 0; i < n; i++) {
		struct sample s = { .mono_ns = 5000000000 + (int64_t)i * 10000000,
				    .torque_Nm = (double)(i % 7),
				    .speed_rpm = NAN };
		if (i == 123456)
			s.torque_Nm = 99; /* a blip of a hundredth of a second */
		expect += s.torque_Nm;
		trace_add(t, &s);
	}
	assert_true(t->n <= TRACE_BINS && t->n > TRACE_BINS / 4);
	for (size_t i = 0; i < t->n; i++) {
		counted += t->bin[i][TRACE_TORQUE].n;
		sum += t->bin[i][TRACE_TORQUE].sum;
		high = fmax(high, t->bin[i][TRACE_TORQUE].high);
		assert_int_equal(t->bin[i][TRACE_SPEED].n, 0);
	}
	assert_int_equal(counted, n);
	assert_true(fabs(sum - expect) < 1e-6);
	assert_true(fabs(high - 99) < 1e-12);
	assert_true(fabs((double)t->n * t->width_s - 3000) <= t->width_s);
	assert_true(isnan(trace_mean(t, 0, TRACE_SPEED)));
	free(t);
}

int main(void)
{
	static const struct CMUnitTest tests[] = { cmocka_unit_test(a_long_run_fits_and_keeps_its_extremes) };

	return cmocka_run_group_tests(tests, NULL, NULL);
}
