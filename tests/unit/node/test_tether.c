/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "node/tether.h"

#include <inttypes.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])
#define LINE_BITS_PER_BYTE 10 /* 8N1: start, eight, stop */
#define LINE_BAUD 115200

/* xorshift64*, so that the same seed gives the same test everywhere */
static uint64_t seed = 20260311;

static uint64_t draw(void)
{
	seed ^= seed >> 12;
	seed ^= seed << 25;
	seed ^= seed >> 27;
	return seed * 0x2545f4914f6cdd1dULL;
}

static unsigned good_lines(struct tether_reader *r, const char *bytes, size_t n)
{
	unsigned good = 0;

	for (size_t i = 0; i < n; i++)
		good += tether_feed(r, bytes[i]);
	return good;
}

/* The definition itself, bit by bit. */
static uint16_t slow_crc(const char *bytes, size_t n)
{
	uint32_t crc = 0xffff;

	for (size_t i = 0; i < n; i++)
		for (int bit = 7; bit >= 0; bit--) {
			uint32_t top = crc >> 15 & 1, in = (uint32_t)bytes[i] >> bit & 1;

			crc = crc << 1 & 0xffff;
			if (top != in)
				crc ^= 0x1021;
		}
	return (uint16_t)crc;
}

static void crc_gives_the_catalogued_values(void **state)
{
	char bytes[200];

	(void)state;
	/* Check value of CRC-16/IBM-3740 (CCITT-FALSE) in the catalogue of parametrised CRC algorithms. */
	assert_int_equal(tether_crc("123456789", 9), 0x29b1);
	/* No bytes: the start value. One byte 'A': 0xB915, from the same definition worked in Python's
	 * binascii.crc_hqx. */
	assert_int_equal(tether_crc("", 0), 0xffff);
	assert_int_equal(tether_crc("A", 1), 0xb915);
	for (int i = 0; i < 200; i++) {
		size_t n = draw() % sizeof bytes;

		for (size_t k = 0; k < n; k++)
			bytes[k] = (char)draw();
		assert_int_equal(tether_crc(bytes, n), slow_crc(bytes, n));
	}
}

static void feeds_good_and_drops_bad_lines(void **state)
{
	/* Checksums by Python: binascii.crc_hqx(body, 0xffff). */
	static const struct {
		const char *name, *bytes;
		unsigned good, bad;
		const char *body;
	} rows[] = {
		{ "plain", "?1 hello 1 =512D\n", 1, 0, "?1 hello 1" },
		{ "carriage return", "?1 hello 1 =512D\r\n", 1, 0, "?1 hello 1" },
		{ "empty lines", "\n\r\n\n?1 hello 1 =512D\n\n", 1, 0, "?1 hello 1" },
		{ "shortest", "B =8976\n", 1, 0, "B" },
		{ "wrong checksum", "?1 hello 1 =512C\n", 0, 1, NULL },
		{ "lower-case digits", "?1 hello 1 =512d\n", 0, 1, NULL },
		{ "three digits", "?1 hello 1 =512\n", 0, 1, NULL },
		{ "five digits", "?1 hello 1 =0512D\n", 0, 1, NULL },
		{ "no checksum", "?1 hello 1\n", 0, 1, NULL },
		{ "no space", "?1 hello 1=512D\n", 0, 1, NULL },
		{ "no body", " =FFFF\n", 0, 1, NULL },
		{ "space after", "?1 hello 1 =512D \n", 0, 1, NULL },
		{ "two carriage returns", "?1 hello 1 =512D\r\r\n", 0, 1, NULL },
		{ "carriage return inside", "?1 \rhello 1 =512D\n", 0, 1, NULL },
		{ "tab", "?1\thello 1 =734C\n", 0, 1, NULL },
		{ "high byte", "?1 h\xe9llo =2BAC\n", 0, 1, NULL },
		{ "half, then whole", "?1 hel?1 hello 1 =512D\n?1 hello 1 =512D\n", 1, 1, "?1 hello 1" },
		{ "garbage, then whole", "\x01\xff\x80\n?1 hello 1 =512D\n", 1, 1, "?1 hello 1" },
		{ "nothing ended", "?1 hello 1 =512D", 0, 0, NULL },
	};

	(void)state;
	for (size_t i = 0; i < COUNT(rows); i++) {
		struct tether_reader r = { 0 };
		char last[TETHER_LINE_MAX + 1] = "";
		unsigned good = 0;

		for (const char *p = rows[i].bytes; *p != '\0'; p++)
			if (tether_feed(&r, *p)) {
				good++;
				strcpy(last, r.line);
			}
		if (good != rows[i].good || r.bad != rows[i].bad)
			fail_msg("%s: %u good, %u bad", rows[i].name, good, r.bad);
		if (rows[i].body != NULL)
			assert_string_equal(last, rows[i].body);
	}
}

