/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The node of docs/tether.md, written from that page. */
#include "stranger.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
#define TOKENS 20

static const char *const state_names[] = { "idle", "live", "stopping", "safe" };

uint16_t line_sum(const char *body, size_t n)
{
	unsigned crc = 0xffff;

	for (size_t i = 0; i < n; i++) {
		crc ^= (unsigned)(unsigned char)body[i] << 8;
		for (int bit = 0; bit < 8; bit++)
			crc = crc & 0x8000 ? (crc << 1 ^ 0x1021) & 0xffff : crc << 1 & 0xffff;
	}
	return (uint16_t)crc;
}

static uint32_t clock_us(const struct node *n, double t)
{
	return (uint32_t)(uint64_t)(n->clock_start + t * n->clock * 1e6);
}

static int waiting(const struct node *n)
{
	double sent = (n->rig->t - n->out_from) * n->baud / 10;
	return n->out_length - (int)fmin(sent, n->out_length);
}

static void put(struct node *n, const char *body)
{
	int length = (int)strlen(body);

	if (n->out_length + length + 8 > NODE_QUEUE)
		return;
	if (n->out_length == 0)
		n->out_from = n->rig->t;
	n->out_length += snprintf(n->out + n->out_length, (size_t)(NODE_QUEUE - n->out_length), "%s =%04X\n", body,
				  line_sum(body, (size_t)length));
}

int node_carried(struct node *n, char *buf, int size)
{
	int due = (int)fmin((n->rig->t - n->out_from) * n->baud / 10 + 1e-6, n->out_length);

	if (due > size)
		due = size;
	if (due <= 0)
		return 0;
	memcpy(buf, n->out, (size_t)due);
	memmove(n->out, n->out + due, (size_t)(n->out_length - due));
	n->out_length -= due;
	n->out_from += due * 10 / n->baud;
	return due;
}

static void event(struct node *n, const char *word, const char *value)
{
	char body[100];
	snprintf(body, sizeof body, "E %02x %s %s %08x", n->event++ & 255, word, value,
		 (unsigned)clock_us(n, n->rig->t));
	put(n, body);
}

static void go(struct node *n, enum node_state state)
{
	if (n->state == state)
		return;
	n->state = state;
	event(n, "state", state_names[state]);
}

static void outputs(struct node *n)
{
	struct rig *r = n->rig;

	r->mode = n->mode;
	r->set_point = n->mode == 1 ? (double)n->value / 10 * PI / 30 : (double)n->value / 1000;
	r->coil_set = (double)n->brake_mA / 1000;
	r->contactor_wanted = n->power;
}

static void make_safe(struct node *n, const char *reason)
{
	long half = lround(n->rig->p.brake_current * 500);

	if (n->state == STOPPING || n->state == SAFE)
		return;
	n->reason = reason;
	n->mode = 0;
	n->value = 0;
	n->power = n->lease_runs = false;
	if (n->brake_mA < half)
		n->brake_mA = half;
	n->stop_begun = n->rig->t;
	outputs(n);
	go(n, STOPPING);
}

static bool number(const char *s, long low, long high, long *out)
{
	char *end, again[32];

	*out = strtol(s, &end, 10);
	snprintf(again, sizeof again, "%ld", *out);
	if (strcmp(again, s) || *end)
		return false;
	return *out >= low && *out <= high;
}

static bool whole(const char *s)
{
	long x;
	return number(s, -99999999, 99999999, &x);
}

static const char *do_set(struct node *n, char **w, int words)
{
	long lease, value, brake;
	int mode;

	if (words != 5 || !whole(w[1]) || !whole(w[3]) || !whole(w[4]))
		return "no args";
	mode = !strcmp(w[2], "off") ? 0 : !strcmp(w[2], "speed") ? 1 : !strcmp(w[2], "current") ? 2 : -1;
	if (mode < 0)
		return "no args";
	if (!number(w[1], 10, 5000, &lease) || !number(w[3], -999999, 999999, &value) || (mode == 0 && value != 0) ||
	    !number(w[4], 0, lround(n->rig->p.brake_current * 1000), &brake))
		return "no range";
	if (n->state == SAFE)
		return "no safe";
	if (n->state == STOPPING)
		return "no stopping";
	if (mode && !n->rig->contactor)
		return "no power";
	n->mode = mode;
	n->value = value;
	n->brake_mA = brake;
	outputs(n);
	go(n, mode || brake ? LIVE : IDLE);
	n->lease_runs = n->state == LIVE || n->power;
	n->lease_end = n->rig->t + (double)lease / 1000;
	return "ok";
}

