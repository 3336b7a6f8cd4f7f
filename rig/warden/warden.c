/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "warden/warden.h"

#include <stdio.h>
#include <string.h>

#define OPENS 3

static const struct warden_bytes *bytes_of(const struct warden_line *line, unsigned order)
{
	switch (order) {
	case ORDER_DRIVE_OFF: return &line->drive_off;
	case ORDER_OPEN: return &line->open;
	case ORDER_CLOSE: return &line->close;
	case ORDER_HOLD: return &line->hold;
	default: return &line->release;
	}
}

bool warden_has(const struct warden_config *config, unsigned order)
{
	for (size_t i = 0; i < config->n_lines; i++)
		if (bytes_of(&config->line[i], order)->n > 0)
			return true;
	return false;
}

static size_t put_amperes(int32_t mA, char *buf)
{
	char digit[12];
	size_t n = 0, k = 0;

	for (int32_t left = mA; left > 0 || k < 4; left /= 10)
		digit[k++] = (char)('0' + left % 10);
	while (k > 0) {
		if (k == 3)
			buf[n++] = '.';
		buf[n++] = digit[--k];
	}
	return n;
}

size_t warden_put(const struct warden_line *line, unsigned order, int32_t brake_mA, char *buf)
{
	const struct warden_bytes *b = bytes_of(line, order);
	size_t n = b->n;

	memcpy(buf, b->byte, n);
	if (order != ORDER_HOLD || n == 0)
		return n;
	n += put_amperes(brake_mA, buf + n);
	memcpy(buf + n, line->after.byte, line->after.n);
	return n + line->after.n;
}

static void stop(struct warden *w, enum warden_why why, int64_t now_ns, struct warden_out *ret)
{
	w->phase = WARDEN_HOLDS;
	w->why = why;
	w->began_ns = now_ns;
	w->repeat_ns = now_ns + WARDEN_REPEAT_NS;
	w->silent_ns = now_ns - w->proved_ns;
	ret->orders = ORDER_DRIVE_OFF | ORDER_OPEN | ORDER_HOLD;
}

static int32_t bounded(int32_t mA)
{
	return mA < 0 ? 0 : mA > WARDEN_BRAKE_MOST_mA ? WARDEN_BRAKE_MOST_mA : mA;
}

/* One that is not newer than the last proves nothing: a program that repeats itself hangs. */
static void take_proof(struct warden *w, const struct warden_in *in, struct warden_out *ret)
{
	if ((int32_t)(in->seq - w->seq) <= 0 || in->at_ns > in->now_ns)
		return;
	w->seq = in->seq;
	w->proved_ns = in->at_ns;
	w->bye |= in->bye;
	if (w->phase > WARDEN_GUARDS || in->bye)
		return;
	w->brake_mA = bounded(in->brake_mA);
	w->phase = in->live || in->power ? WARDEN_GUARDS : WARDEN_REST;
	if (in->power != w->closed) {
		ret->orders = in->power ? ORDER_CLOSE : ORDER_OPEN;
		w->opens_left = in->power ? 0 : OPENS - 1;
		w->repeat_ns = in->now_ns + WARDEN_REPEAT_NS;
	}
	w->closed = in->power;
}

static void repeat_open(struct warden *w, int64_t now_ns, struct warden_out *ret)
{
	if (w->opens_left == 0 || now_ns < w->repeat_ns)
		return;
	w->opens_left--;
	w->repeat_ns = now_ns + WARDEN_REPEAT_NS;
	ret->orders |= ORDER_OPEN;
}

static void watch(struct warden *w, const struct warden_config *config, const struct warden_in *in,
		  struct warden_out *ret)
{
	bool live = w->phase == WARDEN_GUARDS;

	if (live && in->now_ns - w->proved_ns >= config->silence_ns)
		stop(w, WARDEN_SILENT, in->now_ns, ret);
	else if (live && (w->host_gone || w->bye))
		stop(w, WARDEN_GONE, in->now_ns, ret);
	else if (live && in->asked)
		stop(w, WARDEN_ASKED, in->now_ns, ret);
	else if (w->host_gone || w->bye || in->asked) { /* asked twice is harmless */
		ret->orders = ORDER_DRIVE_OFF | ORDER_OPEN;
		ret->end = true;
	} else {
		repeat_open(w, in->now_ns, ret);
	}
}

/* Does anything show that the drive's power was taken? An order that no line has counts as written and shows nothing;
 * with neither order the drive has a lease of its own. */
static bool power_taken(const struct warden *w, const struct warden_config *config)
{
	unsigned has = (warden_has(config, ORDER_DRIVE_OFF) ? ORDER_DRIVE_OFF : 0) |
		       (warden_has(config, ORDER_OPEN) ? ORDER_OPEN : 0);

	return has == 0 || (w->written & has) != 0;
}

static int64_t release_ns(const struct warden *w, const struct warden_config *config)
{
	return w->began_ns + (power_taken(w, config) ? config->hold_ns : config->hold_most_ns);
}

