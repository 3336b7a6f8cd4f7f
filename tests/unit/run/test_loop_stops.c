/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the loop says and keeps of a stop, of what changed on the way, and of what could not be begun: a node and a
 * device beside it that obey at once, a clock that does as it is told, a logbook on the disk. Expected words: those of
 * channel/cause.h and of the loop's header. */
#include "run/loop.h"

#include "logbook/ring.h"

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/guard/guard_scene.h"
#include "tests/unit/logbook/logbook_scene.h"
#include "tests/unit/near.h"

#define NM_PER_A 20.0
#define COUNTS_PER_NM 1000.0
#define MOST_TICKS 2000 /* no test here takes so long */

struct here {
	struct book *book;
	struct session s;
	struct guard_limits limits;
	int64_t now_ns, held_up_ns, dies_ns;
	struct wish last;
	uint32_t ticks, sets;
	bool begin_fails, live;
	uint32_t from; /* tick from which change acts */
	void (*change)(struct here *h, struct snapshot *snap);
	/* the sequence */
	struct mono began;
	double for_s; /* until it is done */
	struct seq_event event;
	uint32_t event_at;
	/* what hooks saw */
	struct seq_event told[8];
	unsigned n_told;
	bool extrapolated;
	double torque_Nm;
};

/* What the linker puts between the program's calls and the library (tests/unit/meson.build): the only two by which a
 * loop asks for memory, and its ring, which may be full or have a writer that failed. */
