/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The host's end under a storm of lines that are good by their checksum and wild by their content, bytes lost and torn,
 * and wishes of any value: no crash, no wait, nothing in the snapshot that the page does not allow, and nothing sent
 * beyond a channel's range. BRIDLE_TEST_SEED and BRIDLE_FUZZ_ROUNDS set what and how many. */
#include "instrument/node.h"
#include "node/tether.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#define BRAKE_MA 1200

static uint64_t seed = 990;

struct storm {
	int fd;
	unsigned answered;
	int64_t now_us;
	struct tether_reader reader;
};

static uint64_t draw(void)
{
	seed ^= seed >> 12;
	seed ^= seed << 25;
	seed ^= seed >> 27;
	return seed * 0x2545f4914f6cdd1dULL;
}

static void must(bool holds, const char *what)
{
	if (holds)
		return;
	fprintf(stderr, "fuzz_node: %s\n", what);
	abort();
}

static void say(struct storm *s, const char *body, bool torn)
{
	char line[200];
	int n = snprintf(line, sizeof line, "%s =%04X\n", body, tether_crc(body, strlen(body)));

	if (torn)
		n = (int)(draw() % (uint64_t)n);
	must(n == 0 || send(s->fd, line, (size_t)n, MSG_NOSIGNAL) == n, "cannot send");
}

static struct mono now(void *ctx)
{
	const struct storm *s = ctx;

	return (struct mono){ s->now_us * 1000 };
}

/* The greeting's answers, one for each request. */
static enum rc sleep_until(void *ctx, struct mono t, struct err *err)
{
	static const char *const answers[] = {
		"ok 1 storm 0001 00000000",
		"ok cell pick brake meter drive temp lines clock",
		"ok 24 80",
		"ok quad",
		"ok 1200",
		"ok",
		"ok speed current",
		"ok brake case winding ambient",
		"ok estop guard contactor",
		"ok 1000",
		"ok",
	};
	struct storm *s = ctx;
	char body[120];

	(void)err;
	s->now_us = t.ns / 1000;
	if (s->answered < sizeof answers / sizeof answers[0]) {
		snprintf(body, sizeof body, "!%u %s", s->answered + 1, answers[s->answered]);
		s->answered++;
		say(s, body, false);
	}
	return RC_OK;
}

static int64_t wild(int64_t usual)
{
	switch (draw() % 12) {
	case 0: return (int64_t)draw() >> draw() % 64;
	case 1: return 8388607;
	case 2: return -8388608;
	default: return usual;
	}
}

static void wild_line(struct storm *s, unsigned number)
{
	static const char *const words[] = { "idle",  "live",      "stopping", "safe", "none", "lease",
					     "estop", "contactor", "ok",       "no",   "-",    "power" };
	const uint32_t t = (uint32_t)(s->now_us + wild(0));
	char body[200];
#define WORD words[draw() % (sizeof words / sizeof words[0])]

	switch (draw() % 8) {
	case 0:
		snprintf(body, sizeof body, "S %02x %x %s %s %02x %" PRId64 " %" PRId64 " 200 %s %" PRId64 " -",
			 (unsigned)draw() & 0xff, (unsigned)draw() & 0xf, WORD, WORD, (unsigned)draw() & 0xff,
			 wild(6000), wild(1500), WORD, wild(300));
		break;
	case 1: snprintf(body, sizeof body, "E %02x %s %s %08x", (unsigned)draw() & 0xff, WORD, WORD, t); break;
	case 2: snprintf(body, sizeof body, "!%u %s %s", (unsigned)draw() & 0xff, WORD, WORD); break;
	case 3: snprintf(body, sizeof body, "%c %s %s", (char)(0x21 + draw() % 94), WORD, WORD); break;
	default:
		snprintf(body, sizeof body,
			 "F %02x %08x %" PRId64 " %02x %04x %" PRId64 " %" PRId64 " %" PRId64 " %" PRId64 " %02x",
			 draw() % 8 == 0 ? (unsigned)draw() & 0xff : number & 0xff, t, wild(-1204),
			 (unsigned)draw() & 0xff, (unsigned)draw() & 0xffff, wild(4310), wild(150), wild(24006),
			 wild(412), (unsigned)draw() & 0xff);
	}
	say(s, body, draw() % 20 == 0);
}

static bool inside(double x, double least, double most)
{
	return isnan(x) || (x >= least && x <= most);
}

