/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/control_side.h"
#include "tests/unit/bench/world_kit.h"

struct line {
	struct world *world;
	struct control_side side;
	uint8_t seq;
};

static int begin(void **state)
{
	static struct line line;
	struct world_config k = kit_config(4711);

	line = (struct line){ .world = kit_world(&k) };
	control_side_begin(&line.side);
	*state = &line;
	return 0;
}

static int finish(void **state)
{
	world_free(((struct line *)*state)->world);
	return 0;
}

static enum control_step feed(struct line *l, const char *body, bool again)
{
	struct tether_writer w;
	enum control_step step = CONTROL_NONE;
	size_t n;

	l->seq = (uint8_t)(again ? l->seq : l->seq + 1);
	tether_begin_seq(&w, '?', l->seq);
	tether_put_words(&w, body);
	n = tether_end(&w);
	for (size_t i = 0; i < n; i++) {
		step = control_side_feed(&l->side, l->world, w.line[i]);
		assert_true(step == CONTROL_NONE || i == n - 1);
	}
	return step;
}

static const char *answer(struct line *l)
{
	static char text[TETHER_LINE_MAX + 1];
	char head[8];

	snprintf(head, sizeof head, "!%u ", l->seq);
	assert_int_equal(strncmp(l->side.answer, head, strlen(head)), 0);
	snprintf(text, sizeof text, "%.*s", (int)(l->side.answer_n - strlen(head) - 7), l->side.answer + strlen(head));
	return text;
}

static const char *ask(struct line *l, const char *body)
{
	return feed(l, body, false) == CONTROL_ANSWER ? answer(l) : "";
}

static void answers_as_the_page_says(void **state)
{
	static const struct {
		const char *request, *answer;
	} rows[] = {
		{ "hello 1", "ok 1 bench 4711" },
		{ "lines", "no verb" },
		{ "hello 3", "no version 2" },
		{ "hello 2", "ok 2 bench 4711" },
		{ "lines", "ok tether" },
		{ "lines 1", "no args" },
		{ "hello 1", "ok 1 bench 4711" },
		{ "hello", "no args" },
		{ "now", "ok 0" },
		{ "now then", "no args" },
		{ "advance 5", "no args" },
		{ "advance 5 -1", "no args" },
		{ "advance -1 0", "no past" },
		{ "leap 5", "no verb" },
		{ "hand", "no args" },
		{ "hand wave", "no such act" },
		{ "hand hang", "no args" },
		{ "hand hang w1", "no arm to hang it on" },
		{ "hand arm up", "no args" },
		{ "hand arm on", "ok" },
		{ "hand hang w1", "no hanger on the arm yet" },
		{ "hand hang anvil", "no such piece in weights.ini" },
		{ "hand hang hanger", "ok" },
		{ "hand hang w1", "ok" },
		{ "hand hang w1", "no second piece of that name: it hangs already" },
		{ "hand unhang hanger", "no taking the hanger while pieces hang on it" },
		{ "hand unhang w2", "no such piece on the arm" },
		{ "hand arm off", "no taking the arm off while weights hang on it" },
		{ "hand unhang all", "ok" },
		{ "hand unhang all", "ok" },
		{ "hand arm off", "ok" },
		{ "hand couple", "ok" },
		{ "hand uncouple", "ok" },
		{ "hand turn 30", "ok" },
		{ "hand turn 0", "ok" },
		{ "hand turn fast", "no range" },
		{ "hand remount", "ok" },
		{ "hand estop pull", "ok" },
		{ "hand estop release", "ok" },
		{ "hand estop kick", "no args" },
		{ "hand guard open", "ok" },
		{ "hand guard close", "ok" },
		{ "hand drive restart", "ok" },
		{ "hand fault", "no such fault: bridle bench --help lists them" },
		{ "hand fault gremlin", "no such fault: bridle bench --help lists them" },
		{ "hand fault garbage 2000", "no range" },
		{ "hand fault garbage much", "no range" },
		{ "hand fault garbage nan", "no range" },
		{ "hand fault estop 1", "no args" },
		{ "hand fault garbage 5", "ok" },
		{ "hand mend", "ok" },
	};
	struct line *l = *state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		assert_string_equal(ask(l, rows[i].request), rows[i].answer);
}

static void advance_is_asked_of_the_caller(void **state)
{
	struct line *l = *state;

	assert_int_equal(feed(l, "advance 1260000 18", false), CONTROL_ADVANCE);
	assert_int_equal(l->side.advance_us, 1260000);
	assert_int_equal(l->side.received[0], 18);
	world_advance(l->world, 1260000);
	control_side_advanced(&l->side, 1260000, (uint64_t[SIDE_LINES]){ 35 });
	assert_string_equal(answer(l), "ok 1260000 35");
	assert_int_equal(feed(l, "advance 1260000 18", true),
			 CONTROL_ANSWER); /* the same again: answered, not obeyed */
	assert_string_equal(ask(l, "advance 1200000 18"), "no past");
	assert_int_equal(feed(l, "advance 1300000 99", false), CONTROL_ADVANCE);
	control_side_no_bytes(&l->side);
	assert_string_equal(answer(l), "no bytes");
	assert_string_equal(ask(l, "now"), "ok 1260000");
}

static void drops_what_is_no_good_line(void **state)
{
	struct line *l = *state;
	static const char bad[] = "?1 hello 1 =5120\nhello there\n!1 ok =0000\n";

	for (size_t i = 0; i < sizeof bad - 1; i++)
		assert_int_equal(control_side_feed(&l->side, l->world, bad[i]), CONTROL_NONE);
	assert_string_equal(ask(l, "now"), "ok 0");
}

#define CONTROL_TEST(f) cmocka_unit_test_setup_teardown(f, begin, finish)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		CONTROL_TEST(answers_as_the_page_says),
		CONTROL_TEST(advance_is_asked_of_the_caller),
		CONTROL_TEST(drops_what_is_no_good_line),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
