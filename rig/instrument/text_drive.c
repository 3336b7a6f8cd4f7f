/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/text_drive.h"

#include "instrument/text_line.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define OPEN_S 2.0
#define LOOK_S 0.01
#define READS_MOST 16 /* a tick does not read for ever */

struct text_drive {
	struct text_drive_setup setup;
	struct drive_side side;
	struct link *link;
	const struct clock_src *clock;
	struct mono asked;
	struct text_line line;
	char odd[40]; /* newest line that fitted nothing, for the refusal */
};

size_t text_drive_put(const struct text_drive_setup *setup, const struct drive_command *command,
		      char buf[TEXT_DRIVE_LINE + 2])
{
	const struct text_pattern *p = command->mode == DRIVE_SPEED     ? &setup->speed
				       : command->mode == DRIVE_CURRENT ? &setup->current
									: &setup->off;
	size_t n = p->n_items > 0 ? text_pattern_put(p, &command->value, buf, TEXT_DRIVE_LINE) : 0;

	if (n > 0 && buf[n - 1] != '\n' && buf[n - 1] != '\r')
		buf[n++] = '\n';
	return n;
}

static void send(struct text_drive *d, const char *text, size_t n)
{
	if (n > 0 && !d->side.gone)
		d->side.gone = link_write(d->link, text, n, 0, NULL) != RC_OK;
}

static void ask(struct text_drive *d, struct mono now)
{
	char text[TEXT_DRIVE_LINE + 2];
	size_t n = d->setup.ask.n_items > 0 ? text_pattern_put(&d->setup.ask, NULL, text, TEXT_DRIVE_LINE) : 0;

	if (n == 0 || mono_diff_s(now, d->asked) < d->setup.drive.period_s)
		return;
	if (text[n - 1] != '\n' && text[n - 1] != '\r')
		text[n++] = '\n';
	d->asked = now;
	send(d, text, n);
}

static void take_line(struct text_drive *d, struct mono now)
{
	double value[TEXT_PATTERN_FIELDS];
	bool fits = false;

	for (size_t i = 0; i < d->setup.n_tell; i++) {
		const struct text_pattern *p = &d->setup.tell[i];

		if (!text_pattern_match(p, d->line.text, value))
			continue;
		fits = true;
		for (size_t k = 0; k < p->n_fields; k++)
			drive_side_hear(&d->side, (enum drive_word)drive_word_of(p->field[k]), value[k], now);
	}
	if (!fits)
		snprintf(d->odd, sizeof d->odd, "%.39s", d->line.text);
}

static void take(struct text_drive *d, struct mono now)
{
	char buf[256];
	size_t n = sizeof buf;

	for (int i = 0; i < READS_MOST && n == sizeof buf && !d->side.gone; i++) {
		d->side.gone = link_read(d->link, buf, sizeof buf, &n, NULL) != RC_OK;
		for (size_t k = 0; k < n; k++)
			if (text_line_take(&d->line, buf[k]))
				take_line(d, now);
	}
}

static enum rc begin(void *ctx, struct err *err)
{
	struct text_drive *d = ctx;

	(void)err;
	d->side.absence.looked = d->clock->now(d->clock->ctx);
	return RC_OK;
}

static void poll_drive(void *ctx, struct snapshot *snap)
{
	struct text_drive *d = ctx;
	struct mono now = d->clock->now(d->clock->ctx);

	drive_side_look(&d->side, snap, now);
	take(d, now);
	ask(d, now);
	drive_side_tell(&d->side, snap, now);
}

static void set_drive(void *ctx, const struct wish *allowed)
{
	struct text_drive *d = ctx;
	struct drive_command command;
	char text[TEXT_DRIVE_LINE + 2];

	if (drive_side_command(&d->side, allowed, d->clock->now(d->clock->ctx), &command))
		send(d, text, text_drive_put(&d->setup, &command, text));
}

static void close_drive(void *ctx)
{
	free(ctx);
}

static enum rc refuse(const struct text_drive *d, struct err *err)
{
	if (d->side.gone)
		return err_set(err, RC_IO, 0, "its line ended; check its cable");
	if (d->odd[0])
		return err_set(err, RC_TIMEOUT, 0,
			       "not all its values came within %g s; newest line that fits no pattern: \"%s\". Check "
			       "tell in rig.ini",
			       OPEN_S, d->odd);
	return err_set(err, RC_TIMEOUT, 0,
		       "not all its values came within %g s, and no other line; check its cable, its power and baud",
		       OPEN_S);
}

static enum rc wait_for_all(struct text_drive *d, struct err *err)
{
	struct mono now = d->clock->now(d->clock->ctx), until = mono_add_ns(now, (int64_t)(OPEN_S * 1e9));
	enum rc rc = RC_OK;

	while (rc == RC_OK && !drive_side_heard(&d->side, now) && !d->side.gone && now.ns < until.ns) {
		ask(d, now);
		rc = d->clock->sleep_until(d->clock->ctx, mono_add_ns(now, (int64_t)(LOOK_S * 1e9)), err);
		now = d->clock->now(d->clock->ctx);
		absence_look(&d->side.absence, now);
		if (rc == RC_OK)
			take(d, now);
	}
	return rc == RC_OK && !drive_side_heard(&d->side, now) ? refuse(d, err) : rc;
}

static unsigned words_told(const struct text_drive_setup *setup)
{
	unsigned ret = 0;

	for (size_t i = 0; i < setup->n_tell; i++)
		for (size_t k = 0; k < setup->tell[i].n_fields; k++)
			ret |= 1u << drive_word_of(setup->tell[i].field[k]);
	return ret;
}

enum rc text_drive_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
			struct instrument *ret, struct err *err)
{
	static const struct instrument_ops ops = {
		.begin = begin, .poll = poll_drive, .set = set_drive, .close = close_drive
	};
	struct text_drive *d = calloc(1, sizeof *d);

	if (d == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	d->setup = *config->text_drive;
	d->link = link;
	d->clock = clock;
	struct mono now = clock->now(clock->ctx);
	drive_side_init(&d->side, &d->setup.drive, words_told(&d->setup), config->number, now);
	d->asked = mono_add_ns(now, -(int64_t)(d->setup.drive.period_s * 1e9));
	enum rc rc = d->setup.drive.boot_s > 0 ? RC_OK : wait_for_all(d, err);
	if (rc != RC_OK) {
		free(d);
		return rc;
	}
	*ret = (struct instrument){ .ops = &ops,
				    .ctx = d,
				    .name = config->name,
				    .roles = config->roles,
				    .modes = (d->setup.speed.n_items > 0 ? 1u << DRIVE_SPEED : 0) |
					     (d->setup.current.n_items > 0 ? 1u << DRIVE_CURRENT : 0),
				    .error = d->side.error,
				    .stale_s = INFINITY };
	return RC_OK;
}
