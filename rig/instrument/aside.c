/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/aside.h"

#include "instrument/absence.h"
#include "instrument/box.h"
#include "instrument/own_thread.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

struct seat {
	struct aside *aside;
	struct instrument inner;
	struct box readings, wishes;
	struct snapshot look; /* the thread's own */
	struct snapshot seen; /* the tick's own, and the next two */
	struct absence absence;
	uint32_t fresh;
};

struct aside {
	const struct clock_src *clock;
	struct seat seat[ASIDE_MOST];
	size_t n;
	pthread_t thread;
	bool started;
	atomic_bool stop;
};

#define FIELD(name) offsetof(struct snapshot, name)

static const struct {
	unsigned role;
	enum channel_id channel;
	size_t field; /* a double */
} carried[] = {
	{ ROLE_VOLTAGE, CHANNEL_VOLTAGE, FIELD(voltage_V) },
	{ ROLE_CURRENT, CHANNEL_CURRENT, FIELD(current_A) },
};
#define CARRIED (sizeof carried / sizeof carried[0])

static double *field(struct snapshot *snap, size_t i)
{
	return (double *)(void *)((char *)snap + carried[i].field);
}

/* The thread. */

static void look(struct seat *s)
{
	const struct instrument_ops *ops = s->inner.ops;
	struct wish wish;

	if (box_take(&s->wishes, &wish)) /* only set_seat puts one, and only where the device takes it */
		ops->set(s->inner.ctx, &wish);
	ops->poll(s->inner.ctx, &s->look);
	box_put(&s->readings, &s->look);
}

static void *work(void *ctx)
{
	const struct timespec pause = { .tv_nsec = (long)(ASIDE_LOOK_S * 1e9) };
	struct aside *a = ctx;

	for (size_t i = 0; i < a->n; i++)
		if (a->seat[i].inner.ops->begin(a->seat[i].inner.ctx, NULL) != RC_OK)
			return NULL; /* no reading ever comes, and the ages say it */
	while (!atomic_load_explicit(&a->stop, memory_order_acquire)) {
		for (size_t i = 0; i < a->n; i++)
			look(&a->seat[i]);
		nanosleep(&pause, NULL);
	}
	return NULL;
}

/* The tick. */

static enum rc begin(void *ctx, struct err *err)
{
	struct seat *s = ctx;

	(void)err;
	absence_look(&s->absence, s->aside->clock->now(s->aside->clock->ctx));
	return RC_OK;
}

static void take_readings(struct seat *s)
{
	uint32_t fresh = 0;

	if (!box_take(&s->readings, &s->seen))
		return;
	for (size_t i = 0; i < CARRIED; i++)
		fresh += s->inner.roles & carried[i].role ? s->seen.channel[carried[i].channel].fresh : 0;
	if (fresh != s->fresh)
		absence_over(&s->absence);
	s->fresh = fresh;
}

static void poll_seat(void *ctx, struct snapshot *snap)
{
	struct seat *s = ctx;
	struct mono now = s->aside->clock->now(s->aside->clock->ctx);

	absence_look(&s->absence, now);
	take_readings(s);
	for (size_t i = 0; i < CARRIED; i++) {
		struct channel *c = &snap->channel[carried[i].channel];
		if (!(s->inner.roles & carried[i].role))
			continue;
		*field(snap, i) = *field(&s->seen, i);
		*c = s->seen.channel[carried[i].channel];
		if (isfinite(c->age_s))
			c->age_s = absence_age_s(&s->absence, now, c->taken);
	}
	if (s->inner.roles & ROLE_METER)
		snap->ripple_W = NAN;
}

static void set_seat(void *ctx, const struct wish *allowed)
{
	box_put(&((struct seat *)ctx)->wishes, allowed);
}

static void close_seat(void *ctx)
{
	(void)ctx;
}

enum rc aside_new(const struct clock_src *clock, struct aside **ret, struct err *err)
{
	struct aside *a = calloc(1, sizeof *a);

	if (a == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for a thread");
	a->clock = clock;
	*ret = a;
	return RC_OK;
}

static bool all_carried(unsigned roles)
{
	for (size_t i = 0; i < CARRIED; i++)
		roles &= ~carried[i].role;
	return roles == 0;
}

enum rc aside_add(struct aside *a, struct instrument *instrument, struct err *err)
{
	static const struct instrument_ops ops = { begin, poll_seat, NULL, close_seat };
	static const struct instrument_ops ops_set = { begin, poll_seat, set_seat, close_seat };

	if (a->n == ASIDE_MOST || a->started || !all_carried(instrument->roles))
		return err_set(err, RC_ARG, 0, "%s has a role that no thread carries over", instrument->name);
	struct seat *s = &a->seat[a->n];
	enum rc rc = box_init(&s->readings, sizeof(struct snapshot), err);
	if (rc == RC_OK)
		rc = box_init(&s->wishes, sizeof(struct wish), err);
	if (rc != RC_OK) {
		box_free(&s->readings);
		return rc;
	}
	s->aside = a;
	s->inner = *instrument;
	s->look = s->seen = snapshot_blank();
	s->absence = absence_from(a->clock->now(a->clock->ctx));
	instrument->ops = s->inner.ops->set ? &ops_set : &ops;
	instrument->ctx = s;
	a->n++;
	return RC_OK;
}

enum rc aside_start(struct aside *a, struct err *err)
{
	enum rc rc = own_thread_start(&a->thread, work, a, err);

	a->started = rc == RC_OK;
	return rc;
}

void aside_free(struct aside *a)
{
	if (a == NULL)
		return;
	atomic_store_explicit(&a->stop, true, memory_order_release);
	if (a->started)
		pthread_join(a->thread, NULL);
	for (size_t i = 0; i < a->n; i++) {
		a->seat[i].inner.ops->close(a->seat[i].inner.ctx);
		box_free(&a->seat[i].readings);
		box_free(&a->seat[i].wishes);
	}
	free(a);
}
