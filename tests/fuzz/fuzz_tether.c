/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes at all into the tether's reader and the parsers of samples: no crash, no bytes out of bounds, and what is
 * accepted is what a strict second reading of the page accepts. With an engine: LLVMFuzzerTestOneInput. Without: a
 * corpus and its random mutations, BRIDLE_TEST_SEED and BRIDLE_FUZZ_ROUNDS set what and how many. */
#include "instrument/sample.h"
#include "node/tether.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds, const char *what)
{
	if (holds)
		return;
	fprintf(stderr, "fuzz_tether: %s\n", what);
	abort();
}

static uint16_t plain_crc(const char *bytes, size_t n)
{
	uint16_t crc = 0xffff;

	while (n-- > 0) {
		crc = (uint16_t)(crc ^ (uint16_t)((uint8_t)*bytes++ << 8));
		for (int bit = 0; bit < 8; bit++)
			crc = (uint16_t)(crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1);
	}
	return crc;
}

/* The page's words once more, over a whole line without its newline. */
static bool good_by_the_page(const char *line, size_t n, size_t *ret_body)
{
	char tail[8];

	if (n + 1 > TETHER_LINE_MAX)
		return false;
	if (n > 0 && line[n - 1] == '\r')
		n--;
	if (n < 7)
		return false;
	for (size_t i = 0; i < n; i++)
		if (line[i] < 0x20 || line[i] > 0x7e)
			return false;
	snprintf(tail, sizeof tail, " =%04X", plain_crc(line, n - 6));
	*ret_body = n - 6;
	return memcmp(line + n - 6, tail, 6) == 0;
}

static bool odd_spaces(const char *body)
{
	size_t spaces = 0, n = strlen(body);

	for (size_t i = 0; i < n; i++)
		spaces += body[i] == ' ';
	return n == 0 || body[0] == ' ' || body[n - 1] == ' ' || strstr(body, "  ") != NULL || spaces >= TETHER_TOKENS;
}

/* Lines of each kind that were accepted: a parser that takes nothing would pass every other test here. */
static struct taken {
	unsigned long fast, slow, event, decimal, hex;
} taken;

static void parse_all(char *body)
{
	char kept[TETHER_LINE_MAX + 1], *token[TETHER_TOKENS];
	struct fast_sample fast;
	struct slow_sample slow;
	struct node_event event;
	int64_t decimal = 0;
	uint64_t hex = 0;
	size_t n;

	strcpy(kept, body);
	n = tether_split(body, token);
	must((n == 0) == odd_spaces(kept), "split");
	for (size_t i = 0; i < n; i++) {
		char back[40];

		if (tether_decimal(token[i], INT64_MIN, INT64_MAX, &decimal)) {
			taken.decimal++;
			snprintf(back, sizeof back, "%" PRId64, decimal);
			must(strcmp(back, token[i]) == 0, "a decimal that is not spelled as it would be printed");
		}
		if (tether_hex(token[i], 0xffff, &hex)) {
			taken.hex++;
			snprintf(back, sizeof back, "%04" PRIx64, hex);
			must(strcmp(back, token[i]) == 0, "a hexadecimal that is not spelled as it would be printed");
		}
	}
	if (n > 0 && sample_fast(token, n, &fast)) {
		char back[TETHER_LINE_MAX + 1];

		taken.fast++;
		snprintf(back, sizeof back,
			 "%s %02x %08" PRIx32 " %" PRId32 " %02x %04x %" PRIu32 " %" PRId32 " %" PRId32 " %" PRId32
			 " %02x",
			 token[0], fast.number, fast.t_us, fast.cell_count, fast.conversion, fast.pulses, fast.age_us,
			 fast.brake_mA, fast.volt_mV, fast.amp_mA, fast.ack);
		must(strncmp(back, kept, strlen(back)) == 0,
		     "a fast sample that is not spelled as it would be printed");
	}
	if (n > 0 && sample_slow(token, n, &slow)) {
		taken.slow++;
		must(slow.state != NODE_UNKNOWN && slow.reason[0] != '\0' && slow.lines < 16, "slow sample");
	}
	if (n > 0 && sample_event(token, n, &event)) {
		taken.event++;
		must(event.word == EVENT_STATE ? event.value < NODE_UNKNOWN : event.value < 256, "event");
	}
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
	struct tether_reader reader = { 0 };
	uint16_t bad = 0;
	size_t begin = 0;

	for (size_t i = 0; i < size; i++) {
		const char *line = (const char *)data + begin;
		bool good = tether_feed(&reader, (char)data[i]), want = false;
		size_t body = 0;

		if (data[i] == '\n') {
			size_t n = i - begin;
			bool empty = n == 0 || (n == 1 && line[0] == '\r');

			want = good_by_the_page(line, n, &body);
			bad = (uint16_t)(bad + (!want && !empty));
			begin = i + 1;
		}
		must(good == want, "a line taken or dropped against the page");
		must(reader.bad == bad, "dropped lines miscounted");
		if (good) {
			must(strlen(reader.line) == body && memcmp(reader.line, line, body) == 0, "body");
			parse_all(reader.line);
		}
	}
	return 0;
}

