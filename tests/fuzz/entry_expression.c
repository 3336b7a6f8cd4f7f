/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as an expression of a model: never a crash; what is understood gives a column of numbers. */
#include "calc/expression.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	static const char *const names[] = { "m", "L" };
	static const double masses[] = { 5, -1, 0 }, lengths[] = { 0.25, 1e300, 2 };
	static const double *const columns[] = { masses, lengths };
	double ret[3];
	char *text = malloc(n + 1);

	if (!text)
		return 0;
	memcpy(text, data, n);
	text[n] = '\0';
	struct expression *e = expression_new(text, names, 2);
	if (e)
		expression_run(e, columns, ret, 3);
	expression_free(e);
	free(text);
	return 0;
}
