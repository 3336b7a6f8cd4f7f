/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/loop.h"

#include "calib/number/units.h"
#include "logbook/ring.h"
#include "run/sample_thin.h"

#include <errno.h>
#include <math.h>
#include <sched.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>

#define AFTER_DONE_s 0.5 /* everything off is sent this long, so that it is obeyed before the line goes quiet */
#define CUT_WINDOW_s 1.0 /* what a step that was cut short is judged by */
#define REALTIME_PRIORITY 50

struct loop {
	struct session *s;
	const struct guard_limits *limits;
	const struct sequence *seq;
	const struct loop_hooks *hooks;
	struct log_ring *ring;
	struct sample_thin rows; /* on their way into it */
	struct guard guard;
	struct snapshot snap;
	struct guard_verdict verdict;
	struct seq_out out;
	struct mono deadline, done_at;
	bool done, drove;               /* drove: a drive mode went out in this loop */
	int step;                       /* of the plan, for the samples' rows */
	struct seq_point open;          /* the step under way, begin 0 = none: see cut_short */
	uint32_t logged[CHANNEL_COUNT]; /* readings of each channel at the row before */
	struct snapshot seen;           /* last logged state of lines, node and drive */
};

/* Counts to torque. Without a tare the zero of the calibration's own series is not known: indicated only. */
static void calibrate(const struct session *s, struct snapshot *snap)
{
	double count = s->rig.cell_sign * (double)snap->cell_count;
	double tare = isfinite(s->tare_count) ? s->tare_count : 0;

	snap->indication = count - tare;
	snap->torque_Nm = NAN;
	snap->torque_extrapolated = false;
	if (!s->calibration_id || !isfinite(s->tare_count))
		return;
	if (cellcal_torque(&s->calibration, snap->indication, &snap->torque_Nm, NULL) != RC_OK) {
		snap->torque_Nm = NAN;
		return;
	}
	snap->torque_extrapolated =
		!(snap->torque_Nm <= s->calibration.max_Nm && snap->torque_Nm >= s->calibration.min_Nm);
}

static void log_change(struct loop *l, const char *kind, const char *text)
{
	if (!log_ring_event(l->ring, l->snap.now.ns, kind, text))
		l->snap.log_failed = true;
}

static void log_line_change(struct loop *l, const char *name, bool was, bool is)
{
	if (was != is) {
		char text[64];
		snprintf(text, sizeof text, "%s %s", name, is ? "good" : "not good");
		log_change(l, "line", text);
	}
}

static bool stood_still(const struct loop *l)
{
	return s_from_ns(l->snap.late_ns) > l->limits->late_s;
}

/* "enabled, current-limited": for people, as all that an event says. */
static void drive_words(unsigned flags, char *buf, size_t size)
{
	static const struct {
		unsigned bit;
		const char *word;
	} words[] = {
		{ DRIVE_UNHEARD, "sends no data" },           { DRIVE_ENABLED, "enabled" },
		{ DRIVE_CURRENT_LIMITED, "current-limited" }, { DRIVE_VOLTAGE_LIMITED, "voltage-limited" },
		{ DRIVE_DERATING, "derating for heat" },      { DRIVE_UNDERVOLTAGE, "undervoltage fault" },
		{ DRIVE_OVERSPEED, "overspeed fault" },       { DRIVE_FAULT, "fault" },
	};
	size_t used = (size_t)snprintf(buf, size, "%s", flags ? "" : "not enabled");

	for (size_t i = 0; i < sizeof words / sizeof words[0] && used < size; i++)
		if (flags & words[i].bit)
			used += (size_t)snprintf(buf + used, size - used, "%s%s", used ? ", " : "", words[i].word);
}

static void log_changes(struct loop *l)
{
	static const char *const state_word[] = { "idle", "live", "stopping", "safe", "unknown" };
	const struct snapshot *now = &l->snap;
	char text[160];

	log_line_change(l, "estop", l->seen.estop_ok, now->estop_ok);
	log_line_change(l, "guard", l->seen.cage_closed, now->cage_closed);
	log_line_change(l, "contactor", l->seen.contactor_closed, now->contactor_closed);
	if (l->seen.node_state != now->node_state) {
		snprintf(text, sizeof text, "%s %s", state_word[now->node_state], now->node_reason);
		log_change(l, "node", text);
	}
	if (l->seen.drive_flags != now->drive_flags) {
		drive_words(now->drive_flags, text, sizeof text);
		log_change(l, "drive", text);
	}
	if (!l->seen.node_reset && now->node_reset)
		log_change(l, "node", "reset");
	if (stood_still(l)) {
		snprintf(text, sizeof text, "this program was held up for %.3g s", s_from_ns(now->late_ns));
		log_change(l, "note", text);
	}
	l->seen = *now;
}

