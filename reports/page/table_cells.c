/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/table_cells.h"

#include <math.h>

void table_number(FILE *f, double value)
{
	if (isfinite(value))
		fprintf(f, ",%.10g", value);
	else
		fputc(',', f);
}

void table_text(FILE *f, const char *text)
{
	fputc('"', f);
	for (; *text; text++) {
		if (*text == '"')
			fputc('"', f);
		fputc(*text, f);
	}
	fputc('"', f);
}