static void nul_bytes_are_garbage(void **state)
{
	struct tether_reader r = { 0 };
	char line[TETHER_LINE_MAX + 2];
	int n;

	(void)state;
	/* Even with a checksum that fits: the byte is outside the range. */
	n = sprintf(line, "?1%chello =%04X\n", 0, slow_crc("?1\0hello", 8));
	assert_int_equal(good_lines(&r, line, (size_t)n), 0);
	assert_int_equal(r.bad, 1);
}

static void holds_the_length_of_a_line(void **state)
{
	char body[140], line[160];

	(void)state;
	for (size_t n = 100; n < 130; n++) {
		struct tether_reader r = { 0 };
		struct tether_writer w;
		size_t len;
		bool fits = n + 7 <= 120; /* " =XXXX\n" */

		memset(body, 'x', n);
		body[n] = '\0';
		len = (size_t)sprintf(line, "%s =%04X\n", body, slow_crc(body, n));
		assert_int_equal(good_lines(&r, line, len), fits);
		assert_int_equal(r.bad, !fits);
		/* the reader is at ease again at once */
		assert_int_equal(good_lines(&r, "?1 hello 1 =512D\n", 17), 1);
		tether_begin(&w, body);
		assert_int_equal(tether_end(&w), fits ? len : 0);
		assert_string_equal(w.line, fits ? line : "");
	}
}

static void drops_a_flood_without_newline_as_one_line(void **state)
{
	struct tether_reader r = { 0 };

	(void)state;
	for (int i = 0; i < 100000; i++)
		assert_false(tether_feed(&r, 'x'));
	assert_int_equal(good_lines(&r, " =0000\n?1 hello 1 =512D\n", 24), 1);
	assert_int_equal(r.bad, 1);
}

static void counts_wrap_not_stick(void **state)
{
	struct tether_reader r = { .bad = 65535 };

	(void)state;
	assert_int_equal(good_lines(&r, "x\n", 2), 0);
	assert_int_equal(r.bad, 0);
}

static const char *const samples[] = {
	"F ff ffffffff -8388608 ff ffff 999999 9999 99999 -99999 ff",
	"F 03 0014361f -1198 5c 0002 4310 148 24006 412 0c",
	"S 28 3 stopping lease 00 5712 0 236 231 209 -",
	"!1 ok 1 lock-7 3f2a 0012d687",
	"?12 set 300 speed -6000 150",
	"E 02 state safe 001f21c4",
	"B 3f2b power",
	"?0 x",
};

static size_t make_line(const char *body, char *line)
{
	return (size_t)sprintf(line, "%s =%04X\n", body, slow_crc(body, strlen(body)));
}

static void rejects_every_truncation(void **state)
{
	(void)state;
	for (size_t i = 0; i < COUNT(samples); i++) {
		char line[TETHER_LINE_MAX + 8];
		size_t n = make_line(samples[i], line);

		for (size_t keep = 1; keep + 1 < n; keep++) {
			struct tether_reader head = { 0 }, tail = { 0 };

			assert_int_equal(good_lines(&head, line, keep) + tether_feed(&head, '\n'), 0);
			assert_int_equal(head.bad, 1);
			assert_int_equal(good_lines(&tail, line + keep, n - keep), 0);
			assert_int_equal(tail.bad, 1);
		}
	}
}

static void rejects_every_flipped_bit_and_swapped_pair(void **state)
{
	(void)state;
	for (size_t i = 0; i < COUNT(samples); i++) {
		char line[TETHER_LINE_MAX + 8], hurt[TETHER_LINE_MAX + 9];
		size_t n = make_line(samples[i], line);

		for (size_t bit = 0; bit < 8 * n; bit++) {
			struct tether_reader r = { 0 };

			memcpy(hurt, line, n);
			hurt[bit / 8] = (char)(hurt[bit / 8] ^ 1 << bit % 8);
			hurt[n] = '\n'; /* when the newline itself was hit */
			if (good_lines(&r, hurt, n + 1) != 0)
				fail_msg("\"%s\" bit %zu", samples[i], bit);
			assert_true(r.bad > 0);
		}
		for (size_t k = 0; k + 2 < n; k++) {
			struct tether_reader r = { 0 };

			memcpy(hurt, line, n);
			hurt[k] = line[k + 1];
			hurt[k + 1] = line[k];
			assert_int_equal(good_lines(&r, hurt, n), line[k] == line[k + 1]);
		}
	}
}

