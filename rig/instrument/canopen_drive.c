/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/canopen_drive.h"

#include "instrument/can_bus.h"
#include "instrument/cia402.h"
#include "instrument/drive_shell.h"
#include "instrument/late_ramp.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ASK_STATE_S 0.1 /* while nothing comes */
#define ENABLE_S 2.0    /* from the command to "operation enabled"; common practice, no source */
#define OFF_S 0.3       /* from the command of off until it is seen off; common practice, no source */
#define HINT 260
#define PER_MILLE 1e-3
#define RAMP_EVERY_S 0.02 /* while a set-point is behind its command */
#define MAINS_LOW 0x3120
#define LINK_LOW 0x3220

/* What is asked for one after the other. */
enum question { ASK_MODE, ASK_ERROR, ASK_TEMPERATURE, ASK_STATUS, ASK_VELOCITY, ASK_CURRENT, GIVE_BACK, QUESTIONS };

struct canopen_drive {
	struct drive_shell shell;
	struct canopen_drive_setup setup;
	struct can_bus bus;
	struct canopen_setup up;
	struct cia402 machine;
	struct mono asked_state, came;
	bool powered, filtered;
	/* It told: */
	enum cia402_state state;
	bool in_fault; /* and since when */
	struct mono fault_at;
	bool fault_known; /* its error code was read since then */
	int mode_shown;
	uint16_t error_code;
	/* It was sent: */
	int mode;
	uint16_t control;
	bool released;
	bool wanted; /* it is to be on, since then */
	struct mono wanted_at;
	struct mono off_at; /* or off, since then */
	struct late_ramp ramp;
	struct mono put_at;
	bool limits_speed; /* 6080h is the run's and not its own */
	/* The question that waits for its answer: */
	enum question question;
	bool asking;
	struct mono asked_at;
	char refused[HINT]; /* what it does not answer, "" = nothing */
	char hint[HINT], trouble[HINT];
};

static const struct canopen_object objects[QUESTIONS] = {
	[ASK_MODE] = { 0x6061, 0 },     [ASK_ERROR] = { 0x603f, 0 },   [ASK_STATUS] = { 0x6041, 0 },
	[ASK_VELOCITY] = { 0x606c, 0 }, [ASK_CURRENT] = { 0x6078, 0 }, [GIVE_BACK] = { CANOPEN_SPEED_LIMIT, 0 }
};

static struct canopen_object object_of(const struct canopen_drive *d, enum question question)
{
	return question == ASK_TEMPERATURE ? d->setup.temperature : objects[question];
}

/* A word of zeros says nothing: it comes of a drive that has just started and of a frame that nobody filled. */
static bool is_off(enum cia402_state state)
{
	return state != CIA402_NOT_READY && !cia402_has_torque(state);
}

static bool is_asked(const struct canopen_drive *d, enum question question)
{
	switch (question) {
	case ASK_TEMPERATURE: return d->setup.temperature.index != 0;
	case ASK_STATUS:
	case ASK_VELOCITY: return !(d->setup.plan.telemetry_s > 0);
	case ASK_CURRENT: return !(d->setup.plan.telemetry_s > 0) && d->setup.plan.rated_A > 0;
	case GIVE_BACK: return d->limits_speed && !d->wanted && is_off(d->state);
	case ASK_MODE:
	case ASK_ERROR:
	case QUESTIONS: break;
	}
	return true;
}

static void hear(struct canopen_drive *d, enum drive_word word, double value, struct mono now)
{
	drive_side_hear(&d->shell.side, word, value, now);
}

static bool is_undervoltage(const struct canopen_drive *d)
{
	return d->error_code == MAINS_LOW || d->error_code == LINK_LOW;
}

/* Of a fault its kind is known when its code was read; until then these two are not told anew. */
static void hear_fault(struct canopen_drive *d, bool known, struct mono now)
{
	if (!known)
		return;
	hear(d, DRIVE_WORD_FAULT, d->in_fault && !is_undervoltage(d), now);
	hear(d, DRIVE_WORD_UNDERVOLTAGE, d->in_fault && is_undervoltage(d), now);
}

