/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/ring.h"

#include <errno.h>
#include <pthread.h>
#include <semaphore.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define ROWS 8192u /* a power of two: indices run freely and are masked */
#define BATCH 1000u
#define LOOK_NS 100000000L /* the writer looks this often when nobody calls it */
#define COMMIT_NS 500000000L
#define COMMIT_ROWS (ROWS / 4) /* a busy bench clock: commit by rows, so that room comes back */

enum row_kind { ROW_SAMPLE, ROW_POINT, ROW_EVENT };

struct row {
	enum row_kind kind;
	union {
		struct sample sample;
		struct seq_point point;
		struct {
			int64_t mono_ns;
			char kind[24], text[LOG_RING_TEXT];
		} event;
	};
};

/* The tick thread moves head, the writer moves tail, and only after the commit: a row leaves the ring when it is on the
 * disk, so a write that failed is tried again and loses nothing. */
struct log_ring {
	struct row rows[ROWS];
	_Alignas(64) atomic_uint head;
	_Alignas(64) atomic_uint tail;
	atomic_bool failed, ending, waits_for_room;
	sem_t work, room;
	pthread_t thread;
	/* The tick thread's own. */
	unsigned told; /* rows before this one were looked at by log_ring_next_kept; never beyond tail */
	bool ended;    /* the thread is */
	unsigned long long not_kept;
	int64_t not_kept_from_ns;
	/* The writer's own. */
	struct logbook *lb;
	int64_t run_id;
	unsigned taken; /* rows from tail up to here are written, not yet committed */
	bool urgent;    /* a point or event is among them */
	bool open;      /* a group is open */
	struct timespec opened;
	enum rc rc;
	struct err err;
};

/* Machine time on purpose: it paces the disk, not the run. */
static struct timespec machine_now(void)
{
	struct timespec now;

	clock_gettime(CLOCK_MONOTONIC, &now);
	return now;
}

static struct timespec in_ns(long ns)
{
	struct timespec t = machine_now();

	t.tv_nsec += ns;
	if (t.tv_nsec >= 1000000000L) {
		t.tv_nsec -= 1000000000L;
		t.tv_sec++;
	}
	return t;
}

static void wait_for(sem_t *sem, long ns)
{
	struct timespec until = in_ns(ns);

	while (sem_clockwait(sem, CLOCK_MONOTONIC, &until) != 0 && errno == EINTR)
		;
}

/* The tick thread's side. */

static struct row *room_for(struct log_ring *ring, int64_t mono_ns, unsigned *ret_head)
{
	unsigned head = atomic_load_explicit(&ring->head, memory_order_relaxed);
	unsigned tail = atomic_load_explicit(&ring->tail, memory_order_acquire);

	*ret_head = head;
	if (head - ring->told >= ROWS) /* nobody asked for so long */
		ring->told = tail;
	if (head - tail < ROWS)
		return &ring->rows[head % ROWS];
	if (ring->not_kept++ == 0)
		ring->not_kept_from_ns = mono_ns;
	atomic_store_explicit(&ring->failed, true, memory_order_release);
	return NULL;
}

static bool put(struct log_ring *ring, unsigned head, bool urgent)
{
	unsigned used = head + 1 - atomic_load_explicit(&ring->tail, memory_order_relaxed);

	atomic_store_explicit(&ring->head, head + 1, memory_order_release);
	if (urgent || used % COMMIT_ROWS == 0)
		sem_post(&ring->work);
	return !atomic_load_explicit(&ring->failed, memory_order_relaxed);
}

bool log_ring_sample(struct log_ring *ring, const struct sample *sample)
{
	unsigned head;
	struct row *row = room_for(ring, sample->mono_ns, &head);

	if (!row)
		return false;
	row->kind = ROW_SAMPLE;
	row->sample = *sample;
	return put(ring, head, false);
}

bool log_ring_point(struct log_ring *ring, const struct seq_point *point)
{
	unsigned head;
	struct row *row = room_for(ring, point->end.ns, &head);

	if (!row)
		return false;
	row->kind = ROW_POINT;
	row->point = *point;
	return put(ring, head, true);
}