static void splits_at_single_spaces(void **state)
{
	static const struct {
		const char *body;
		size_t n;
	} rows[] = {
		{ "a", 1 },
		{ "a b", 2 },
		{ "?1 hand hang x", 4 },
		{ "", 0 },
		{ " ", 0 },
		{ " a", 0 },
		{ "a ", 0 },
		{ "a  b", 0 },
		{ "1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20", 20 },
		{ "1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20 21", 0 },
	};

	(void)state;
	for (size_t i = 0; i < COUNT(rows); i++) {
		char body[TETHER_LINE_MAX], *token[TETHER_TOKENS], back[TETHER_LINE_MAX] = "";
		size_t n;

		strcpy(body, rows[i].body);
		n = tether_split(body, token);
		assert_int_equal(n, rows[i].n);
		for (size_t k = 0; k < n; k++) {
			strcat(back, k > 0 ? " " : "");
			strcat(back, token[k]);
		}
		if (n > 0)
			assert_string_equal(back, rows[i].body);
	}
}

static void reads_decimals_strictly(void **state)
{
	static const struct {
		const char *token;
		int64_t min, max;
		bool ok;
		int64_t value;
	} rows[] = {
		{ "0", 0, 9, true, 0 },
		{ "7", 0, 9, true, 7 },
		{ "-7", -9, 9, true, -7 },
		{ "10", 0, 9, false, 0 },
		{ "-1", 0, 9, false, 0 },
		{ "", -9, 9, false, 0 },
		{ "-", -9, 9, false, 0 },
		{ "+7", -9, 9, false, 0 },
		{ "-0", -9, 9, false, 0 },
		{ "07", -9, 9, false, 0 },
		{ "00", 0, 9, false, 0 },
		{ "-07", -9, 9, false, 0 },
		{ " 7", 0, 9, false, 0 },
		{ "7 ", 0, 9, false, 0 },
		{ "7x", 0, 9, false, 0 },
		{ "7.0", 0, 9, false, 0 },
		{ "1e1", 0, 99, false, 0 },
		{ "--7", -9, 9, false, 0 },
		{ "a", 0, 99, false, 0 },
		{ "9223372036854775807", 0, INT64_MAX, true, INT64_MAX },
		{ "9223372036854775808", 0, INT64_MAX, false, 0 },
		{ "-9223372036854775808", INT64_MIN, 0, true, INT64_MIN },
		{ "-9223372036854775809", INT64_MIN, 0, false, 0 },
		{ "18446744073709551616", 0, INT64_MAX, false, 0 }, /* 2^64: would wrap to 0 */
		{ "18446744073709551623", 0, 9, false, 0 },         /* 2^64 + 7 */
		{ "99999999999999999999999999", 0, INT64_MAX, false, 0 },
	};

	(void)state;
	for (size_t i = 0; i < COUNT(rows); i++) {
		int64_t value = 4711;

		if (tether_decimal(rows[i].token, rows[i].min, rows[i].max, &value) != rows[i].ok)
			fail_msg("\"%s\"", rows[i].token);
		assert_int_equal(value, rows[i].ok ? rows[i].value : 4711);
	}
}

static void reads_hexadecimals_strictly(void **state)
{
	static const struct {
		const char *token;
		uint64_t max;
		bool ok;
		uint64_t value;
	} rows[] = {
		{ "0", 0xf, true, 0 },
		{ "f", 0xf, true, 15 },
		{ "8", 7, false, 0 },
		{ "ff", 0xff, true, 255 },
		{ "0c", 0xff, true, 12 },
		{ "c", 0xff, false, 0 },
		{ "00c", 0xff, false, 0 },
		{ "FF", 0xff, false, 0 },
		{ "0g", 0xff, false, 0 },
		{ "", 0xff, false, 0 },
		{ "-1", 0xff, false, 0 },
		{ "0x", 0xff, false, 0 },
		{ "ffffffff", 0xffffffff, true, 0xffffffff },
		{ "3f2a", 0xffff, true, 0x3f2a },
		{ "ffffffffffffffff", UINT64_MAX, true, UINT64_MAX },
		{ "10000000000000000", UINT64_MAX, false, 0 },
	};

	(void)state;
	for (size_t i = 0; i < COUNT(rows); i++) {
		uint64_t value = 4711;

		if (tether_hex(rows[i].token, rows[i].max, &value) != rows[i].ok)
			fail_msg("\"%s\"", rows[i].token);
		assert_int_equal(value, rows[i].ok ? rows[i].value : 4711);
	}
}

