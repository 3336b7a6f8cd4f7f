/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The loop against a virtual bench in the same process: its clock moves the physics, the tether is a real socket. */
#include "run/loop.h"

#include "calib/number/units.h"

#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "tests/unit/logbook/logbook_scene.h"
#include "tests/unit/bench/world_kit.h"

#define MOST_US 200000000 /* of bench time; no test here takes so long */

struct here {
	struct book *book;
	struct world *world;
	struct session s;
	int listening, tether;
	int64_t dies_us;             /* the clock says that the bench is gone; 0 = never */
	int64_t slept_ns, sleeps_us; /* of the machine, from that moment of the bench on */
	double least_A; /* of the brake while the shaft turned and nothing drove it, since the loop's first drive */
	bool drove;
};

static void watch_brake(struct here *h)
{
	bool driven = h->world->node.orders.mode != BENCH_OFF;

	h->drove |= driven;
	if (h->drove && !driven && fabs(h->world->shaft.rad_per_s) > 0.5)
		h->least_A = fmin(h->least_A, h->world->brake.current_A);
}

/* Bench time goes on in steps of 1 ms; what falls due is written. */
static void go_to(struct here *h, int64_t t_us)
{
	char buf[4096];
	ssize_t n;

	while ((n = recv(h->tether, buf, sizeof buf, MSG_DONTWAIT)) > 0)
		world_receive(h->world, buf, (size_t)n);
	while (h->world->now_us < t_us) {
		world_advance(h->world, h->world->now_us + 1000 < t_us ? h->world->now_us + 1000 : t_us);
		watch_brake(h);
	}
	while ((n = (ssize_t)world_take(h->world, buf, sizeof buf)) > 0)
		assert_int_equal(send(h->tether, buf, (size_t)n, MSG_NOSIGNAL), n);
}

static struct mono clock_now(void *ctx)
{
	const struct here *h = ctx;

	return (struct mono){ h->world->now_us * 1000 };
}

static struct wall clock_wall(void *ctx)
{
	(void)ctx;
	return (struct wall){ 1 };
}

static int64_t clock_slept(void *ctx)
{
	const struct here *h = ctx;

	return 5000000000 + (h->sleeps_us && h->world->now_us >= h->sleeps_us ? h->slept_ns : 0);
}

static enum rc clock_sleep(void *ctx, struct mono t, struct err *err)
{
	struct here *h = ctx;

	/* A loop that something broken keeps from its end must not hang the test. */
	if (h->world->now_us >= (h->dies_us ? h->dies_us : MOST_US))
		return err_set(err, RC_IO, 0, "the bench is gone");
	go_to(h, t.ns / 1000);
	return RC_OK;
}

static struct here *begin(void **state)
{
	struct here *h = calloc(1, sizeof *h);
	struct world_config k = kit_config(3);
	struct sockaddr_un to = { .sun_family = AF_UNIX };
	struct node_config config = { .fast_Hz = 100,
				      .slow_every = 20,
				      .lease_ms = 300,
				      .pulses_per_rev = 2400,
				      .gear_ratio = k.physics.gear.ratio,
				      .direction = 1 };

	assert_non_null(h);
	k.physics.brake.inertia_kgm2 = 1; /* a flywheel: without the brake it would coast for many seconds */
	h->book = *state;
	h->world = kit_world(&k);
	h->least_A = INFINITY;
	h->listening = socket(AF_UNIX, SOCK_STREAM, 0);
	snprintf(to.sun_path, sizeof to.sun_path, "%.90s/tether", h->book->dir);
	assert_int_equal(bind(h->listening, (struct sockaddr *)&to, sizeof to), 0);
	assert_int_equal(listen(h->listening, 1), 0);
	h->s.rig = k.rig;
	h->s.tare_count = NAN;
	h->s.clock = (struct clock_src){ .now = clock_now,
					 .wall = clock_wall,
					 .sleep_until = clock_sleep,
					 .slept_ns = clock_slept,
					 .ctx = h,
					 .is_bench = true };
	h->s.slept_ns = clock_slept(h);
	assert_int_equal(logbook_open(h->book->path, &h->s.logbook, &h->book->err), RC_OK);
	assert_int_equal(link_open("unix:tether", 0, h->book->dir, 1000, &h->s.link, &h->book->err), RC_OK);
	h->tether = accept(h->listening, NULL, NULL);
	assert_int_equal(node_open(h->s.link, &h->s.clock, &config, &h->s.node, &h->book->err), RC_OK);
	h->s.node_roles = ROLE_ALL;
	assert_int_equal(session_open_instruments(&h->s, &h->book->err), RC_OK);
	assert_int_equal(session_run_begin(&h->s, "sweep", 0, &h->book->err), RC_OK);
	return h;
}

