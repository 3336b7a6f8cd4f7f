/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A session opened on a rig: each example rig with its virtual bench in a thread of the test, real sockets between
 * them. Who fills what is told by the examples' own rig.ini. */
#include "run/session.h"

#include "bench/hands.h"
#include "bench/serve.h"
#include "bench/truth.h"
#include "profile/textfile.h"
#include "warden/warden_host.h"

#include <pthread.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "tests/unit/run/beside_scene.h"

/* What the linker puts between the session and the node (tests/unit/meson.build). */
enum rc __real_node_request(struct node *node, const char *request, char *ret, size_t ret_size, struct err *err);
enum rc __wrap_node_request(struct node *node, const char *request, char *ret, size_t ret_size, struct err *err);

static struct {
	const char *status; /* that the node seems to have; NULL: its own */
	int times;          /* so often */
	enum rc rc;
} asked;

enum rc __wrap_node_request(struct node *node, const char *request, char *ret, size_t ret_size, struct err *err)
{
	if (!asked.status || asked.times-- <= 0 || strcmp(request, "status") != 0)
		return __real_node_request(node, request, ret, ret_size, err);
	if (asked.rc != RC_OK)
		return err_set(err, asked.rc, 0, "%s", asked.status);
	snprintf(ret, ret_size, "%s", asked.status);
	return RC_OK;
}

/* Nobody is waited for here as long as at a rig. */
#define HERE_MS 50
enum rc __real_link_open(const char *address, int baud, const char *base, int timeout_ms, struct link **ret,
			 struct err *err);
enum rc __wrap_link_open(const char *address, int baud, const char *base, int timeout_ms, struct link **ret,
			 struct err *err);

enum rc __wrap_link_open(const char *address, int baud, const char *base, int timeout_ms, struct link **ret,
			 struct err *err)
{
	assert_int_equal(timeout_ms, 5000);
	return __real_link_open(address, baud, base, HERE_MS, ret, err);
}

struct here {
	char folder[40];
	struct world_config config;
	struct serve_config serve;
	pthread_t thread;
	int stop[2];
	bool serves;
	struct session s;
	struct mistakes m;
	struct err err;
};

static void run_shell(const char *format, ...) PRINTF_LIKE(1, 2);
static void run_shell(const char *format, ...)
{
	char command[500];
	va_list args;

	va_start(args, format);
	vsnprintf(command, sizeof command, format, args);
	va_end(args);
	if (system(command) != 0)
		fail_msg("%s", command);
}

/* A copy of an example; edit: a sed script for its rig.ini. */
static struct here *begin(const char *example, const char *edit)
{
	struct here *h = calloc(1, sizeof *h);
	char from[300];

	assert_non_null(h);
	strcpy(h->folder, "/tmp/bridle-rig-XXXXXX");
	assert_non_null(mkdtemp(h->folder));
	snprintf(from, sizeof from, "%s/docs/examples/%s", SOURCE_ROOT, example);
	run_shell("cp -rL '%s/.' %s", from, h->folder);
	run_shell("mkdir -p %s/run", h->folder);
	run_shell("sed -i '%s' %s/rig.ini", edit, h->folder);
	asked.status = NULL;
	return h;
}

static void *bench_thread(void *ctx)
{
	struct here *h = ctx;
	struct err err = { 0 };

	return serve(&h->serve, &err) == RC_OK ? NULL : h;
}

static void start_bench(struct here *h)
{
	struct world_config *c = &h->config;
	char path[200], *rig = NULL, *weights = NULL;
	struct true_rig truth;

	*c = (struct world_config){ .seed = 5, .step_us = WORLD_STEP_US, .act = hands_act };
	snprintf(path, sizeof path, "%s/rig.ini", h->folder);
	assert_int_equal(profile_read_rig(path, &c->rig, NULL, &h->m, &h->err), RC_OK);
	assert_int_equal(textfile_read(path, TEXTFILE_MAX, &rig, &h->err), RC_OK);
	snprintf(path, sizeof path, "%s/weights.ini", h->folder);
	assert_int_equal(profile_read_weights(path, &c->weights, NULL, &h->m, &h->err), RC_OK);
	assert_int_equal(textfile_read(path, TEXTFILE_MAX, &weights, &h->err), RC_OK);
	snprintf(path, sizeof path, "%s/virtual.ini", h->folder);
	assert_int_equal(physics_read(path, c->seed, &c->physics, &h->m, &h->err), RC_OK);
	assert_int_equal(stated_parse(rig, weights, &c->stated, &h->err), RC_OK);
	free(rig);
	free(weights);
	true_rig_draw(c->seed, &c->stated, &c->physics, &truth);
	assert_int_equal(world_new(c, &h->serve.world, &h->err), RC_OK);
	assert_int_equal(pipe(h->stop), 0);
	h->serve.stop_fd = h->stop[0];
	assert_int_equal(listen_open(c->rig.link, h->folder, &h->serve.tether, &h->err), RC_OK);
	assert_int_equal(listen_open(c->rig.control, h->folder, &h->serve.control, &h->err), RC_OK);
	for (size_t i = 0; i < c->rig.n_lines; i++)
		assert_int_equal(listen_open(instruments_line(&c->rig, i)->link, h->folder,
					     &h->serve.more[h->serve.n_more++], &h->err),
				 RC_OK);
	assert_int_equal(pthread_create(&h->thread, NULL, bench_thread, h), 0);
	h->serves = true;
}