static void writer_refuses_what_cannot_be_read_back(void **state)
{
	struct tether_writer w;

	(void)state;
	tether_begin(&w, "");
	assert_int_equal(tether_end(&w), 0);
	tether_begin(&w, "a b");
	assert_int_equal(tether_end(&w), 0);
	tether_begin(&w, "a");
	tether_put_word(&w, "b c");
	assert_int_equal(tether_end(&w), 0);
	tether_begin(&w, "a");
	tether_put_word(&w, "");
	assert_int_equal(tether_end(&w), 0);
	tether_begin(&w, "a");
	tether_put_word(&w, "b\n");
	assert_int_equal(tether_end(&w), 0);
	tether_begin(&w, "a");
	tether_put_words(&w, "b  c");
	assert_int_equal(tether_end(&w), 0);
	tether_begin(&w, "a");
	tether_put_words(&w, "b ");
	assert_int_equal(tether_end(&w), 0);
	tether_begin(&w, "a");
	tether_put_hex(&w, 256, 2);
	assert_int_equal(tether_end(&w), 0);
	/* sticky: later, shorter words do not heal it; a new line does */
	tether_begin(&w, "a");
	for (int i = 0; i < 12; i++)
		tether_put_decimal(&w, INT64_MIN);
	assert_int_equal(tether_end(&w), 0);
	tether_begin_seq(&w, '?', 1);
	tether_put_words(&w, "hello 1");
	assert_int_equal(tether_end(&w), 17);
	assert_string_equal(w.line, "?1 hello 1 =512D\n");
}

/* Random lines of words, decimals and hexadecimals come back as they went, through a reader that also sees noise. */
static void round_trips(void **state)
{
	struct tether_reader r = { 0 };

	(void)state;
	for (int i = 0; i < 20000; i++) {
		struct tether_writer w;
		char *token[TETHER_TOKENS];
		int64_t dec = (int64_t)draw() >> draw() % 64, dec_back = 0;
		uint8_t digits = (uint8_t)(1 + draw() % 16), seq = (uint8_t)draw();
		uint64_t max = UINT64_MAX >> (64 - 4 * digits), hex = draw() & max, hex_back;
		char word[20], noise = (char)draw();
		size_t len = 1 + draw() % 18, n;

		for (size_t k = 0; k < len; k++)
			word[k] = (char)(0x21 + draw() % 94);
		word[len] = '\0';
		tether_begin_seq(&w, '!', seq);
		tether_put_decimal(&w, dec);
		tether_put_hex(&w, hex, digits);
		tether_put_word(&w, word);
		n = tether_end(&w);
		assert_true(n > 0 && n == strlen(w.line));
		if (draw() % 4 == 0 && noise != '\n') {
			tether_feed(&r, noise);
			assert_false(tether_feed(&r, '\n'));
		}
		assert_int_equal(good_lines(&r, w.line, n), 1);
		assert_int_equal(tether_split(r.line, token), 4);
		assert_true(token[0][0] == '!' && tether_decimal(token[0] + 1, 0, 255, &dec_back));
		assert_int_equal(dec_back, seq);
		assert_true(tether_decimal(token[1], INT64_MIN, INT64_MAX, &dec_back));
		assert_int_equal(dec_back, dec);
		assert_true(tether_hex(token[2], max, &hex_back));
		assert_int_equal(hex_back, hex);
		assert_string_equal(token[3], word);
	}
}

/* Every example line of docs/tether.md that the page calls good is good, every other one is bad. */
static void page_examples_carry_right_checksums(void **state)
{
	FILE *page = fopen(SOURCE_ROOT "/docs/tether.md", "r");
	char line[400];
	unsigned good = 0, bad = 0;

	(void)state;
	assert_non_null(page);
	while (fgets(line, sizeof line, page) != NULL) {
		struct tether_reader r = { 0 };
		char who[8], *token[TETHER_TOKENS];
		bool wanted;
		int at = 0;

		if (strncmp(line, "    ", 4) != 0 || sscanf(line + 4, "%7[a-z]%n", who, &at) != 1)
			continue;
		at = 4 + 7; /* the column after "host   " */
		wanted = strcmp(who, "host") == 0 || strcmp(who, "node") == 0 || strcmp(who, "bench") == 0;
		if (!wanted && strcmp(who, "bad") != 0)
			continue;
		if ((good_lines(&r, line + at, strlen(line + at)) == 1) != wanted)
			fail_msg("docs/tether.md: %s", line);
		if (wanted)
			assert_true(tether_split(r.line, token) > 0);
		good += wanted;
		bad += !wanted;
	}
	fclose(page);
	print_message("# %u good and %u bad example lines\n", good, bad);
	assert_true(good >= 50 && bad >= 3);
}