#ifndef BRIDLE_FUZZ_ENGINE
static uint64_t seed = 4242;

static uint64_t draw(void)
{
	seed ^= seed >> 12;
	seed ^= seed << 25;
	seed ^= seed >> 27;
	return seed * 0x2545f4914f6cdd1dULL;
}

static const char *const corpus[] = {
	"?1 hello 1",
	"!1 ok 1 lock-7 3f2a 0012d687",
	"?255 set 5000 current -999999 9999",
	"!13 no stopping",
	"B 3f2b power",
	"F ff ffffffff -8388608 ff ffff 999999 9999 99999 -99999 ff",
	"F 03 0014361f -1198 5c 0002 4310 148 24006 412 0c",
	"S 28 3 stopping lease 00 5712 0 236 231 209 -",
	"S ff 7 stopping contactor 3f -999999 -999999 -2731 - - 9999",
	"E 02 state safe 001f21c4",
	"E 00 contactor 1 0013f2a1",
	"E 09 drive 08 ffffffff",
	"?2 advance 1260000 18",
	"a b c d e f g h i j k l m n o p q r s t",
	"a b c d e f g h i j k l m n o p q r s t u",
	" x",
	"x ",
	"x  y",
	("xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx"
	 "x"
	 "xxx"),
	"-9223372036854775808 9223372036854775807 9223372036854775808 -0 00 07 0",
};

static const char odd[] = "\n\r =-0 9fF~\x7f\x80\xff?!FSEB";

static size_t mutate(char *buf, size_t n, size_t size)
{
	for (uint64_t k = draw() % 4; k > 0 && n > 0; k--) {
		size_t at = draw() % n, to = draw() % n;

		switch (draw() % 5) {
		case 0: buf[at] = (char)(buf[at] ^ 1 << draw() % 8); break;
		case 1: buf[at] = odd[draw() % (sizeof odd - 1)]; break;
		case 2:
			memmove(buf + at, buf + at + 1, n - at - 1);
			n--;
			break;
		case 3:
			if (n + 1 >= size)
				break;
			memmove(buf + at + 1, buf + at, n - at);
			n++;
			break;
		default: buf[at] = buf[to];
		}
	}
	return n;
}

static size_t one_line(char *buf, size_t size)
{
	char body[160];
	size_t n = (size_t)snprintf(body, sizeof body, "%s", corpus[draw() % (sizeof corpus / sizeof corpus[0])]);
	bool before = draw() % 2 == 0; /* a changed body with a right checksum goes deeper than a spoilt one */

	if (before)
		n = mutate(body, n, sizeof body - 1);
	if (n + 10 > size)
		return 0;
	memcpy(buf, body, n);
	n += (size_t)snprintf(buf + n, 10, " =%04X%s\n", plain_crc(body, n), draw() % 8 == 0 ? "\r" : "");
	return before ? n : mutate(buf, n, size);
}

int main(void)
{
	const char *wanted = getenv("BRIDLE_TEST_SEED"), *rounds = getenv("BRIDLE_FUZZ_ROUNDS");
	unsigned long n = rounds != NULL ? strtoul(rounds, NULL, 10) : 200000;
	char buf[600];

	if (wanted != NULL)
		seed = strtoull(wanted, NULL, 10) | 1;
	printf("BRIDLE_TEST_SEED=%" PRIu64 " BRIDLE_FUZZ_ROUNDS=%lu\n", seed, n);
	while (n-- > 0) {
		size_t size = 0;

		for (uint64_t lines = 1 + draw() % 3; lines > 0; lines--)
			size += one_line(buf + size, sizeof buf - size);
		LLVMFuzzerTestOneInput((const uint8_t *)buf, size);
	}
	printf("taken: %lu fast, %lu slow, %lu events, %lu decimals, %lu hexadecimals\n", taken.fast, taken.slow,
	       taken.event, taken.decimal, taken.hex);
	must(taken.fast > 0 && taken.slow > 0 && taken.event > 0 && taken.decimal > 0 && taken.hex > 0,
	     "a parser took nothing");
	return 0;
}
#endif
