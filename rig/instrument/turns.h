/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Whose turn it is on a line that several instruments share: who wants it gets it when it is free, in order, and nobody
 * twice while another waits. Plain data of one thread. */
#ifndef BRIDLE_INSTRUMENT_TURNS_H
#define BRIDLE_INSTRUMENT_TURNS_H

#include <stdbool.h>

struct turns {             /* zeroed: nobody is there */
	unsigned n, wants; /* members; those that wait, as bits */
	unsigned holder;   /* + 1; 0: the line is free */
	unsigned last;     /* who held it last */
};

/* The number of a new member; at most 31. */
static inline unsigned turns_join(struct turns *turns)
{
	return turns->n++;
}

static inline bool turns_is_mine(const struct turns *turns, unsigned me)
{
	return turns->holder == me + 1;
}

/* Ask for the line; true when it is mine. */
static inline bool turns_take(struct turns *turns, unsigned me)
{
	turns->wants |= 1u << me;
	for (unsigned i = 1; turns->holder == 0 && i <= turns->n; i++) {
		unsigned next = (turns->last + i) % turns->n;

		if (next == me)
			turns->holder = me + 1;
		else if (turns->wants & 1u << next)
			break;
	}
	return turns_is_mine(turns, me);
}

static inline void turns_give(struct turns *turns, unsigned me)
{
	if (!turns_is_mine(turns, me))
		return;
	turns->wants &= ~(1u << me);
	turns->last = me;
	turns->holder = 0;
}

#endif
