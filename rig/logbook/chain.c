/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "logbook/chain.h"

#include <string.h>

void chain_digest_gathered(struct chain_row *row)
{
	sha256_update(&row->hash, row->n, row->bytes);
	row->n = 0;
}

void chain_row_begin(struct chain_row *row, const struct chain *before, const char *table)
{
	sha256_init(&row->hash);
	row->n = 0;
	chain_bytes(row, before->digest, CHAIN_SIZE);
	chain_text(row, table);
}

void chain_text(struct chain_row *row, const char *text)
{
	if (!text) {
		chain_int(row, -1);
		return;
	}
	size_t n = strlen(text);
	chain_int(row, (int64_t)n);
	chain_bytes(row, (const uint8_t *)text, n);
}

void chain_bytes(struct chain_row *row, const uint8_t *bytes, size_t n)
{
	if (sizeof row->bytes - row->n < n)
		chain_digest_gathered(row);
	if (n > sizeof row->bytes) {
		sha256_update(&row->hash, n, bytes);
		return;
	}
	memcpy(row->bytes + row->n, bytes, n);
	row->n += n;
}

void chain_row_end(struct chain_row *row, struct chain *after)
{
	chain_digest_gathered(row);
	sha256_digest(&row->hash, CHAIN_SIZE, after->digest);
}

int64_t chain_short(const struct chain *chain)
{
	uint64_t bits = 0;

	for (int i = 0; i < 8; i++)
		bits |= (uint64_t)chain->digest[i] << (8 * i);
	return (int64_t)bits;
}