void *__real_calloc(size_t n, size_t size);
void *__real_aligned_alloc(size_t alignment, size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_aligned_alloc(size_t alignment, size_t size);
static _Thread_local long to_go = -1; /* allocations before the one that fails; -1: none does */

static bool fails(void)
{
	errno = ENOMEM;
	return to_go >= 0 && to_go-- == 0;
}

void *__wrap_calloc(size_t n, size_t size)
{
	return fails() ? NULL : __real_calloc(n, size);
}

void *__wrap_aligned_alloc(size_t alignment, size_t size)
{
	return fails() ? NULL : __real_aligned_alloc(alignment, size);
}

enum { GOOD, NO_SAMPLE, NO_EVENT, NO_POINT, FAILED, BAD_END };
static int ring;

bool __real_log_ring_sample(struct log_ring *r, const struct sample *sample);
bool __real_log_ring_event(struct log_ring *r, int64_t mono_ns, const char *kind, const char *text);
bool __real_log_ring_point(struct log_ring *r, const struct seq_point *point);
bool __real_log_ring_failed(const struct log_ring *r);
enum rc __real_log_ring_stop(struct log_ring *r, struct err *err);
bool __wrap_log_ring_sample(struct log_ring *r, const struct sample *sample);
bool __wrap_log_ring_event(struct log_ring *r, int64_t mono_ns, const char *kind, const char *text);
bool __wrap_log_ring_point(struct log_ring *r, const struct seq_point *point);
bool __wrap_log_ring_failed(const struct log_ring *r);
enum rc __wrap_log_ring_stop(struct log_ring *r, struct err *err);

bool __wrap_log_ring_sample(struct log_ring *r, const struct sample *sample)
{
	return __real_log_ring_sample(r, sample) && ring != NO_SAMPLE;
}

bool __wrap_log_ring_event(struct log_ring *r, int64_t mono_ns, const char *kind, const char *text)
{
	return __real_log_ring_event(r, mono_ns, kind, text) && ring != NO_EVENT;
}

bool __wrap_log_ring_point(struct log_ring *r, const struct seq_point *point)
{
	return __real_log_ring_point(r, point) && ring != NO_POINT;
}

bool __wrap_log_ring_failed(const struct log_ring *r)
{
	return __real_log_ring_failed(r) || ring == FAILED;
}

enum rc __wrap_log_ring_stop(struct log_ring *r, struct err *err)
{
	enum rc rc = __real_log_ring_stop(r, err);

	return ring == BAD_END ? err_set(err, RC_DB, 0, "7 rows were not kept") : rc;
}

static struct mono clock_now(void *ctx)
{
	return (struct mono){ ((struct here *)ctx)->now_ns };
}

static struct wall clock_wall(void *ctx)
{
	(void)ctx;
	return (struct wall){ 1 };
}

static enum rc clock_sleep(void *ctx, struct mono t, struct err *err)
{
	struct here *h = ctx;

	if (h->ticks > MOST_TICKS || (h->dies_ns && h->now_ns >= h->dies_ns))
		return err_set(err, RC_IO, 0, "the bench is gone");
	h->now_ns = t.ns + h->held_up_ns > h->now_ns ? t.ns + h->held_up_ns : h->now_ns;
	h->held_up_ns = 0;
	return RC_OK;
}

static enum rc fake_begin(void *ctx, struct err *err)
{
	to_go = -1;
	return ((struct here *)ctx)->begin_fails ? err_set(err, RC_IO, 0, "the link is gone") : RC_OK;
}

/* In good order, and as it was told. */
static void fake_look(void *ctx, struct snapshot *snap)
{
	struct here *h = ctx;
	const struct snapshot kept = *snap;
	const struct wish *w = &h->last;
	bool turns = w->mode == DRIVE_SPEED && w->power;

	*snap = scene_snapshot();
	snap->now = kept.now;
	snap->late_ns = kept.late_ns;
	snap->slept_ns = kept.slept_ns;
	snap->log_failed = kept.log_failed;
	snap->operator_stop = kept.operator_stop;
	snap->sequence_stop = kept.sequence_stop;
	snap->sample_total += ++h->ticks;
	for (int c = 0; c < CHANNEL_COUNT; c++)
		snap->channel[c].fresh += h->ticks;
	snap->contactor_closed = w->power;
	snap->speed_rpm = snap->edge_rpm = turns ? w->speed_rpm : 0;
	snap->drive_rotor_rpm = 36 * snap->speed_rpm;
	snap->drive_flags = turns ? DRIVE_ENABLED : 0;
	snap->node_state = turns || w->brake_A > 0 ? NODE_LIVE : NODE_IDLE;
	snap->brake_A = w->brake_A;
	snap->pulses = turns ? (int64_t)h->ticks : 0;
	snap->edge_time_s = turns ? (double)h->ticks * 0.01 : 0;
	snap->angle_rev = (double)snap->pulses / 100;
	snap->cell_count =
		(int32_t)lround(COUNTS_PER_NM * (turns ? 1 + NM_PER_A * w->brake_A : 0)) + (int)(h->ticks % 3);
	if (h->change && h->ticks >= h->from)
		h->change(h, snap);
}

static void fake_set(void *ctx, const struct wish *allowed)
{
	struct here *h = ctx;

	h->last = *allowed;
	h->sets++;
	h->live |= allowed->power || allowed->brake_A > 0 || allowed->mode != DRIVE_OFF;
}

static void close_nothing(void *ctx)
{
	(void)ctx;
}

static enum rc beside_begin(void *ctx, struct err *err)
{
	(void)ctx;
	(void)err;
	return RC_OK;
}

static void beside_look(void *ctx, struct snapshot *snap)
{
	(void)ctx;
	(void)snap;
}

static const struct instrument_ops node_ops = { fake_begin, fake_look, fake_set, close_nothing },
				   beside_ops = { beside_begin, beside_look, NULL, close_nothing };

static struct here *begin(void **state)
{
	static char text[] = "text\n";
	struct here *h = calloc(1, sizeof *h);

	assert_non_null(h);
	h->s.rig_text = h->s.actuator_text = h->s.plan_text = text;
	h->book = *state;
	h->now_ns = 1000000000;
	h->for_s = 1;
	h->limits = scene_limits();
	h->limits.sign_Nm = 5;
	h->limits.brake_follow_s = 5;
	h->limits.stop_hold_s = 1;
	h->s.rig = (struct rig_profile){ .cell_sign = 1, .lease_s = 0.3, .brake_max_A = 1, .brake_rated_Nm = 20 };
	h->s.calibration = (struct cellcal){
		.model = CELLCAL_LINE, .degree = 1, .coef = { 0, COUNTS_PER_NM }, .max_Nm = 30, .min_Nm = -30
	};
	h->s.clock = (struct clock_src){
		.now = clock_now, .wall = clock_wall, .sleep_until = clock_sleep, .ctx = h, .is_bench = true
	};
	h->s.n_instruments = 2;
	h->s.instrument[0] = (struct instrument){
		.ops = &node_ops, .ctx = h, .name = "the node", .roles = ROLE_ALL, .stale_s = INFINITY
	};
	h->s.instrument[1] = (struct instrument){ .ops = &beside_ops, .name = "modbus psu", .stale_s = 1 };
	assert_int_equal(logbook_open(h->book->path, &h->s.logbook, &h->book->err), RC_OK);
	assert_int_equal(session_run_begin(&h->s, "sweep", 0, &h->book->err), RC_OK);
	h->s.calibration_id = 1; /* of no record here */
	return h;
}

static void end(struct here *h)
{
	logbook_close(h->s.logbook);
	free(h);
}

/* 30 rpm against 0.2 A as soon as the contactor is seen closed; then off, and done when it stands. */
static void drive(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct here *h = state;

	if (!h->began.ns)
		h->began = snap->now;
	double t_s = mono_diff_s(snap->now, h->began);
	ret->wish.power = t_s < h->for_s;
	if (snap->contactor_closed && t_s < h->for_s)
		ret->wish = (struct wish){ .power = true, .mode = DRIVE_SPEED, .speed_rpm = 30, .brake_A = 0.2 };
	if (h->ticks == h->event_at)
		ret->event = h->event;
	ret->done = t_s > h->for_s + 0.1;
}

static void hear(void *ctx, const struct seq_event *event)
{
	struct here *h = ctx;

	assert_in_range(h->n_told, 0, 7);
	h->told[h->n_told++] = *event;
}

static void see(void *ctx, const struct snapshot *snap, const struct seq_out *out, const struct guard_verdict *v)
{
	struct here *h = ctx;

	(void)out;
	(void)v;
	h->extrapolated |= snap->torque_extrapolated;
	h->torque_Nm = snap->torque_Nm;
}

static struct loop_result result;

static enum rc run(struct here *h, bool hooked)
{
	const struct sequence sequence = { drive, h };
	const struct loop_hooks hooks = { .tick = see, .event = hear, .ctx = h };

	h->book->err = (struct err){ 0 };
	return loop_run(&h->s, &h->limits, &sequence, hooked ? &hooks : NULL, &result, &h->book->err);
}

static int64_t told(struct here *h, const char *kind, const char *text)
{
	char sql[300];

	snprintf(sql, sizeof sql, "SELECT count(*) FROM event WHERE kind = '%s' AND text LIKE '%s'", kind, text);
	return book_number(h->book, sql);
}

static void in_good_order_it_ends_by_itself(void **state)
{
	struct here *h = begin(state);

	assert_int_equal(run(h, false), RC_OK);
	assert_true(h->live && !h->last.power && h->last.mode == DRIVE_OFF && h->last.brake_A <= 0);
	assert_int_equal(result.cause, CAUSE_NONE);
	assert_true(result.stopped && result.energised && result.missing == 0);
	assert_string_equal(result.shaft, "");
	assert_int_equal(told(h, "stop", "%"), 0);
	assert_int_equal(told(h, "drive", "enabled"), 1);
	assert_int_equal(told(h, "drive", "not enabled"), 1);
	assert_int_equal(book_number(h->book, "SELECT count(*) FROM samples"), result.ticks);
	end(h);
}

static void old(struct snapshot *snap, enum channel_id c, uint8_t instrument)
{
	snap->channel[c].age_s = 50;
	snap->channel[c].instrument = instrument;
}

static void meter_is_silent(struct here *h, struct snapshot *snap)
{
	(void)h;
	old(snap, CHANNEL_CURRENT, 1);
}
static void logger_is_silent(struct here *h, struct snapshot *snap)
{
	(void)h;
	old(snap, CHANNEL_TEMP, 1);
}
static void lines_are_silent(struct here *h, struct snapshot *snap)
{
	(void)h;
	old(snap, CHANNEL_ESTOP, 0);
}
static void drive_faults(struct here *h, struct snapshot *snap)
{
	(void)h;
	snap->drive_flags = DRIVE_FAULT;
}
static void drive_beside_faults(struct here *h, struct snapshot *snap)
{
	h->s.instrument[1].error = "error 0x7310";
	snap->channel[CHANNEL_DRIVE].instrument = 1;
	snap->drive_flags = DRIVE_FAULT;
}
static void cell_is_old(struct here *h, struct snapshot *snap)
{
	(void)h;
	old(snap, CHANNEL_CELL, 0);
}
static void cell_beside_is_old(struct here *h, struct snapshot *snap)
{
	(void)h;
	old(snap, CHANNEL_CELL, 1);
}
static void cell_is_full(struct here *h, struct snapshot *snap)
{
	(void)h;
	snap->channel[CHANNEL_CELL].quality = QUALITY_SATURATED;
}
static void cell_beside_is_full(struct here *h, struct snapshot *snap)
{
	cell_is_full(h, snap);
	snap->channel[CHANNEL_CELL].instrument = 1;
}
static void warden_is_silent(struct here *h, struct snapshot *snap)
{
	(void)h;
	snap->warden_age_s = 2;
}
static void held_up(struct here *h, struct snapshot *snap)
{
	(void)snap;
	h->held_up_ns = h->ticks == h->from ? 200000000 : 0;
}
static void held_up_for_long(struct here *h, struct snapshot *snap)
{
	(void)snap;
	h->held_up_ns = h->ticks == h->from ? 4500000000 : 0;
}
static void held_up_and_safe(struct here *h, struct snapshot *snap)
{
	held_up(h, snap);
	snap->node_state = h->ticks > h->from ? NODE_SAFE : snap->node_state;
}
static void a_little_late(struct here *h, struct snapshot *snap)
{
	(void)snap;
	h->held_up_ns = 20000000; /* each tick, by two ticks */
}
static void restarted(struct here *h, struct snapshot *snap)
{
	(void)h;
	snap->node_reset = true;
}
static void torque_unknown(struct here *h, struct snapshot *snap)
{
	(void)snap;
	h->s.calibration = (struct cellcal){ .model = CELLCAL_LINE, .degree = 1 };
}
static void welded(struct here *h, struct snapshot *snap)
{
	if (h->ticks == h->from)
		snap->drive_flags = DRIVE_FAULT;
	snap->contactor_closed = true;
}

/* One fault each, from the 60th tick on, with 0.2 A on a turning shaft: its cause, and whose it is. */
static void the_message_names_what_failed(void **state)
{
	static const struct {
		void (*change)(struct here *h, struct snapshot *snap);
		enum cause cause;
		const char *says, *says_not;
	} rows[] = {
		{ meter_is_silent, CAUSE_INSTRUMENT_SILENT, "modbus psu: no data from the instrument for 50 s",
		  "node" },
		{ logger_is_silent, CAUSE_SLOW_STALE, "modbus psu: no data on lines", "the node:" },
		{ lines_are_silent, CAUSE_SLOW_STALE, "no data on lines, drive and temperatures for 50 s",
		  "the node:" },
		{ drive_faults, CAUSE_DRIVE_FAULT, "the drive reports a fault", "psu" },
		{ drive_beside_faults, CAUSE_DRIVE_FAULT,
		  "modbus psu: error 0x7310; check its settings, and what rig.ini says of it", "the node" },
		{ cell_is_old, CAUSE_CELL_STALE, "no fresh reading of the torque cell for 50 s", "the node" },
		{ cell_beside_is_old, CAUSE_CELL_STALE, "modbus psu: no fresh reading of the torque cell", "\t" },
		{ cell_is_full, CAUSE_CELL_SATURATED, "at the end of its range", "the node" },
		{ cell_beside_is_full, CAUSE_CELL_SATURATED, "modbus psu: ", "\t" },
		{ warden_is_silent, CAUSE_WARDEN, "the warden does not answer: ", "\t" },
		{ held_up, CAUSE_LATE_TICK, "this program was held up for 0.2 s, limit 0.05 s. Close", "lease" },
		{ held_up_for_long, CAUSE_LATE_TICK, ", so the node went safe when its lease of 0.3 s ended", "\t" },
		{ held_up_and_safe, CAUSE_LATE_TICK, ", so the node went safe when its lease", "\t" },
		{ a_little_late, CAUSE_LATE_TICK, "this computer was too slow for the control loop", "held up" },
		{ torque_unknown, CAUSE_OVERTORQUE, "the torque is larger than allowed, or unknown", "psu" },
	};

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct here *h = begin(state);
		h->s.tare_count = 0;
		h->s.line[0].turns = (struct turns){ 0 };
		h->from = 60;
		h->change = rows[i].change;
		enum rc rc = run(h, false);
		if (rc != RC_INTERLOCK || result.cause != rows[i].cause || !strstr(result.message, rows[i].says) ||
		    strstr(result.message, rows[i].says_not))
			fail_msg("row %zu: %d %s: %s", i, (int)rc, cause_word(result.cause), result.message);
		assert_string_equal(h->book->err.what, result.message);
		assert_int_equal(told(h, "stop", "%"), 1);
		assert_int_equal(told(h, LOOP_SHAFT, "NOT SAFE%"), 0);
		assert_true(!h->last.power && h->last.brake_A <= 0);
		end(h);
		book_remove(*state);
	}
}

