/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/can_signal.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FRAME_BITS (8 * CAN_FRAME_BYTES)
#define WORD 24

struct reader {
	const char *at;
	char word[WORD];
	char *why;
};

static bool next(struct reader *r)
{
	size_t n;

	r->at += strspn(r->at, " \t,");
	n = strcspn(r->at, " \t,");
	snprintf(r->word, sizeof r->word, "%.*s", (int)(n < WORD - 1 ? n : WORD - 1), r->at);
	if (n > WORD - 1)
		r->word[WORD - 2] = '~'; /* cut: neither a number nor a word */
	r->at += n;
	return n > 0;
}

static bool wrong(const struct reader *r, const char *expected)
{
	if (r->word[0])
		snprintf(r->why, CAN_SIGNAL_WHY, "found \"%s\", expected %s", r->word, expected);
	else
		snprintf(r->why, CAN_SIGNAL_WHY, "ends where %s is expected", expected);
	return false;
}

static bool whole(struct reader *r, const char *expected, long long least, long long most, long long *ret)
{
	char *end = r->word;

	*ret = next(r) ? strtoll(r->word, &end, 0) : 0;
	if (!r->word[0] || *end != '\0' || *ret < least || *ret > most)
		return wrong(r, expected);
	return true;
}

static bool real(struct reader *r, const char *expected, double *ret)
{
	char *end = r->word;

	*ret = next(r) ? strtod(r->word, &end) : 0;
	if (!r->word[0] || *end != '\0' || !isfinite(*ret))
		return wrong(r, expected);
	return true;
}

static bool is_byte(const char *word)
{
	return strlen(word) == 2 && isxdigit((unsigned char)word[0]) && isxdigit((unsigned char)word[1]);
}

static bool read_data(struct reader *r, struct can_map *m)
{
	const char *before = r->at;

	m->has_data = true;
	while (next(r) && is_byte(r->word)) {
		if (m->frame.n == CAN_FRAME_BYTES)
			return wrong(r, "at most 8 bytes of data");
		m->frame.byte[m->frame.n++] = (uint8_t)strtoul(r->word, NULL, 16);
		before = r->at;
	}
	if (m->frame.n == 0)
		return wrong(r, "bytes of two hexadecimal digits after data");
	r->at = before;
	return true;
}

struct place {
	long long byte, bit, length; /* -1: not given */
};

static bool read_word(struct reader *r, struct can_map *m, struct place *p)
{
	struct can_signal *s = &m->signal;
	long long n;

	if (strcmp(r->word, "data") == 0)
		return read_data(r, m);
	if (strcmp(r->word, "byte") == 0)
		return whole(r, "a byte from 0 to 7", 0, CAN_FRAME_BYTES - 1, &p->byte);
	if (strcmp(r->word, "bit") == 0)
		return whole(r, "a bit from 0 to 63", 0, FRAME_BITS - 1, &p->bit);
	if (strcmp(r->word, "length") == 0)
		return whole(r, "a length from 1 to 64 bits", 1, FRAME_BITS, &p->length);
	if (strcmp(r->word, "scale") == 0)
		return real(r, "a scale that is a number other than 0", &s->scale) &&
		       (fabs(s->scale) > 0 || wrong(r, "a scale other than 0"));
	if (strcmp(r->word, "offset") == 0)
		return real(r, "an offset that is a number", &s->offset);
	if (strcmp(r->word, "is") == 0) {
		if (!whole(r, "a whole number after is", -(1LL << 62), 1LL << 62, &n))
			return false;
		s->has_is = true;
		s->is = n;
		return true;
	}
	if (strcmp(r->word, "long") == 0)
		m->frame.is_long = true;
	else if (strcmp(r->word, "big") == 0 || strcmp(r->word, "little") == 0)
		s->big = r->word[0] == 'b';
	else if (strcmp(r->word, "signed") == 0 || strcmp(r->word, "unsigned") == 0)
		s->is_signed = r->word[0] == 's';
	else
		return wrong(r, "long, data, byte, bit, length, little, big, signed, unsigned, scale, offset or is");
	return true;
}

/* The i-th bit of the value, from its lowest, as a bit of the frame; -1: beyond it. */
static int bit_at(const struct can_signal *s, unsigned i)
{
	if (!s->big)
		return s->first + i < FRAME_BITS ? (int)(s->first + i) : -1;
	unsigned down = s->length - 1 - i; /* from the highest */
	unsigned from_top = 8 * (s->first / 8) + (7 - s->first % 8) + down;
	return from_top < FRAME_BITS ? (int)(8 * (from_top / 8) + (7 - from_top % 8)) : -1;
}

static bool can_be_told(const struct can_signal *s, char *why)
{
	if (!s->has_is || s->length >= FRAME_BITS - 1)
		return true;
	int64_t top = INT64_C(1) << (s->length - s->is_signed);

	if (s->is >= (s->is_signed ? -top : 0) && s->is < top)
		return true;
	snprintf(why, CAN_SIGNAL_WHY, "\"is %lld\" can never be: a value of %u bits goes from %lld to %lld",
		 (long long)s->is, s->length, s->is_signed ? (long long)-top : 0, (long long)top - 1);
	return false;
}

