/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A supply that is set: how it is begun, how it goes off at once, and a supply that feeds the brake's coil. */
#include "instrument/scpi_supply.h"
#include "instrument/scpi_words.h"

#include <math.h>

#include "tests/unit/instrument/line_scene.h"

static const char *const *next_answer; /* one at each sleep; NULL: no more */

static enum rc sleep_and_answer(void *ctx, struct mono until, struct err *err)
{
	(void)ctx;
	if (happens != NOTHING_HAPPENS)
		return sleep_until(ctx, until, err);
	now = until;
	if (next_answer && *next_answer)
		say(*next_answer++);
	return RC_OK;
}

static const char *limiting = "STAT:QUES:COND?";

static enum rc open_supply(bool coil, const char *const *answers, struct err *err)
{
	static struct clock_src answering;
	struct scpi_setup setup = { .voltage = "VOLT",
				    .current = "CURR",
				    .output = "OUTP",
				    .error = "SYST:ERR?",
				    .limited = "STAT:QUES?",
				    .limited_bits = 2,
				    .set_V = 48,
				    .set_A = coil ? 0 : 12,
				    .coil = coil,
				    .most_A = 1 };
	const struct instrument_config config = { .name = "supply psu",
						  .roles = coil ? ROLE_BRAKE : ROLE_METER | ROLE_POWER,
						  .number = 2,
						  .period_s = 0.1,
						  .scpi = &setup };

	snprintf(setup.limiting, sizeof setup.limiting, "%s", limiting);
	answering = a_clock;
	answering.sleep_until = sleep_and_answer;
	next_answer = answers;
	device_begin("settable", NULL);
	enum rc rc = supply_open(&config, d.end.link, &answering, &d.in, err);
	next_answer = NULL;
	return rc;
}

/* What the supply was sent since; "" = nothing. */
static const char *heard(void)
{
	static char text[400];
	ssize_t n = recv(d.end.fd, text, sizeof text - 1, MSG_DONTWAIT);

	text[n > 0 ? n : 0] = '\0';
	return text;
}

static void assert_heard(const char *words)
{
	const char *text = heard();

	if (!strstr(text, words))
		fail_msg("heard \"%s\", expected \"%s\"", text, words);
}

static const char *const in_order[] = { "0,\"No error\"\r\n", "48;12;0\n", NULL };
static const char *const coil_in_order[] = { "0,\"No error\"\n", "48;0;0\n", NULL };

