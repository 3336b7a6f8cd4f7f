/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes as a value within a CAN frame as rig.ini states it, behind the first line feed as a second one, and behind the
 * next as a line of an adapter. Never a crash; a refusal says why and leaves the result alone; what is put is told
 * again. */
#include "channel/can_signal.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

/* The next line of text; *rest goes behind it. */
static char *line_of(char **rest)
{
	char *ret = *rest, *end = strchr(ret, '\n');

	*rest = end ? end + 1 : ret + strlen(ret);
	if (end)
		*end = '\0';
	return ret;
}

static bool read_map(const char *text, struct can_map *map)
{
	char why[CAN_SIGNAL_WHY] = "";
	struct can_map before;

	memset(map, 0xA5, sizeof *map);
	memcpy(&before, map, sizeof before);
	if (!can_map_read(text, map, why)) {
		if (!why[0] || !memchr(why, '\0', sizeof why) || memcmp(map, &before, sizeof before) != 0)
			abort();
		return false;
	}
	const struct can_signal *s = &map->signal;
	if (map->frame.n > CAN_FRAME_BYTES || map->frame.id > CAN_LONG_MOST || !isfinite(s->scale + s->offset * 0))
		abort();
	return true;
}

/* A number as the frame holds it comes back as the same frame. Beyond 2^50 steps a double has no such numbers. */
static void put_and_get(const struct can_map *map, double value)
{
	struct can_message m, again;
	double back;

	if (!can_map_put(map, value, &m) || !can_map_is_for(map, &m))
		abort();
	if (m.n == 0)
		m.n = CAN_FRAME_BYTES; /* a frame that is only told has no length of its own */
	if (map->signal.there != can_map_get(map, &m, &back))
		abort();
	if (!map->signal.there || map->signal.length > 32 ||
	    !(fabs(map->signal.offset) <= 1e5 * fabs(map->signal.scale)))
		return;
	if (!isfinite(back))
		return; /* a scale near the end of what a double holds */
	if (!can_map_put(map, back, &again) || memcmp(m.byte, again.byte, sizeof m.byte) != 0)
		abort();
}

static void meet(const struct can_map *map, const struct can_message *frame)
{
	struct can_message m = *frame;
	double value;

	if (can_map_get(map, frame, &value) && !can_map_is_for(map, frame))
		abort();
	can_map_add(map, 1, &m);
	if (m.n > CAN_FRAME_BYTES || !can_map_is_for(map, &m))
		abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	char *text = malloc(n + 1), *rest = text;
	struct can_map a, b;
	struct can_message frame;

	if (!text)
		return 0;
	memcpy(text, data, n);
	text[n] = '\0';
	bool has_a = read_map(line_of(&rest), &a), has_b = read_map(line_of(&rest), &b);
	bool told = can_frame_read(line_of(&rest), &frame);
	if (told && (frame.n > CAN_FRAME_BYTES || frame.id > CAN_LONG_MOST))
		abort();
	if (has_a) {
		put_and_get(&a, 0);
		put_and_get(&a, -1.5);
		put_and_get(&a, 1e300);
		if (can_map_put(&a, NAN, &(struct can_message){ 0 }) == a.signal.there)
			abort();
	}
	if (has_a && told)
		meet(&a, &frame);
	if (has_a && has_b && can_map_overlap(&a, &b) != can_map_overlap(&b, &a))
		abort();
	free(text);
	return 0;
}