static void add_set(char *text, size_t size, double value, const char *unit)
{
	size_t used = strlen(text);

	if (isfinite(value) && used < size)
		snprintf(text + used, size - used, ", %.6g %s", value, unit);
}

/* "step 3 falling, 20 N.m, 60 rpm": counted from 1, with the set-points that it has. */
static void step_text(const struct seq_point *p, char *text, size_t size)
{
	snprintf(text, size, "step %d%s", p->step + 1,
		 p->direction > 0   ? " rising"
		 : p->direction < 0 ? " falling"
				    : "");
	add_set(text, size, p->setpoint_Nm, "N.m");
	add_set(text, size, p->setpoint_A, "A");
	add_set(text, size, p->setpoint_rpm, "rpm");
}

static bool row_goes_on(void *ctx, const struct sample *row)
{
	return log_ring_sample(ctx, row);
}

static uint32_t repeats(struct loop *l)
{
	uint32_t mask = 0;

	for (unsigned i = 0; i < CHANNEL_COUNT; i++) {
		mask |= l->logged[i] == l->snap.channel[i].fresh ? 1u << i : 0;
		l->logged[i] = l->snap.channel[i].fresh;
	}
	return mask;
}

static void log_sample(struct loop *l)
{
	const struct snapshot *snap = &l->snap;
	const struct wish *set = &l->verdict.allowed;
	struct sample row = {
		.mono_ns = snap->now.ns,
		.node_us = snap->node_us,
		.sample_no = snap->sample_total,
		.cell_count = snap->cell_count,
		.cell_conversions = snap->channel[CHANNEL_CELL].fresh,
		.pulses = snap->pulses,
		.edge_time_s = snap->edge_time_s,
		.torque_Nm = snap->torque_Nm,
		.speed_rpm = snap->speed_rpm,
		.brake_set_A = set->brake_A,
		.brake_A = snap->brake_A,
		.voltage_V = snap->voltage_V,
		.current_A = snap->current_A,
		.ripple_W = snap->ripple_W,
		.drive_set = wish_set_point(set),
		.drive_rotor_rpm = snap->drive_rotor_rpm,
		.drive_A = snap->drive_A,
		.drive_mode = (uint16_t)set->mode,
		.drive_flags = (uint16_t)snap->drive_flags,
		.lines = (uint16_t)((snap->estop_ok ? 1u : 0u) | (snap->cage_closed ? 2u : 0u) |
				    (snap->contactor_closed ? 4u : 0u) | (snap->supply_limited ? 8u : 0u)),
		.phase = (uint16_t)l->guard.phase,
		.step = l->step,
		.late_ns = snap->late_ns,
		.repeats = repeats(l),
	};
	memcpy(row.temp_degC, snap->temp_degC, sizeof row.temp_degC);
	if (!sample_thin_put(&l->rows, &row, l->guard.phase == GUARD_RUN ? l->out.thin_s : 0))
		l->snap.log_failed = true;
}

static void take_event(struct loop *l)
{
	const struct seq_event *event = &l->out.event;
	bool kept = true;
	char text[120];

	switch (event->kind) {
	case SEQ_EVENT_NONE: return;
	case SEQ_EVENT_STEP:
		l->step = event->point.step;
		l->open = event->point;
		l->open.begin = l->snap.now;
		step_text(&event->point, text, sizeof text);
		kept = log_ring_event(l->ring, l->snap.now.ns, "step", text);
		break;
	case SEQ_EVENT_POINT:
		kept = log_ring_point(l->ring, &event->point);
		l->open.begin.ns = 0;
		break;
	case SEQ_EVENT_NOTE: kept = log_ring_event(l->ring, l->snap.now.ns, "note", event->text); break;
	}
	if (!kept)
		l->snap.log_failed = true;
	if (event->kind != SEQ_EVENT_POINT && l->hooks && l->hooks->event)
		l->hooks->event(l->hooks->ctx, event);
}

