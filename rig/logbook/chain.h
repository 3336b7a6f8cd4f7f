/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The running digest over rows: digest(i) = SHA-256(digest(i-1), name of the table, every field of row i).
 * SHA-256 (FIPS 180-4) by nettle. What it shows and what it does not is said in docs/logbook.md.
 *
 * Fields are fed in a form that SQLite gives back unchanged: whole numbers and the bits of a double as eight bytes,
 * low byte first; every NaN is one NaN (it is stored as NULL) and -0 is 0; a text is its length in bytes and then
 * its bytes, NULL is length -1. Nothing depends on how rows were grouped into commits. */
#ifndef BRIDLE_LOGBOOK_CHAIN_H
#define BRIDLE_LOGBOOK_CHAIN_H

#include <endian.h>
#include <math.h>
#include <nettle/sha2.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define CHAIN_SIZE SHA256_DIGEST_SIZE

/* Zeroed = the start of a chain. */
struct chain {
	uint8_t digest[CHAIN_SIZE];
};

/* A row on its way into the chain. Its bytes are gathered, because thirty digests of eight bytes cost more than one of
 * all. Made by chain_row_begin, of no use after chain_row_end. */
struct chain_row {
	struct sha256_ctx hash;
	size_t n; /* bytes gathered and not yet digested */
	uint8_t bytes[8 * SHA256_BLOCK_SIZE];
};

void chain_row_begin(struct chain_row *row, const struct chain *before, const char *table);

/* Digests what was gathered: for chain_int alone. */
void chain_digest_gathered(struct chain_row *row);

/* Here, not in chain.c: thirty calls a row cost as much as half of its hash. */
static inline void chain_int(struct chain_row *row, int64_t value)
{
	const uint64_t bits = htole64((uint64_t)value); /* one store: a loop over the bytes costs more than the hash */

	if (sizeof row->bytes - row->n < sizeof bits)
		chain_digest_gathered(row);
	memcpy(row->bytes + row->n, &bits, sizeof bits);
	row->n += sizeof bits;
}

static inline void chain_real(struct chain_row *row, double value)
{
	const double plain = value + 0.0; /* -0 + 0 is 0 */
	int64_t bits;

	memcpy(&bits, &plain, sizeof bits);
	chain_int(row, isnan(value) ? INT64_C(0x7ff8000000000000) : bits);
}

void chain_text(struct chain_row *row, const char *text);
void chain_bytes(struct chain_row *row, const uint8_t *bytes, size_t n);
void chain_row_end(struct chain_row *row, struct chain *after);

/* The first eight bytes as a whole number: what a row that comes by the million carries. */
int64_t chain_short(const struct chain *chain);

#endif