/* The contactor never opens, or a node that began anew is not believed: that comes before the cause, as the failure of
 * the rig that it is. */
static void what_is_not_safe_comes_first(void **state)
{
	static const struct {
		void (*change)(struct here *h, struct snapshot *snap);
		enum cause cause;
		unsigned missing;
		const char *says;
	} rows[] = {
		{ welded, CAUSE_DRIVE_FAULT, GUARD_CONTACTOR, " Stopped because: the drive reports a fault" },
		{ restarted, CAUSE_NODE_RESET, GUARD_NO_DATA, " Stopped because: the node restarted during the run" },
	};

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct here *h = begin(state);
		h->s.tare_count = 0;
		h->from = 60;
		h->change = rows[i].change;
		assert_int_equal(run(h, false), RC_IO);
		assert_int_equal(result.cause, rows[i].cause);
		assert_true(result.missing & rows[i].missing);
		assert_int_equal(strncmp(result.message, "NOT SAFE", 8), 0);
		assert_non_null(strstr(result.message, rows[i].says));
		assert_int_equal(told(h, LOOP_SHAFT, "NOT SAFE%"), 1);
		assert_int_equal(told(h, "node", "reset"), rows[i].change == restarted);
		end(h);
		book_remove(*state);
	}
}

static void changes(struct here *h, struct snapshot *snap)
{
	snap->supply_limited = true;
	if (h->ticks < h->from + 10)
		snap->drive_flags |= DRIVE_CURRENT_LIMITED | DRIVE_VOLTAGE_LIMITED | DRIVE_DERATING;
	if (h->ticks == h->from + 20)
		snap->cell_count = 40000; /* 40 N·m: beyond the calibration's 30 */
	if (h->ticks == h->from + 30)
		snap->cell_count = -35000;
}

