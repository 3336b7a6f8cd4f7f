/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as a table: never a crash; a refusal has a sentence; of what is taken every cell can be read. */
#include "profile/csv_private.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void read_cells(const struct csv *t, size_t most)
{
	double x;

	if (t->n_rows == 0 || t->n_columns == 0)
		abort();
	for (size_t row = 0; row < t->n_rows; row++)
		for (size_t column = 0; column < t->n_columns; column++) {
			if (strlen(csv_cell(t, row, column)) > most)
				abort();
			if (csv_number(t, row, column, &x, NULL) == RC_OK && !isfinite(x))
				abort();
		}
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	char *text = malloc(n + 1);
	struct mistakes m = { 0 };
	struct err err = { 0 };
	struct csv t;

	if (!text)
		return 0;
	memcpy(text, data, n);
	text[n] = '\0';
	if (csv_parse(text, "t.csv", &t, &m, &err) == RC_OK) {
		read_cells(&t, n);
		csv_free(&t);
	} else if (!err.what[0]) {
		abort();
	}
	return 0;
}
