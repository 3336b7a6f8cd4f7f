/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as a record of a logbook; the first says which (c: calibration, else: brake map). Never a crash; a refusal
 * has a sentence; what is taken is written and read again to the same text. */
#include "logbook/record.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static char *calibration(const char *json, struct err *err)
{
	static struct cellcal cal;

	return record_to_cellcal(json, &cal, err) == RC_OK ? record_from_cellcal(&cal) : NULL;
}

static char *map(const char *json, struct err *err)
{
	static struct brakemap brake;

	return record_to_brakemap(json, &brake, err) == RC_OK ? record_from_brakemap(&brake) : NULL;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	char *json = n > 0 ? malloc(n) : NULL;
	struct err err = { 0 };

	if (!json)
		return 0;
	memcpy(json, data + 1, n - 1);
	json[n - 1] = '\0';
	char *(*through)(const char *, struct err *) = data[0] == 'c' ? calibration : map;
	char *once = through(json, &err);
	if (!once && !err.what[0])
		abort();
	if (once) {
		char *twice = through(once, &err);
		if (!twice || strcmp(once, twice) != 0)
			abort();
		free(twice);
	}
	free(once);
	free(json);
	return 0;
}