static void end(struct here *h)
{
	char path[300];

	snprintf(path, sizeof path, "%s/tether", h->book->dir);
	unlink(path);
	session_close_instruments(&h->s);
	link_close(h->s.link);
	logbook_close(h->s.logbook);
	close(h->tether);
	close(h->listening);
	world_free(h->world);
	free(h);
}

static struct guard_limits limits(const struct here *h)
{
	struct guard_limits l;

	session_guard_limits(&h->s, &l);
	l.gear_ratio = h->world->config.physics.gear.ratio;
	l.hold_brake_A = 0.6;
	l.osc_cycles = 0; /* the drive was not tuned for the flywheel */
	return l;
}

/* 60 rev/min against 0.3 A for three seconds; then done at once or never. */
struct story {
	struct mono begin;
	bool ends;
};

static void story_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct story *s = state;

	if (!s->begin.ns)
		s->begin = snap->now;
	ret->wish = (struct wish){ .power = true, .brake_A = 0.3 };
	if (snap->contactor_closed) {
		ret->wish.mode = DRIVE_SPEED;
		ret->wish.speed_rpm = 60;
	}
	ret->done = s->ends && mono_diff_s(snap->now, s->begin) > 3;
}

static bool stands(const struct here *h)
{
	return fabs(h->world->shaft.rad_per_s) < 0.05;
}

/* L3: a sequence that says done with the shaft turning is stopped in order: the loop does not leave before the shaft
 * stands. */
static void the_loop_does_not_leave_a_turning_shaft(void **state)
{
	struct here *h = begin(state);
	struct guard_limits l = limits(h);
	struct story story = { .ends = true };
	const struct sequence sequence = { story_step, &story };
	struct loop_result result;

	enum rc rc = loop_run(&h->s, &l, &sequence, NULL, &result, &h->book->err);
	assert_true(h->drove);
	assert_int_equal(rc, RC_INTERLOCK);
	assert_int_equal(result.cause, CAUSE_SEQUENCE);
	assert_non_null(strstr(result.message, "turns"));
	assert_true(stands(h));
	go_to(h, h->world->now_us + 1000000);
	assert_int_equal(h->world->node.orders.brake_mA, 0);
	assert_false(h->world->contactor.closed);
	end(h);
}

/* L3: when time itself ends (the bench's control line is gone) the brake is not let go; the lease then does the rest.
 */
static void a_clock_that_ends_does_not_let_go_of_the_brake(void **state)
{
	struct here *h = begin(state);
	struct guard_limits l = limits(h);
	struct story story = { .ends = false };
	const struct sequence sequence = { story_step, &story };
	struct loop_result result;

	h->dies_us = 3000000;
	assert_int_equal(loop_run(&h->s, &l, &sequence, NULL, &result, &h->book->err), RC_IO);
	assert_true(h->drove && !stands(h));
	go_to(h, h->world->now_us + 20000);
	assert_int_equal(h->world->node.orders.mode, BENCH_OFF);
	for (int i = 0; i < 200; i++)
		go_to(h, h->world->now_us + 10000);
	if (!(h->least_A > 0.2))
		fail_msg("the brake was at %g A with the shaft turning", h->least_A);
	assert_true(stands(h));
	assert_int_equal(h->world->node.state, NODE_SIDE_SAFE);
	end(h);
}

