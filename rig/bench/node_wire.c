/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/node_side_private.h"

#include <math.h>
#include <string.h>

#define NODE_NAME "virtual"
#define FAST_BYTES 66 /* the longest fast sample and its share of slow ones */

uint32_t node_wire_clock(const struct node_side *n, int64_t t_us)
{
	double us = (double)(t_us - n->boot_us) * (1 + n->config.clock_ppm * 1e-6) + n->config.clock_s * 1e6;

	return (uint32_t)(int64_t)us;
}

int node_wire_rate_limit(const struct node_side_config *config)
{
	int limit = config->baud / 10 * 95 / 100 / FAST_BYTES;

	return limit < 1000 ? limit : 1000;
}

static bool happens(struct node_side *n, double percent)
{
	return percent > 0 && gsl_rng_uniform(n->rng) * 100 < percent;
}

void node_wire_bytes(struct node_side *n, const char *bytes, size_t count, int64_t t_us)
{
	if (node_wire_silent(n, t_us) || count == 0)
		return;
	if (happens(n, n->faults.half_percent))
		count = (count + 1) / 2;
	node_wire_flow(n, t_us); /* or a pause of the wire would be lost */
	if (n->tx_n + count > NODE_SIDE_TX) {
		n->tx_dropped++;
		return;
	}
	if (n->tx_n == 0)
		n->tx_us = fmax(n->tx_us, (double)t_us + n->byte_us);
	for (size_t i = 0; i < count; i++)
		n->tx[(n->tx_head + n->tx_n + i) % NODE_SIDE_TX] = bytes[i];
	n->tx_n += count;
}

static void put_waiting(struct node_side *n, int64_t t_us)
{
	size_t count = n->waits_n;

	n->waits_n = 0;
	node_wire_bytes(n, n->waits, count, t_us);
}

static void put_sample(struct node_side *n, const char *line, size_t count, int64_t t_us)
{
	if (n->waits_n == 0 && happens(n, n->faults.swapped_percent)) {
		memcpy(n->waits, line, count);
		n->waits_n = count;
		return;
	}
	node_wire_flow(n, t_us);
	if (n->tx_n + count > NODE_SIDE_TX_SAMPLES)
		n->tx_dropped++;
	else
		node_wire_bytes(n, line, count, t_us);
	put_waiting(n, t_us);
}

void node_wire_put(struct node_side *n, struct tether_writer *w, int64_t t_us)
{
	size_t count = tether_end(w);

	node_wire_bytes(n, w->line, count, t_us);
}

static void keep_out(struct node_side *n, char byte, int64_t t_us)
{
	size_t at = (n->out_head + n->out_n++) % NODE_SIDE_OUT;

	n->out[at] = byte;
	n->out_us[at] = (double)t_us + n->faults.delay_us;
}

void node_wire_flow(struct node_side *n, int64_t t_us)
{
	while (n->tx_n > 0 && n->tx_us <= (double)t_us) {
		char byte = node_wire_spoil(n, n->tx[n->tx_head]);

		n->tx_head = (n->tx_head + 1) % NODE_SIDE_TX;
		n->tx_n--;
		n->tx_us += n->byte_us;
		if (!node_wire_silent(n, t_us) && n->out_n < NODE_SIDE_OUT)
			keep_out(n, byte, t_us);
	}
}

size_t node_side_take(struct node_side *n, int64_t t_us, char *buf, size_t size)
{
	size_t count = 0;

	node_wire_flow(n, t_us);
	while (n->out_n > 0 && count < size && n->out_us[n->out_head] <= (double)t_us) {
		buf[count++] = n->out[n->out_head];
		n->out_head = (n->out_head + 1) % NODE_SIDE_OUT;
		n->out_n--;
	}
	return count;
}

char node_wire_spoil(struct node_side *n, char byte)
{
	if (!(n->faults.garbage_permille > 0) || gsl_rng_uniform(n->rng) * 1000 >= n->faults.garbage_permille)
		return byte;
	return (char)(byte ^ (1 << gsl_rng_uniform_int(n->rng, 8)));
}

static int64_t whole(double x, int64_t least, int64_t most)
{
	double rounded = rint(x);

	if (!(rounded > (double)least))
		return least;
	return rounded < (double)most ? (int64_t)rounded : most;
}

