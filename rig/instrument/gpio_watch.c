/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/gpio_watch.h"

#include "instrument/box.h"
#include "instrument/own_thread.h"

#include <stdlib.h>
#include <string.h>
#include <time.h>

#define EDGES 256

struct gpio_watch {
	struct gpio_lines lines;
	const struct clock_src *clock;
	bool two_channels, started;
	struct gpio_view view; /* the thread's own */
	struct gpio_edge edge[EDGES];
	struct box box;
	pthread_t thread;
	atomic_bool stop;
};

/* Whether edges came. */
static bool look(struct gpio_watch *w, int wait_ms)
{
	unsigned active = 0;
	bool lost = false;
	size_t n = 0;

	w->view.gone |= w->lines.ops->take(w->lines.ctx, wait_ms, w->edge, EDGES, &n, &lost) != RC_OK;
	for (size_t i = 0; i < n; i++)
		gpio_view_edge(&w->view, &w->edge[i], w->two_channels);
	w->view.lost += lost;
	w->view.gone |= w->lines.ops->levels(w->lines.ctx, &active) != RC_OK;
	if (!w->view.gone)
		gpio_view_levels(&w->view, active);
	w->view.at_ns = w->clock->now(w->clock->ctx).ns;
	box_put(&w->box, &w->view);
	return n > 0;
}

static void *work(void *ctx)
{
	const struct timespec nap = { .tv_nsec = GPIO_NAP_NS };
	struct gpio_watch *w = ctx;

	while (!w->view.gone && !atomic_load_explicit(&w->stop, memory_order_acquire))
		if (look(w, GPIO_LOOK_MS))
			nanosleep(&nap, NULL);
	return NULL;
}

enum rc gpio_watch_start(const struct gpio_lines *lines, const struct clock_src *clock, bool two_channels,
			 struct gpio_watch **ret, struct err *err)
{
	struct gpio_watch *w = calloc(1, sizeof *w);

	if (w == NULL || box_init(&w->box, sizeof w->view, err) != RC_OK) {
		free(w);
		lines->ops->close(lines->ctx);
		return err_set(err, RC_NOMEM, 0, "out of memory for GPIO lines");
	}
	w->lines = *lines;
	w->clock = clock;
	w->two_channels = two_channels;
	look(w, 0);
	enum rc rc = own_thread_start(&w->thread, work, w, err);
	w->started = rc == RC_OK;
	if (rc != RC_OK) {
		gpio_watch_free(w);
		return rc;
	}
	*ret = w;
	return RC_OK;
}

bool gpio_watch_take(struct gpio_watch *w, struct gpio_view *ret)
{
	return box_take(&w->box, ret);
}

void gpio_watch_free(struct gpio_watch *w)
{
	if (w == NULL)
		return;
	atomic_store_explicit(&w->stop, true, memory_order_release);
	if (w->started)
		pthread_join(w->thread, NULL);
	w->lines.ops->close(w->lines.ctx);
	box_free(&w->box);
	free(w);
}
