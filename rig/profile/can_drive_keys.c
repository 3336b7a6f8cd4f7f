/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/can_drive_keys.h"

#include "channel/can_signal.h"
#include "channel/drive_word.h"
#include "profile/instrument_mistake.h"

#include <stdio.h>
#include <string.h>

#define PERIOD_MOST_S 0.2 /* a drive is watched; common practice, no source */
#define SENT 4

struct maps {
	struct can_map sent[SENT], told[DRIVE_WORDS];
	bool has_sent[SENT], has_told[DRIVE_WORDS]; /* and they read without a mistake */
};

static const char *const sent_key[SENT] = { "send_off", "send_speed", "send_current", "ask" };
enum { OFF, SPEED, CURRENT, ASK };

static const char *told_key(int word, char buf[32])
{
	snprintf(buf, 32, "tell_%s", drive_word_name((enum drive_word)word));
	return buf;
}

static bool read_map(struct inifile *r, const char *key, const char *text, struct can_map *ret)
{
	char why[CAN_SIGNAL_WHY];

	if (can_map_read(text, ret, why))
		return true;
	instrument_mistake(r, key, "\"%.80s\": %s", text, why);
	return false;
}

static bool read_sent(struct inifile *r, const char *key, const char *text, bool with_value, struct can_map *ret)
{
	if (!read_map(r, key, text, ret))
		return false;
	if (!ret->has_data)
		instrument_mistake(r, key, "has no data; expected the bytes of the frame, such as data 00 00 00 00");
	else if (with_value && (!ret->signal.there || ret->signal.has_is))
		instrument_mistake(r, key,
				   "does not say where its value goes; expected byte N (or bit N) and length N");
	else if (!with_value && ret->signal.there)
		instrument_mistake(r, key, "has a value; expected a frame of data alone");
	else
		return true;
	return false;
}

static bool read_told(struct inifile *r, const char *key, const char *text, bool is_number, struct can_map *ret)
{
	if (!read_map(r, key, text, ret))
		return false;
	if (ret->has_data)
		instrument_mistake(r, key,
				   "has data; expected the place of its value alone, since the drive sends the frame");
	else if (!ret->signal.there)
		instrument_mistake(r, key, "does not say where its value is; expected byte N (or bit N) and length N");
	else if (is_number && ret->signal.has_is)
		instrument_mistake(r, key, "has is, which goes with a yes or no; expected scale and offset");
	else
		return true;
	return false;
}

static bool is_number(int word)
{
	return word <= DRIVE_WORD_TEMPERATURE || word == DRIVE_WORD_ANGLE;
}

static void read_all(struct inifile *r, const struct instrument_profile *p, struct maps *m)
{
	const char *const text[SENT] = { p->send_off, p->send_speed, p->send_current, p->ask };
	char key[32];

	for (int i = 0; i < SENT; i++)
		m->has_sent[i] =
			*text[i] && read_sent(r, sent_key[i], text[i], i == SPEED || i == CURRENT, &m->sent[i]);
	for (int w = 0; w < DRIVE_WORDS; w++)
		m->has_told[w] =
			*p->can_tell[w] && read_told(r, told_key(w, key), p->can_tell[w], is_number(w), &m->told[w]);
}

static void check_missing(struct inifile *r, const struct instrument_profile *p)
{
	char key[32];

	if (!*p->send_off)
		instrument_mistake(r, "send_off", "is missing; a can-drive needs the frame that takes its torque away");
	if (!*p->send_speed && !*p->send_current)
		instrument_mistake(r, "send_speed",
				   "is missing; a can-drive needs the frame of a speed or of a current");
	for (int w = 0; w < DRIVE_WORDS; w++)
		if (DRIVE_WORDS_NEEDED >> w & 1 && !*p->can_tell[w])
			instrument_mistake(r, told_key(w, key),
					   "is missing; the guard has to see that the drive stands and is off");
}

static void check_overlaps(struct inifile *r, const struct maps *m)
{
	char key[32], other[32];

	for (int w = 0; w < DRIVE_WORDS; w++)
		for (int k = 0; k < w; k++)
			if (m->has_told[w] && m->has_told[k] && can_map_overlap(&m->told[w], &m->told[k]))
				instrument_mistake(r, told_key(w, key),
						   "overlaps %s in frame 0x%X; give each value its own bits",
						   told_key(k, other), (unsigned)m->told[w].frame.id);
}

static void check_senders(struct inifile *r, const struct maps *m)
{
	char key[32];

	for (int w = 0; w < DRIVE_WORDS; w++)
		for (int i = 0; i < SENT; i++)
			if (m->has_told[w] && m->has_sent[i] && can_map_is_for(&m->told[w], &m->sent[i].frame)) {
				instrument_mistake(
					r, told_key(w, key),
					"has the identifier 0x%X, which %s sends to the drive; each identifier has one "
					"sender",
					(unsigned)m->told[w].frame.id, sent_key[i]);
				break;
			}
}

static void check_off(struct inifile *r, const struct maps *m)
{
	const struct can_message *off = &m->sent[OFF].frame;

	for (int i = SPEED; i <= CURRENT && m->has_sent[OFF]; i++) {
		const struct can_message *other = &m->sent[i].frame;

		if (m->has_sent[i] && can_map_is_for(&m->sent[i], off) && off->n == other->n &&
		    memcmp(off->byte, other->byte, off->n) == 0)
			instrument_mistake(
				r, "send_off",
				"is the frame of %s with a value of 0; expected the one that takes the torque away",
				sent_key[i]);
	}
}

void can_drive_check_bus(struct inifile *r, const struct instrument_profile *p)
{
	if (can_rate_number(p->bit_rate) < 0)
		instrument_mistake(r, "bit_rate",
				   "found %d, expected 10000, 20000, 50000, 100000, 125000, 250000, 500000, 800000 or "
				   "1000000",
				   p->bit_rate);
	if (!(p->period_s <= PERIOD_MOST_S))
		instrument_mistake(r, "period", "found %g s, expected at most %g s for a drive", p->period_s,
				   PERIOD_MOST_S);
}

void can_drive_check(struct inifile *r, const struct instrument_profile *p)
{
	struct maps m = { 0 };

	if (strcmp(p->kind, "can-drive") != 0) {
		if (strncmp(p->link, "can:", 4) == 0 && strcmp(p->kind, "canopen-drive") != 0)
			instrument_mistake(r, "link", "found \"%.60s\", but a %s is not on a CAN bus", p->link,
					   p->kind);
		return;
	}
	read_all(r, p, &m);
	check_missing(r, p);
	check_overlaps(r, &m);
	check_senders(r, &m);
	check_off(r, &m);
	can_drive_check_bus(r, p);
}