/* What is on the disk, and only that. A step that was cut short is told by its cause. */
static void tell_kept(struct loop *l)
{
	struct seq_event event = { .kind = SEQ_EVENT_POINT };

	while (log_ring_next_kept(l->ring, &event.point))
		if (!(event.point.flags & POINT_CUT) && l->hooks && l->hooks->event)
			l->hooks->event(l->hooks->ctx, &event);
}

/* Finished, everything off, and the shaft that was driven still turns. */
static bool turns_on(const struct loop *l)
{
	bool stands = !l->limits->expect_pick || fabs(l->snap.speed_rpm) < l->limits->standstill_rpm;

	return l->drove && !stands && mono_diff_s(l->snap.now, l->done_at) >= AFTER_DONE_s;
}

static void stop_what_turns(struct loop *l)
{
	l->snap.sequence_stop = true;
	snprintf(l->out.event.text, sizeof l->out.event.text,
		 "everything was commanded off, but the shaft still turns: check the drive, the contactor and what "
		 "else may turn it");
}

/* What was seen, what it wants: only while nothing has latched. */
static void ask_sequence(struct loop *l)
{
	l->out = (struct seq_out){ .remaining_s = NAN, .phase = "" };
	if (l->done || l->guard.phase != GUARD_RUN) {
		l->out.done = l->done;
		if (l->done && turns_on(l))
			stop_what_turns(l);
		return;
	}
	l->seq->step(l->seq->state, &l->snap, &l->out);
	if (l->out.set_tare)
		l->s->tare_count = l->out.tare_count;
	if (l->out.stop)
		l->snap.sequence_stop = true;
	if (l->out.done) {
		l->done = true;
		l->done_at = l->snap.now;
		l->out.wish = (struct wish){ 0 };
	}
}

/* A step that a limit stopped leaves a point too: without it nobody would see where the limit was. */
static void cut_short(struct loop *l)
{
	struct seq_point *open = &l->open;
	int64_t earliest_ns = l->snap.now.ns - ns_from_s(CUT_WINDOW_s);

	if (!l->open.begin.ns || !cause_row(l->verdict.cause)->leaves_point)
		return;
	open->flags |= POINT_CUT | POINT_NOT_SETTLED;
	open->settle_s = NAN;
	open->mean_torque_Nm = l->snap.torque_Nm;
	open->mean_speed_rpm = l->snap.speed_rpm;
	open->end = l->snap.now;
	if (open->begin.ns < earliest_ns)
		open->begin.ns = earliest_ns;
	if (!log_ring_point(l->ring, open))
		l->snap.log_failed = true;
}

/* A machine or a person that stopped this program: the node's lease then ends, as it must, and that is not the node's
 * fault. */
static void say_stood_still(const struct loop *l, char *buf, size_t size)
{
	double still_s = s_from_ns(l->snap.late_ns), lease_s = l->s->rig.lease_s;
	bool safe = !(still_s < lease_s) || l->snap.node_state == NODE_STOPPING || l->snap.node_state == NODE_SAFE;
	char lease[80] = "";

	if (safe)
		snprintf(lease, sizeof lease, ", so the node went safe when its lease of %.3g s ended", lease_s);
	snprintf(buf, size,
		 "this program was held up for %.3g s, limit %.3g s%s. Close other programs on this computer and keep "
		 "it awake",
		 still_s, l->limits->late_s, lease);
}

/* "supply psu: no data from the instrument for ..." */
static void name_instrument(const struct loop *l, int channel, char *buf, size_t size)
{
	char text[400], name[200];

	snprintf(text, sizeof text, "%.399s", buf);
	const char *error = session_error_of(l->s, &l->snap, channel);
	if (error[0])
		snprintf(text, sizeof text, "%s; check its settings, and what rig.ini says of it", error);
	session_name_silent(l->s, &l->snap, channel, name, sizeof name);
	snprintf(buf, size, "%s: %s", name, text);
}

