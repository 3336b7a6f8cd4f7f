/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/gpio.h"
#include "instrument/gpio_private.h"

#include "instrument/absence.h"
#include "instrument/gpio_watch.h"
#include "instrument/turn.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LINE 120
#define READS_MOST 16
#define ERROR 120
#define AGE_FULL_US 999999 /* as far as the tether tells the age of an edge */

struct gpio {
	struct gpio_setup setup;
	unsigned roles;
	uint8_t number;
	const struct clock_src *clock;
	struct gpio_watch *watch; /* NULL: link */
	struct link *link;
	char line[LINE];
	size_t n;
	struct gpio_view view;
	uint32_t dropped[GPIO_PULSE_A]; /* that were told */
	uint32_t fresh;
	struct absence absence;
	struct turn turn;
	char error[ERROR];
};

/* A virtual bench. */

static bool take_line(struct gpio *g)
{
	struct gpio_view v = { 0 };
	int64_t edge_us, at_us;

	g->line[g->n] = '\0';
	g->n = 0;
	if (sscanf(g->line, "G %u %" SCNu32 " %" SCNu32 " %" SCNu32 " %" SCNd64 " %" SCNd64 " %" SCNd64, &v.active,
		   &v.dropped[0], &v.dropped[1], &v.dropped[2], &v.pulses, &edge_us, &at_us) != 7)
		return false;
	v.edge_ns = edge_us * 1000;
	v.at_ns = at_us * 1000;
	g->view = v;
	return true;
}

static bool take_link(struct gpio *g)
{
	char buf[256];
	size_t n = sizeof buf;
	bool came = false;

	for (int i = 0; i < READS_MOST && n == sizeof buf && !g->view.gone; i++) {
		g->view.gone = link_read(g->link, buf, sizeof buf, &n, NULL) != RC_OK;
		for (size_t k = 0; k < n; k++)
			if (buf[k] == '\n')
				came |= take_line(g);
			else if (g->n < sizeof g->line - 1)
				g->line[g->n++] = buf[k];
	}
	return came;
}

/* The snapshot. */

static void take_turn(struct gpio *g)
{
	int64_t age_us = g->view.at_ns / 1000 - g->view.edge_ns / 1000; /* one edge keeps its one microsecond */
	bool has_edge = g->view.edge_ns > 0 && age_us < AGE_FULL_US;

	turn_take(&g->turn, g->view.at_ns / 1000, (uint16_t)g->view.pulses, has_edge,
		  has_edge && age_us > 0 ? (uint32_t)age_us : 0);
}

static void date(const struct gpio *g, struct channel *c, struct mono now, bool missing)
{
	bool told = g->fresh > 0;

	c->instrument = g->number;
	c->fresh = g->fresh;
	c->taken = (struct mono){ g->view.at_ns };
	c->age_s = told && !missing ? absence_age_s(&g->absence, now, c->taken) : INFINITY;
	c->quality = told && !missing ? QUALITY_GOOD : QUALITY_MISSING;
}

static bool is_good(struct gpio *g, enum gpio_use use)
{
	/* Open between two ticks: the dangerous value of a stop, and the safe one of a contactor. */
	bool dropped = use != GPIO_CONTACTOR && g->view.dropped[use] != g->dropped[use];

	g->dropped[use] = g->view.dropped[use];
	return !g->view.gone && !dropped && (g->view.active >> use & 1);
}

static void tell_lines(struct gpio *g, struct snapshot *snap, struct mono now)
{
	bool *const field[] = { &snap->estop_ok, &snap->cage_closed, &snap->contactor_closed };

	for (unsigned use = 0; use < GPIO_PULSE_A; use++) {
		if (!g->setup.wire[use].wired)
			continue;
		*field[use] = is_good(g, (enum gpio_use)use);
		date(g, &snap->channel[CHANNEL_ESTOP + (int)use], now, g->view.gone);
	}
}

static void tell_turn(struct gpio *g, struct snapshot *snap, struct mono now)
{
	bool missing = g->view.gone || g->view.lost > 0;

	snap->pulses = g->turn.pulses;
	snap->angle_rev = missing ? NAN : turn_angle_rev(&g->turn);
	snap->edge_age_s = fmin(AGE_FULL_US * 1e-6, (double)(g->view.at_ns - g->view.edge_ns) * 1e-9);
	snap->edge_time_s = turn_edge_s(&g->turn);
	snap->speed_rpm = missing ? NAN : g->turn.speed_rpm;
	snap->edge_rpm = missing ? NAN : g->turn.edge_rpm;
	date(g, &snap->channel[CHANNEL_TURN], now, missing);
}