static void end(struct here *h)
{
	void *bad = NULL;

	if (h->serves) {
		assert_int_equal(write(h->stop[1], "x", 1), 1);
		pthread_join(h->thread, &bad);
		listen_close(&h->serve.tether);
		listen_close(&h->serve.control);
		for (size_t i = 0; i < h->serve.n_more; i++)
			listen_close(&h->serve.more[i]);
		world_free(h->serve.world);
		close(h->stop[0]);
		close(h->stop[1]);
	}
	run_shell("rm -r %s", h->folder);
	free(h);
	assert_null(bad);
}

static enum rc open_rig(struct here *h, const char *plan)
{
	const struct session_want want = { .bench = h->folder, .plan = plan, .rig_link = true, .logbook_write = true };

	h->err = (struct err){ 0 };
	return session_open(&want, &h->s, &h->m, &h->err);
}

static void must_open(struct here *h, const char *plan)
{
	if (open_rig(h, plan) != RC_OK)
		fail_msg("%s: %s", h->folder, h->err.what);
}

static void says(const struct here *h, const char *part)
{
	if (!strstr(h->err.what, part))
		fail_msg("\"%s\" does not say \"%s\"", h->err.what, part);
}

static void each_example_has_its_own_instruments(void **state)
{
	static const struct {
		const char *name, *plan, *lines, *drive, *power, *meter;
		bool warden;
	} rows[] = {
		{ "heron-lock", "gentle", "the node", "the node", "the node", "the node", false },
		{ "heron-supply", "gentle", "the node", "the node", "supply psu", "supply psu", true },
		{ "heron-pins", "gentle", "gpio pins", "can-drive motor", "modbus psu", "modbus psu", true },
		{ "heron-knob", "gentle", "the node", "hand-drive panel", "the node", "the node", false },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct here *h = begin(rows[i].name, "");
		start_bench(h);
		must_open(h, rows[i].plan);
		assert_string_equal(session_fills(&h->s, ROLE_LINES)->name, rows[i].lines);
		assert_string_equal(session_fills(&h->s, ROLE_DRIVE)->name, rows[i].drive);
		assert_string_equal(session_fills(&h->s, ROLE_POWER)->name, rows[i].power);
		assert_string_equal(session_fills(&h->s, ROLE_METER)->name, rows[i].meter);
		assert_string_equal(session_fills(&h->s, ROLE_CELL)->name, "the node");
		assert_int_equal(session_lines(&h->s), LINES_ALL);
		assert_int_equal(h->s.warden != NULL, rows[i].warden);
		assert_int_equal(session_check_own_drive(&h->s, "it", &h->err),
				 strcmp(rows[i].drive, "hand-drive panel") == 0 ? RC_ARG : RC_OK);
		assert_true(h->s.clock.is_bench && h->s.logbook && h->s.has_plan && h->s.has_actuator);
		assert_int_equal(session_run_begin(&h->s, "sweep", 0, &h->err), RC_OK);
		assert_int_equal(session_begin(&h->s, &h->err), RC_OK);
		struct snapshot snap = snapshot_blank();
		for (int tick = 0; tick < 60; tick++) {
			snap.now = h->s.clock.now(h->s.clock.ctx);
			session_poll(&h->s, &snap);
			session_set(&h->s, &(struct wish){ 0 });
			assert_int_equal(
				h->s.clock.sleep_until(h->s.clock.ctx, mono_add_ns(snap.now, 10000000), &h->err),
				RC_OK);
		}
		assert_true(snap.sample_total > 40 && is_told(&snap, CHANNEL_ESTOP) && is_told(&snap, CHANNEL_CELL));
		assert_true(isfinite(snap.voltage_V)); /* whoever the meter is */
		assert_int_equal(session_run_end(&h->s, "done", "", "", &h->err), RC_OK);
		session_close(&h->s);
		assert_true(h->s.n_instruments == 0 && h->s.logbook == NULL);
		end(h);
	}
}

