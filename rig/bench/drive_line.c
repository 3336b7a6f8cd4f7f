/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/drive_line.h"

#include "channel/drive_word.h"

#include <math.h>
#include <string.h>

#define BOOT_SHARE 0.7 /* of what rig.ini allows it */

void drive_line_init(struct drive_line *l, const struct instrument_profile *profile, double gear_ratio)
{
	*l = (struct drive_line){
		.profile = profile, .gear_ratio = gear_ratio, .lease_us = INT64_MAX, .powered_us = -1
	};
}

double drive_line_rpm(const struct drive_line *l)
{
	const struct instrument_profile *p = l->profile;

	return p->drive_sign * p->unit_rpm * (p->shaft == SHAFT_OUTPUT ? l->gear_ratio : 1);
}

void drive_line_renew(struct drive_line *l, int64_t t_us)
{
	l->lease_us = l->profile->lease_s > 0 ? t_us + (int64_t)(l->profile->lease_s * 1e6) : INT64_MAX;
}

static bool fits(const char *pattern, const char *line, double value[TEXT_PATTERN_FIELDS])
{
	char why[TEXT_PATTERN_WHY];
	struct text_pattern p;

	return *pattern && text_pattern_read(pattern, &p, why) && text_pattern_match(&p, line, value);
}

static double field(const char *pattern, const char *name, const double *value)
{
	char why[TEXT_PATTERN_WHY];
	struct text_pattern p;
	int at = text_pattern_read(pattern, &p, why) ? text_pattern_field(&p, name) : -1;

	return at < 0 ? 0 : value[at];
}

/* mN.m at the output, tenths of rpm of the rotor. */
static void follow_torque(struct drive_line *l, const char *pattern, const double *value)
{
	const struct instrument_profile *p = l->profile;
	double ratio = p->shaft == SHAFT_OUTPUT ? 1 : l->gear_ratio;

	l->orders.mode = BENCH_TORQUE;
	l->orders.value = field(pattern, "torque", value) * p->unit_Nm * p->drive_sign * ratio * 1e3;
	l->orders.limit = field(pattern, "limit", value) * fabs(drive_line_rpm(l)) * 10;
}

/* Tenths of a degree of the rotor. */
static void follow_angle(struct drive_line *l, const char *pattern, const double *value)
{
	const struct instrument_profile *p = l->profile;
	double ratio = p->shaft == SHAFT_OUTPUT ? l->gear_ratio : 1;

	l->orders.mode = BENCH_POSITION;
	l->orders.value = field(pattern, "angle", value) * p->unit_deg * p->drive_sign * ratio * 10;
	l->orders.limit = field(pattern, "limit", value) * fabs(drive_line_rpm(l)) * 10;
}

/* Of its shaft: a rotor that turned once around has turned the output by a part of a turn. */
static double angle(const struct drive_line *l, const struct drive_line_senses *s)
{
	const struct instrument_profile *p = l->profile;

	return s->rotor_deg * p->drive_sign / p->unit_deg / (p->shaft == SHAFT_OUTPUT ? l->gear_ratio : 1);
}

static void obey(struct drive_line *l, int64_t t_us)
{
	const struct instrument_profile *p = l->profile;
	double value[TEXT_PATTERN_FIELDS];

	l->in[l->n] = '\0';
	l->n = 0;
	if (fits(p->ask, l->in, value)) {
		l->asked = true;
		return;
	}
	if (fits(p->send_off, l->in, value))
		l->orders.mode = BENCH_OFF, l->orders.value = 0;
	else if (fits(p->send_speed, l->in, value))
		l->orders.mode = BENCH_SPEED, l->orders.value = value[0] * drive_line_rpm(l) * 10;
	else if (fits(p->send_current, l->in, value))
		l->orders.mode = BENCH_CURRENT, l->orders.value = value[0] * p->drive_sign * p->unit_A * 1e3;
	else if (fits(p->send_torque, l->in, value))
		follow_torque(l, p->send_torque, value);
	else if (fits(p->send_position, l->in, value))
		follow_angle(l, p->send_position, value);
	else
		return;
	drive_line_renew(l, t_us);
}

