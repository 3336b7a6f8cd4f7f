/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/drive_side.h"

#include <stdio.h>

#define STALE_PERIODS 5
#define RENEWALS 3

void drive_side_init(struct drive_side *s, const struct drive_setup *setup, unsigned words, uint8_t number,
		     struct mono now)
{
	*s = (struct drive_side){ .setup = *setup, .words = words, .number = number, .absence = absence_from(now) };
}

void drive_side_look(struct drive_side *s, const struct snapshot *snap, struct mono now)
{
	bool powered = !is_told(snap, CHANNEL_CONTACTOR) || snap->contactor_closed;

	absence_look(&s->absence, now);
	if (powered && !s->powered)
		s->powered_at = now;
	s->powered = powered;
}

void drive_side_hear(struct drive_side *s, enum drive_word word, double value, struct mono now)
{
	s->word[word].value = value;
	s->word[word].at = now;
	s->word[word].told = true;
	if (word != DRIVE_WORD_SPEED)
		return;
	s->fresh++;
	s->taken = now;
	absence_over(&s->absence);
}

static double stale_s(const struct drive_side *s)
{
	return fmax(DRIVE_STALE_S, STALE_PERIODS * s->setup.period_s);
}

/* Of these words the oldest one; INFINITY when one never came. */
static double oldest_of_s(const struct drive_side *s, unsigned words, struct mono now)
{
	double oldest = 0;

	for (int i = 0; i < DRIVE_WORDS; i++)
		if (words >> i & 1)
			oldest = fmax(oldest,
				      s->word[i].told ? absence_age_s(&s->absence, now, s->word[i].at) : INFINITY);
	return oldest;
}

static double oldest_s(const struct drive_side *s, struct mono now)
{
	return oldest_of_s(s, s->words, now);
}

bool drive_side_heard(const struct drive_side *s, struct mono now)
{
	return !s->gone && oldest_s(s, now) <= stale_s(s);
}

/* Without power, or not yet up: it cannot answer, and it is off. */
static bool is_excused(const struct drive_side *s, struct mono now)
{
	return s->setup.boot_s > 0 && (!s->powered || mono_diff_s(now, s->powered_at) < s->setup.boot_s);
}

static void say_unheard(struct drive_side *s, struct mono now)
{
	double age_s = oldest_s(s, now);

	if (s->gone)
		snprintf(s->error, sizeof s->error, "its line is gone; check its cable");
	else if (isfinite(age_s))
		snprintf(s->error, sizeof s->error, "it has not told all its values for %.2g s", age_s);
	else
		snprintf(s->error, sizeof s->error, "it has never told all its values");
}

static double rotor_rpm(const struct drive_side *s)
{
	double own = s->word[DRIVE_WORD_SPEED].value * s->setup.unit_rpm * s->setup.sign;

	return s->setup.at_output ? own * s->setup.gear_ratio : own;
}

/* Within its turn. */
static double rotor_deg(const struct drive_side *s)
{
	double own = s->word[DRIVE_WORD_ANGLE].value * s->setup.unit_deg * s->setup.sign;
	double turn = fmod(s->setup.at_output ? own * s->setup.gear_ratio : own, 360);

	return turn < 0 ? turn + 360 : turn;
}

static unsigned flags(const struct drive_side *s)
{
	unsigned ret = 0;

	for (int i = 0; i < DRIVE_WORDS; i++)
		if (s->words >> i & 1 && !(s->word[i].value >= 0 && s->word[i].value <= 0))
			ret |= drive_word_flag((enum drive_word)i);
	return ret;
}

static void tell_temperature(const struct drive_side *s, bool heard, const struct channel *c, struct snapshot *snap)
{
	struct channel *mine = &snap->channel[CHANNEL_TEMP + (int)TEMP_WINDING];

	if (!(s->words >> DRIVE_WORD_TEMPERATURE & 1) || (mine->fresh > 0 && mine->instrument != s->number))
		return;
	snap->temp_degC[TEMP_WINDING] = heard ? s->word[DRIVE_WORD_TEMPERATURE].value : NAN;
	*mine = *c;
}