bool log_ring_event(struct log_ring *ring, int64_t mono_ns, const char *kind, const char *text)
{
	unsigned head;
	struct row *row = room_for(ring, mono_ns, &head);

	if (!row)
		return false;
	row->kind = ROW_EVENT;
	row->event.mono_ns = mono_ns;
	snprintf(row->event.kind, sizeof row->event.kind, "%s", kind);
	int n = snprintf(row->event.text, sizeof row->event.text, "%s", text ? text : "");
	if (n >= (int)sizeof row->event.text)
		memcpy(row->event.text + sizeof row->event.text - 4, "...", 4);
	return put(ring, head, true);
}

bool log_ring_next_kept(struct log_ring *ring, struct seq_point *ret)
{
	unsigned tail = atomic_load_explicit(&ring->tail, memory_order_acquire);

	while (ring->told != tail) {
		const struct row *row = &ring->rows[ring->told++ % ROWS];
		if (row->kind != ROW_POINT)
			continue;
		*ret = row->point;
		return true;
	}
	return false;
}

bool log_ring_failed(const struct log_ring *ring)
{
	return atomic_load_explicit(&ring->failed, memory_order_acquire);
}

static unsigned used_rows(struct log_ring *ring)
{
	return atomic_load_explicit(&ring->head, memory_order_relaxed) -
	       atomic_load_explicit(&ring->tail, memory_order_acquire);
}

void log_ring_make_room(struct log_ring *ring)
{
	while (used_rows(ring) > ROWS / 2 && !log_ring_failed(ring)) {
		atomic_store(&ring->waits_for_room, true);
		sem_post(&ring->work);
		if (used_rows(ring) > ROWS / 2)
			wait_for(&ring->room, LOOK_NS);
	}
}

/* The writer's side. */

static enum rc write_row(struct log_ring *ring, const struct row *row)
{
	switch (row->kind) {
	case ROW_SAMPLE: return logbook_samples(ring->lb, ring->run_id, &row->sample, 1, &ring->err);
	case ROW_POINT: ring->urgent = true; return logbook_point(ring->lb, ring->run_id, &row->point, &ring->err);
	case ROW_EVENT:
		ring->urgent = true;
		return logbook_event(ring->lb, ring->run_id, row->event.mono_ns, row->event.kind, row->event.text,
				     &ring->err);
	}
	return RC_OK;
}

static void fail(struct log_ring *ring, enum rc rc)
{
	logbook_undo(ring->lb);
	ring->taken = atomic_load_explicit(&ring->tail, memory_order_relaxed);
	ring->open = false;
	ring->urgent = false;
	ring->rc = rc;
	atomic_store_explicit(&ring->failed, true, memory_order_release);
}

static enum rc open_group(struct log_ring *ring)
{
	if (ring->open)
		return RC_OK;
	enum rc rc = logbook_begin(ring->lb, &ring->err);
	ring->open = rc == RC_OK;
	ring->opened = machine_now();
	return rc;
}

/* Write what is there, a batch at most. */
static enum rc take(struct log_ring *ring)
{
	unsigned head = atomic_load_explicit(&ring->head, memory_order_acquire);
	enum rc rc = RC_OK;

	if (head == ring->taken)
		return RC_OK;
	rc = open_group(ring);
	for (unsigned n = 0; n < BATCH && rc == RC_OK && ring->taken != head; n++) {
		rc = write_row(ring, &ring->rows[ring->taken % ROWS]);
		ring->taken++;
	}
	return rc;
}

static enum rc commit(struct log_ring *ring)
{
	enum rc rc = logbook_commit(ring->lb, &ring->err);

	if (rc != RC_OK)
		return rc;
	ring->open = false;
	ring->urgent = false;
	atomic_store_explicit(&ring->tail, ring->taken, memory_order_release);
	if (atomic_exchange(&ring->waits_for_room, false))
		sem_post(&ring->room);
	return RC_OK;
}