static void take_status(struct canopen_drive *d, uint16_t word, struct mono now)
{
	bool was = d->in_fault;

	d->state = cia402_state_of(word);
	d->in_fault = d->state == CIA402_FAULT || d->state == CIA402_FAULT_REACTION;
	if (d->in_fault && !was) {
		d->fault_at = now;
		d->fault_known = false;
	}
	if (d->state != CIA402_NOT_READY)
		hear(d, DRIVE_WORD_ENABLED, cia402_has_torque(d->state), now);
	hear(d, DRIVE_WORD_LIMITED, (word & CIA402_INTERNAL_LIMIT) != 0, now);
	hear_fault(d, !d->in_fault, now);
}

static void take_velocity(struct canopen_drive *d, int32_t value, struct mono now)
{
	hear(d, DRIVE_WORD_SPEED, value, now);
}

static void take_current(struct canopen_drive *d, int32_t value, struct mono now)
{
	hear(d, DRIVE_WORD_CURRENT, value * PER_MILLE * d->setup.plan.rated_A, now);
}

static void take_value(struct canopen_drive *d, const struct canopen_answer *a, struct mono now)
{
	const int32_t value = canopen_signed(a->value, a->size);

	switch (d->question) {
	case ASK_MODE: d->mode_shown = value; break;
	case ASK_ERROR:
		d->error_code = (uint16_t)a->value;
		d->fault_known = d->in_fault && d->asked_at.ns >= d->fault_at.ns;
		hear_fault(d, d->fault_known, now);
		break;
	case ASK_TEMPERATURE: hear(d, DRIVE_WORD_TEMPERATURE, value * d->setup.temperature_scale, now); break;
	case ASK_STATUS: take_status(d, (uint16_t)a->value, now); break;
	case ASK_VELOCITY: take_velocity(d, value, now); break;
	case ASK_CURRENT: take_current(d, value, now); break;
	case GIVE_BACK:
	case QUESTIONS: break;
	}
}

static void next_question(struct canopen_drive *d)
{
	d->asking = false;
	do
		d->question = (d->question + 1) % QUESTIONS;
	while (!is_asked(d, d->question));
}

static void take_answer(struct canopen_drive *d, struct mono now)
{
	const struct canopen_object o = object_of(d, d->question);
	const struct canopen_answer a = canopen_take_answer(d->setup.plan.node, o, &d->bus.newest);

	const enum canopen_answer_kind other = d->question == GIVE_BACK ? CANOPEN_READ : CANOPEN_WRITTEN;

	if (!d->asking || a.kind == CANOPEN_NO_ANSWER || a.kind == other)
		return;
	if (a.kind == CANOPEN_READ)
		take_value(d, &a, now);
	else if (a.kind == CANOPEN_REFUSED)
		snprintf(d->refused, sizeof d->refused, "its object %04Xh:%u is refused with abort code %08Xh, %s",
			 o.index, o.sub, (unsigned)a.value, canopen_abort_words(a.value));
	d->limits_speed = d->limits_speed && d->question != GIVE_BACK;
	next_question(d);
}

static uint32_t at(const struct can_message *m, int first, int n)
{
	uint32_t ret = 0;

	for (int i = n; i > 0; i--)
		ret = ret << 8 | m->byte[first + i - 1];
	return ret;
}

static void take_told(struct canopen_drive *d, struct mono now)
{
	const struct can_message *m = &d->bus.newest;
	const uint8_t length = d->setup.plan.rated_A > 0 ? 8 : 6;

	if (m->is_long || m->id != CANOPEN_TPDO + d->setup.plan.node || m->n < length)
		return;
	take_status(d, (uint16_t)at(m, 0, 2), now);
	take_velocity(d, (int32_t)at(m, 2, 4), now);
	if (d->setup.plan.rated_A > 0)
		take_current(d, (int16_t)at(m, 6, 2), now);
}

/* It came up anew: nothing that it said or was told counts any more, and it is not switched on before it was off. */
static void begin_anew(struct canopen_drive *d)
{
	canopen_setup_again(&d->up);
	d->machine = (struct cia402){ .left = d->wanted };
	d->asking = d->in_fault = d->released = false;
	d->mode_shown = CIA402_NO_MODE;
	d->state = CIA402_UNKNOWN;
}