static void one_that_does_not_take_its_limits_is_refused(void **state)
{
	static const struct {
		const char *answers[3];
		enum rc rc;
		const char *words;
	} rows[] = {
		{ { NULL }, RC_TIMEOUT, "no answer within" },
		{ { "hello\n" }, RC_PROTOCOL, "it answers \"hello\" to SYST:ERR?, expected a number and a text" },
		{ { "-222,\"Data out of range\"\n" },
		  RC_ARG,
		  "it answered error -222 (Data out of range) to \":OUTP OFF" },
		{ { "0,\"No error\"\n" }, RC_TIMEOUT, "no answer within" },
		{ { "0,\"No error\"\n", "47;12;0\n" }, RC_ARG, "check its range, [supply] and its header words" },
		{ { "0,\"No error\"\n", "48;11;0\n" }, RC_ARG, "check its range, [supply] and its header words" },
		{ { "0,\"No error\"\n", "48;12;1\n" }, RC_ARG, "check its range, [supply] and its header words" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct err err = { 0 };

		enum rc rc = open_supply(false, rows[i].answers, &err);
		if (rc != rows[i].rc || !strstr(err.what, rows[i].words))
			fail_msg("row %zu: %d, %s", i, (int)rc, err.what);
		end();
	}
}

/* Off first, then its limits, and its error queue. */
static void it_begins_off_with_its_limits(void **state)
{
	(void)state;
	assert_int_equal(open_supply(false, in_order, NULL), RC_OK);
	const char *text = heard(), *off = strstr(text, "OUTP OFF"), *volt = strstr(text, "VOLT 48"),
		   *ampere = strstr(text, "CURR 12");
	assert_true(off && volt && ampere && off < volt && off < ampere && strstr(text, "SYST:ERR?"));
	assert_null(strstr(text, "OUTP ON"));
	end();
}

static void it_goes_on_when_asked_and_off_at_once(void **state)
{
	(void)state;
	assert_int_equal(open_supply(false, in_order, NULL), RC_OK);
	(void)heard();
	d.in.ops->set(d.in.ctx, &(struct wish){ .power = true });
	assert_string_equal(heard(), ""); /* on has time */
	look(0.01);
	assert_heard("OUTP ON");
	/* its answer is still to come: off does not wait for it */
	d.in.ops->set(d.in.ctx, &(struct wish){ .power = false });
	assert_string_equal(heard(), "\n:OUTP OFF\n");
	d.in.ops->set(d.in.ctx, &(struct wish){ .power = false });
	assert_string_equal(heard(), "");
	end();
}

/* Looks, and answers what is measured, until it is ordered and asked whether it took that; the order's line. */
static const char *until_ordered(void)
{
	for (int i = 0; i < 50; i++) {
		look(0.01);
		const char *text = heard();
		if (strstr(text, "SYST:ERR?"))
			return text;
		if (strstr(text, "MEAS"))
			say("24;0;0;0\n");
	}
	return "";
}

/* What comes between is no answer to the order; and a refused off is told as one, of a coil's supply too. */
static void a_refused_off_is_told_as_off(void **state)
{
	(void)state;
	for (int coil = 0; coil < 2; coil++) {
		assert_int_equal(open_supply(coil, coil ? coil_in_order : in_order, NULL), RC_OK);
		d.in.ops->set(d.in.ctx, &(struct wish){ .power = true, .brake_A = 0.5 });
		(void)heard();
		assert_non_null(strstr(until_ordered(), coil ? "CURR 0.5" : "OUTP ON"));
		say("0,\"No error\"\n");
		look(0.02);
		assert_string_equal(d.in.error, "");
		(void)heard();
		d.in.ops->set(d.in.ctx, &(struct wish){ 0 });
		assert_string_equal(heard(), "\n:OUTP OFF\n");
		say("24;0;0;0\n");
		assert_non_null(strstr(until_ordered(), "OUTP OFF"));
		uint32_t fresh = d.snap.channel[coil ? CHANNEL_BRAKE : CHANNEL_CURRENT].fresh;
		say("hello\n24;0;0;0\n");
		look(0.01);
		assert_int_equal(d.snap.channel[coil ? CHANNEL_BRAKE : CHANNEL_CURRENT].fresh, fresh);
		assert_string_equal(d.in.error, "");
		say("-200,\"Execution error\"\n");
		look(0.02);
		assert_string_equal(d.in.error, "it answered error -200 (Execution error) to OUTP OFF");
		end();
	}
}

/* A supply that tells its limit by one word alone. */
static void one_word_may_tell_its_limit(void **state)
{
	(void)state;
	limiting = "";
	enum rc rc = open_supply(false, in_order, NULL);
	limiting = "STAT:QUES:COND?";
	assert_int_equal(rc, RC_OK);
	(void)heard();
	look(0.11);
	assert_null(strstr(heard(), "COND?"));
	say("47.5;3.25;2\n");
	look(0.01);
	assert_true(d.snap.supply_limited && d.snap.channel[CHANNEL_CURRENT].fresh == 1);
	end();
}

static void a_refused_order_is_told_and_ages(void **state)
{
	(void)state;
	assert_int_equal(open_supply(false, in_order, NULL), RC_OK);
	d.in.ops->set(d.in.ctx, &(struct wish){ .power = true });
	look(0.01);
	say("-200,\"Execution error\"\n");
	look(0.02);
	assert_non_null(strstr(d.in.error, "-200"));
	assert_true(isinf(d.snap.channel[CHANNEL_VOLTAGE].age_s));
	end();
}

/* Latched or as it is now, bit 2 of either: the current limit acts. */
static void its_limit_is_read_with_its_readings(void **state)
{
	static const struct {
		const char *line;
		bool limited;
	} rows[] = { { "47.5;3.25;0;0\n", false },
		     { "47.5;3.25;2;0\n", true },
		     { "47.5;3.25;0;2\n", true },
		     { "47.5;3.25;1;1\n", false } };

	(void)state;
	assert_int_equal(open_supply(false, in_order, NULL), RC_OK);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		look(0.11);
		assert_heard("STAT:QUES:COND?");
		say(rows[i].line);
		look(0.01);
		if (d.snap.supply_limited != rows[i].limited || !(fabs(d.snap.voltage_V - 47.5) < 1e-9))
			fail_msg("row %zu: %d, %g V", i, d.snap.supply_limited, d.snap.voltage_V);
		assert_true(fabs(d.snap.current_A - 3.25) < 1e-9 && d.snap.channel[CHANNEL_CURRENT].fresh == i + 1);
	}
	look(0.11);
	say("47.5;3.25\n"); /* without the status it is no answer */
	look(0.01);
	assert_int_equal(d.snap.channel[CHANNEL_CURRENT].fresh, 4);
	end();
}