/* What a plan needs and nobody fills is told at once, all of it; a plan by hand needs no drive. */
static void a_plan_needs_its_roles(void **state)
{
	struct session s = { .has_plan = true, .plan_name = "p", .plan = { .drive = PLAN_SPEED }, .n_instruments = 2 };
	struct err err = { 0 };

	(void)state;
	s.instrument[0].roles = ROLE_CELL | ROLE_LINES;
	s.instrument[1].roles = ROLE_BRAKE;
	assert_int_equal(session_check_roles(&s, &err), RC_ARG); /* exit 2 */
	assert_non_null(
		strstr(err.what, "plans/p.ini needs the pick-up, the drive, and no instrument of this rig serves it"));
	s.instrument[1].roles |= ROLE_PICK;
	s.plan.drive = PLAN_HAND;
	assert_int_equal(session_check_roles(&s, &err), RC_OK);
	s.plan.drive = PLAN_SPEED;
	assert_int_equal(session_check_roles(&s, &err), RC_ARG);
	assert_null(strstr(err.what, "Without a cell"));
	s.instrument[0].roles = ROLE_LINES; /* and then nothing is driven: the reason is said */
	assert_int_equal(session_check_roles(&s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "Without a cell the guard sees no torque, so nothing is driven"));
	s.has_plan = false;
	assert_int_equal(session_check_roles(&s, &err), RC_OK);
}

/* A mode that the drive has not is refused, with those that it has. */
static void a_plan_needs_its_drive_mode(void **state)
{
	struct session s = {
		.has_plan = true, .plan_name = "p", .plan = { .drive = PLAN_DRIVE_CURRENT }, .n_instruments = 1
	};
	struct err err = { 0 };

	(void)state;
	s.instrument[0].roles = ROLE_CELL | ROLE_PICK | ROLE_BRAKE | ROLE_DRIVE;
	s.instrument[0].modes = 1u << DRIVE_SPEED | 1u << DRIVE_TORQUE;
	assert_int_equal(session_check_roles(&s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "plans/p.ini needs the drive mode current; the drive of this rig has speed, "
					 "torque."));
	s.plan.drive = PLAN_SPEED;
	assert_int_equal(session_check_roles(&s, &err), RC_OK);
	s.instrument[0].modes = 0;
	assert_int_equal(session_check_roles(&s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "has none"));
	s.plan.drive = PLAN_HAND;
	assert_int_equal(session_check_roles(&s, &err), RC_OK);
}

/* What the linker puts between the program's calls of malloc and the library (--wrap, tests/unit/meson.build):
 * counted by thread. */
void *__real_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
void *__real_realloc(void *p, size_t size);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_realloc(void *p, size_t size);
static _Thread_local unsigned long allocations;

void *__wrap_malloc(size_t size)
{
	allocations++;
	return __real_malloc(size);
}

void *__wrap_calloc(size_t n, size_t size)
{
	allocations++;
	return __real_calloc(n, size);
}

void *__wrap_realloc(void *p, size_t size)
{
	allocations++;
	return __real_realloc(p, size);
}

struct quiet {
	int ticks;
	unsigned long allocations;
	long faults, most_faults;
};

static long faults_now(void)
{
	struct rusage u;

	getrusage(RUSAGE_THREAD, &u);
	return u.ru_minflt + u.ru_majflt;
}

static void watch_quiet(void *ctx, const struct snapshot *snap, const struct seq_out *out,
			const struct guard_verdict *v)
{
	struct quiet *q = ctx;

	(void)snap;
	(void)out;
	if (v->cause != CAUSE_NONE)
		return;
	if (++q->ticks == 50) { /* code and stack of a tick have been touched once */
		q->allocations = allocations;
		q->faults = faults_now();
	}
	if (q->ticks >= 50) {
		assert_int_equal(allocations, q->allocations);
		q->most_faults = faults_now() - q->faults;
	}
}

/* L4: after its start the loop allocates nothing and touches no page for the first time, the virtual bench in this
 * very thread included. The counter itself is seen to count. */
static void a_tick_allocates_nothing(void **state)
{
	struct here *h = begin(state);
	struct guard_limits l = limits(h);
	struct story story = { .ends = true };
	const struct sequence sequence = { story_step, &story };
	struct quiet quiet = { 0 };
	const struct loop_hooks hooks = { .tick = watch_quiet, .ctx = &quiet };
	struct loop_result result;

	assert_int_equal(loop_run(&h->s, &l, &sequence, &hooks, &result, &h->book->err), RC_INTERLOCK);
	assert_true(quiet.ticks > 250);
#ifndef __SANITIZE_THREAD__ /* its shadow of the memory has pages of its own */
	assert_int_equal(quiet.most_faults, 0);
#endif
	assert_true(allocations > 0); /* of the set-up: it does count */
	end(h);
}

/* I23. A machine that was suspended: its monotonic clock stood still, so no tick is late; the node, which went on,
 * looks restarted or safe. */