static bool place_signal(struct can_map *m, const struct place *p, char *why)
{
	struct can_signal *s = &m->signal;
	unsigned bytes = m->has_data ? m->frame.n : CAN_FRAME_BYTES;

	s->there = true;
	s->length = (unsigned)p->length;
	s->first = p->bit >= 0 ? (unsigned)p->bit : 8 * (unsigned)p->byte + (s->big ? 7 : 0);
	if (!can_be_told(s, why))
		return false;
	for (unsigned i = 0; i < s->length; i++) {
		int bit = bit_at(s, i);

		if (bit < 0 || (unsigned)bit >= 8 * bytes) {
			snprintf(why, CAN_SIGNAL_WHY, "a value of %u bits does not fit there: the frame has %u bytes",
				 s->length, bytes);
			return false;
		}
		s->bits |= 1ull << bit;
	}
	for (unsigned i = 0; i < 8 * bytes && m->has_data; i++)
		if (s->bits >> i & 1 && m->frame.byte[i / 8] >> (i % 8) & 1) {
			snprintf(why, CAN_SIGNAL_WHY, "the data of byte %u overlaps the value, which needs zeros there",
				 i / 8);
			return false;
		}
	return true;
}

static bool check_place(struct can_map *m, const struct place *p, char *why)
{
	bool placed = p->byte >= 0 || p->bit >= 0;

	if (p->byte >= 0 && p->bit >= 0)
		snprintf(why, CAN_SIGNAL_WHY, "has byte and bit; expected one of the two");
	else if (placed && p->length < 0)
		snprintf(why, CAN_SIGNAL_WHY, "has no length; expected its number of bits, such as length 16");
	else if (!placed && p->length >= 0)
		snprintf(why, CAN_SIGNAL_WHY, "does not say where its value begins; expected byte N or bit N");
	else if (!placed)
		return true;
	else
		return place_signal(m, p, why);
	return false;
}

bool can_map_read(const char *text, struct can_map *ret, char why[CAN_SIGNAL_WHY])
{
	struct can_map m = { .signal = { .scale = 1 } };
	struct reader r = { .at = text, .why = why };
	struct place p = { -1, -1, -1 };
	long long id;

	if (!whole(&r, "an identifier such as 0x201, at most 0x1FFFFFFF", 0, CAN_LONG_MOST, &id))
		return false;
	m.frame.id = (uint32_t)id;
	m.frame.is_long = m.frame.id > CAN_SHORT_MOST;
	while (next(&r))
		if (!read_word(&r, &m, &p))
			return false;
	if (!check_place(&m, &p, why))
		return false;
	*ret = m;
	return true;
}

bool can_map_is_for(const struct can_map *map, const struct can_message *m)
{
	return map->frame.id == m->id && map->frame.is_long == m->is_long;
}

static uint64_t take_bits(const struct can_signal *s, const struct can_message *m)
{
	uint64_t raw = 0;

	for (unsigned i = 0; i < s->length; i++) {
		int bit = bit_at(s, i);

		raw |= (uint64_t)(m->byte[bit / 8] >> (bit % 8) & 1) << i;
	}
	return raw;
}

static void put_bits(const struct can_signal *s, uint64_t raw, struct can_message *m)
{
	for (unsigned i = 0; i < s->length; i++) {
		int bit = bit_at(s, i);

		m->byte[bit / 8] = (uint8_t)(m->byte[bit / 8] | (raw >> i & 1) << (bit % 8));
	}
}

bool can_map_get(const struct can_map *map, const struct can_message *m, double *ret)
{
	const struct can_signal *s = &map->signal;

	if (!can_map_is_for(map, m) || !s->there || (m->n < CAN_FRAME_BYTES && s->bits >> (8 * m->n) != 0))
		return false;
	uint64_t raw = take_bits(s, m);
	bool negative = s->is_signed && raw >> (s->length - 1) & 1;
	uint64_t above = s->length < 64 ? ~0ull << s->length : 0;
	int64_t as_signed = (int64_t)(negative ? raw | above : raw);
	if (s->has_is)
		*ret = as_signed == s->is;
	else
		*ret = (s->is_signed ? (double)as_signed : (double)raw) * s->scale + s->offset;
	return true;
}

/* The nearest number that the bits hold. */
static uint64_t to_raw(const struct can_signal *s, double value)
{
	double number = round((value - s->offset) / s->scale), span = ldexp(1, (int)s->length - s->is_signed);

	if (s->has_is)
		return value > 0 ? (uint64_t)s->is : 0;
	if (number >= span)
		return s->is_signed ? (1ull << (s->length - 1)) - 1 : ~0ull;
	if (number < (s->is_signed ? -span : 0))
		return s->is_signed ? 1ull << (s->length - 1) : 0;
	return s->is_signed ? (uint64_t)(int64_t)number : (uint64_t)number;
}

bool can_map_put(const struct can_map *map, double value, struct can_message *ret)
{
	if (map->signal.there && !isfinite(value))
		return false;
	*ret = map->frame;
	if (map->signal.there)
		put_bits(&map->signal, to_raw(&map->signal, value), ret);
	return true;
}

void can_map_add(const struct can_map *map, double value, struct can_message *m)
{
	m->id = map->frame.id;
	m->is_long = map->frame.is_long;
	while (m->n < CAN_FRAME_BYTES && map->signal.bits >> (8 * m->n) != 0)
		m->n++;
	if (map->signal.there)
		put_bits(&map->signal, to_raw(&map->signal, isfinite(value) ? value : 0), m);
}

bool can_map_overlap(const struct can_map *a, const struct can_map *b)
{
	return can_map_is_for(a, &b->frame) && (a->signal.bits & b->signal.bits) != 0 &&
	       !(a->signal.has_is && b->signal.has_is);
}
