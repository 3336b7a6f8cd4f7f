/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/drive_shell.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LOOK_S 0.01
#define READS_MOST 16 /* a tick does not read for ever */

struct mono drive_shell_now(const struct drive_shell *s)
{
	return s->clock->now(s->clock->ctx);
}

void drive_shell_send(struct drive_shell *s, const char *bytes, size_t n)
{
	if (n > 0 && !s->side.gone)
		s->side.gone = link_write(s->link, bytes, n, 0, NULL) != RC_OK;
}

static void take(struct drive_shell *s, struct mono now)
{
	char buf[256];
	size_t n = sizeof buf;

	for (int i = 0; i < READS_MOST && n > 0 && !s->side.gone; i++) {
		s->side.gone = link_read(s->link, buf, sizeof buf, &n, NULL) != RC_OK;
		for (size_t k = 0; k < n; k++)
			s->talk->take_byte(s->ctx, buf[k], now);
	}
}

static void add_hint(struct drive_shell *s)
{
	const char *hint = s->side.error[0] && !s->side.gone && s->talk->hint ? s->talk->hint(s->ctx) : "";
	size_t n = strlen(s->side.error);

	if (*hint)
		snprintf(s->side.error + n, sizeof s->side.error - n, "; %s", hint);
}

static void add_trouble(struct drive_shell *s, struct snapshot *snap, struct mono now)
{
	const char *trouble = s->side.error[0] || !s->talk->trouble ? "" : s->talk->trouble(s->ctx, now);

	if (!*trouble || !drive_side_heard(&s->side, now))
		return;
	snap->drive_flags |= DRIVE_FAULT;
	snprintf(s->side.error, sizeof s->side.error, "%s", trouble);
}

static enum rc begin(void *ctx, struct err *err)
{
	struct drive_shell *s = ctx;

	(void)err;
	s->side.absence.looked = drive_shell_now(s);
	return RC_OK;
}

static void poll_drive(void *ctx, struct snapshot *snap)
{
	struct drive_shell *s = ctx;
	struct mono now = drive_shell_now(s);

	drive_side_look(&s->side, snap, now);
	take(s, now);
	s->talk->look(s->ctx, now);
	drive_side_tell(&s->side, snap, now);
	add_hint(s);
	add_trouble(s, snap, now);
}

static void set_drive(void *ctx, const struct wish *allowed)
{
	struct drive_shell *s = ctx;
	struct drive_command command;
	char text[DRIVE_SHELL_BYTES];

	struct mono now = drive_shell_now(s);
	bool due = drive_side_command(&s->side, allowed, now, &command);
	if (!due && s->talk->again && s->side.ever_sent && s->talk->again(s->ctx, &s->side.sent)) {
		command = s->side.sent;
		due = true;
	}
	if (due)
		drive_shell_send(s, text, s->talk->put(s->ctx, &command, now, text));
}

static void close_drive(void *ctx)
{
	struct drive_shell *s = ctx;

	if (s->talk->leave)
		s->talk->leave(s->ctx);
	free(s->ctx);
}

static enum rc refuse(struct drive_shell *s, struct err *err)
{
	if (s->side.gone)
		return err_set(err, RC_IO, 0, "its line ended; check its cable");
	return s->talk->refuse(s->ctx, err);
}

static enum rc wait_for_all(struct drive_shell *s, struct err *err)
{
	struct mono now = drive_shell_now(s), until = mono_add_ns(now, (int64_t)(DRIVE_SHELL_OPEN_S * 1e9));
	enum rc rc = RC_OK;

	while (rc == RC_OK && !drive_side_heard(&s->side, now) && !s->side.gone && now.ns < until.ns) {
		s->talk->look(s->ctx, now);
		rc = s->clock->sleep_until(s->clock->ctx, mono_add_ns(now, (int64_t)(LOOK_S * 1e9)), err);
		now = drive_shell_now(s);
		absence_look(&s->side.absence, now);
		if (rc == RC_OK)
			take(s, now);
	}
	return rc == RC_OK && !drive_side_heard(&s->side, now) ? refuse(s, err) : rc;
}

enum rc drive_shell_open(struct drive_shell *s, const struct instrument_config *config, unsigned modes,
			 struct instrument *ret, struct err *err)
{
	static const struct instrument_ops ops = {
		.begin = begin, .poll = poll_drive, .set = set_drive, .close = close_drive
	};
	enum rc rc = s->side.setup.boot_s > 0 ? RC_OK : wait_for_all(s, err);

	if (rc != RC_OK)
		return rc;
	*ret = (struct instrument){ .ops = &ops,
				    .ctx = s,
				    .name = config->name,
				    .roles = config->roles,
				    .modes = modes,
				    .error = s->side.error,
				    .stale_s = INFINITY };
	return RC_OK;
}