static void ask_guard(struct loop *l, struct loop_result *ret)
{
	l->guard = guard_step(l->guard, l->limits, &l->snap, &l->out.wish, &l->verdict);
	l->drove |= l->verdict.allowed.mode != DRIVE_OFF;
	if (!l->verdict.newly)
		return;
	ret->cause = l->verdict.cause;
	guard_message(&l->verdict, ret->message, sizeof ret->message);
	if (l->verdict.cause == CAUSE_INSTRUMENT_SILENT ||
	    (l->verdict.cause == CAUSE_SLOW_STALE && session_is_beside(&l->snap, l->verdict.channel)))
		name_instrument(l, l->verdict.channel, ret->message, sizeof ret->message);
	if (l->verdict.cause == CAUSE_DRIVE_FAULT && session_error_of(l->s, &l->snap, CHANNEL_DRIVE)[0])
		name_instrument(l, CHANNEL_DRIVE, ret->message, sizeof ret->message);
	bool of_cell = l->verdict.cause == CAUSE_CELL_STALE || l->verdict.cause == CAUSE_CELL_SATURATED;
	if (of_cell && l->snap.channel[CHANNEL_CELL].instrument > 0)
		name_instrument(l, CHANNEL_CELL, ret->message, sizeof ret->message);
	if (l->verdict.cause == CAUSE_WARDEN)
		snprintf(ret->message, sizeof ret->message, "%s: %s", session_warden_words(l->s),
			 cause_sentence(CAUSE_WARDEN));
	if (l->verdict.cause == CAUSE_LATE_TICK && stood_still(l))
		say_stood_still(l, ret->message, sizeof ret->message);
	if (l->verdict.cause == CAUSE_SEQUENCE && l->out.event.text[0])
		snprintf(ret->message, sizeof ret->message, "%s", l->out.event.text);
	log_ring_event(l->ring, l->snap.now.ns, "stop", ret->message);
	cut_short(l);
}

/* The stop is over: safe, or not, and then that comes before anything else. */
static void tell_end(struct loop *l, struct loop_result *ret)
{
	char cause[sizeof ret->message];

	if (!l->verdict.stopped)
		return;
	guard_end_message(&l->verdict, ret->shaft, sizeof ret->shaft);
	ret->missing = l->verdict.missing;
	log_ring_event(l->ring, l->snap.now.ns, LOOP_SHAFT, ret->shaft);
	if (!ret->missing)
		return;
	snprintf(cause, sizeof cause, "%s", ret->message);
	snprintf(ret->message, sizeof ret->message, "%s Stopped because: %.350s", ret->shaft, cause);
}

/* Also what was slept between two loops of a session, while a person was asked. */
static void note_sleep(struct loop *l)
{
	struct session *s = l->s;
	int64_t slept_ns = s->clock.slept_ns ? s->clock.slept_ns(s->clock.ctx) : s->slept_ns;
	char text[64];

	l->snap.slept_ns = slept_ns > s->slept_ns ? slept_ns - s->slept_ns : 0;
	if (slept_ns > s->slept_ns)
		s->slept_ns = slept_ns;
	if (s_from_ns(l->snap.slept_ns) > 1) {
		snprintf(text, sizeof text, "this computer slept for %.3g s", s_from_ns(l->snap.slept_ns));
		log_change(l, "note", text);
	}
}

static void tick(struct loop *l, struct loop_result *ret)
{
	struct session *s = l->s;

	l->snap.now = s->clock.now(s->clock.ctx);
	l->snap.late_ns = l->snap.now.ns - l->deadline.ns;
	if (l->snap.late_ns > ret->late_max_ns)
		ret->late_max_ns = l->snap.late_ns;
	note_sleep(l);
	session_poll(s, &l->snap);
	calibrate(s, &l->snap);
	if (log_ring_failed(l->ring))
		l->snap.log_failed = true;
	if (l->hooks && l->hooks->stop_asked && l->hooks->stop_asked(l->hooks->ctx))
		l->snap.operator_stop = true;
	log_changes(l);
	ask_sequence(l);
	take_event(l);
	ask_guard(l, ret);
	tell_end(l, ret);
	session_set(s, &l->verdict.allowed);
	log_sample(l);
	tell_kept(l);
	if (l->hooks && l->hooks->tick)
		l->hooks->tick(l->hooks->ctx, &l->snap, &l->out, &l->verdict);
	ret->ticks++;
}

/* Finished in order, or a stop that is complete: the guard ends each after GUARD_HOLD_MOST_S at the latest (I17). */
static bool over(const struct loop *l)
{
	if (l->guard.phase != GUARD_RUN)
		return l->verdict.stopped;
	return l->done && mono_diff_s(l->snap.now, l->done_at) >= AFTER_DONE_s;
}