/* Changes are kept as they come; a torque beyond the calibration says so. */
static void what_changes_is_kept(void **state)
{
	static const struct {
		double min_Nm, max_Nm;
		bool beyond;
	} rows[] = { { -100, 100, false }, { -30, 100, true }, { -100, 30, true } };

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct here *h = begin(state);
		h->s.tare_count = 0;
		h->limits.torque_Nm = 100;
		h->limits.slip_power_short_W = 1e6;
		h->limits.sign_Nm = 100;
		h->from = 60;
		h->change = changes;
		h->s.calibration.min_Nm = rows[i].min_Nm;
		h->s.calibration.max_Nm = rows[i].max_Nm;
		assert_int_equal(run(h, true), RC_OK);
		assert_int_equal(h->extrapolated, rows[i].beyond);
		assert_int_equal(told(h, "drive", "enabled, current-limited, voltage-limited, derating for heat"), 1);
		assert_int_equal(told(h, "node", "live %"), 1);
		assert_true(book_number(h->book, "SELECT count(*) FROM samples WHERE lines & 8") > 50);
		assert_int_equal(book_number(h->book, "SELECT lines & 8 FROM samples WHERE no = 5"), 0);
		end(h);
		book_remove(*state);
	}
}

/* A note and a step at once, a point when it is on the disk, each in its own words. */
static void events_are_kept_and_told(void **state)
{
	static const struct {
		struct seq_event event;
		const char *kind, *text;
	} rows[] = {
		{ { .kind = SEQ_EVENT_NOTE, .text = "words" }, "note", "words" },
		{ { .kind = SEQ_EVENT_STEP,
		    .point = { .step = 1, .direction = -1, .setpoint_Nm = 5, .setpoint_A = NAN, .setpoint_rpm = -30 } },
		  "step",
		  "step 2 falling, 5 N.m, -30 rpm" },
		{ { .kind = SEQ_EVENT_STEP,
		    .point = { .step = 0, .setpoint_Nm = NAN, .setpoint_A = 0.5, .setpoint_rpm = NAN } },
		  "step",
		  "step 1, 0.5 A" },
		{ { .kind = SEQ_EVENT_POINT, .point = { .step = 3, .begin = { 2000000000 }, .end = { 2500000000 } } },
		  NULL,
		  NULL },
	};

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		for (int hooked = 0; hooked < 2; hooked++) {
			struct here *h = begin(state);
			h->event = rows[i].event;
			h->event_at = 40;
			assert_int_equal(run(h, hooked), RC_OK);
			assert_int_equal(h->n_told, hooked);
			if (hooked)
				assert_int_equal(h->told[0].kind, rows[i].event.kind);
			if (rows[i].kind)
				assert_int_equal(told(h, rows[i].kind, rows[i].text), 1);
			assert_int_equal(book_number(h->book, "SELECT count(*) FROM point"), rows[i].kind == NULL);
			end(h);
			book_remove(*state);
		}
}