static void say_errors(struct gpio *g)
{
	if (g->view.gone)
		snprintf(g->error, sizeof g->error, "its chip is gone: check its adapter's cable and its driver");
	else if (g->view.lost > 0 && !g->error[0])
		snprintf(g->error, sizeof g->error,
			 "edges of the pick-up were lost: take fewer pulses a turn, or a less busy computer");
}

static void look(struct gpio *g)
{
	bool came = g->watch ? gpio_watch_take(g->watch, &g->view) : take_link(g);

	if (!came)
		return;
	absence_over(&g->absence);
	if (g->fresh++ == 0)
		memcpy(g->dropped, g->view.dropped, sizeof g->dropped);
	take_turn(g);
}

static void poll_gpio(void *ctx, struct snapshot *snap)
{
	struct gpio *g = ctx;
	struct mono now = g->clock->now(g->clock->ctx);

	absence_look(&g->absence, now);
	look(g);
	say_errors(g);
	if (g->roles & ROLE_LINES)
		tell_lines(g, snap, now);
	if (g->roles & ROLE_PICK)
		tell_turn(g, snap, now);
}

static enum rc begin(void *ctx, struct err *err)
{
	struct gpio *g = ctx;

	(void)err;
	g->absence.looked = g->clock->now(g->clock->ctx);
	return RC_OK;
}

static void close_gpio(void *ctx)
{
	struct gpio *g = ctx;

	gpio_watch_free(g->watch);
	free(g);
}

/* Opening. */

static bool two_channels(const struct gpio_setup *setup)
{
	return setup->wire[GPIO_PULSE_A].wired && setup->wire[GPIO_PULSE_B].wired;
}

static unsigned lines_of(const struct gpio_setup *setup)
{
	return (setup->wire[GPIO_ESTOP].wired ? LINE_ESTOP : 0) | (setup->wire[GPIO_CAGE].wired ? LINE_CAGE : 0) |
	       (setup->wire[GPIO_CONTACTOR].wired ? LINE_CONTACTOR : 0);
}

static struct gpio *of_config(const struct instrument_config *config, const struct clock_src *clock)
{
	struct gpio *g = calloc(1, sizeof *g);

	if (g == NULL)
		return NULL;
	g->setup = *config->gpio;
	g->roles = config->roles;
	g->number = config->number;
	g->clock = clock;
	g->absence = absence_from(clock->now(clock->ctx));
	g->turn = (struct turn){
		.per_rev = g->setup.pulses_per_rev, .sign = g->setup.direction, .speed_rpm = NAN, .edge_rpm = NAN
	};
	return g;
}

static void tell_instrument(struct gpio *g, const struct instrument_config *config, int switch_fd,
			    struct instrument *ret)
{
	static const struct instrument_ops ops = { .begin = begin, .poll = poll_gpio, .close = close_gpio };

	*ret = (struct instrument){ .ops = &ops,
				    .ctx = g,
				    .name = config->name,
				    .roles = config->roles,
				    .lines = config->roles & ROLE_LINES ? lines_of(&g->setup) : 0,
				    .error = g->error,
				    .no_direction = !two_channels(&g->setup),
				    .switch_fd = switch_fd,
				    .stale_s = GPIO_STALE_S };
}

enum rc gpio_open_lines(const struct instrument_config *config, const struct gpio_lines *lines,
			const struct clock_src *clock, struct instrument *ret, struct err *err)
{
	struct gpio *g = of_config(config, clock);

	if (g == NULL) {
		lines->ops->close(lines->ctx);
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	}
	enum rc rc = gpio_watch_start(lines, clock, two_channels(&g->setup), &g->watch, err);
	if (rc != RC_OK)
		free(g);
	else
		tell_instrument(g, config, lines->switch_fd, ret);
	return rc;
}

enum rc gpio_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		  struct instrument *ret, struct err *err)
{
	const struct gpio_setup *setup = config->gpio;
	struct gpio_lines lines;

	if (setup->chip) {
		enum rc rc = gpio_lines_open(setup->chip, setup->wire, &lines, err);
		return rc == RC_OK ? gpio_open_lines(config, &lines, clock, ret, err) : rc;
	}
	struct gpio *g = of_config(config, clock);
	if (g == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	g->link = link;
	tell_instrument(g, config, -1, ret);
	return RC_OK;
}
