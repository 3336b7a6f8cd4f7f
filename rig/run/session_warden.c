/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The session and its warden: outputs without a lease are given to it, life is proved to it in each tick. */
#include "run/loop.h"

#include "instrument/scpi_words.h"
#include "warden/warden_account.h"
#include "warden/warden_gpio.h"
#include "warden/warden_host.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define NS(s) ((int64_t)(1e9 * (s)))
#define BENCH_SILENCE_S 5.0 /* bench time stands still while a busy machine computes: only the host's end is prompt */
#define BENCH_WAIT_MS 5000
#define REPEATS_S 1.0 /* how long the orders are repeated where there is no brake to hold */
#define HOLD_WAIT_s 3.0
#define EVENT "warden"
#define NOT_SAFE "NOT SAFE"

static struct warden_bytes of_profile(const struct profile_bytes *b)
{
	struct warden_bytes ret = { .n = (uint8_t)b->n };

	_Static_assert(PROFILE_BYTES <= WARDEN_BYTES, "an order fits");
	memcpy(ret.byte, b->byte, b->n);
	return ret;
}

/* Of a GPIO output; 0: its output is on its link. */
static int switch_fd(const struct session *s, const struct instrument_profile *p)
{
	return s->instrument[1 + (p - s->rig.instrument)].switch_fd;
}

static struct warden_bytes of_text(const char *text, size_t n)
{
	struct warden_bytes ret = { .n = (uint8_t)n };

	memcpy(ret.byte, text, n);
	return ret;
}

/* The brake is the last: held at first, released when the hold is over. */
static void set_coil(const struct session *s, const struct instrument_profile *p, struct warden_line *ret)
{
	const struct scpi_setup scpi = session_scpi_setup(s, p);
	char text[SCPI_TEXT];

	ret->release = of_text(text, scpi_put_off(&scpi, text));
	ret->hold = of_text(text, scpi_put_hold(&scpi, WARDEN_BYTES, text));
	ret->after = of_text("\n", 1);
}

/* The output of an instrument, as the warden ends it. */
static struct warden_line line_of(const struct session *s, const struct instrument_profile *p)
{
	struct warden_line ret = { .close = of_profile(&p->close),
				   .open = of_profile(&p->open),
				   .gpio = switch_fd(s, p) > 0 };

	if (strcmp(p->kind, "supply") == 0 && p->roles & ROLE_BRAKE) {
		set_coil(s, p, &ret);
	} else if (strcmp(p->kind, "supply") == 0) {
		const struct scpi_setup scpi = session_scpi_setup(s, p);
		char text[SCPI_TEXT];
		size_t n = scpi_put_off(&scpi, text);

		_Static_assert(SCPI_WORD + 8 <= WARDEN_BYTES, "an order fits");
		ret.drive_off.n = (uint8_t)n;
		memcpy(ret.drive_off.byte, text, n);
	}
	if (strcmp(p->kind, "modbus") == 0)
		ret.drive_off.n = (uint8_t)session_modbus_off(p, ret.drive_off.byte, sizeof ret.drive_off.byte);
	if (p->roles & ROLE_DRIVE)
		ret.drive_off.n = (uint8_t)session_drive_off(s, p, ret.drive_off.byte, sizeof ret.drive_off.byte);
	return ret;
}

static struct warden_config config_of(struct session *s, int *line_fd)
{
	double silence_s = s->rig.is_virtual ? BENCH_SILENCE_S : s->rig.warden_silence_s;
	struct warden_config c = { .silence_ns = NS(silence_s), .hold_most_ns = NS(GUARD_HOLD_MOST_S) };

	for (size_t i = 0; i < s->rig.n_instruments; i++) {
		const struct instrument_profile *p = &s->rig.instrument[i];
		struct link *link = s->line[p->line].link;

		if (!instruments_has_output(p))
			continue;
		line_fd[c.n_lines] = link ? link_fd(link) : switch_fd(s, p);
		s->warden_line[c.n_lines] = link;
		c.line[c.n_lines++] = line_of(s, p);
	}
	c.hold_ns = NS(warden_has(&c, ORDER_HOLD) ? s->rig.stop_hold_s : REPEATS_S);
	return c;
}

/* Such a node takes the contactor for what it was told itself, and it is told nothing: nobody would see it open. */
static enum rc check_node(const struct session *s, struct err *err)
{
	bool drives = session_fills(s, ROLE_DRIVE) != NULL, powers = s->node_roles & ROLE_POWER;

	if (powers || !drives || session_lines(s) & LINE_CONTACTOR)
		return RC_OK;
	return err_set(err, RC_ARG, 0,
		       "rig.ini: the contactor is switched by %s, but the node does not sense it. Wire the "
		       "contactor's auxiliary contact to the node (info lines: contactor)",
		       session_fills(s, ROLE_POWER) ? session_fills(s, ROLE_POWER)->name : "another instrument");
}

