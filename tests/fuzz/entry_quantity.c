/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as a quantity (the first line) in a unit (the second): never a crash, what is taken is finite. */
#include "calib/number/quantity.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

/* UDUNITS-2 2.2.28 loses the few bytes of a word when its grammar gives up on a malformed unit. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
	return "leak:utlex";
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	char *text = malloc(n + 1), *unit, part[24];
	struct err err = { 0 };
	struct quantity q;
	double factor, offset;

	if (!text)
		return 0;
	memcpy(text, data, n);
	text[n] = '\0';
	unit = strchr(text, '\n');
	if (unit)
		*unit++ = '\0';
	else
		unit = text + strlen(text);
	if (quantity_parse(text, unit, &q, &err) == RC_OK ? !isfinite(q.value) || !(q.u >= 0) : !err.what[0])
		abort();
	if (quantity_parse_si(text, &q, part, sizeof part, &err) == RC_OK && !isfinite(q.value))
		abort();
	if (quantity_convert(text, unit, &factor, &offset, &err) == RC_OK && !isfinite(factor))
		abort();
	free(text);
	return 0;
}