/* A sequence that gives up says why, in its own words where it has some; a tare that it took holds from then on. */
static void give_up(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct here *h = state;

	drive(state, snap, ret);
	ret->set_tare = h->ticks == 20;
	ret->tare_count = 77;
	ret->stop = h->ticks == 60;
	snprintf(ret->event.text, sizeof ret->event.text, "%s", ret->stop && h->from ? "my own reason" : "");
}

static void a_sequence_gives_up_in_its_own_words(void **state)
{
	for (uint32_t own = 0; own < 2; own++) {
		struct here *h = begin(state);
		const struct sequence sequence = { give_up, h };
		const struct loop_hooks hooks = { .tick = see, .ctx = h };
		h->from = own;
		assert_int_equal(loop_run(&h->s, &h->limits, &sequence, &hooks, &result, &h->book->err), RC_INTERLOCK);
		assert_int_equal(result.cause, CAUSE_SEQUENCE);
		if (own)
			assert_string_equal(result.message, "my own reason");
		else
			assert_non_null(strstr(result.message, "the run cannot continue"));
		assert_near(h->s.tare_count, 77, 0);
		end(h);
		book_remove(*state);
	}
}

/* A step that began a moment before it was cut short keeps its own beginning. */
static void a_short_step_keeps_its_beginning(void **state)
{
	struct here *h = begin(state);

	h->event = (struct seq_event){ .kind = SEQ_EVENT_STEP, .point = { .step = 1, .setpoint_rpm = 30 } };
	h->event_at = 40;
	h->from = 70;
	h->change = drive_faults;
	assert_int_equal(run(h, true), RC_INTERLOCK);
	assert_int_equal(book_number(h->book, "SELECT (end_ns - begin_ns) / 10000000 FROM point"), 30);
	assert_int_equal(h->n_told, 1); /* the step; what was cut short is told by its cause */
	end(h);
}

