/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any line as a supply's answer: never a crash; numbers are finite, a text ends within its room. */
#include "instrument/scpi_words.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

#define MOST 4

static void answer(const char *line)
{
	char text[SCPI_TEXT];
	double value[MOST];
	long number;

	memset(text, 'x', sizeof text);
	if (scpi_error(line, &number, text) && !memchr(text, '\0', sizeof text))
		abort();
	for (size_t n = 1; n <= MOST; n++) {
		if (!scpi_numbers(line, n, value))
			continue;
		for (size_t i = 0; i < n; i++)
			if (!isfinite(value[i]))
				abort();
	}
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	char *line = malloc(n + 1);

	if (!line)
		return 0;
	memcpy(line, data, n);
	line[n] = '\0';
	answer(line);
	free(line);
	return 0;
}
