/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What can be wrong with the line of any instrument, whatever it speaks: its bytes come late, in pieces, or as
 * rubbish. Stands between the instrument's virtual end and the host. Bytes in, bytes out, bench time. */
#ifndef BRIDLE_BENCH_LINE_HABIT_H
#define BRIDLE_BENCH_LINE_HABIT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define LINE_HABIT_ROOM 16384

struct line_habit {          /* zeroed = a line in good order */
	int64_t late_us;     /* each byte */
	bool pieces;         /* the second half of what comes together is a millisecond behind */
	double rubbish_frac; /* of the bytes */
	uint64_t dice;
	char byte[LINE_HABIT_ROOM];
	int64_t due_us[LINE_HABIT_ROOM];
	size_t n; /* what finds no room is lost */
};

/* Anything wrong, or something still under way? Else the bytes need not go this way. */
bool line_habit_acts(const struct line_habit *line);
void line_habit_put(struct line_habit *line, const char *bytes, size_t n, int64_t t_us);
/* Bytes that have come through by t_us. */
size_t line_habit_take(struct line_habit *line, int64_t t_us, char *buf, size_t size);

#endif
