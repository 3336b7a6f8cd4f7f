/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tether's lines: framing, checksum and the parsing of one line. Shared by
 * the host, the virtual bench and, later, the firmware of the node, so this
 * file is portable C: no allocation, no stdio, no floating point, and it fits
 * an 8-bit controller. What the lines mean stands in docs/tether.md. */
#ifndef BRIDLE_NODE_TETHER_H
#define BRIDLE_NODE_TETHER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define TETHER_VERSION 1
#define TETHER_LINE_MAX 120 /* bytes, the newline counted */
#define TETHER_TOKENS 20

/* CRC-16/CCITT-FALSE: polynomial 0x1021, start 0xFFFF; "123456789" gives 0x29B1. */
uint16_t tether_crc(const char *bytes, size_t n);

/* Collects bytes into lines. Zero it before use. */
struct tether_reader {
	char line[TETHER_LINE_MAX + 1];
	uint8_t n;
	bool overlong; /* dropping until the next newline */
	uint16_t bad;  /* lines dropped since the start: garbage, bad checksum, overlong (wraps) */
};

/* Feed one byte. True when a good line is complete: then reader->line holds its
 * body, NUL-terminated, without checksum, until the next call. A CR just before the newline is
 * ignored, an empty line is skipped silently, anything else that is not a good line counts in bad. */
bool tether_feed(struct tether_reader *reader, char byte);

/* Split a body at single spaces, in place. Returns the number of tokens, 0 when more than
 * TETHER_TOKENS, two spaces in a row, or one at either end. tokens[] point into body. */
size_t tether_split(char *body, char *tokens[TETHER_TOKENS]);

/* Whole numbers. False (and *ret untouched) on anything but a clean number inside [min, max]: no
 * plus sign, no leading zeros, no "-0". */
bool tether_decimal(const char *token, int64_t min, int64_t max, int64_t *ret);
/* Lower-case, with exactly as many digits as max has: max 0xff wants two, 0xffff four. */
bool tether_hex(const char *token, uint64_t max, uint64_t *ret);

/* Builds a line. Sticky overflow (too long, or a word that may not stand on a line): build first, ask once. */
struct tether_writer {
	char line[TETHER_LINE_MAX + 1];
	uint8_t n;
	bool overflow;
};
void tether_begin(struct tether_writer *w, const char *first_token);
void tether_begin_seq(struct tether_writer *w, char kind, uint8_t seq); /* '?' or '!' and the number: "?12" */
void tether_put_word(struct tether_writer *w, const char *word);        /* a space goes in front */
void tether_put_words(struct tether_writer *w, const char *words);      /* the same; single spaces inside are fine */
void tether_put_decimal(struct tether_writer *w, int64_t value);
void tether_put_hex(struct tether_writer *w, uint64_t value, uint8_t digits); /* zero-padded, lower case */
/* Adds checksum and newline (and a NUL); returns the length in bytes without the NUL, 0 when it did not fit. */
size_t tether_end(struct tether_writer *w);

#endif