static void check(const struct snapshot *v)
{
	must(inside(v->brake_A, -0.999, 9.999), "brake current");
	must(inside(v->voltage_V, -9.999, 99.999) && inside(v->current_A, -99.999, 99.999), "meter");
	must(v->cell_count >= -8388608 && v->cell_count <= 8388607, "cell");
	must(inside(v->drive_rotor_rpm, -99999.9, 99999.9) && inside(v->drive_A, -999.999, 999.999), "drive");
	must(inside(v->edge_age_s, 0, 0.999999), "age");
	must(!isinf(v->speed_rpm), "speed");
	must(!isnan(v->sample_age_s) && !isnan(v->channel[CHANNEL_CELL].age_s), "ages");
	must((unsigned)v->node_state <= NODE_UNKNOWN && memchr(v->node_reason, '\0', sizeof v->node_reason) != NULL,
	     "state");
	for (int i = 0; i < TEMP_COUNT; i++)
		must(inside(v->temp_degC[i], -273.1, 999.9), "temperature");
	must(!v->node_lost, "a link that is whole called lost");
}

static double wild_value(void)
{
	static const double odd[] = { NAN, INFINITY, -INFINITY, 0, -0.0, 1e300, -1e300, 1e-300, -1, 0.6 };

	return odd[draw() % (sizeof odd / sizeof odd[0])];
}

static void check_sent(struct storm *s)
{
	char buf[4096], *token[TETHER_TOKENS];
	int64_t value, brake;
	ssize_t n;

	while ((n = recv(s->fd, buf, sizeof buf, MSG_DONTWAIT)) > 0)
		for (ssize_t i = 0; i < n; i++) {
			size_t count;

			if (!tether_feed(&s->reader, buf[i]))
				continue;
			count = tether_split(s->reader.line, token);
			if (count < 2 || strcmp(token[1], "set") != 0)
				continue;
			must(count == 6 && tether_decimal(token[4], -999999, 999999, &value) &&
				     tether_decimal(token[5], 0, BRAKE_MA, &brake),
			     "a set-point out of range");
			must(strcmp(token[3], "off") != 0 || value == 0, "off with a value");
		}
	must(s->reader.bad == 0, "a bad line sent");
}

static void storm(struct storm *s, struct link *link)
{
	static const struct node_config config = { .fast_Hz = 100,
						   .slow_every = 20,
						   .lease_ms = 300,
						   .pulses_per_rev = 360,
						   .gear_ratio = 7.5,
						   .direction = 1 };
	struct clock_src clock = { .now = now, .sleep_until = sleep_until, .ctx = s };
	struct snapshot snap = { 0 };
	struct node *node = NULL;
	struct err err = { 0 };
	unsigned number = 0;

	if (node_open(link, &clock, &config, &node, &err) != RC_OK || node_start(node, &err) != RC_OK)
		must(false, err.what);
	for (int ticks = 0; ticks < 300; ticks++) {
		struct wish wish = { .mode = (enum drive_mode)(draw() % 3),
				     .speed_rpm = wild_value(),
				     .drive_A = wild_value(),
				     .brake_A = wild_value(),
				     .power = draw() % 2 == 0 };

		s->now_us += draw() % 50 == 0 ? (int64_t)(draw() % 10000000000) : 10000;
		for (uint64_t lines = draw() % 5; lines > 0; lines--)
			wild_line(s, number++);
		node_poll(node, &snap);
		check(&snap);
		node_set(node, &wish);
		check_sent(s);
	}
	must(snap.sample_total > 0 && snap.line_bad > 0, "a storm in which no sample was taken, or no line dropped");
	node_close(node);
}

int main(void)
{
	const char *wanted = getenv("BRIDLE_TEST_SEED"), *rounds = getenv("BRIDLE_FUZZ_ROUNDS");
	unsigned long n = rounds != NULL ? strtoul(rounds, NULL, 10) : 100;
	char folder[] = "/tmp/bridle-storm-XXXXXX", address[100];
	struct sockaddr_un to = { .sun_family = AF_UNIX };
	int listening = socket(AF_UNIX, SOCK_STREAM, 0);

	if (wanted != NULL)
		seed = strtoull(wanted, NULL, 10) | 1;
	printf("BRIDLE_TEST_SEED=%" PRIu64 " BRIDLE_FUZZ_ROUNDS=%lu\n", seed, n);
	must(mkdtemp(folder) != NULL, "no folder");
	snprintf(to.sun_path, sizeof to.sun_path, "%s/s", folder);
	snprintf(address, sizeof address, "unix:%s", to.sun_path);
	must(bind(listening, (struct sockaddr *)&to, sizeof to) == 0 && listen(listening, 1) == 0, "cannot listen");
	while (n-- > 0) {
		struct storm s = { .now_us = 1000000 };
		struct link *link = NULL;

		must(link_open(address, 0, NULL, 1000, &link, NULL) == RC_OK, "cannot connect");
		s.fd = accept(listening, NULL, NULL);
		storm(&s, link);
		link_close(link);
		close(s.fd);
	}
	close(listening);
	unlink(to.sun_path);
	rmdir(folder);
	return 0;
}