/* On the machine's clock an instrument that waits for its device has a thread of its own. */
static void a_real_rig_has_threads(void **state)
{
	struct here *h = begin("heron-supply",
			       "s/^roles = meter, power/roles = meter/; /^ask_limit/d; /^.warden/d; /^silence/d");

	(void)state;
	start_bench(h);
	run_shell("sed -i '/^.virtual/d; /^control/d' %s/rig.ini", h->folder);
	must_open(h, "gentle");
	assert_false(h->s.clock.is_bench);
	assert_null(h->s.control);
	assert_true(llabs(h->s.clock.slept_ns(h->s.clock.ctx) - h->s.slept_ns) < 1000000000);
	assert_non_null(h->s.line[0].aside);
	assert_string_equal(session_fills(&h->s, ROLE_METER)->name, "supply psu");
	assert_string_equal(session_fills(&h->s, ROLE_POWER)->name, "the node");
	session_close(&h->s);
	end(h);
}

/* What is not there is told with what to do, and leaves no logbook behind. */
static void what_does_not_answer_is_told(void **state)
{
	struct here *h = begin("heron-supply", "");
	char path[100];

	(void)state;
	assert_true(open_rig(h, "gentle") != RC_OK);
	says(h, "no virtual bench answers; bridle bench --bench ");
	start_bench(h);
	snprintf(path, sizeof path, "%s/logbook", h->folder);
	/* a line of an instrument, then the tether */
	run_shell("sed -i 's,psu.sock,nobody.sock,' %s/rig.ini", h->folder);
	assert_true(open_rig(h, "gentle") != RC_OK);
	says(h, "supply psu: ");
	run_shell("sed -i 's,tether.sock,nobody.sock,' %s/rig.ini", h->folder);
	assert_true(open_rig(h, "gentle") != RC_OK);
	says(h, "nobody.sock");
	assert_int_not_equal(access(path, F_OK), 0);
	assert_true(h->s.n_instruments == 0 && h->s.link == NULL && h->s.control == NULL && h->s.warden == NULL);
	end(h);
}

/* A bench that serves no line of that name, or a folder without it. */
static void a_line_that_the_bench_does_not_serve(void **state)
{
	struct here *h = begin("heron-supply", "");

	(void)state;
	start_bench(h);
	run_shell("sed -i 's/^.instrument psu/[instrument other/' %s/rig.ini", h->folder);
	assert_int_equal(open_rig(h, "gentle"), RC_PROTOCOL);
	says(h, "supply other: ");
	end(h);
}

/* A node whose host died a moment ago is waited for; one that stays active has another host. */
static void a_node_that_is_active_is_waited_for(void **state)
{
	struct here *h = begin("heron-lock", "");

	(void)state;
	start_bench(h);
	asked.status = "live none 0";
	asked.times = 30;
	asked.rc = RC_OK;
	must_open(h, NULL);
	assert_true(asked.times <= 0);
	/* a second program on that bench */
	static struct session other;
	const struct session_want want = { .bench = h->folder, .rig_link = true };
	assert_int_equal(session_open(&want, &other, &h->m, &h->err), RC_SAYS_NO);
	assert_null(strstr(h->err.what, "no virtual bench answers"));
	session_close(&h->s);
	asked.status = "stopping lease 0";
	asked.times = 1000000;
	assert_int_equal(open_rig(h, NULL), RC_SAYS_NO);
	says(h, "the node stays active (stopping lease 0): another program drives this rig; end that one first");
	asked.status = "the line is gone";
	asked.times = 1;
	asked.rc = RC_IO;
	assert_int_equal(open_rig(h, NULL), RC_IO);
	says(h, "the line is gone");
	end(h);
}

/* What fails behind the rig (the logbook, its records, the brake's heat) closes the rig again: the next can open it. */
static void what_fails_later_closes_the_rig_again(void **state)
{
	struct here *h = begin("heron-lock", "");
	char path[100];

	(void)state;
	start_bench(h);
	snprintf(path, sizeof path, "%s/logbook", h->folder);
	run_shell("echo words > %s/logbook", h->folder);
	assert_true(open_rig(h, "gentle") != RC_OK);
	assert_true(h->s.n_instruments == 0 && h->s.link == NULL && h->s.control == NULL);
	unlink(path);
	must_open(h, "gentle");
	session_close(&h->s);
	/* an instrument of a kind that nobody knows: the profile's reader lets none in */
	must_open(h, "gentle");
	h->s.rig.n_instruments = 1;
	strcpy(h->s.rig.instrument[0].kind, "voltmeter");
	strcpy(h->s.rig.instrument[0].name, "v");
	assert_int_equal(session_open_instruments(&h->s, &h->err), RC_ARG);
	assert_string_equal(h->err.what, "voltmeter v: this program has no instrument of that kind");
	session_close(&h->s);
	end(h);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_example_has_its_own_instruments),
		cmocka_unit_test(a_real_rig_has_threads),
		cmocka_unit_test(what_does_not_answer_is_told),
		cmocka_unit_test(a_line_that_the_bench_does_not_serve),
		cmocka_unit_test(a_node_that_is_active_is_waited_for),
		cmocka_unit_test(what_fails_later_closes_the_rig_again),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