static void a_machine_that_slept_is_named(void **state)
{
	struct here *h = begin(state);
	struct guard_limits l = limits(h);
	struct story story = { .ends = false };
	const struct sequence sequence = { story_step, &story };
	struct loop_result result;

	h->sleeps_us = 3000000;
	h->slept_ns = 12000000000;
	assert_int_equal(loop_run(&h->s, &l, &sequence, NULL, &result, &h->book->err), RC_INTERLOCK);
	assert_int_equal(result.cause, CAUSE_SLEPT);
	assert_non_null(strstr(result.message, "slept for 12 s"));
	assert_true(stands(h));
	/* told once: the next loop does not sleep */
	h->sleeps_us = 0;
	struct story again = { .ends = true };
	const struct sequence next = { story_step, &again };
	assert_int_equal(loop_run(&h->s, &l, &next, NULL, &result, &h->book->err), RC_INTERLOCK);
	assert_int_equal(result.cause, CAUSE_SEQUENCE);
	end(h);
}

/* An instrument without a role: counts looks and set-points, and what came of them. */
struct count {
	unsigned polls, sets;
	bool twice, live;
};

static enum rc count_begin(void *ctx, struct err *err)
{
	(void)ctx;
	(void)err;
	return RC_OK;
}

static void count_poll(void *ctx, struct snapshot *snap)
{
	(void)snap;
	((struct count *)ctx)->polls++;
}

static void count_set(void *ctx, const struct wish *allowed)
{
	struct count *c = ctx;

	c->live |= allowed->power;
	c->twice |= ++c->sets > c->polls && (allowed->power || allowed->mode != DRIVE_OFF || allowed->brake_A > 0);
}

static void count_close(void *ctx)
{
	(void)ctx;
}

/* L1, L9: one look, then one set-point, in turn; what is sent is what the guard allowed. */
struct turn {
	const struct count *count;
	const struct here *here;
	unsigned ticks;
};

static void watch_turn(void *ctx, const struct snapshot *snap, const struct seq_out *out, const struct guard_verdict *v)
{
	struct turn *t = ctx;

	(void)snap;
	t->ticks++;
	assert_int_equal(t->count->polls, t->ticks);
	assert_int_equal(t->count->sets, t->ticks);
	if (v->cause != CAUSE_NONE)
		assert_false(out->done && v->allowed.power);
}

static void each_set_point_follows_a_look(void **state)
{
	static const struct instrument_ops ops = { count_begin, count_poll, count_set, count_close };
	struct here *h = begin(state);
	struct guard_limits l = limits(h);
	struct count count = { 0 };
	struct turn turn = { .count = &count, .here = h };
	struct story story = { .ends = true };
	const struct sequence sequence = { story_step, &story };
	const struct loop_hooks hooks = { .tick = watch_turn, .ctx = &turn };
	struct loop_result result;

	h->s.instrument[h->s.n_instruments++] =
		(struct instrument){ .ops = &ops, .ctx = &count, .name = "counter", .stale_s = INFINITY };
	assert_int_equal(loop_run(&h->s, &l, &sequence, &hooks, &result, &h->book->err), RC_INTERLOCK);
	assert_true(count.live && !count.twice);
	assert_int_equal(count.polls, result.ticks);
	assert_int_equal(count.sets, result.ticks + 1); /* everything off, last */
	end(h);
}

/* A person asks for a stop once, at this tick; whatever comes after, nothing drives any more. */
struct person {
	unsigned tick, at;
	bool driven_after, stopped;
};

static bool asks_to_stop(void *ctx)
{
	struct person *p = ctx;

	return ++p->tick == p->at; /* once: the key is not held */
}

static void watch_person(void *ctx, const struct snapshot *snap, const struct seq_out *out,
			 const struct guard_verdict *v)
{
	struct person *p = ctx;

	(void)out;
	if (p->tick < p->at)
		return;
	p->stopped |= v->cause == CAUSE_OPERATOR && snap->operator_stop;
	p->driven_after |= v->allowed.mode != DRIVE_OFF || v->allowed.power;
}