bool drive_line_is_up(const struct drive_line *l, int64_t t_us)
{
	double boot_us = l->profile->boot_s * 1e6 * BOOT_SHARE;

	return !l->silent && (!(boot_us > 0) || (l->powered_us >= 0 && (double)(t_us - l->powered_us) >= boot_us));
}

void drive_line_receive(struct drive_line *l, const char *bytes, size_t n, int64_t t_us)
{
	if (l->speech) {
		l->speech->receive(l, bytes, n, t_us);
		return;
	}
	for (size_t i = 0; i < n && drive_line_is_up(l, t_us); i++) {
		if (bytes[i] == '\n' || bytes[i] == '\r')
			obey(l, t_us);
		else if (l->n < sizeof l->in - 1)
			l->in[l->n++] = bytes[i];
	}
}

void drive_line_tick(struct drive_line *l, bool powered, int64_t t_us)
{
	if (!powered)
		l->powered_us = -1;
	else if (l->powered_us < 0)
		l->powered_us = t_us;
	if (t_us >= l->lease_us)
		l->orders.mode = BENCH_OFF, l->orders.value = 0;
	if (l->speech && l->speech->tick)
		l->speech->tick(l, t_us);
}

double drive_line_word(const struct drive_line *l, int word, const struct drive_line_senses *s)
{
	unsigned faults = s->flags & BENCH_DRIVE_FAULTS;

	switch (word) {
	case DRIVE_WORD_SPEED: return s->rotor_rpm / drive_line_rpm(l);
	case DRIVE_WORD_CURRENT: return s->current_A * l->profile->drive_sign / l->profile->unit_A;
	case DRIVE_WORD_TEMPERATURE: return s->winding_degC;
	case DRIVE_WORD_ENABLED: return (s->flags & BENCH_DRIVE_ENABLED) != 0;
	case DRIVE_WORD_FAULT: return faults != 0 && faults != BENCH_DRIVE_UNDERVOLTAGE;
	case DRIVE_WORD_UNDERVOLTAGE: return (s->flags & BENCH_DRIVE_UNDERVOLTAGE) != 0;
	case DRIVE_WORD_OVERSPEED: return (s->flags & BENCH_DRIVE_OVERSPEED) != 0;
	case DRIVE_WORD_LIMITED: return (s->flags & BENCH_DRIVE_LIMITED) != 0;
	case DRIVE_WORD_DERATING: return (s->flags & BENCH_DRIVE_DERATING) != 0;
	case DRIVE_WORD_ANGLE: return angle(l, s);
	default: return 0;
	}
}

static void tell(struct drive_line *l, const char *pattern, const struct drive_line_senses *s)
{
	double value[TEXT_PATTERN_FIELDS];
	char why[TEXT_PATTERN_WHY];
	struct text_pattern p;

	if (!*pattern || !text_pattern_read(pattern, &p, why))
		return;
	for (size_t i = 0; i < p.n_fields; i++)
		value[i] = drive_line_word(l, drive_word_of(p.field[i]), s);
	l->out_n += text_pattern_put(&p, value, l->out + l->out_n, sizeof l->out - l->out_n - 2);
	l->out[l->out_n++] = '\r';
	l->out[l->out_n++] = '\n';
}

static void begin_telling(struct drive_line *l, const struct drive_line_senses *s, int64_t t_us)
{
	int64_t period_us = (int64_t)(l->profile->period_s * 1e6);
	bool due = *l->profile->ask ? l->asked : t_us >= l->tell_us;

	if (!due || l->out_n > 0 || !drive_line_is_up(l, t_us))
		return;
	if (l->speech && l->speech->tell)
		l->speech->tell(l, s);
	for (size_t i = 0; i < PROFILE_TELLS && !l->speech; i++)
		tell(l, l->profile->tell[i], s);
	l->asked = false;
	l->tell_us = t_us + period_us;
	l->out_us = t_us + (int64_t)l->out_n * 10 * 1000000 / l->profile->baud;
}

size_t drive_line_take(struct drive_line *l, const struct drive_line_senses *s, int64_t t_us, char *buf, size_t size)
{
	l->seen = *s;
	begin_telling(l, s, t_us);
	size_t n = l->out_n < size ? l->out_n : size;
	if (n == 0 || t_us < l->out_us)
		return 0;
	memcpy(buf, l->out, n);
	memmove(l->out, l->out + n, l->out_n - n);
	l->out_n -= n;
	return n;
}