static const char *do_power(struct node *n, const char *what)
{
	if (!strcmp(what, "off")) {
		n->power = false;
		n->mode = 0;
		n->value = 0;
		if (n->state == IDLE)
			n->lease_runs = false;
		if (n->state == LIVE && !n->brake_mA) {
			n->lease_runs = false;
			go(n, IDLE);
		}
		outputs(n);
		return "ok";
	}
	if (strcmp(what, "on"))
		return "no args";
	if (n->state == SAFE || n->state == STOPPING)
		return "no safe";
	if (!n->rig->estop)
		return "no estop";
	if (!n->rig->guard)
		return "no guard";
	n->power = true;
	if (!n->lease_runs) {
		n->lease_runs = true;
		n->lease_end = n->rig->t + 1;
	}
	outputs(n);
	return "ok";
}

static const char *do_clear(struct node *n)
{
	if (n->state == LIVE || n->state == STOPPING)
		return "no moving";
	if (n->state == IDLE)
		return "ok";
	if (!n->rig->estop)
		return "no estop";
	if (!n->rig->guard)
		return "no guard";
	n->reason = "none";
	go(n, IDLE);
	return "ok";
}

static const char *do_rate(struct node *n, char **w, int words)
{
	long hz, slow;

	if (words != 3 || !whole(w[1]) || !whole(w[2]))
		return "no args";
	if (!number(w[1], 0, 1000, &hz) || !number(w[2], 1, 1000, &slow))
		return "no range";
	n->hz = (int)hz;
	n->slow = n->until_slow = (int)slow;
	if (hz)
		n->sample_due = n->rig->t + 1 / ((double)hz * n->clock);
	return "ok";
}

static void tell_info(struct node *n, const char *channel, char *out, size_t size)
{
	bool h = n->rig->p.hysteresis;

	if (!strcmp(channel, "cell"))
		snprintf(out, size, "ok 24 80");
	else if (!strcmp(channel, "pick"))
		snprintf(out, size, "ok %s", n->rig->p.single ? "single" : "quad");
	else if (!strcmp(channel, "brake"))
		snprintf(out, size, "ok %ld", lround(n->rig->p.brake_current * 1000));
	else if (!strcmp(channel, "meter"))
		snprintf(out, size, h ? "ok product" : "ok");
	else if (!strcmp(channel, "drive"))
		snprintf(out, size, "ok speed current");
	else if (!strcmp(channel, "temp"))
		snprintf(out, size, h ? "ok brake case winding ambient" : "ok brake case ambient");
	else if (!strcmp(channel, "lines"))
		snprintf(out, size, "ok estop guard contactor");
	else if (!strcmp(channel, "clock"))
		snprintf(out, size, "ok 1000");
	else
		snprintf(out, size, "no args");
}

static void obey(struct node *n, char **w, int words, char *out, size_t size)
{
	const char *a = w[0], *said = "no verb";

	if (!strcmp(a, "hello")) {
		if (words == 2 && !strcmp(w[1], "1"))
			snprintf(out, size, "ok 1 far-mill %04x %08x", n->boot, (unsigned)clock_us(n, n->rig->t));
		else
			snprintf(out, size, words == 2 ? "no version 1" : "no args");
		return;
	}
	if (!strcmp(a, "info") && words == 2) {
		tell_info(n, w[1], out, size);
		return;
	}
	if (!strcmp(a, "status") && words == 1) {
		snprintf(out, size, "ok %s %s %u", state_names[n->state], n->reason, n->bad & 65535);
		return;
	}
	if (!strcmp(a, "caps"))
		said = words == 1 ? "ok cell pick brake meter drive temp lines clock" : "no args";
	else if (!strcmp(a, "rate"))
		said = do_rate(n, w, words);
	else if (!strcmp(a, "set"))
		said = do_set(n, w, words);
	else if (!strcmp(a, "power"))
		said = words == 2 ? do_power(n, w[1]) : "no args";
	else if (!strcmp(a, "restart")) {
		said = n->mode ? "no live" : "ok";
		if (!n->mode)
			n->rig->undervolt = false;
	} else if (!strcmp(a, "safe")) {
		make_safe(n, "host");
		said = "ok";
	} else if (!strcmp(a, "clear"))
		said = do_clear(n);
	else if (!strcmp(a, "info") || !strcmp(a, "status"))
		said = "no args";
	snprintf(out, size, "%s", said);
}