/* I25: before the contactor, while it closes, in mid-load, and in the half second after the sequence was done. */
static void a_person_stops_it_at_any_moment(void **state)
{
	static const unsigned at[] = { 1, 5, 60, 250, 320 };
	struct here *h = begin(state);
	struct guard_limits l = limits(h);

	for (size_t i = 0; i < sizeof at / sizeof at[0]; i++) {
		struct person person = { .at = at[i] };
		struct story story = { .ends = true };
		const struct sequence sequence = { story_step, &story };
		const struct loop_hooks hooks = { .tick = watch_person, .stop_asked = asks_to_stop, .ctx = &person };
		struct loop_result result;

		assert_int_equal(loop_run(&h->s, &l, &sequence, &hooks, &result, &h->book->err), RC_INTERLOCK);
		assert_int_equal(result.cause, CAUSE_OPERATOR);
		assert_true(person.stopped && !person.driven_after && stands(h));
		assert_true(result.stopped && result.missing == 0);
		assert_non_null(strstr(result.shaft, i < 2 ? "" : "shaft standing"));
	}
	assert_int_equal(book_number(h->book, "SELECT count(*) FROM event WHERE kind = 'stop'"), 5);
	end(h);
}

/* A step with 0.3 A and nothing else, stopped by the drive's fault or by a person. */
static void step_story(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct story *s = state;
	bool first = !s->begin.ns;

	story_step(state, snap, ret);
	if (!first)
		return;
	ret->event.kind = SEQ_EVENT_STEP;
	ret->event.point = (struct seq_point){
		.step = 2, .direction = 1, .setpoint_A = 0.3, .setpoint_Nm = NAN, .setpoint_rpm = 60
	};
}

static bool fault_at(void *ctx)
{
	struct person *p = ctx;

	return ++p->tick >= p->at;
}

static void break_drive(void *ctx, const struct snapshot *snap, const struct seq_out *out,
			const struct guard_verdict *v)
{
	struct here *h = ctx;

	(void)out;
	(void)v;
	if (snap->now.ns > 4000000000)
		drive_trip(&h->world->drive, BENCH_DRIVE_FAULT);
}

/* A step that a limit of the actuator's stops leaves a point, marked and with the last second; one that a person
 * stops leaves none. */
static void a_step_cut_short_leaves_a_point_where_a_limit_did_it(void **state)
{
	for (int by_person = 0; by_person < 2; by_person++) {
		struct here *h = begin(state);
		struct guard_limits l = limits(h);
		struct person person = { .at = 300 };
		struct story story = { .ends = false };
		const struct sequence sequence = { step_story, &story };
		const struct loop_hooks hooks = { .stop_asked = by_person ? fault_at : NULL,
						  .tick = by_person ? NULL : break_drive,
						  .ctx = by_person ? (void *)&person : (void *)h };
		struct loop_result result;
		char sql[200];

		assert_int_equal(loop_run(&h->s, &l, &sequence, &hooks, &result, &h->book->err), RC_INTERLOCK);
		assert_int_equal(result.cause, by_person ? CAUSE_OPERATOR : CAUSE_DRIVE_FAULT);
		snprintf(sql, sizeof sql, "SELECT count(*) FROM point WHERE run_id = %lld", (long long)h->s.run_id);
		assert_int_equal(book_number(h->book, sql), !by_person);
		if (!by_person) {
			assert_int_equal(book_number(h->book, "SELECT flags FROM point"),
					 POINT_CUT | POINT_NOT_SETTLED);
			assert_int_equal(book_number(h->book, "SELECT step FROM point"), 2);
			assert_int_equal(book_number(h->book, "SELECT (end_ns - begin_ns) / 1000000 FROM point"), 1000);
			assert_true(book_number(h->book, "SELECT mean_speed_rpm > 30 FROM point"));
		}
		assert_int_equal(book_number(h->book, "SELECT count(*) FROM event WHERE kind = 'step' AND "
						      "text = 'step 3 rising, 0.3 A, 60 rpm'"),
				 1 + by_person);
		end(h);
	}
}

/* Torque needs a calibration and a tare; without either only the indication is told. 1000 counts a N·m. */
struct torque {
	double indication, torque_Nm, count;
};

static void watch_torque(void *ctx, const struct snapshot *snap, const struct seq_out *out,
			 const struct guard_verdict *v)
{
	(void)out;
	(void)v;
	*(struct torque *)ctx = (struct torque){ snap->indication, snap->torque_Nm, snap->cell_count };
}

static void short_story(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct story *s = state;

	if (!s->begin.ns)
		s->begin = snap->now;
	ret->done = mono_diff_s(snap->now, s->begin) > 0.5;
}