void drive_side_tell(struct drive_side *s, struct snapshot *snap, struct mono now)
{
	bool heard = drive_side_heard(s, now), excused = !heard && is_excused(s, now);
	struct channel c = { .taken = s->taken,
			     .age_s = s->fresh == 0 ? INFINITY : 0,
			     .fresh = s->fresh,
			     .quality = heard ? QUALITY_GOOD : QUALITY_MISSING,
			     .instrument = s->number };

	if (heard)
		c.age_s = oldest_of_s(s, DRIVE_WORDS_NEEDED, now);
	s->error[0] = '\0';
	if (!heard && !excused)
		say_unheard(s, now);
	snap->drive_flags = heard ? flags(s) : excused ? 0 : DRIVE_UNHEARD;
	snap->drive_rotor_rpm = heard ? rotor_rpm(s) : NAN;
	bool tells_A = s->words >> DRIVE_WORD_CURRENT & 1;
	snap->drive_A = heard && tells_A ? s->word[DRIVE_WORD_CURRENT].value * s->setup.unit_A * s->setup.sign : NAN;
	snap->channel[CHANNEL_DRIVE] = c;
	tell_temperature(s, heard, &c, snap);
	snap->rotor_deg = heard && s->words >> DRIVE_WORD_ANGLE & 1 ? rotor_deg(s) : NAN;
}

static double own_ratio(const struct drive_side *s)
{
	return s->setup.at_output ? 1 : s->setup.gear_ratio;
}

static double own_speed(const struct drive_side *s, double output_rpm)
{
	return output_rpm * own_ratio(s) / s->setup.unit_rpm;
}

static double own_value(const struct drive_side *s, const struct wish *allowed)
{
	switch (allowed->mode) {
	case DRIVE_SPEED: return own_speed(s, allowed->speed_rpm);
	case DRIVE_CURRENT: return allowed->drive_A / s->setup.unit_A;
	case DRIVE_TORQUE: return allowed->torque_Nm / own_ratio(s) / s->setup.unit_Nm;
	case DRIVE_POSITION: return allowed->angle_deg * own_ratio(s) / s->setup.unit_deg;
	case DRIVE_OFF: break;
	}
	return NAN;
}

/* What it is to do, in its own units: off without power, and when the value is none. */
static struct drive_command wanted(const struct drive_side *s, const struct wish *allowed)
{
	const bool limited = allowed->mode == DRIVE_TORQUE || allowed->mode == DRIVE_POSITION;
	const double value = own_value(s, allowed), speed = own_speed(s, allowed->speed_rpm);

	if (!s->powered || !allowed->power || !isfinite(value) || (limited && !(speed > 0 && isfinite(speed))))
		return (struct drive_command){ .mode = DRIVE_OFF };
	return (struct drive_command){ .mode = allowed->mode,
				       .value = s->setup.sign * value,
				       .limit = limited ? speed : 0 };
}

static double again_s(const struct drive_side *s)
{
	return s->setup.lease_s > 0 ? s->setup.lease_s / RENEWALS : DRIVE_AGAIN_S;
}

bool drive_side_command(struct drive_side *s, const struct wish *allowed, struct mono now, struct drive_command *ret)
{
	struct drive_command want = wanted(s, allowed);
	double since_s = mono_diff_s(now, s->sent_at);
	bool off = want.mode == DRIVE_OFF && s->sent.mode != DRIVE_OFF;
	bool differs = want.mode != s->sent.mode || fabs(want.value - s->sent.value) > 0 ||
		       fabs(want.limit - s->sent.limit) > 0;

	if (s->gone || (s->ever_sent && !off && !(differs && since_s >= DRIVE_LEAST_S) && since_s < again_s(s)))
		return false;
	s->ever_sent = true;
	s->sent = want;
	s->sent_at = now;
	*ret = want;
	return true;
}
