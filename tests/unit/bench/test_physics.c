/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/physics.h"
#include "tests/unit/bench/world_kit.h"

#include <unistd.h>

static enum rc read_text(const char *text, uint64_t seed, struct physics *ret, struct mistakes *m)
{
	char path[] = "/tmp/bridle-virtual-XXXXXX";
	int fd = mkstemp(path);
	struct err err = { 0 };
	enum rc rc;

	assert_true(fd >= 0);
	assert_int_equal(write(fd, text, strlen(text)), (ssize_t)strlen(text));
	close(fd);
	memset(m, 0, sizeof *m);
	rc = physics_read(path, seed, ret, m, &err);
	unlink(path);
	return rc;
}

static void template_reads_back_as_the_defaults(void **state)
{
	char *text = NULL;
	size_t n;
	FILE *file = open_memstream(&text, &n);
	struct world_config k = kit_config(3);
	struct physics read;
	struct mistakes m;

	(void)state;
	physics_template(file);
	fclose(file);
	assert_int_equal(read_text(text, 3, &read, &m), RC_OK);
	assert_memory_equal(&read, &k.physics, sizeof read);
	free(text);
}

static void every_mistake_is_told_with_its_line(void **state)
{
	struct physics read = { .room.temp_degC = -77 };
	struct mistakes m;

	(void)state;
	assert_int_equal(read_text("[motor]\nk_t = 0.1 N.m/A\nk_tt = 3\nresistance = 5 kg\n\n[moon]\nx = "
				   "1\n[gear]\nratio = -2\nratio = 4\n"
				   "[drive]\nready = 20 V\n",
				   1, &read, &m),
			 RC_ARG);
	assert_int_equal(m.n, 6);
	assert_non_null(strstr(m.line[0], ":3: [motor] k_tt"));
	assert_non_null(strstr(m.line[1], ":4: [motor] resistance"));
	assert_non_null(strstr(m.line[2], ":7: [moon]"));
	assert_non_null(strstr(m.line[3], ":9: [gear] ratio"));
	assert_non_null(strstr(m.line[4], ":10: [gear] ratio"));
	assert_non_null(strstr(m.line[5], "[drive] ready"));
	assert_near(read.room.temp_degC, -77, 0); /* untouched */
}

static void a_missing_file_is_the_defaults_and_a_folder_is_none(void **state)
{
	struct physics read;
	struct mistakes m = { 0 };
	struct err err = { 0 };

	(void)state;
	assert_int_equal(physics_read("/nonexistent/virtual.ini", 1, &read, &m, &err), RC_OK);
	assert_near(read.gear.ratio, 36, 0);
	assert_int_not_equal(physics_read("/tmp", 1, &read, &m, &err), RC_OK);
}

static void an_uncertain_value_is_drawn_by_the_seed(void **state)
{
	struct physics a, b, c;
	struct mistakes m;
	const char *text = "[motor]\nk_t = 0.1 N.m/A ± 10 % normal\n";

	(void)state;
	assert_int_equal(read_text(text, 1, &a, &m), RC_OK);
	assert_int_equal(read_text(text, 1, &b, &m), RC_OK);
	assert_int_equal(read_text(text, 2, &c, &m), RC_OK);
	assert_near(a.motor.kt_Nm_per_A, b.motor.kt_Nm_per_A, 0);
	assert_true(fabs(a.motor.kt_Nm_per_A - c.motor.kt_Nm_per_A) > 1e-6);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(template_reads_back_as_the_defaults),
		cmocka_unit_test(every_mistake_is_told_with_its_line),
		cmocka_unit_test(a_missing_file_is_the_defaults_and_a_folder_is_none),
		cmocka_unit_test(an_uncertain_value_is_drawn_by_the_seed),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
