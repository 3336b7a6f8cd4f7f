/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/can_line.h"

#include "channel/can_signal.h"
#include "channel/drive_word.h"

#include <string.h>

#define PASSIVE "F24\r"
#define ACTIVE "F00\r"

static bool read_map(const char *text, struct can_map *ret)
{
	char why[CAN_SIGNAL_WHY];

	return *text && can_map_read(text, ret, why);
}

static void say(struct drive_line *l, const char *text, size_t n)
{
	if (l->out_n + n > sizeof l->out)
		return;
	memcpy(l->out + l->out_n, text, n);
	l->out_n += n;
}

static void say_now(struct drive_line *l, const char *text, int64_t t_us)
{
	if (l->out_n == 0)
		l->out_us = t_us;
	say(l, text, strlen(text));
}

void can_line_say(struct drive_line *l, const struct can_message *message, int64_t t_us)
{
	char line[CAN_FRAME_LINE];

	(void)can_frame_put(message, line);
	if (l->on_bus)
		say_now(l, line, t_us);
}

/* The frame as it is but for its value. */
static bool fits(const char *text, const struct can_message *m, double *ret)
{
	struct can_map map;

	if (!read_map(text, &map) || !can_map_is_for(&map, m) || map.frame.n != m->n)
		return false;
	for (int i = 0; i < m->n; i++) {
		uint8_t own = (uint8_t)(map.signal.bits >> (8 * i));

		if ((m->byte[i] & ~own) != (map.frame.byte[i] & ~own))
			return false;
	}
	return !map.signal.there || can_map_get(&map, m, ret);
}

static void obey(struct drive_line *l, const struct can_message *m, int64_t t_us)
{
	const struct instrument_profile *p = l->profile;
	double value = 0;

	if (fits(p->ask, m, &value)) {
		l->asked = true;
		return;
	}
	if (fits(p->send_off, m, &value))
		l->orders.mode = BENCH_OFF, l->orders.value = 0;
	else if (fits(p->send_speed, m, &value))
		l->orders.mode = BENCH_SPEED, l->orders.value = value * drive_line_rpm(l) * 10;
	else if (fits(p->send_current, m, &value))
		l->orders.mode = BENCH_CURRENT, l->orders.value = value * p->drive_sign * p->unit_A * 1e3;
	else
		return;
	drive_line_renew(l, t_us);
}

static void take_line(struct drive_line *l, int64_t t_us)
{
	struct can_message m;

	l->in[l->n] = '\0';
	l->n = 0;
	if (l->in[0] == 'O' || l->in[0] == 'C') {
		l->on_bus = l->in[0] == 'O';
		say_now(l, "\r", t_us);
	} else if (l->in[0] == 'S' || l->in[0] == '\0') {
		say_now(l, "\r", t_us);
	} else if (l->in[0] == 'F' && l->on_bus) {
		say_now(l, l->silent ? PASSIVE : ACTIVE, t_us);
	} else if (l->on_bus && can_frame_read(l->in, &m)) {
		say_now(l, "z\r", t_us);
		if (drive_line_is_up(l, t_us))
			l->speech->obey(l, &m, t_us);
	} else {
		say_now(l, "\a", t_us);
	}
}

void can_line_receive(struct drive_line *l, const char *bytes, size_t n, int64_t t_us)
{
	for (size_t i = 0; i < n; i++) {
		if (bytes[i] == '\r')
			take_line(l, t_us);
		else if (l->n < sizeof l->in - 1)
			l->in[l->n++] = bytes[i];
	}
}

static void tell(struct drive_line *l, const struct drive_line_senses *s)
{
	struct can_message frame[DRIVE_WORDS] = { 0 };
	char line[CAN_FRAME_LINE];
	size_t n = 0;

	for (int w = 0; w < DRIVE_WORDS && l->on_bus; w++) {
		struct can_map map;
		size_t i = 0;

		if (!read_map(l->profile->can_tell[w], &map))
			continue;
		while (i < n && !can_map_is_for(&map, &frame[i]))
			i++;
		n += i == n;
		can_map_add(&map, drive_line_word(l, w, s), &frame[i]);
	}
	for (size_t i = 0; i < n; i++)
		say(l, line, can_frame_put(&frame[i], line));
}

void can_line_init(struct drive_line *line, const struct instrument_profile *profile, double gear_ratio)
{
	static const struct drive_speech speech = { .receive = can_line_receive, .tell = tell, .obey = obey };

	drive_line_init(line, profile, gear_ratio);
	line->speech = &speech;
}