static void take_frame(struct canopen_drive *d, struct mono now)
{
	d->came = now;
	if (canopen_is_boot(d->setup.plan.node, &d->bus.newest)) {
		begin_anew(d);
	} else if (!canopen_setup_done(&d->up)) {
		canopen_setup_take(&d->up, &d->bus.newest);
	} else {
		take_answer(d, now);
		if (d->setup.plan.telemetry_s > 0)
			take_told(d, now);
	}
}

static void take_byte(void *ctx, char c, struct mono now)
{
	struct canopen_drive *d = ctx;

	if (can_bus_take(&d->bus, c))
		take_frame(d, now);
}

static void send(struct canopen_drive *d, const struct can_message *m)
{
	char line[CAN_FRAME_LINE];

	drive_shell_send(&d->shell, line, can_frame_put(m, line));
}

static void ask(struct canopen_drive *d, struct mono now)
{
	struct can_message m;

	if (d->asking && mono_diff_s(now, d->asked_at) < CANOPEN_ANSWER_S)
		return;
	if (d->asking)
		next_question(d);
	if (d->question == GIVE_BACK)
		canopen_put_write(d->setup.plan.node, object_of(d, GIVE_BACK), 4, d->up.speed_limit, &m);
	else
		canopen_put_read(d->setup.plan.node, object_of(d, d->question), &m);
	d->asking = true;
	d->asked_at = now;
	send(d, &m);
}

/* Once all its words have come: until then a frame of another node is worth telling. */
static void filter(struct canopen_drive *d)
{
	const unsigned node = d->setup.plan.node;
	const struct can_message of[] = { { .id = CANOPEN_TPDO + node },
					  { .id = CANOPEN_SDO_ANSWER + node },
					  { .id = CANOPEN_HEARTBEAT + node } };

	link_filter(d->shell.link, of, sizeof of / sizeof of[0]);
	d->filtered = true;
}

static void look(void *ctx, struct mono now)
{
	struct canopen_drive *d = ctx;
	struct can_message m;

	if (mono_diff_s(now, d->came) >= ASK_STATE_S && mono_diff_s(now, d->asked_state) >= ASK_STATE_S) {
		d->asked_state = now;
		drive_shell_send(&d->shell, CAN_BUS_ASK, strlen(CAN_BUS_ASK));
	}
	if (!d->filtered && drive_side_heard(&d->shell.side, now))
		filter(d);
	if (d->setup.drive.boot_s > 0 && d->shell.side.powered && !d->powered)
		begin_anew(d);
	d->powered = d->shell.side.powered;
	if (canopen_setup_done(&d->up))
		ask(d, now);
	else if (canopen_setup_next(&d->up, now, &m))
		send(d, &m);
}

static int mode_of(const struct canopen_drive *d, enum drive_mode mode)
{
	return mode == DRIVE_SPEED    ? d->setup.plan.velocity_mode
	       : mode == DRIVE_TORQUE ? d->setup.plan.torque_mode
				      : CIA402_NO_MODE;
}

static bool is_mode_right(const struct canopen_drive *d, int mode)
{
	return mode != CIA402_NO_MODE && d->mode == mode && d->mode_shown == mode;
}

/* The controlword that a command needs now. */
static uint16_t control_now(const struct canopen_drive *d, struct cia402 *machine, const struct drive_command *c)
{
	const int mode = mode_of(d, c->mode);

	return cia402_step(machine, d->state, mode != CIA402_NO_MODE, is_mode_right(d, mode));
}

static bool is_released(const struct canopen_drive *d, uint16_t control)
{
	return control == CIA402_ENABLE && d->state == CIA402_ENABLED;
}

static bool again(void *ctx, const struct drive_command *sent)
{
	const struct canopen_drive *d = ctx;
	struct cia402 machine = d->machine;
	const uint16_t control = control_now(d, &machine, sent);

	const bool behind = late_ramp_is_behind(&d->ramp, sent->value) &&
			    mono_diff_s(drive_shell_now(&d->shell), d->put_at) >= RAMP_EVERY_S;

	return canopen_setup_done(&d->up) &&
	       (control != d->control || is_released(d, control) != d->released || behind);
}

static void put_at(struct can_message *m, int first, int n, int32_t value)
{
	for (int i = 0; i < n; i++)
		m->byte[first + i] = (uint8_t)((uint32_t)value >> (8 * i));
}

