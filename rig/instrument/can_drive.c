/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/can_drive.h"

#include "instrument/can_bus.h"
#include "instrument/drive_shell.h"

#include <stdlib.h>
#include <string.h>

#define ASK_STATE_S 0.1 /* while nothing comes */
#define HINT 160

struct can_drive {
	struct drive_shell shell;
	struct can_drive_setup setup;
	struct can_bus bus;
	struct mono asked, asked_state, came;
	bool filtered;
	char hint[HINT];
};

/* The line for a command, with its CR; its length, 0 when the drive has no such mode. */
static size_t put_command(const struct can_drive_setup *setup, const struct drive_command *command,
			  char buf[CAN_FRAME_LINE])
{
	const struct can_map *map = command->mode == DRIVE_SPEED     ? &setup->speed
				    : command->mode == DRIVE_CURRENT ? &setup->current
								     : &setup->off;
	struct can_message m;

	return map->has_data && can_map_put(map, command->value, &m) ? can_frame_put(&m, buf) : 0;
}

static void take_frame(struct can_drive *d, struct mono now)
{
	double value;

	d->came = now;
	for (int w = 0; w < DRIVE_WORDS; w++)
		if (can_map_get(&d->setup.tell[w], &d->bus.newest, &value))
			drive_side_hear(&d->shell.side, (enum drive_word)w, value, now);
}

static void take_byte(void *ctx, char c, struct mono now)
{
	struct can_drive *d = ctx;

	if (can_bus_take(&d->bus, c))
		take_frame(d, now);
}

/* Once all its words have come: until then a frame of another identifier is worth telling. */
static void filter(struct can_drive *d)
{
	struct can_message of[DRIVE_WORDS];
	size_t n = 0;

	for (int w = 0; w < DRIVE_WORDS; w++)
		if (d->setup.tell[w].signal.there)
			of[n++] = d->setup.tell[w].frame;
	_Static_assert(DRIVE_WORDS <= LINK_FILTERS, "every word has its filter");
	link_filter(d->shell.link, of, n);
	d->filtered = true;
}

static void look(void *ctx, struct mono now)
{
	struct can_drive *d = ctx;
	char line[CAN_FRAME_LINE];
	struct can_message m;

	if (!d->filtered && drive_side_heard(&d->shell.side, now))
		filter(d);
	if (mono_diff_s(now, d->came) >= ASK_STATE_S && mono_diff_s(now, d->asked_state) >= ASK_STATE_S) {
		d->asked_state = now;
		drive_shell_send(&d->shell, CAN_BUS_ASK, strlen(CAN_BUS_ASK));
	}
	if (!d->setup.ask.has_data || mono_diff_s(now, d->asked) < d->setup.drive.period_s)
		return;
	d->asked = now;
	if (can_map_put(&d->setup.ask, 0, &m))
		drive_shell_send(&d->shell, line, can_frame_put(&m, line));
}

static size_t put(void *ctx, const struct drive_command *command, struct mono now, char buf[DRIVE_SHELL_BYTES])
{
	const struct can_drive *d = ctx;

	(void)now;
	return put_command(&d->setup, command, buf);
}

/* Of the frames that it tells the one that is oldest. */
static uint32_t missing(const struct can_drive *d)
{
	int worst = DRIVE_WORD_SPEED;

	for (int w = 0; w < DRIVE_WORDS; w++) {
		if (!d->setup.tell[w].signal.there || !d->shell.side.word[worst].told)
			continue;
		if (!d->shell.side.word[w].told || d->shell.side.word[w].at.ns < d->shell.side.word[worst].at.ns)
			worst = w;
	}
	return d->setup.tell[worst].frame.id;
}

static const char *hint(void *ctx)
{
	struct can_drive *d = ctx;

	can_bus_hint(&d->bus, missing(d), d->hint, sizeof d->hint);
	return d->hint;
}

static enum rc refuse(void *ctx, struct err *err)
{
	return err_set(err, RC_TIMEOUT, 0, "not all its values came within %g s; %s", DRIVE_SHELL_OPEN_S, hint(ctx));
}

static unsigned words_told(const struct can_drive_setup *setup)
{
	unsigned ret = 0;

	for (int w = 0; w < DRIVE_WORDS; w++)
		ret |= setup->tell[w].signal.there ? 1u << w : 0;
	return ret;
}

enum rc can_drive_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		       struct instrument *ret, struct err *err)
{
	static const struct drive_talk talk = {
		.take_byte = take_byte, .look = look, .put = put, .refuse = refuse, .hint = hint
	};
	struct can_drive *d = calloc(1, sizeof *d);
	char text[CAN_BUS_LINE];

	if (d == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	struct mono now = clock->now(clock->ctx);
	d->setup = *config->can_drive;
	d->shell = (struct drive_shell){ .talk = &talk, .ctx = d, .link = link, .clock = clock };
	drive_side_init(&d->shell.side, &d->setup.drive, words_told(&d->setup), config->number, now);
	d->came = d->asked_state = now;
	d->asked = mono_add_ns(now, -(int64_t)(d->setup.drive.period_s * 1e9));
	drive_shell_send(&d->shell, text, can_bus_put_open(d->setup.bit_rate, text));
	unsigned modes = (d->setup.speed.has_data ? 1u << DRIVE_SPEED : 0) |
			 (d->setup.current.has_data ? 1u << DRIVE_CURRENT : 0);
	enum rc rc = drive_shell_open(&d->shell, config, modes, ret, err);
	if (rc != RC_OK)
		free(d);
	return rc;
}