enum rc session_await_warden(struct session *s, struct err *err)
{
	if (!(s->rig.warden_silence_s > 0))
		return RC_OK;
	return warden_account_open(s->bench, s->rig.stop_hold_s + HOLD_WAIT_s, &s->account_fd, s->warden_said, err);
}

enum rc session_start_warden(struct session *s, struct err *err)
{
	int line_fd[WARDEN_LINES];
	enum rc rc;

	if (!(s->rig.warden_silence_s > 0))
		return RC_OK;
	rc = check_node(s, err);
	if (rc != RC_OK)
		return rc;
	const struct warden_config config = config_of(s, line_fd);
	const struct warden_start start = {
		.config = &config,
		.line_fd = line_fd,
		.account_fd = s->account_fd,
		.watchdog = s->rig.warden_watchdog,
	};
	return warden_host_start(&start, &s->warden, err);
}

void session_close_warden(struct session *s)
{
	if (!(s->rig.warden_silence_s > 0))
		return;
	warden_host_close(s->warden);
	if (s->account_fd >= 0)
		close(s->account_fd);
	s->warden = NULL;
	s->account_fd = -1;
}

bool session_warden_not_safe(const struct session *s)
{
	return strncmp(s->warden_said, NOT_SAFE, strlen(NOT_SAFE)) == 0;
}

/* What is kept is not told again; what cannot be kept stays where it is. */
enum rc session_keep_warden(struct session *s, struct err *err)
{
	int64_t now_ns = s->clock.now ? s->clock.now(s->clock.ctx).ns : 0;
	char notes[300];
	enum rc rc = RC_OK;

	if (s->warden == NULL)
		return RC_OK;
	warden_host_notes(s->warden, notes, sizeof notes);
	if (notes[0])
		rc = logbook_event(s->logbook, s->run_id, now_ns, "note", notes, err);
	if (rc != RC_OK || !s->warden_said[0])
		return rc;
	const char *kind = session_warden_not_safe(s) ? LOOP_SHAFT : EVENT; /* the first asks for a person's word */
	rc = logbook_event(s->logbook, s->run_id, now_ns, kind, s->warden_said, err);
	if (rc == RC_OK)
		rc = warden_account_forget(s->account_fd, err);
	if (rc == RC_OK)
		s->warden_said[0] = '\0';
	return rc;
}

/* The other way round: without the warden this program opens the relay itself. */
static void open_relays(const struct session *s)
{
	for (size_t i = 0; i < s->rig.n_instruments; i++) {
		const struct instrument_profile *p = &s->rig.instrument[i];

		if (!(p->roles & ROLE_POWER) || p->open.n == 0)
			continue;
		if (switch_fd(s, p) > 0 ? !warden_gpio_set(switch_fd(s, p), false)
					: link_write(s->line[p->line].link, p->open.byte, p->open.n, 0, NULL) != RC_OK)
			continue;
	}
}

static void count_bytes(struct session *s)
{
	for (size_t i = 0; i < WARDEN_LINES && s->warden_line[i]; i++) {
		uint64_t all = warden_host_written(s->warden, i);

		link_note_written(s->warden_line[i], all - s->warden_written[i]);
		s->warden_written[i] = all;
	}
}

void session_set_hold(struct session *s)
{
	struct guard_limits limits;

	session_guard_limits(s, &limits);
	s->warden_hold_A = 0.5 * limits.hold_brake_A;
}

void session_prove_life(struct session *s, const struct wish *allowed)
{
	if (s->warden == NULL)
		return;
	if (warden_host_state(s->warden) == WARDEN_DEAD) {
		if (!allowed->power)
			open_relays(s);
		return;
	}
	bool live = allowed->power || allowed->mode != DRIVE_OFF || allowed->brake_A > 0;
	warden_host_prove(s->warden, live, allowed->power, fmax(allowed->brake_A, s->warden_hold_A));
	if (!s->clock.is_bench)
		return;
	s->warden_age_s = warden_host_age_after_s(s->warden, BENCH_WAIT_MS);
	count_bytes(s);
}

void session_look_at_warden(struct session *s, struct snapshot *snap)
{
	if (s->warden)
		snap->warden_age_s = s->clock.is_bench ? s->warden_age_s : warden_host_age_s(s->warden);
}

const char *session_warden_words(const struct session *s)
{
	switch (s->warden ? warden_host_state(s->warden) : WARDEN_ALIVE) {
	case WARDEN_DEAD: return "the warden has ended";
	case WARDEN_STOPPED: return "the warden has stopped the rig";
	case WARDEN_LINE_GONE: return "the warden lost the line of an output";
	case WARDEN_ALIVE: break;
	}
	return "the warden does not answer";
}