/* Rounded, and held within what so many bits can say. */
static int32_t whole(double value, double most)
{
	return (int32_t)lrint(fmax(-most, fmin(value, most)));
}

static struct can_message set_point(const struct canopen_drive *d, const struct drive_command *c, double ramped)
{
	const unsigned number = c->mode == DRIVE_TORQUE ? 2 : 1;
	const int32_t limit_rpm = whole(c->limit * d->setup.drive.unit_rpm, INT32_MAX);
	/* a speed limit that comes out as 0 may mean none to a drive */
	const double value = c->mode != DRIVE_TORQUE || limit_rpm > 0 ? ramped : 0;
	struct can_message m = { .id = CANOPEN_RPDO + number * CANOPEN_PDO_STEP + d->setup.plan.node };

	if (c->mode == DRIVE_TORQUE) {
		m.n = 6;
		put_at(&m, 0, 2, whole(value, INT16_MAX));
		put_at(&m, 2, 4, limit_rpm);
	} else {
		m.n = 4;
		put_at(&m, 0, 4, whole(value, INT32_MAX));
	}
	return m;
}

/* What it said last, and not too long ago. */
static bool is_seen_off(const struct canopen_drive *d, struct mono now)
{
	return canopen_setup_done(&d->up) && drive_side_heard(&d->shell.side, now) && is_off(d->state);
}

static void note_wanted(struct canopen_drive *d, bool wanted, struct mono now)
{
	if (wanted && !d->wanted)
		d->wanted_at = now;
	if (!wanted && d->wanted)
		d->off_at = now;
	d->wanted = wanted;
	if (!wanted) {
		d->machine = (struct cia402){ 0 };
		d->ramp = (struct late_ramp){ 0 };
	}
}

static size_t put(void *ctx, const struct drive_command *command, struct mono now, char buf[DRIVE_SHELL_BYTES])
{
	struct canopen_drive *d = ctx;
	const int mode = mode_of(d, command->mode);
	const bool wanted = mode != CIA402_NO_MODE;
	struct can_message m;
	size_t n = 0;

	d->put_at = now;
	note_wanted(d, wanted, now);
	const bool must_go_off = !wanted && !is_seen_off(d, now);
	if (must_go_off) { /* by an SDO too: a node that is not operational takes no PDO */
		canopen_drive_off(&d->setup, &m);
		n += can_frame_put(&m, buf + n);
	}
	if (!canopen_setup_done(&d->up))
		return n;
	d->mode = wanted ? mode : d->mode;
	d->control = control_now(d, &d->machine, command);
	d->released = is_released(d, d->control);
	/* one that does not go off is left to its own lease */
	if (d->setup.plan.lease_s > 0 && !(must_go_off && mono_diff_s(now, d->off_at) > OFF_S)) {
		canopen_put_heartbeat(d->setup.plan.host, &m);
		n += can_frame_put(&m, buf + n);
	}
	if (wanted) {
		m = set_point(d, command, late_ramp_step(&d->ramp, command->value, d->released, now));
		d->limits_speed |= command->mode == DRIVE_TORQUE;
		n += can_frame_put(&m, buf + n);
	}
	m = (struct can_message){ .id = CANOPEN_RPDO + d->setup.plan.node, .n = 3 };
	put_at(&m, 0, 2, d->control);
	put_at(&m, 2, 1, d->mode);
	return n + can_frame_put(&m, buf + n);
}

static const char *hint(void *ctx)
{
	struct canopen_drive *d = ctx;

	if (d->up.why[0] || (!canopen_setup_done(&d->up) && d->bus.frames > 0))
		canopen_setup_hint(&d->up, d->hint, sizeof d->hint);
	else if (d->refused[0])
		snprintf(d->hint, sizeof d->hint, "%s", d->refused);
	else
		can_bus_hint(&d->bus, CANOPEN_TPDO + d->setup.plan.node, d->hint, sizeof d->hint);
	return d->hint;
}