static void request(struct node *n, char *body)
{
	char *w[TOKENS], copy[128], answer[128], line[160], *rest = strchr(body, ' '), *save = NULL;
	int words = 0, seq;
	long s;
	bool fresh, silent;

	if (!rest)
		goto bad;
	*rest = 0;
	if (!number(body + 1, 0, 255, &s))
		goto bad;
	*rest = ' ';
	seq = (int)s;
	if (seq == n->last_seq && !strcmp(body, n->last_body)) {
		fresh = strstr(body, " hello") || strstr(body, " caps") || strstr(body, " info") ||
			strstr(body, " status");
		if (!fresh) {
			snprintf(line, sizeof line, "!%d %s", seq, n->last_answer);
			put(n, line);
			return;
		}
	}
	snprintf(n->last_body, sizeof n->last_body, "%s", body);
	n->last_seq = seq;
	snprintf(copy, sizeof copy, "%s", rest + 1);
	for (char *token = strtok_r(copy, " ", &save); token && words < TOKENS; token = strtok_r(NULL, " ", &save))
		w[words++] = token;
	if (!words)
		goto bad;
	obey(n, w, words, answer, sizeof answer);
	snprintf(n->last_answer, sizeof n->last_answer, "%s", answer);
	silent = !strcmp(w[0], "set") && !strcmp(answer, "ok");
	if (silent)
		n->ack = (unsigned)seq;
	if (silent && n->hz)
		return;
	snprintf(line, sizeof line, "!%d %s", seq, answer);
	put(n, line);
	return;
bad:
	n->bad++;
}

static void line_in(struct node *n)
{
	char *s = n->in, sum[5];
	size_t length = (size_t)n->in_length;

	if (length && s[length - 1] == '\r')
		length--;
	if (!length)
		return;
	for (size_t i = 0; i < length; i++)
		if (s[i] < 0x20 || s[i] > 0x7e) {
			n->bad++;
			return;
		}
	s[length] = 0;
	if (length < 7 || s[length - 6] != ' ' || s[length - 5] != '=') {
		n->bad++;
		return;
	}
	snprintf(sum, sizeof sum, "%04X", line_sum(s, length - 6));
	if (strcmp(sum, s + (length - 4))) {
		n->bad++;
		return;
	}
	s[length - 6] = 0;
	if (*s == '?')
		request(n, s);
}

void node_byte(struct node *n, int byte)
{
	if (byte == '\n') {
		if (n->in_skip)
			n->bad++;
		else
			line_in(n);
		n->in_length = 0;
		n->in_skip = false;
	} else if (n->in_length >= 119)
		n->in_skip = true;
	else
		n->in[n->in_length++] = (char)byte;
}

static long within(double x, long low, long high)
{
	return x > (double)low ? x < (double)high ? lround(x) : high : low;
}

static int drive_bits(const struct node *n)
{
	const struct rig *r = n->rig;
	return r->enabled | r->limited << 1 | r->derated << 2 | r->undervolt << 3 | r->out_of_volts << 6;
}

static void slow_sample(struct node *n)
{
	struct rig *r = n->rig;
	char body[128], temp[4][8];
	static const int quad[4] = { 0, 1, 3, -1 }, full[4] = { 0, 1, 2, 3 };

	for (int i = 0; i < 4; i++) {
		int which = r->p.hysteresis ? full[i] : quad[i];
		if (which < 0)
			snprintf(temp[i], sizeof temp[i], "-");
		else
			snprintf(temp[i], sizeof temp[i], "%ld", within(rig_temperature(r, which) * 10, -2731, 9999));
	}
	snprintf(body, sizeof body, "S %02x %x %s %s %02x %ld %ld %s %s %s %s", (n->sample - 1) & 255,
		 (unsigned)(r->estop | r->guard << 1 | r->contactor << 2), state_names[n->state], n->reason,
		 (unsigned)drive_bits(n),
		 within(r->speed1 * r->p.ratio * 30 / PI * 10 + dice_normal(&r->dice, 3), -999999, 999999),
		 within(r->current * r->current_shown * 1000 + dice_normal(&r->dice, 10), -999999, 999999), temp[0],
		 temp[1], temp[2], temp[3]);
	if (r->p.hysteresis) /* its node multiplies before it averages */
		snprintf(body + strlen(body), sizeof body - strlen(body), " %ld",
			 within(n->ripple / (n->ripples ? n->ripples : 1) * 1000, -9999, 9999));
	n->ripple = n->ripples = 0;
	put(n, body);
}

