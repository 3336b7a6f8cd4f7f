/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Documents written by hand. Factors of Student's t at 95 %, two-sided: 2.228 with 10 and 12.706 with 1 degree of
 * freedom, 1.960 without end (JCGM 100:2008, table G.2). */
#include "reports/reduce/procedure.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

static struct procedure made(const char *kind, const char *text)
{
	struct procedure p = { .kind = procedure_kind(kind), .doc = json_loads(text, 0, NULL) };

	assert_non_null(p.kind);
	assert_non_null(p.doc);
	return p;
}

static size_t place(const struct procedure_number *list, size_t n, const char *key)
{
	size_t i = 0;

	while (i < n && strcmp(list[i].key, key) != 0)
		i++;
	return i;
}

static struct procedure_number find(const struct procedure_number *list, size_t n, const char *key)
{
	size_t i = place(list, n, key);

	if (i == n)
		fail_msg("no number %s", key);
	return list[i];
}

static void numbers_have_U_by_their_degrees_of_freedom(void **state)
{
	(void)state;
	struct procedure p = made("obey", "{\"gain\": {\"value\": 1.05, \"u\": 0.01, \"dof\": 10},"
					  " \"offset_Nm\": {\"value\": -0.2, \"u\": 0.05},"
					  " \"dead_band_Nm\": {\"value\": 0.1, \"u\": null},"
					  " \"hysteresis_Nm\": null, \"torque_Nm\": 20}");
	struct procedure_number list[PROCEDURE_NUMBERS];

	assert_int_equal(procedure_numbers(&p, list), 3);
	assert_near(find(list, 3, "gain").U, 2.228 * 0.01, 1e-5);
	assert_near(find(list, 3, "offset_Nm").U, 1.960 * 0.05, 1e-5);
	assert_near(find(list, 3, "offset_Nm").value, -0.2, 0);
	assert_true(isnan(find(list, 3, "dead_band_Nm").U));
	assert_int_equal(place(list, 3, "hysteresis_Nm"), 3);
	procedure_clear(&p);
	assert_null(p.doc);
}

static void lists_are_named_by_what_they_are_of(void **state)
{
	(void)state;
	struct procedure p =
		made("hold", "{\"measured_torque_Nm\": 20, \"model\": {\"winding\": {\"tau_s\": {\"value\": 60,"
			     " \"u\": 1, \"dof\": 1}}},"
			     " \"s2\": [{\"time_s\": 600, \"torque_Nm\": {\"value\": 30, \"u\": 1}}],"
			     " \"s3\": [{\"cycle_s\": 600, \"duty\": 0.25, \"torque_Nm\": {\"value\": 19,"
			     " \"u\": 1}}]}");
	struct procedure_number list[PROCEDURE_NUMBERS];

	assert_int_equal(procedure_numbers(&p, list), 3);
	assert_near(find(list, 3, "model.winding.tau_s").U, 12.706, 1e-3);
	assert_string_equal(find(list, 3, "s2.10 min").note, "extrapolated");
	assert_string_equal(find(list, 3, "s3.10 min.25 %").label, "S3, 25 % of 10 min");
	assert_string_equal(find(list, 3, "s3.10 min.25 %").note, "");
	procedure_clear(&p);
}

#define WAVE(order, value, u, out) \
	"{\"order\": " order ", \"name\": \"mesh\", \"amplitude_Nm\": {\"value\": " value ", \"u\": " u \
	"}, \"stands_out\": " out ", \"visible\": true}"

static void the_headline_names_a_wave_only_beyond_its_own_U(void **state)
{
	(void)state;
	char text[400];
	struct procedure p =
		made("ripple", "{\"speed_rpm\": 5, \"orders\": [" WAVE("1", "0.9", "0.5", "true") "," WAVE(
				       "36", "0.2", "0.01", "true") "," WAVE("9", "0.3", "0.01", "false") "]}");

	procedure_headline(&p, text, sizeof text);
	assert_non_null(strstr(text, "Order 36, mesh, amplitude 0.200 N·m ± 0.020 N·m"));
	procedure_clear(&p);
	p = made("ripple", "{\"speed_rpm\": 5, \"orders\": [" WAVE("1", "0.9", "0.5", "true") "]}");
	procedure_headline(&p, text, sizeof text);
	assert_non_null(strstr(text, "No wave is larger"));
	procedure_clear(&p);
}

static void tame_and_a_response_are_told_in_words(void **state)
{
	(void)state;
	static const struct {
		const char *doc, *says;
	} rows[] = {
		{ "{\"identified\": {\"rotor_inertia_kgm2\": {\"value\": 0.052, \"u\": 0.001}}}",
		  "output 0.0520 kg·m² ± 0.0020 kg·m²." },
		{ "{\"oscillates\": true}", "not known. With the typed gains the joint oscillates." },
		{ "{\"oscillates\": false}", "the joint does not oscillate." },
		{ "{\"oscillates\": null}", "Whether the joint oscillates with the typed gains is not known." },
	};
	char text[400], remark[PROCEDURE_REMARKS][400];

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct procedure p = made("tame", rows[i].doc);
		procedure_headline(&p, text, sizeof text);
		assert_non_null(strstr(text, rows[i].says));
		assert_null(strstr(text, "nan"));
		procedure_clear(&p);
	}
	struct procedure p =
		made("tame", "{\"rig_inertia_kgm2\": {\"value\": 0, \"u\": 0}, \"obey_run\": 4, \"play_run\": null,"
			     " \"delay_s\": 0.014}");
	assert_int_equal(procedure_remarks(&p, remark), 4);
	assert_non_null(strstr(remark[0], "counts as the rotor's"));
	assert_non_null(strstr(remark[1], "by run 4 (obey)"));
	assert_non_null(strstr(remark[2], "were not measured"));
	procedure_clear(&p);
	p = made("response", "{\"bandwidth_Hz\": {\"value\": 25, \"u\": 0.5}, \"swing_Nm\": 2.5, \"torque_Nm\": 8.75,"
			     " \"rate_Hz\": 80, \"seen_to_Hz\": 32, \"lowest_coherence\": 0.8}");
	procedure_headline(&p, text, sizeof text);
	assert_string_equal(text,
			    "Bandwidth of a torque command 25.00 Hz ± 0.98 Hz, steps of ± 2.5 N·m about 8.75 N·m.");
	procedure_limits(&p, text, sizeof text);
	assert_non_null(strstr(text, "nothing above 32 Hz is seen"));
	procedure_clear(&p);
}

static void a_zero_that_failed_stands_first(void **state)
{
	(void)state;
	char remark[PROCEDURE_REMARKS][400];
	struct procedure p = made("play", "{\"zero_failed\": \"the shaft stands\", \"cell_lag_s\": 0.02}");

	assert_int_equal(procedure_remarks(&p, remark), 3);
	assert_non_null(strstr(remark[0], "the shaft stands"));
	assert_non_null(strstr(remark[1], "in series"));
	procedure_clear(&p);
	assert_null(procedure_kind("sweep"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(numbers_have_U_by_their_degrees_of_freedom),
		cmocka_unit_test(lists_are_named_by_what_they_are_of),
		cmocka_unit_test(the_headline_names_a_wave_only_beyond_its_own_U),
		cmocka_unit_test(tame_and_a_response_are_told_in_words),
		cmocka_unit_test(a_zero_that_failed_stands_first),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