static void a_coil_gets_its_current_and_tells_it(void **state)
{
	char long_line[400];

	(void)state;
	assert_int_equal(open_supply(true, coil_in_order, NULL), RC_OK);
	(void)heard();
	d.in.ops->set(d.in.ctx, &(struct wish){ .brake_A = 0.5 });
	look(0.01); /* what is measured has its turn first */
	assert_heard("MEAS");
	say("24;0;0;0\n");
	look(0.02);
	assert_heard("CURR 0.5");
	say("0,\"No error\"\n");
	look(0.12);
	assert_heard("MEAS");
	memset(long_line, '1', sizeof long_line);
	strcpy(long_line + sizeof long_line - 20, "\n24;0.498;0;0\n");
	say(long_line);
	look(0.01);
	assert_true(fabs(d.snap.brake_A - 0.498) < 1e-9 && isnan(d.snap.voltage_V));
	assert_true(d.snap.channel[CHANNEL_BRAKE].fresh == 2 && d.snap.channel[CHANNEL_BRAKE].instrument == 2);
	d.in.ops->set(d.in.ctx, &(struct wish){ .brake_A = NAN });
	assert_string_equal(heard(), "\n:OUTP OFF\n"); /* a current that is none is nothing */
	close(d.end.fd);
	d.end.fd = dup(d.end.listening);
	look(0.2);
	assert_true(isnan(d.snap.brake_A) && d.snap.channel[CHANNEL_BRAKE].quality == QUALITY_MISSING);
	d.in.ops->set(d.in.ctx, &(struct wish){ .brake_A = 0.5 });
	d.in.ops->set(d.in.ctx, &(struct wish){ 0 }); /* to a line that is gone */
	end();
}

static enum rc open_silent(struct err *err)
{
	return open_supply(false, NULL, err);
}

static void its_line_ends_while_it_is_waited_for(void **state)
{
	(void)state;
	a_wait_that_ends(open_silent);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(one_that_does_not_take_its_limits_is_refused),
		cmocka_unit_test(it_begins_off_with_its_limits),
		cmocka_unit_test(it_goes_on_when_asked_and_off_at_once),
		cmocka_unit_test(a_refused_order_is_told_and_ages),
		cmocka_unit_test(a_refused_off_is_told_as_off),
		cmocka_unit_test(one_word_may_tell_its_limit),
		cmocka_unit_test(its_limit_is_read_with_its_readings),
		cmocka_unit_test(a_coil_gets_its_current_and_tells_it),
		cmocka_unit_test(its_line_ends_while_it_is_waited_for),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