static const char *trouble(void *ctx, struct mono now)
{
	struct canopen_drive *d = ctx;
	const char *state = cia402_state_words(d->state);
	bool late = d->wanted && d->state != CIA402_ENABLED && mono_diff_s(now, d->wanted_at) > ENABLE_S;

	d->trouble[0] = '\0';
	if (d->in_fault && d->fault_known && !is_undervoltage(d))
		snprintf(d->trouble, sizeof d->trouble, "it is in fault, error code %04Xh (603Fh)", d->error_code);
	else if (d->in_fault)
		return d->trouble;
	else if (d->wanted && d->machine.left && d->mode_shown != CIA402_NO_MODE && !is_mode_right(d, d->mode))
		snprintf(d->trouble, sizeof d->trouble,
			 "it shows mode %d (6061h), commanded was %d; it was switched off", d->mode_shown, d->mode);
	else if (d->wanted && d->machine.left)
		snprintf(d->trouble, sizeof d->trouble, "it was switched on and went off by itself; it is %s", state);
	else if (late && !is_mode_right(d, d->mode))
		snprintf(d->trouble, sizeof d->trouble, "it shows mode %d (6061h), commanded was %d", d->mode_shown,
			 d->mode);
	else if (late)
		snprintf(d->trouble, sizeof d->trouble, "it is %s, %g s after it was switched on", state, ENABLE_S);
	return d->trouble;
}

static enum rc refuse(void *ctx, struct err *err)
{
	struct canopen_drive *d = ctx;

	if (d->up.why[0])
		return err_set(err, RC_ARG, 0, "it is not as rig.ini says: %s", d->up.why);
	return err_set(err, RC_TIMEOUT, 0, "not all its values came within %g s; %s", DRIVE_SHELL_OPEN_S, hint(ctx));
}

/* Seen off, it no longer has to hear this program. Else its lease is the last that switches it off. */
static void leave(void *ctx)
{
	struct canopen_drive *d = ctx;
	struct can_message m;

	if (!(d->setup.plan.lease_s > 0) || d->wanted || !is_seen_off(d, drive_shell_now(&d->shell)))
		return;
	canopen_put_write(d->setup.plan.node, (struct canopen_object){ 0x1016, 1 }, 4, 0, &m);
	send(d, &m);
}

void canopen_drive_off(const struct canopen_drive_setup *setup, struct can_message *ret)
{
	canopen_put_write(setup->plan.node, (struct canopen_object){ 0x6040, 0 }, 2, CIA402_DISABLE_VOLTAGE, ret);
}

static unsigned words_told(const struct canopen_drive_setup *setup)
{
	unsigned ret =
		DRIVE_WORDS_NEEDED | 1u << DRIVE_WORD_FAULT | 1u << DRIVE_WORD_UNDERVOLTAGE | 1u << DRIVE_WORD_LIMITED;

	ret |= setup->plan.rated_A > 0 ? 1u << DRIVE_WORD_CURRENT : 0;
	return ret | (setup->temperature.index ? 1u << DRIVE_WORD_TEMPERATURE : 0);
}

enum rc canopen_drive_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
			   struct instrument *ret, struct err *err)
{
	static const struct drive_talk talk = { .take_byte = take_byte,
						.look = look,
						.put = put,
						.again = again,
						.refuse = refuse,
						.hint = hint,
						.trouble = trouble,
						.leave = leave };
	struct canopen_drive *d = calloc(1, sizeof *d);
	char text[CAN_BUS_LINE];

	if (d == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	struct mono now = clock->now(clock->ctx);
	d->setup = *config->canopen_drive;
	d->shell = (struct drive_shell){ .talk = &talk, .ctx = d, .link = link, .clock = clock };
	drive_side_init(&d->shell.side, &d->setup.drive, words_told(&d->setup), config->number, now);
	canopen_setup_init(&d->up, &d->setup.plan);
	d->state = CIA402_UNKNOWN;
	d->mode = d->setup.plan.velocity_mode ? d->setup.plan.velocity_mode : d->setup.plan.torque_mode;
	d->came = d->asked_state = now;
	drive_shell_send(&d->shell, text, can_bus_put_open(d->setup.bit_rate, text));
	unsigned modes = (d->setup.plan.velocity_mode ? 1u << DRIVE_SPEED : 0) |
			 (d->setup.plan.torque_mode ? 1u << DRIVE_TORQUE : 0);
	enum rc rc = drive_shell_open(&d->shell, config, modes, ret, err);
	if (rc != RC_OK)
		free(d);
	return rc;
}
