/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/chain.h"

#include <math.h>
#include <string.h>

static void store_le(uint8_t *to, uint64_t bits)
{
	for (int i = 0; i < 8; i++)
		to[i] = (uint8_t)(bits >> (8 * i));
}

void chain_row_begin(struct sha256_ctx *hash, const struct chain *before, const char *table)
{
	sha256_init(hash);
	sha256_update(hash, CHAIN_SIZE, before->digest);
	chain_text(hash, table);
}

void chain_int(struct sha256_ctx *hash, int64_t value)
{
	uint8_t bytes[8];

	store_le(bytes, (uint64_t)value);
	sha256_update(hash, sizeof bytes, bytes);
}

void chain_real(struct sha256_ctx *hash, double value)
{
	uint64_t bits;

	if (isnan(value))
		bits = UINT64_C(0x7ff8000000000000);
	else if (fpclassify(value) == FP_ZERO)
		bits = 0;
	else
		memcpy(&bits, &value, sizeof bits);
	chain_int(hash, (int64_t)bits);
}

void chain_text(struct sha256_ctx *hash, const char *text)
{
	if (!text) {
		chain_int(hash, -1);
		return;
	}
	size_t n = strlen(text);
	chain_int(hash, (int64_t)n);
	sha256_update(hash, n, (const uint8_t *)text);
}

void chain_bytes(struct sha256_ctx *hash, const uint8_t *bytes, size_t n)
{
	sha256_update(hash, n, bytes);
}

void chain_row_end(struct sha256_ctx *hash, struct chain *after)
{
	sha256_digest(hash, CHAIN_SIZE, after->digest);
}

int64_t chain_short(const struct chain *chain)
{
	uint64_t bits = 0;

	for (int i = 0; i < 8; i++)
		bits |= (uint64_t)chain->digest[i] << (8 * i);
	return (int64_t)bits;
}
