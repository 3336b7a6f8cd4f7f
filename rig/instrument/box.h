/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A box that holds the latest value: one thread puts, one other takes, and neither ever waits for the other. Of three
 * places one belongs to the writer, one to the reader, and the third changes hands: to put is to fill one's own place
 * and exchange it for the third, to take is to exchange one's own for the third when that is newer. What is put before
 * the last was taken replaces it.
 *
 * The value is plain data; its moment and its count of readings stand in it (struct channel). */
#ifndef BRIDLE_INSTRUMENT_BOX_H
#define BRIDLE_INSTRUMENT_BOX_H

#include "calib/number/err.h"

#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>

struct box {
	unsigned char *place; /* three, of size bytes each */
	size_t size;
	unsigned put, taken; /* the writer's own place, the reader's own */
	atomic_uint between; /* the third, with a bit more while nobody took it */
};

/* RC_NOMEM. Nothing is allocated after that. */
enum rc box_init(struct box *box, size_t size, struct err *err) MUST_CHECK;
void box_free(struct box *box); /* when both threads are done with it; a zeroed box is fine */

void box_put(struct box *box, const void *value);
/* The newest value into *ret; false, and *ret as it was, when nothing was put since the last take. */
bool box_take(struct box *box, void *ret);

#endif