static void hold(struct warden *w, const struct warden_config *config, const struct warden_in *in,
		 struct warden_out *ret)
{
	if (in->now_ns >= release_ns(w, config)) {
		w->held_long = in->now_ns - w->began_ns > config->hold_ns + WARDEN_REPEAT_NS;
		w->phase = WARDEN_OVER;
		w->over_ns = in->now_ns;
		ret->orders = ORDER_DRIVE_OFF | ORDER_OPEN | ORDER_RELEASE;
	} else if (in->now_ns >= w->repeat_ns) {
		w->repeat_ns = in->now_ns + WARDEN_REPEAT_NS;
		ret->orders = ORDER_DRIVE_OFF | ORDER_OPEN | ORDER_HOLD;
	}
}

static int64_t earlier(int64_t a, int64_t b)
{
	return a < b ? a : b;
}

static int64_t wake_ns(const struct warden *w, const struct warden_config *config)
{
	int64_t repeat = w->opens_left > 0 ? w->repeat_ns : INT64_MAX;

	switch (w->phase) {
	case WARDEN_GUARDS: return earlier(repeat, w->proved_ns + config->silence_ns);
	case WARDEN_HOLDS: return earlier(w->repeat_ns, release_ns(w, config));
	case WARDEN_REST:
	case WARDEN_OVER: break;
	}
	return repeat;
}

/* An account comes one step after its orders, whose results are known then, or when they have waited long enough. */
static bool account_due(struct warden *w, const struct warden_in *in, enum warden_phase before, int64_t *wake)
{
	bool *told = w->phase == WARDEN_OVER ? &w->told_end : &w->told_stop;
	int64_t patience_ns = (w->phase == WARDEN_OVER ? w->over_ns : w->began_ns) + WARDEN_PATIENCE_NS;

	if (before < WARDEN_HOLDS || w->phase != before || *told)
		return false;
	if (in->waits && in->now_ns < patience_ns) {
		*wake = earlier(*wake, patience_ns);
		return false;
	}
	*told = true;
	return true;
}

struct warden warden_step(struct warden w, const struct warden_config *config, const struct warden_in *in,
			  struct warden_out *ret)
{
	enum warden_phase before = w.phase;

	*ret = (struct warden_out){ 0 };
	w.host_gone |= in->gone;
	if (before >= WARDEN_HOLDS)
		w.written |= in->written;
	if (in->proof)
		take_proof(&w, in, ret);
	if (before <= WARDEN_GUARDS)
		watch(&w, config, in, ret);
	else if (before == WARDEN_HOLDS)
		hold(&w, config, in, ret);
	bool at_once = w.phase != before && w.phase >= WARDEN_HOLDS;
	ret->wake_ns = at_once ? in->now_ns : wake_ns(&w, config);
	ret->tell = account_due(&w, in, before, &ret->wake_ns);
	ret->end |= w.told_end && (w.host_gone || w.bye || in->asked);
	return w;
}

static const char *why(const struct warden *w)
{
	switch (w->why) {
	case WARDEN_SILENT: return "the program sent no proof of life";
	case WARDEN_GONE: return "the program ended while the rig was energised";
	case WARDEN_ASKED: return "it was told to end by a signal while the rig was energised";
	case WARDEN_NO_STOP: break;
	}
	return "no stop";
}

static void add(char *buf, size_t size, const char *text)
{
	size_t used = strlen(buf);

	snprintf(buf + used, size - used, "%s", text);
}

static unsigned missing(const struct warden *w, const struct warden_config *config)
{
	static const unsigned all[] = { ORDER_DRIVE_OFF, ORDER_OPEN, ORDER_HOLD, ORDER_RELEASE };
	unsigned ret = 0;

	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
		if (warden_has(config, all[i]) && !(w->written & all[i]) &&
		    !(all[i] == ORDER_RELEASE && w->phase != WARDEN_OVER))
			ret |= all[i];
	return ret;
}

void warden_tell(const struct warden *w, const struct warden_config *config, char *buf, size_t size)
{
	static const struct {
		unsigned order;
		const char *sent, *failed;
	} words[] = {
		{ ORDER_DRIVE_OFF, " Drive commanded off.", " The drive could NOT be commanded off." },
		{ ORDER_OPEN, " Contactor commanded open.", " The contactor could NOT be commanded open." },
		{ ORDER_HOLD, " Brake held.", " The brake could NOT be held." },
		{ ORDER_RELEASE, " Brake released", " The brake could NOT be released." },
	};
	unsigned without = missing(w, config);
	char text[120];

	buf[0] = '\0';
	if (without & ~ORDER_RELEASE)
		add(buf, size,
		    "NOT SAFE: press the emergency stop, switch the supply off at the wall, keep away from the "
		    "shaft. ");
	snprintf(text, sizeof text, "The warden stopped the rig: %s", why(w));
	add(buf, size, text);
	snprintf(text, sizeof text, w->why == WARDEN_SILENT ? " for %.3f s." : ".", (double)w->silent_ns * 1e-9);
	add(buf, size, text);
	for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
		if (warden_has(config, words[i].order) && (words[i].order != ORDER_RELEASE || w->phase == WARDEN_OVER))
			add(buf, size, without & words[i].order ? words[i].failed : words[i].sent);
	if (w->phase != WARDEN_OVER || !(w->written & ORDER_RELEASE) || !warden_has(config, ORDER_RELEASE))
		return;
	snprintf(text, sizeof text, " after %.0f s%s.",
		 (double)(w->held_long ? config->hold_most_ns : config->hold_ns) * 1e-9,
		 w->held_long ? ", the longest hold, although the drive may be on" : ", by time alone");
	add(buf, size, text);
}
