/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the files of this room share. */
#ifndef BRIDLE_REPORTS_PACK_PACK_PRIVATE_H
#define BRIDLE_REPORTS_PACK_PACK_PRIVATE_H

#include "reports/pack/pack.h"

#include "logbook/logbook.h"

#include <nettle/sha2.h>
#include <stdbool.h>
#include <stdio.h>

bool pack_name_fits(const char *name);
void pack_digest_text(struct sha256_ctx *h, char ret[PACK_DIGEST_TEXT]); /* of what it was fed */
extern const char pack_read_me[];                                        /* README.txt */
extern const char pack_samples_head[];                                   /* first line of samples.csv */
/* A line of it. */
void pack_put_sample(FILE *f, size_t window, const struct sample *s);
void pack_digest(const void *bytes, size_t n, char ret[PACK_DIGEST_TEXT]);

#endif
