/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The bounded ring between the tick thread and the thread that writes the
 * logbook. The tick thread never waits for the disk; a full ring is a cause to
 * stop, not a silent loss. Single producer, single consumer, C11 atomics. */
#ifndef BRIDLE_LOGBOOK_RING_H
#define BRIDLE_LOGBOOK_RING_H

#include "logbook/logbook.h"
#include "channel/event.h"

struct log_ring;

#define LOG_RING_TEXT 400 /* of an event, with its end; a longer one is cut and ends in "..." */

/* Starts the writing thread, which takes lb over until log_ring_stop (no other call on lb between).
 * Commits at least every 500 ms of machine time and at once after a point or event. */
enum rc log_ring_start(struct logbook *lb, int64_t run_id, struct log_ring **ret, struct err *err) MUST_CHECK;

/* Tick thread only. Never waits. False: the ring is full (the row is not kept, and is counted) or the writer has failed
 * (rows are still taken while there is room, and tried again: the stop itself is worth keeping). */
bool log_ring_sample(struct log_ring *ring, const struct sample *sample);
bool log_ring_point(struct log_ring *ring, const struct seq_point *point);
bool log_ring_event(struct log_ring *ring, int64_t mono_ns, const char *kind, const char *text);
bool log_ring_failed(const struct log_ring *ring); /* a row was refused or a write failed; stays true */

/* Tick thread only, never waits: the next point that is on the disk, each once, in order; false: none now. Who tells a
 * person of a point asks here. A row's place is used again when it was looked at: ask on every tick. */
bool log_ring_next_kept(struct log_ring *ring, struct seq_point *ret);

/* On a bench clock only (bench time stands still meanwhile): wait until at least half of the ring is free. */
void log_ring_make_room(struct log_ring *ring);

/* Writes all that is in the ring and ends the thread: what is kept then stays so. log_ring_next_kept goes on to answer,
 * nothing is taken any more. */
void log_ring_end(struct log_ring *ring);

/* log_ring_end where it was not called, gives lb back and frees the ring (NULL is fine). Reports the
 * writer's error, also one that a later try made good. */
enum rc log_ring_stop(struct log_ring *ring, struct err *err) MUST_CHECK;

#endif