/* A shaft that turns after the end is only stopped where something senses it. */
static void turns_on(struct here *h, struct snapshot *snap)
{
	(void)h;
	snap->speed_rpm = 20;
}

static void what_nobody_senses_is_no_turning(void **state)
{
	for (int senses = 0; senses < 2; senses++) {
		struct here *h = begin(state);
		h->limits.expect_pick = senses;
		h->limits.expect_direction = 0;
		h->from = 115; /* everything was commanded off before */
		h->change = turns_on;
		assert_int_equal(run(h, false) == RC_OK, !senses);
		if (senses)
			assert_non_null(strstr(result.message, "but the shaft still turns"));
		end(h);
		book_remove(*state);
	}
}

/* The next tick is not run after lost ones: 4.5 s late is one tick, and the next is a period later. */
static void lost_ticks_are_not_run_after(void **state)
{
	struct here *h = begin(state);

	h->limits.late_s = 60;
	h->limits.late_n = 0;
	h->from = 60;
	h->change = held_up_for_long;
	h->for_s = 6;
	assert_int_equal(run(h, false), RC_OK);
	assert_near((double)result.late_max_ns * 1e-9, 4.5, 0.02);
	assert_in_range(result.ticks, 200, 230); /* 6.6 s less 4.5 */
	end(h);
}