static void torque_needs_calibration_and_tare(void **state)
{
	struct here *h = begin(state);
	struct guard_limits l = limits(h);

	h->s.calibration = (struct cellcal){
		.model = CELLCAL_LINE, .degree = 1, .coef = { 0, 1000 }, .max_Nm = 1e5, .min_Nm = -1e5
	};
	h->s.brake_heat_J = 300;
	h->s.brake_heat_at = clock_now(h);
	l.slip_power_W = 100;
	for (int i = 0; i < 4; i++) {
		struct torque seen = { 0 };
		struct story story = { .ends = true };
		const struct sequence sequence = { short_story, &story };
		const struct loop_hooks hooks = { .tick = watch_torque, .ctx = &seen };
		struct loop_result result;

		h->s.calibration_id = i & 1 ? 7 : 0;
		h->s.tare_count = i & 2 ? 1234 : NAN;
		assert_int_equal(loop_run(&h->s, &l, &sequence, &hooks, &result, &h->book->err), RC_OK);
		assert_true(fabs(seen.count) > 0);
		assert_true(fabs(seen.indication - h->s.rig.cell_sign * seen.count + (i & 2 ? 1234 : 0)) < 1e-9);
		if (i == 3)
			assert_true(fabs(seen.torque_Nm - seen.indication / 1000) < 1e-9);
		else
			assert_true(isnan(seen.torque_Nm));
	}
	/* L6: 300 J less what cools at 100 W in the loops' four times 1 s */
	assert_true(h->s.brake_heat_J < 0.1 && h->s.brake_heat_J >= 0);
	end(h);
}

/* Rows say which values are repeated, and the node's state is an event each time that it changes, and only then. */
static void rows_tell_repeats_and_changes(void **state)
{
	struct here *h = begin(state);
	struct guard_limits l = limits(h);
	struct story story = { .ends = true };
	const struct sequence sequence = { story_step, &story };
	struct loop_result result;

	assert_int_equal(loop_run(&h->s, &l, &sequence, NULL, &result, &h->book->err), RC_INTERLOCK);
	/* slow samples come once in twenty: 1 in 20 rows has a fresh brake temperature; the shaft's turning is told
	 * in each */
	int64_t rows = book_number(h->book, "SELECT count(*) FROM samples");
	char sql[200];
	snprintf(sql, sizeof sql, "SELECT count(*) FROM samples WHERE repeats >> %d & 1 = 0",
		 CHANNEL_TEMP + (int)TEMP_BRAKE);
	assert_in_range(book_number(h->book, sql), rows / 20 - 2, rows / 20 + 2);
	snprintf(sql, sizeof sql, "SELECT count(*) FROM samples WHERE repeats >> %d & 1 = 0", CHANNEL_TURN);
	assert_in_range(book_number(h->book, sql), rows - 5, rows);
	snprintf(sql, sizeof sql, "SELECT count(*) FROM samples WHERE repeats >> %d & 1 = 1", CHANNEL_CELL);
	assert_in_range(book_number(h->book, sql), rows / 10, rows / 2); /* 80 conversions, 100 rows a second */
	assert_int_equal(
		book_number(h->book,
			    "SELECT count(*) FROM (SELECT text, lag(text) OVER (ORDER BY no) AS before FROM event "
			    "WHERE kind = 'node') WHERE text = before"),
		0);
	assert_in_range(book_number(h->book, "SELECT count(*) FROM event WHERE kind = 'node'"), 2, 6);
	assert_true(h->s.brake_heat_J >= 0);
	end(h);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(torque_needs_calibration_and_tare, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(rows_tell_repeats_and_changes, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(each_set_point_follows_a_look, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(a_person_stops_it_at_any_moment, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(a_step_cut_short_leaves_a_point_where_a_limit_did_it, book_set_up,
						book_tear_down),
		cmocka_unit_test_setup_teardown(the_loop_does_not_leave_a_turning_shaft, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(a_clock_that_ends_does_not_let_go_of_the_brake, book_set_up,
						book_tear_down),
		cmocka_unit_test(a_plan_needs_its_roles),
		cmocka_unit_test(a_plan_needs_its_drive_mode),
		cmocka_unit_test_setup_teardown(a_tick_allocates_nothing, book_set_up, book_tear_down),
		cmocka_unit_test_setup_teardown(a_machine_that_slept_is_named, book_set_up, book_tear_down),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