static void fast_sample(struct node *n)
{
	struct rig *r = n->rig;
	char body[128];
	double volts, amps, ripple, age = (r->t - r->edge_at) * n->clock * 1e6;

	rig_meter(r, &volts, &amps, &ripple);
	n->ripple += ripple;
	n->ripples++;
	snprintf(body, sizeof body, "F %02x %08x %ld %02x %04x %ld %ld %ld %ld %02x", n->sample++ & 255,
		 (unsigned)clock_us(n, r->t), r->count, r->conversions & 255, (unsigned)r->pulses & 0xffff,
		 within(age, 0, 999999), within(r->coil_now / r->coil_gain * 1000, -999, 9999),
		 within(volts * 1000, -9999, 99999), within(amps * 1000, -99999, 99999), n->ack);
	if (waiting(n) < 300)
		put(n, body);
	if (--n->until_slow <= 0) {
		n->until_slow = n->slow;
		if (waiting(n) < 300)
			slow_sample(n);
	}
}

/* At most two events of one word in 100 ms. */
static bool may_tell(struct node *n, int word)
{
	double *at = n->event_at[word];

	if (n->rig->t - at[0] < 0.1)
		return false;
	at[0] = at[1];
	at[1] = n->rig->t;
	return true;
}

static void watch_lines(struct node *n)
{
	struct rig *r = n->rig;
	bool guarded = n->state == LIVE || n->power, opened, was_asked = !n->power;
	char bits[8];

	if (r->estop != n->estop && may_tell(n, 0))
		event(n, "estop", (n->estop = r->estop) ? "1" : "0");
	if (r->guard != n->guard && may_tell(n, 1))
		event(n, "guard", (n->guard = r->guard) ? "1" : "0");
	if (r->contactor != n->contactor && may_tell(n, 2))
		event(n, "contactor", (n->contactor = r->contactor) ? "1" : "0");
	if ((drive_bits(n) ^ n->drive_bits) & 0xb9 && may_tell(n, 3)) {
		n->drive_bits = drive_bits(n);
		snprintf(bits, sizeof bits, "%02x", (unsigned)n->drive_bits);
		event(n, "drive", bits);
	}
	opened = n->was_closed && !r->contactor;
	n->was_closed = r->contactor;
	if (!guarded)
		return;
	if (!r->estop)
		make_safe(n, "estop");
	else if (!r->guard)
		make_safe(n, "guard");
	else if (opened && !was_asked)
		make_safe(n, "contactor");
}

void node_tick(struct node *n)
{
	struct rig *r = n->rig;

	watch_lines(n);
	if (n->lease_runs && r->t >= n->lease_end)
		make_safe(n, "lease");
	if (n->state == STOPPING && (r->t - fmax(r->edge_at, n->stop_begun) >= 0.3 || r->t - n->stop_begun >= 10)) {
		n->brake_mA = 0;
		outputs(n);
		go(n, SAFE);
	}
	if (n->hz && r->t >= n->sample_due - 1e-9) {
		fast_sample(n);
		n->sample_due += 1 / (n->hz * n->clock);
	}
}

void node_hung_up(struct node *n)
{
	n->out_length = n->in_length = 0;
	n->in_skip = false;
}

void node_start(struct node *n, struct rig *r, uint64_t seed)
{
	memset(n, 0, sizeof *n);
	n->rig = r;
	n->baud = 115200;
	n->reason = "none";
	n->last_seq = -1;
	n->clock = 1 + dice_even(&r->dice, -r->p.clock, r->p.clock);
	n->clock_start = dice_even(&r->dice, 0, 4e9);
	n->boot = (unsigned)(seed * 40503u + 77) & 0xffff;
	n->estop = n->guard = true;
	for (int i = 0; i < 8; i++)
		n->event_at[i / 2][i % 2] = -1;
	r->edge_at = -10;
}