void node_wire_event(struct node_side *n, struct tether_writer *w, const char *word)
{
	tether_begin(w, "E");
	tether_put_hex(w, n->event++, 2);
	tether_put_word(w, word);
}

static int64_t any(struct node_side *n, int64_t least, int64_t most)
{
	return least + (int64_t)(gsl_rng_uniform(n->rng) * (double)(most - least + 1));
}

static void put_nonsense_fast(struct node_side *n, int64_t t_us)
{
	struct tether_writer w;

	tether_begin(&w, "F");
	tether_put_hex(&w, (uint64_t)any(n, 0, 0xff), 2);
	tether_put_hex(&w, (uint64_t)any(n, 0, UINT32_MAX), 8);
	tether_put_decimal(&w, any(n, -8388608, 8388607));
	tether_put_hex(&w, (uint64_t)any(n, 0, 0xff), 2);
	tether_put_hex(&w, (uint64_t)any(n, 0, 0xffff), 4);
	tether_put_decimal(&w, any(n, 0, 999999));
	tether_put_decimal(&w, any(n, -999, 9999));
	tether_put_decimal(&w, any(n, -9999, 99999));
	tether_put_decimal(&w, any(n, -99999, 99999));
	tether_put_hex(&w, (uint64_t)any(n, 0, 0xff), 2);
	put_sample(n, w.line, tether_end(&w), t_us);
}

static void put_nonsense_slow(struct node_side *n, int64_t t_us)
{
	static const char *const state[] = { "idle", "live", "stopping", "safe" };
	static const char *const reason[] = { "none", "lease", "estop", "guard", "host", "contactor" };
	struct tether_writer w;

	tether_begin(&w, "S");
	tether_put_hex(&w, (uint64_t)any(n, 0, 0xff), 2);
	tether_put_hex(&w, (uint64_t)any(n, 0, 7), 1);
	tether_put_word(&w, state[any(n, 0, 3)]);
	tether_put_word(&w, reason[any(n, 0, 5)]);
	tether_put_hex(&w, (uint64_t)any(n, 0, 0xff), 2);
	for (int i = 0; i < 2; i++)
		tether_put_decimal(&w, any(n, -999999, 999999));
	for (int i = 0; i < 5; i++)
		tether_put_decimal(&w, any(n, -2731, 9999));
	put_sample(n, w.line, tether_end(&w), t_us);
}

void node_wire_fast(struct node_side *n, const struct node_side_senses *s, int64_t t_us)
{
	if (happens(n, n->faults.nonsense_percent)) {
		put_nonsense_fast(n, t_us);
		return;
	}

	double age_us = ((double)t_us - s->edge_us) * (1 + n->config.clock_ppm * 1e-6);
	struct tether_writer w;
	size_t count;

	tether_begin(&w, "F");
	tether_put_hex(&w, n->sample, 2);
	tether_put_hex(&w, node_wire_clock(n, t_us), 8);
	tether_put_decimal(&w, s->cell_count);
	tether_put_hex(&w, s->cell_conversion, 2);
	tether_put_hex(&w, (uint64_t)s->pulses & 0xffff, 4);
	tether_put_decimal(&w, s->edge_us < 0 ? 999999 : whole(age_us, 0, 999999));
	tether_put_decimal(&w, whole(s->brake_A * 1e3, -999, 9999));
	tether_put_decimal(&w, whole(s->meter_V * 1e3, -9999, 99999));
	tether_put_decimal(&w, whole(s->meter_A * 1e3, -99999, 99999));
	tether_put_hex(&w, n->ack, 2);
	count = tether_end(&w);
	if (happens(n, n->faults.lost_percent))
		return;
	put_sample(n, w.line, count, t_us);
	if (happens(n, n->faults.doubled_percent))
		put_sample(n, w.line, count, t_us);
}