static bool is_due(const struct log_ring *ring, unsigned left, bool ending)
{
	struct timespec now = machine_now();
	int64_t open_ns =
		(int64_t)(now.tv_sec - ring->opened.tv_sec) * 1000000000 + (now.tv_nsec - ring->opened.tv_nsec);
	unsigned pending = ring->taken - atomic_load_explicit(&ring->tail, memory_order_relaxed);

	if (!ring->open)
		return false;
	if (open_ns >= COMMIT_NS || pending >= COMMIT_ROWS)
		return true;
	return left == 0 && (ring->urgent || ending);
}

/* One look; rows left to take. */
static unsigned work(struct log_ring *ring, bool ending)
{
	enum rc rc = take(ring);
	unsigned left = atomic_load_explicit(&ring->head, memory_order_acquire) - ring->taken;

	if (rc == RC_OK && (is_due(ring, left, ending) || (ring->open && atomic_load(&ring->waits_for_room))))
		rc = commit(ring);
	if (rc != RC_OK) {
		fail(ring, rc);
		return 0; /* wait before the next try */
	}
	return left;
}

static void *writer(void *ctx)
{
	struct log_ring *ring = ctx;

	for (;;) {
		bool ending = atomic_load_explicit(&ring->ending, memory_order_acquire);
		enum rc before = ring->rc;
		ring->rc = RC_OK;
		unsigned left = work(ring, ending);
		bool failed_now = ring->rc != RC_OK;
		if (!failed_now)
			ring->rc = before;
		if (ending && (failed_now || (left == 0 && !ring->open)))
			return NULL;
		if (left == 0 && !ending)
			wait_for(&ring->work, LOOK_NS);
	}
}

static void destroy(struct log_ring *ring)
{
	sem_destroy(&ring->work);
	sem_destroy(&ring->room);
	free(ring);
}

enum rc log_ring_start(struct logbook *lb, int64_t run_id, struct log_ring **ret, struct err *err)
{
	struct log_ring *ring = aligned_alloc(64, (sizeof *ring + 63) / 64 * 64);

	if (!ring)
		return err_set(err, RC_NOMEM, 0, "out of memory for the logbook's ring");
	memset(ring, 0, sizeof *ring); /* touches every page: no page fault in a tick */
	ring->lb = lb;
	ring->run_id = run_id;
	sem_init(&ring->work, 0, 0);
	sem_init(&ring->room, 0, 0);
	int error = pthread_create(&ring->thread, NULL, writer, ring);
	if (error) {
		destroy(ring);
		return err_set(err, RC_IO, error, "cannot start the logbook's thread: %s", strerror(error));
	}
	*ret = ring;
	return RC_OK;
}

/* What is missing says so in the logbook itself. */
static enum rc note_loss(struct log_ring *ring, struct err *err)
{
	char text[120];

	snprintf(text, sizeof text, "%llu rows from here on were not kept: the ring was full", ring->not_kept);
	enum rc rc = logbook_event(ring->lb, ring->run_id, ring->not_kept_from_ns, "rows_lost", text, err);
	if (rc != RC_OK)
		return rc;
	return err_set(err, RC_DB, 0, "the logbook's ring was full: %llu rows of run %lld were not kept",
		       ring->not_kept, (long long)ring->run_id);
}

void log_ring_end(struct log_ring *ring)
{
	if (ring->ended)
		return;
	atomic_store_explicit(&ring->ending, true, memory_order_release);
	sem_post(&ring->work);
	pthread_join(ring->thread, NULL);
	ring->ended = true;
}

enum rc log_ring_stop(struct log_ring *ring, struct err *err)
{
	if (!ring)
		return RC_OK;
	log_ring_end(ring);

	unsigned left = used_rows(ring);
	enum rc rc = ring->rc;
	if (rc != RC_OK && err)
		*err = ring->err;
	if (left > 0 && ring->not_kept > 0)
		err_prefix(err,
			   "%u rows of run %lld could not be written and %llu more were refused by a full ring: ", left,
			   (long long)ring->run_id, ring->not_kept);
	else if (left > 0)
		err_prefix(err, "%u rows of run %lld could not be written: ", left, (long long)ring->run_id);
	else if (ring->not_kept > 0)
		rc = note_loss(ring, err);
	destroy(ring);
	return rc;
}