/* The bytes of the page's first example, as it prints them. */
static void page_spells_the_bytes(void **state)
{
	FILE *page = fopen(SOURCE_ROOT "/docs/tether.md", "r");
	struct tether_reader r = { 0 };
	char line[400];
	bool found = false;

	(void)state;
	assert_non_null(page);
	while (fgets(line, sizeof line, page) != NULL) {
		char *at = line + 11;
		unsigned good = 0;

		if (strncmp(line, "    bytes  ", 11) != 0)
			continue;
		for (char *end; *at != '\n'; at = end) {
			good += tether_feed(&r, (char)strtoul(at, &end, 16));
			assert_ptr_not_equal(at, end);
		}
		assert_int_equal(good, 1);
		assert_string_equal(r.line, "?1 hello 1");
		found = true;
	}
	fclose(page);
	assert_true(found);
}

static size_t longest_fast(void)
{
	struct tether_writer w;

	tether_begin(&w, "F");
	tether_put_hex(&w, 0xff, 2);
	tether_put_hex(&w, 0xffffffff, 8);
	tether_put_decimal(&w, -8388608);
	tether_put_hex(&w, 0xff, 2);
	tether_put_hex(&w, 0xffff, 4);
	tether_put_decimal(&w, 999999);
	tether_put_decimal(&w, 9999);
	tether_put_decimal(&w, 99999);
	tether_put_decimal(&w, -99999);
	tether_put_hex(&w, 0xff, 2);
	return tether_end(&w);
}

static size_t longest_slow(void)
{
	struct tether_writer w;

	tether_begin(&w, "S");
	tether_put_hex(&w, 0xff, 2);
	tether_put_hex(&w, 0xf, 1);
	tether_put_word(&w, "stopping");
	tether_put_word(&w, "contactor");
	tether_put_hex(&w, 0x3f, 2);
	tether_put_decimal(&w, -999999);
	tether_put_decimal(&w, -999999);
	for (int i = 0; i < 4; i++)
		tether_put_decimal(&w, -2731);
	tether_put_decimal(&w, -9999);
	tether_put_decimal(&w, 35999);
	return tether_end(&w);
}

/* 100 fast samples and 5 slow ones a second stay below 61 % of the line, and the page's figures are these. */
static void samples_fit_the_line(void **state)
{
	size_t bytes = 100 * longest_fast() + 5 * longest_slow();
	double part = (double)(bytes * LINE_BITS_PER_BYTE) / LINE_BAUD;
	char want[200], page_text[40000];
	FILE *page = fopen(SOURCE_ROOT "/docs/tether.md", "r");
	size_t n;

	(void)state;
	print_message("# %zu bytes/s, %.2f %% of the line\n", bytes, 100 * part);
	assert_true(part < 0.61);
	assert_non_null(page);
	n = fread(page_text, 1, sizeof page_text - 1, page);
	page_text[n] = '\0';
	fclose(page);
	snprintf(want, sizeof want, "100 × %zu + 5 × %zu =\n%zu bytes a second, %.1f %%", longest_fast(),
		 longest_slow(), bytes, 100 * part);
	assert_non_null(strstr(page_text, want));
}

int main(void)
{
	const char *wanted = getenv("BRIDLE_TEST_SEED");
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(crc_gives_the_catalogued_values),
		cmocka_unit_test(feeds_good_and_drops_bad_lines),
		cmocka_unit_test(nul_bytes_are_garbage),
		cmocka_unit_test(holds_the_length_of_a_line),
		cmocka_unit_test(drops_a_flood_without_newline_as_one_line),
		cmocka_unit_test(counts_wrap_not_stick),
		cmocka_unit_test(rejects_every_truncation),
		cmocka_unit_test(rejects_every_flipped_bit_and_swapped_pair),
		cmocka_unit_test(splits_at_single_spaces),
		cmocka_unit_test(reads_decimals_strictly),
		cmocka_unit_test(reads_hexadecimals_strictly),
		cmocka_unit_test(writer_refuses_what_cannot_be_read_back),
		cmocka_unit_test(round_trips),
		cmocka_unit_test(page_examples_carry_right_checksums),
		cmocka_unit_test(page_spells_the_bytes),
		cmocka_unit_test(samples_fit_the_line),
	};

	if (wanted != NULL)
		seed = strtoull(wanted, NULL, 10) | 1;
	fprintf(stderr, "# BRIDLE_TEST_SEED=%" PRIu64 "\n", seed);
	return cmocka_run_group_tests(tests, NULL, NULL);
}