void node_wire_slow(struct node_side *n, const struct node_side_senses *s, const char *state, int64_t t_us)
{
	struct tether_writer w;
	size_t count;

	if (happens(n, n->faults.nonsense_percent)) {
		put_nonsense_slow(n, t_us);
		return;
	}
	tether_begin(&w, "S");
	tether_put_hex(&w, n->sample, 2);
	tether_put_hex(&w, (s->estop_ok ? 1u : 0) | (s->cage_closed ? 2u : 0) | (s->contactor_closed ? 4u : 0), 1);
	tether_put_word(&w, state);
	tether_put_word(&w, n->reason);
	tether_put_hex(&w, s->drive_flags & 0xff, 2);
	tether_put_decimal(&w, whole(s->rotor_rpm * 10, -999999, 999999));
	tether_put_decimal(&w, whole(s->drive_A * 1e3, -999999, 999999));
	for (int i = 0; i < 4; i++)
		tether_put_decimal(&w, whole(s->temp_degC[i] * 10, -2731, 9999));
	tether_put_decimal(&w, whole(n->ripple_W / n->slow_every * 1e3, -9999, 9999));
	tether_put_decimal(&w, whole(s->rotor_deg * 100, 0, 36000) % 36000);
	count = tether_end(&w);
	if (!n->faults.no_slow)
		put_sample(n, w.line, count, t_us);
}

static void put_info(struct node_side *n, const char *channel, struct tether_writer *w)
{
	const char *const plain[][2] = {
		{ "meter", "ok product" },
		{ "drive", "ok speed current torque position angle" },
		{ "temp", n->config.cell_temp ? "ok brake case winding cell" : "ok brake case winding ambient" },
		{ "lines", "ok estop guard contactor" },
	};

	for (size_t i = 0; i < sizeof plain / sizeof plain[0]; i++) {
		if (strcmp(channel, plain[i][0]) == 0) {
			tether_put_words(w, plain[i][1]);
			return;
		}
	}
	if (strcmp(channel, "pick") == 0) {
		tether_put_words(w, n->config.pick_single ? "ok single" : "ok quad");
		return;
	}
	if (strcmp(channel, "cell") != 0 && strcmp(channel, "brake") != 0 && strcmp(channel, "clock") != 0) {
		tether_put_words(w, "no args");
		return;
	}
	tether_put_word(w, "ok");
	if (strcmp(channel, "cell") == 0) {
		tether_put_decimal(w, n->config.cell_bits);
		tether_put_decimal(w, n->config.cell_sps);
	} else {
		tether_put_decimal(w, channel[0] == 'b' ? n->config.brake_mA : node_wire_rate_limit(&n->config));
	}
}

static void put_hello(struct node_side *n, const char *version, int64_t t_us, struct tether_writer *w)
{
	int64_t number;

	if (!tether_decimal(version, INT64_MIN, INT64_MAX, &number)) {
		tether_put_words(w, "no args");
	} else if (number != TETHER_VERSION) {
		tether_put_words(w, "no version");
		tether_put_decimal(w, TETHER_VERSION);
	} else {
		tether_put_word(w, "ok");
		tether_put_decimal(w, TETHER_VERSION);
		tether_put_word(w, NODE_NAME);
		tether_put_hex(w, n->boot, 4);
		tether_put_hex(w, node_wire_clock(n, t_us), 8);
	}
}

bool node_wire_query(struct node_side *n, char **token, size_t count, const char *state, int64_t t_us,
		     struct tether_writer *w)
{
	static const struct {
		const char *verb;
		size_t count;
	} verbs[] = {
		{ "hello", 3 },
		{ "caps", 2 },
		{ "info", 3 },
		{ "status", 2 },
	};
	size_t i = 0;

	while (i < 4 && strcmp(token[1], verbs[i].verb) != 0)
		i++;
	if (i == 4)
		return false;
	if (count != verbs[i].count) {
		tether_put_words(w, "no args");
	} else if (i == 0) {
		put_hello(n, token[2], t_us, w);
	} else if (i == 1) {
		tether_put_words(w, n->config.no_cell ? "ok pick" : "ok cell pick");
		if (!n->config.no_brake)
			tether_put_word(w, "brake");
		if (!n->config.no_meter)
			tether_put_word(w, "meter");
		if (!n->config.no_drive)
			tether_put_word(w, "drive");
		if (!n->config.no_temp)
			tether_put_word(w, "temp");
		tether_put_words(w, "lines clock");
	} else if (i == 2) {
		put_info(n, token[2], w);
	} else {
		tether_put_word(w, "ok");
		tether_put_word(w, state);
		tether_put_word(w, n->reason);
		tether_put_decimal(w, n->reader.bad);
	}
	return true;
}