static struct mono next_deadline(const struct loop *l)
{
	struct mono next = mono_add_ns(l->deadline, ns_from_s(l->limits->tick_s));

	/* Far behind (the machine slept): the guard has seen it; do not run after lost ticks. */
	if (l->snap.now.ns > next.ns + ns_from_s(1.0))
		next = l->snap.now;
	return next;
}

/* Time cannot go on. The drive off and the contactor open; the brake as in a stop that nobody ends: the lease runs out,
 * and the node lets go of it when the shaft stands. */
static struct wish last_wish(const struct loop *l)
{
	struct guard_verdict v;
	struct snapshot snap = l->snap;
	const struct wish none = { 0 };

	snap.node_lost = true;
	guard_step(l->guard, l->limits, &snap, &none, &v);
	return v.allowed;
}

static void ask_real_time(struct loop *l)
{
	const struct sched_param param = { .sched_priority = REALTIME_PRIORITY };

	if (l->s->clock.is_bench)
		return;
	if (mlockall(MCL_CURRENT | MCL_FUTURE) != 0 || sched_setscheduler(0, SCHED_FIFO, &param) != 0)
		log_ring_event(l->ring, l->s->clock.now(l->s->clock.ctx).ns, "note",
			       "no real-time priority: ticks may be late (run with CAP_SYS_NICE to have it)");
}

static void leave_real_time(const struct loop *l)
{
	const struct sched_param param = { 0 };

	if (l->s->clock.is_bench)
		return;
	sched_setscheduler(0, SCHED_OTHER, &param);
	munlockall();
}

static enum rc run_ticks(struct loop *l, struct loop_result *ret, struct err *err)
{
	struct session *s = l->s;

	l->deadline = s->clock.now(s->clock.ctx);
	ret->begin = l->deadline;
	do {
		l->deadline = l->snap.now.ns ? next_deadline(l) : l->deadline;
		if (s->clock.is_bench)
			log_ring_make_room(l->ring);
		enum rc rc = s->clock.sleep_until(s->clock.ctx, l->deadline, err);
		if (rc != RC_OK)
			return rc;
		tick(l, ret);
	} while (!over(l));
	return RC_OK;
}

enum rc loop_run(struct session *s, const struct guard_limits *limits, const struct sequence *seq,
		 const struct loop_hooks *hooks, struct loop_result *ret, struct err *err)
{
	struct loop l = {
		.s = s,
		.limits = limits,
		.seq = seq,
		.hooks = hooks,
		.snap = snapshot_blank(),
		.step = -1,
		.seen = { .node_state = NODE_UNKNOWN },
		.guard = guard_warm(s->brake_heat_J, s->brake_heat_at),
	};
	struct err ring_err = { 0 };

	*ret = (struct loop_result){ 0 };
	enum rc rc = log_ring_start(s->logbook, s->run_id, &l.ring, err);
	if (rc != RC_OK)
		return rc;
	rc = sample_thin_begin(&l.rows, 1 / limits->tick_s, row_goes_on, l.ring, err);
	if (rc != RC_OK) {
		(void)!log_ring_stop(l.ring, NULL);
		return rc;
	}
	ask_real_time(&l);
	rc = session_begin(s, err); /* last: nothing waits between the first sample and the first tick */
	if (rc == RC_OK)
		rc = run_ticks(&l, ret, err);
	const struct wish last = rc == RC_OK ? (struct wish){ 0 } : last_wish(&l);
	session_set(s, &last);
	leave_real_time(&l);
	ret->end = l.snap.now;
	ret->energised = l.guard.energised;
	ret->stopped = l.verdict.stopped || (rc == RC_OK && ret->cause == CAUSE_NONE);
	s->brake_heat_J = l.guard.energy_J;
	s->brake_heat_at = l.guard.last_now;
	(void)sample_thin_flush(&l.rows); /* what was refused is counted and told by log_ring_stop */
	sample_thin_end(&l.rows);
	log_ring_end(l.ring);
	tell_kept(&l);
	enum rc ring_rc = log_ring_stop(l.ring, &ring_err);

	if (rc != RC_OK)
		return rc;
	if (ret->cause != CAUSE_NONE)
		return err_set(err, ret->missing ? RC_IO : RC_INTERLOCK, 0, "%s", ret->message);
	if (ring_rc != RC_OK) {
		if (err)
			*err = ring_err;
		return ring_rc;
	}
	return RC_OK;
}