/* Nothing goes out where a beginning fails, whatever it was: no memory, no node. */
static void what_cannot_begin_moves_nothing(void **state)
{
	struct here *h = begin(state);
	enum rc rc = RC_NOMEM;

	h->begin_fails = true;
	assert_int_equal(run(h, false), RC_IO);
	assert_string_equal(h->book->err.what, "the link is gone");
	assert_true(!h->live && h->sets == 1 && !result.stopped);
	h->begin_fails = false;
	for (long n = 0; rc == RC_NOMEM && n < 20; n++) {
		h->began = (struct mono){ 0 };
		h->live = false;
		h->sets = h->ticks = 0;
		to_go = n;
		rc = run(h, false);
		if (rc == RC_NOMEM)
			assert_true(!h->live && h->sets == 0 && strstr(h->book->err.what, "memory"));
		else if (!(rc == RC_OK && n >= 2 && h->live))
			fail_msg("allocation %ld: %d %s", n + 1, (int)rc, h->book->err.what);
	}
	assert_int_equal(rc, RC_OK);
	end(h);
}

/* A clock that ends before anything was on leaves nothing on. */
static void a_clock_that_ends_at_once(void **state)
{
	struct here *h = begin(state);

	h->dies_ns = h->now_ns + 1;
	assert_int_equal(run(h, false), RC_IO);
	assert_true(!h->last.power && h->last.mode == DRIVE_OFF && !result.stopped);
	end(h);
}

/* A row, an event or a point that the full ring refuses is a cause, and so is a writer that failed. One that is only
 * seen at the very end is an error, and no run that was done. */
static void rows_that_cannot_be_kept_are_told(void **state)
{
	for (int what = NO_SAMPLE; what <= BAD_END; what++) {
		struct here *h = begin(state);
		h->event = (struct seq_event){ .kind = SEQ_EVENT_POINT,
					       .point = { .begin = { 2000000000 }, .end = { 2000000000 } } };
		h->event_at = 40;
		ring = what;
		enum rc rc = run(h, true);
		ring = GOOD;
		assert_int_equal(rc, what == BAD_END ? RC_DB : RC_INTERLOCK);
		assert_int_equal(result.cause, what == BAD_END ? CAUSE_NONE : CAUSE_LOGBOOK);
		if (what == BAD_END)
			assert_string_equal(h->book->err.what, "7 rows were not kept");
		assert_true(!h->last.power && h->last.brake_A <= 0);
		end(h);
		book_remove(*state);
	}
	struct here *h = begin(state);
	const struct sequence sequence = { drive, h };
	ring = BAD_END;
	assert_int_equal(loop_run(&h->s, &h->limits, &sequence, NULL, &result, NULL), RC_DB); /* nobody asks why */
	ring = GOOD;
	end(h);
}

/* So is the point that a step cut short leaves. */
static void a_point_that_is_cut_short_needs_room_too(void **state)
{
	struct here *h = begin(state);

	h->event = (struct seq_event){ .kind = SEQ_EVENT_STEP, .point = { .step = 1, .setpoint_rpm = 30 } };
	h->event_at = 40;
	h->from = 70;
	h->change = drive_faults;
	ring = NO_POINT;
	assert_int_equal(run(h, false), RC_INTERLOCK);
	ring = GOOD;
	assert_int_equal(result.cause, CAUSE_DRIVE_FAULT); /* the first that came */
	end(h);
}

/* On the machine's clock the loop asks for its priority, and where it gets none it says so. */
static void on_the_machine_s_clock(void **state)
{
	struct here *h = begin(state);

	h->s.clock.is_bench = false;
	assert_int_equal(run(h, false), RC_OK);
	assert_in_range(told(h, "note", "no real-time priority%"), 0, 1);
	end(h);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(in_good_order_it_ends_by_itself),
		TEST(the_message_names_what_failed),
		TEST(what_is_not_safe_comes_first),
		TEST(what_changes_is_kept),
		TEST(events_are_kept_and_told),
		TEST(a_sequence_gives_up_in_its_own_words),
		TEST(a_short_step_keeps_its_beginning),
		TEST(what_nobody_senses_is_no_turning),
		TEST(lost_ticks_are_not_run_after),
		TEST(what_cannot_begin_moves_nothing),
		TEST(a_clock_that_ends_at_once),
		TEST(rows_that_cannot_be_kept_are_told),
		TEST(a_point_that_is_cut_short_needs_room_too),
		TEST(on_the_machine_s_clock),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
