/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/scpi_supply_private.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdio.h>
#include <string.h>

#include "tests/unit/instrument/far_end.h"

static struct mono now;

static struct mono clock_now(void *ctx)
{
	(void)ctx;
	return now;
}

static void answers(void **state)
{
	static const struct {
		const char *line;
		bool good;
		double volt, ampere;
	} rows[] = {
		{ "47.981;1.2034", true, 47.981, 1.2034 },
		{ "+4.8E+01;-2.5E-3", true, 48, -0.0025 },
		{ "48;1", true, 48, 1 },
		{ "48", false, 0, 0 },
		{ "48;", false, 0, 0 },
		{ ";1", false, 0, 0 },
		{ "48;1;2", false, 0, 0 },
		{ "48;1x", false, 0, 0 },
		{ "48,1", false, 0, 0 },
		{ "", false, 0, 0 },
		{ "NAN;1", false, 0, 0 },
		{ "48;INF", false, 0, 0 },
		{ "48;1 ", false, 0, 0 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		double volt = 7, ampere = 8;
		if (supply_answer(rows[i].line, 0, &volt, &ampere) != rows[i].good)
			fail_msg("\"%s\"", rows[i].line);
		assert_true(fabs(volt - (rows[i].good ? rows[i].volt : 7)) < 1e-12 &&
			    fabs(ampere - (rows[i].good ? rows[i].ampere : 8)) < 1e-12);
	}
}

static void answers_of_one_address(void **state)
{
	double volt, ampere;

	(void)state;
	assert_true(supply_answer("2;47.9;1.5", 2, &volt, &ampere));
	assert_true(fabs(volt - 47.9) < 1e-12 && fabs(ampere - 1.5) < 1e-12);
	assert_false(supply_answer("3;47.9;1.5", 2, &volt, &ampere));
	assert_false(supply_answer("47.9;1.5", 2, &volt, &ampere));
	assert_false(supply_answer("2.0;47.9;1.5", 2, &volt, &ampere));
	assert_false(supply_answer(";47.9;1.5", 2, &volt, &ampere));
	assert_false(supply_answer("2;47.9;1.5", 0, &volt, &ampere));
}

/* The device's end of a line, by hand; other: the second on it. */
struct device {
	struct far_end end;
	struct instrument in, other;
	struct turns turns;
	struct snapshot snap;
};

static const struct clock_src a_clock = { .now = clock_now };

static struct device *begin_line(void)
{
	static struct device d;

	d = (struct device){ .snap = snapshot_blank() };
	far_end_open("supply", &d.end);
	now.ns = 1000000000;
	return &d;
}

static struct device *begin(void)
{
	static const struct instrument_config config = {
		.name = "supply psu", .roles = ROLE_METER, .number = 3, .period_s = 0.2
	};
	struct device *d = begin_line();

	assert_int_equal(supply_open(&config, d->end.link, &a_clock, &d->in, NULL), RC_OK);
	assert_int_equal(d->in.ops->begin(d->in.ctx, NULL), RC_OK);
	return d;
}

static struct device *begin_two(void)
{
	struct device *d = begin_line();
	const struct instrument_config volts = { .name = "supply volts",
						 .roles = ROLE_VOLTAGE,
						 .number = 1,
						 .period_s = 0.2,
						 .address = 1,
						 .turns = &d->turns,
						 .sharers = 2 };
	struct instrument_config amps = volts;

	amps.name = "supply amps";
	amps.roles = ROLE_CURRENT;
	amps.number = 2;
	amps.address = 2;
	assert_int_equal(supply_open(&volts, d->end.link, &a_clock, &d->in, NULL), RC_OK);
	assert_int_equal(supply_open(&amps, d->end.link, &a_clock, &d->other, NULL), RC_OK);
	assert_int_equal(d->in.ops->begin(d->in.ctx, NULL), RC_OK);
	assert_int_equal(d->other.ops->begin(d->other.ctx, NULL), RC_OK);
	return d;
}

static void end(struct device *d)
{
	d->in.ops->close(d->in.ctx);
	if (d->other.ops)
		d->other.ops->close(d->other.ctx);
	far_end_close(&d->end);
}

static int asked(struct device *d) /* questions since the last look */
{
	char buf[500];
	ssize_t n = recv(d->end.fd, buf, sizeof buf, MSG_DONTWAIT);
	int lines = 0;

	for (ssize_t i = 0; i < n; i++)
		lines += buf[i] == '\n';
	return lines;
}

static void say(struct device *d, const char *text)
{
	assert_int_equal(send(d->end.fd, text, strlen(text), 0), strlen(text));
}

static void look(struct device *d, double after_s)
{
	for (int i = 0; i < (int)(after_s / 0.01 + 0.5); i++) {
		now.ns += 10000000;
		d->in.ops->poll(d->in.ctx, &d->snap);
		if (d->other.ops)
			d->other.ops->poll(d->other.ctx, &d->snap);
	}
}

/* Looks, and answers what is asked of the outputs in the bits: 1 and 2. Questions of each are counted. */
static void serve(struct device *d, double for_s, unsigned of, int asked_of[3])
{
	for (int i = 0; i < (int)(for_s / 0.01 + 0.5); i++) {
		char buf[500];
		look(d, 0.01);
		ssize_t n = recv(d->end.fd, buf, sizeof buf - 1, MSG_DONTWAIT);
		buf[n > 0 ? n : 0] = '\0';
		assert_true(n <= 0 || strchr(buf, '\n') == buf + n - 1); /* one question at a time */
		if (n <= 0)
			continue;
		int who = buf[10] - '0';
		assert_int_equal(strncmp(buf, "INST:NSEL ", 10), 0);
		assert_in_range(who, 1, 2);
		asked_of[who]++;
		if (of & 1u << (who - 1))
			say(d, who == 1 ? "1;48;9\n" : "2;7;1.5\n");
	}
}

/* One question at a time, one reading an answer, and only the channels of its role. */
static void one_answer_is_one_reading(void **state)
{
	struct device *d = begin();
	struct channel *c = d->snap.channel;

	(void)state;
	d->snap.brake_A = 0.25;
	look(d, 0.02);
	assert_int_equal(asked(d), 1);
	assert_true(c[CHANNEL_VOLTAGE].fresh == 0 && isinf(c[CHANNEL_VOLTAGE].age_s) && isnan(d->snap.voltage_V));
	say(d, "47.9;1.5\r\n");
	look(d, 0.1);
	assert_true(fabs(d->snap.voltage_V - 47.9) < 1e-12 && fabs(d->snap.current_A - 1.5) < 1e-12);
	assert_true(c[CHANNEL_VOLTAGE].fresh == 1 && c[CHANNEL_CURRENT].fresh == 1 &&
		    c[CHANNEL_CURRENT].quality == QUALITY_GOOD);
	assert_true(c[CHANNEL_CURRENT].instrument == 3 && fabs(c[CHANNEL_CURRENT].age_s - 0.09) < 1e-9);
	assert_int_equal(asked(d), 0);
	look(d, 0.3);
	assert_int_equal(asked(d), 1);
	assert_int_equal(c[CHANNEL_VOLTAGE].fresh, 1); /* repeated, not read again */
	assert_true(d->snap.brake_A > 0.24 && c[CHANNEL_BRAKE].fresh == 0);
	say(d, "garbage\n48.1;");
	look(d, 0.1);
	assert_int_equal(c[CHANNEL_VOLTAGE].fresh, 1);
	say(d, "1.6\n");
	look(d, 0.01);
	assert_true(c[CHANNEL_VOLTAGE].fresh == 2 && fabs(d->snap.current_A - 1.6) < 1e-12);
	end(d);
}

/* A lost answer is asked for again, a silent supply grows old, and a line that is gone is known at once. */
static void silence_shows(void **state)
{
	struct device *d = begin();
	struct channel *c = d->snap.channel;

	(void)state;
	say(d, "48;1\n");
	look(d, 0.01);
	(void)asked(d);
	look(d, 2);
	assert_in_range(asked(d), 3, 5);
	assert_true(fabs(c[CHANNEL_CURRENT].age_s - 2) < 0.02 && d->in.stale_s < 1.5);
	now.ns += 5000000000; /* this program itself did not look */
	d->in.ops->poll(d->in.ctx, &d->snap);
	assert_true(c[CHANNEL_CURRENT].age_s < 2.2);
	close(d->end.fd);
	d->end.fd = -1;
	look(d, 0.02);
	assert_true(isinf(c[CHANNEL_CURRENT].age_s) && c[CHANNEL_CURRENT].quality == QUALITY_MISSING &&
		    isnan(d->snap.current_A));
	end(d);
}

/* Two that want the line all the time have it by turns; one that does not want it is passed over. */
static void nobody_is_served_twice_while_another_waits(void **state)
{
	struct turns t = { 0 };
	unsigned a = turns_join(&t), b = turns_join(&t), c = turns_join(&t);

	(void)state;
	for (int i = 0; i < 10; i++) {
		bool has_a = turns_take(&t, a), has_b = turns_take(&t, b);
		assert_int_equal(has_a + has_b, 1);
		assert_int_equal(turns_is_mine(&t, i % 2 ? b : a), true);
		turns_give(&t, i % 2 ? a : b); /* not its own: nothing happens */
		assert_int_equal(turns_is_mine(&t, i % 2 ? b : a), true);
		turns_give(&t, i % 2 ? b : a);
	}
	assert_true(turns_take(&t, c) || turns_take(&t, b) || turns_take(&t, a));
}

static void two_take_turns(void **state)
{
	struct device *d = begin_two();
	struct channel *c = d->snap.channel;
	int n[3] = { 0 };

	(void)state;
	serve(d, 4, 3, n);
	assert_in_range(n[1], 18, 21);
	assert_in_range(n[2], 18, 21);
	assert_true(fabs(d->snap.voltage_V - 48) < 1e-12 && fabs(d->snap.current_A - 1.5) < 1e-12);
	assert_int_equal(c[CHANNEL_VOLTAGE].instrument, 1);
	assert_int_equal(c[CHANNEL_CURRENT].instrument, 2);
	assert_true(c[CHANNEL_CURRENT].age_s < 0.25);
	end(d);
}

/* The other's readings stay young; and an answer that comes late, in the other's turn, is taken by nobody. */
static void one_that_is_silent_leaves_the_other(void **state)
{
	for (unsigned silent = 0; silent < 2; silent++) {
		struct device *d = begin_two();
		struct channel *c = d->snap.channel;
		enum channel_id dead = silent == 0 ? CHANNEL_VOLTAGE : CHANNEL_CURRENT;
		enum channel_id alive = silent == 0 ? CHANNEL_CURRENT : CHANNEL_VOLTAGE;
		int n[3] = { 0 };

		serve(d, 1, 3, n);
		for (int i = 0; i < 40; i++) {
			serve(d, 0.1, 2u >> silent, n);
			assert_true(c[alive].age_s < d->in.stale_s / 2);
		}
		assert_true(c[dead].age_s > 3.5 && c[dead].age_s > d->in.stale_s);
		end(d);
	}
	(void)state;
}

static void a_late_answer_is_not_the_other_s(void **state)
{
	struct device *d = begin_two();
	char buf[200];

	(void)state;
	look(d, 0.02); /* output 1 is asked and silent; its turn ends after 0.4 s */
	look(d, 0.45);
	ssize_t n = recv(d->end.fd, buf, sizeof buf - 1, 0);
	buf[n] = '\0';
	assert_non_null(strstr(buf, "INST:NSEL 2;")); /* the second question has gone out */
	say(d, "1;48;9\n");
	look(d, 0.02);
	assert_true(d->snap.channel[CHANNEL_CURRENT].fresh == 0 && d->snap.channel[CHANNEL_VOLTAGE].fresh == 0);
	say(d, "2;7;1.5\n");
	look(d, 0.02);
	assert_true(d->snap.channel[CHANNEL_CURRENT].fresh == 1 && fabs(d->snap.current_A - 1.5) < 1e-12);
	end(d);
}

/* A line that ends: both on it say so, nobody keeps the turn, and nothing more is asked. */
static void two_on_a_line_that_ends(void **state)
{
	struct device *d = begin_two();
	struct channel *c = d->snap.channel;

	(void)state;
	int n[3] = { 0 };
	serve(d, 1, 3, n);
	look(d, 0.15);
	shutdown(d->end.fd, SHUT_RDWR);
	look(d, 1);
	assert_true(isinf(c[CHANNEL_VOLTAGE].age_s) && isinf(c[CHANNEL_CURRENT].age_s));
	assert_true(isnan(d->snap.voltage_V) && isnan(d->snap.current_A));
	assert_int_equal(d->turns.holder, 0);
	end(d);
}

/* Gone before it was begun. */
static void a_line_that_was_gone_before(void **state)
{
	static const struct instrument_config config = {
		.name = "supply psu", .roles = ROLE_METER, .number = 3, .period_s = 0.2
	};
	struct device *d = begin_line();

	(void)state;
	assert_int_equal(supply_open(&config, d->end.link, &a_clock, &d->in, NULL), RC_OK);
	shutdown(d->end.fd, SHUT_RDWR);
	assert_int_equal(d->in.ops->begin(d->in.ctx, NULL), RC_OK);
	look(d, 0.02);
	assert_true(isnan(d->snap.voltage_V) && d->snap.channel[CHANNEL_VOLTAGE].quality == QUALITY_MISSING);
	end(d);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(answers),
		cmocka_unit_test(one_answer_is_one_reading),
		cmocka_unit_test(silence_shows),
		cmocka_unit_test(answers_of_one_address),
		cmocka_unit_test(two_take_turns),
		cmocka_unit_test(nobody_is_served_twice_while_another_waits),
		cmocka_unit_test(one_that_is_silent_leaves_the_other),
		cmocka_unit_test(a_late_answer_is_not_the_other_s),
		cmocka_unit_test(two_on_a_line_that_ends),
		cmocka_unit_test(a_line_that_was_gone_before),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
