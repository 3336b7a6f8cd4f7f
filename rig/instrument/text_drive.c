/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/text_drive.h"

#include "instrument/drive_shell.h"
#include "instrument/text_line.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct text_drive {
	struct drive_shell shell;
	struct text_drive_setup setup;
	struct mono asked;
	struct text_line line;
	char odd[40]; /* newest line that fitted nothing, for the refusal */
};

static const struct text_pattern *line_of(const struct text_drive_setup *setup, enum drive_mode mode)
{
	switch (mode) {
	case DRIVE_SPEED: return &setup->speed;
	case DRIVE_CURRENT: return &setup->current;
	case DRIVE_TORQUE: return &setup->torque;
	case DRIVE_POSITION: return &setup->position;
	case DRIVE_OFF: break;
	}
	return &setup->off;
}

size_t text_drive_put(const struct text_drive_setup *setup, const struct drive_command *command,
		      char buf[TEXT_DRIVE_LINE + 2])
{
	const struct text_pattern *p = line_of(setup, command->mode);
	double value[TEXT_PATTERN_FIELDS];

	for (size_t i = 0; i < p->n_fields; i++)
		value[i] = strcmp(p->field[i], "limit") == 0 ? command->limit : command->value;
	size_t n = p->n_items > 0 ? text_pattern_put(p, value, buf, TEXT_DRIVE_LINE) : 0;

	if (n > 0 && buf[n - 1] != '\n' && buf[n - 1] != '\r')
		buf[n++] = '\n';
	return n;
}

static void ask(void *ctx, struct mono now)
{
	struct text_drive *d = ctx;
	char text[TEXT_DRIVE_LINE + 2];
	size_t n = d->setup.ask.n_items > 0 ? text_pattern_put(&d->setup.ask, NULL, text, TEXT_DRIVE_LINE) : 0;

	if (n == 0 || mono_diff_s(now, d->asked) < d->setup.drive.period_s)
		return;
	if (text[n - 1] != '\n' && text[n - 1] != '\r')
		text[n++] = '\n';
	d->asked = now;
	drive_shell_send(&d->shell, text, n);
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
			drive_side_hear(&d->shell.side, (enum drive_word)drive_word_of(p->field[k]), value[k], now);
	}
	if (!fits)
		snprintf(d->odd, sizeof d->odd, "%.39s", d->line.text);
}

static void take_byte(void *ctx, char c, struct mono now)
{
	struct text_drive *d = ctx;

	if (text_line_take(&d->line, c))
		take_line(d, now);
}

static size_t put(void *ctx, const struct drive_command *command, struct mono now, char buf[DRIVE_SHELL_BYTES])
{
	const struct text_drive *d = ctx;

	_Static_assert(TEXT_DRIVE_LINE + 2 <= DRIVE_SHELL_BYTES, "a line fits");
	(void)now;
	return text_drive_put(&d->setup, command, buf);
}

static enum rc refuse(void *ctx, struct err *err)
{
	const struct text_drive *d = ctx;

	if (d->odd[0])
		return err_set(err, RC_TIMEOUT, 0,
			       "not all its values came within %g s; newest line that fits no pattern: \"%s\". Check "
			       "tell in rig.ini",
			       DRIVE_SHELL_OPEN_S, d->odd);
	return err_set(err, RC_TIMEOUT, 0,
		       "not all its values came within %g s, and no other line; check its cable, its power and baud",
		       DRIVE_SHELL_OPEN_S);
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
	static const struct drive_talk talk = { .take_byte = take_byte, .look = ask, .put = put, .refuse = refuse };
	struct text_drive *d = calloc(1, sizeof *d);

	if (d == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for %s", config->name);
	struct mono now = clock->now(clock->ctx);
	d->setup = *config->text_drive;
	d->shell = (struct drive_shell){ .talk = &talk, .ctx = d, .link = link, .clock = clock };
	drive_side_init(&d->shell.side, &d->setup.drive, words_told(&d->setup), config->number, now);
	d->asked = mono_add_ns(now, -(int64_t)(d->setup.drive.period_s * 1e9));
	unsigned modes = 0;
	for (int mode = DRIVE_SPEED; mode <= DRIVE_POSITION; mode++)
		modes |= line_of(&d->setup, (enum drive_mode)mode)->n_items > 0 ? 1u << mode : 0;
	enum rc rc = drive_shell_open(&d->shell, config, modes, ret, err);
	if (rc != RC_OK)
		free(d);
	return rc;
}
