/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/canopen_line.h"

#include "bench/can_line.h"

#include <math.h>

#define MODES (1u << 2 | 1u << 3 | 1u << 8 | 1u << 9) /* 3, 4, 9 and 10 */
#define LINK_LOW 0x3220
#define TOO_FAST 0x8400
#define DEVICE_FAULT 0xff00

/* Rotor rpm for 1 of its velocity. */
static double rotor_rpm(const struct drive_line *l)
{
	const struct instrument_profile *p = l->profile;
	double own_rpm = p->encoder_counts > 0 ? 60 / p->encoder_counts : p->unit_rpm;

	return p->drive_sign * own_rpm * (p->shaft == SHAFT_OUTPUT ? l->gear_ratio : 1);
}

static void follow_velocity(struct drive_line *l)
{
	l->orders.mode = BENCH_SPEED;
	l->orders.value = (int32_t)l->canopen.velocity * rotor_rpm(l) * 10;
}

static void follow_torque(struct drive_line *l)
{
	const struct instrument_profile *p = l->profile;
	bool at_output = p->shaft == SHAFT_OUTPUT;

	l->orders.mode = BENCH_TORQUE;
	l->orders.value =
		(int16_t)l->canopen.torque * p->rated_torque_Nm * p->drive_sign * (at_output ? 1 : l->gear_ratio);
	l->orders.limit = l->canopen.most_rpm * (at_output ? l->gear_ratio : 1) * 10;
}

static void follow(struct drive_line *l)
{
	const struct canopen_node *o = &l->canopen;
	bool torque = o->mode_shown == 4 || o->mode_shown == 10;

	if (o->state != NODE402_ENABLED)
		l->orders.mode = BENCH_OFF, l->orders.value = 0;
	else if (torque)
		follow_torque(l);
	else
		follow_velocity(l);
	l->orders.restart |= o->restart;
}

static void obey(struct drive_line *l, const struct can_message *m, int64_t t_us)
{
	struct can_message answer;

	if (canopen_node_take(&l->canopen, m, t_us, &answer))
		can_line_say(l, &answer, t_us);
	follow(l);
}

static struct canopen_node_senses senses_of(const struct drive_line *l)
{
	const struct drive_line_senses *s = &l->seen;
	double rated_A = l->profile->rated_A;
	unsigned faults = s->flags & BENCH_DRIVE_FAULTS;

	return (struct canopen_node_senses){
		.velocity = (int32_t)lrint(s->rotor_rpm / rotor_rpm(l)),
		.current = rated_A > 0 ? (int16_t)lrint(s->current_A * l->profile->drive_sign / rated_A * 1000) : 0,
		.temperature = (int16_t)lrint(s->winding_degC * 10),
		.fault = faults & BENCH_DRIVE_UNDERVOLTAGE ? LINK_LOW
			 : faults & BENCH_DRIVE_OVERSPEED  ? TOO_FAST
			 : faults                          ? DEVICE_FAULT
							   : 0,
		.limited = s->flags & BENCH_DRIVE_LIMITED,
		.powered = s->powered,
	};
}

/* Without power it forgets all; a cable that is out takes none of its power away. */
static void tick(struct drive_line *l, int64_t t_us)
{
	bool up = l->silent ? l->was_up : drive_line_is_up(l, t_us);
	const struct canopen_node_senses senses = senses_of(l);
	struct can_message m;

	if (up && !l->was_up) {
		canopen_node_boot(&l->canopen, &m);
		can_line_say(l, &m, t_us);
	}
	l->was_up = up;
	if (!up)
		l->canopen.state = NODE402_DISABLED;
	else if (canopen_node_tick(&l->canopen, &senses, t_us, &m) && !l->silent)
		can_line_say(l, &m, t_us);
	follow(l);
	l->canopen.restart = false;
}

void canopen_line_init(struct drive_line *line, const struct instrument_profile *profile, double gear_ratio)
{
	static const struct drive_speech speech = { .receive = can_line_receive, .obey = obey, .tick = tick };

	drive_line_init(line, profile, gear_ratio);
	line->speech = &speech;
	canopen_node_init(&line->canopen, (unsigned)profile->node_id, MODES,
			  (uint32_t)lrint(profile->rated_torque_Nm * 1e3), (uint32_t)lrint(profile->rated_A * 1e3));
}
