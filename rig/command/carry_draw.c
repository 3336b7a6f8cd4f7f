/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/carry_draw.h"

#include <stdio.h>
#include <stdlib.h>

static void write_row(FILE *f, const struct carry_table *t, size_t row)
{
	const char *between = "";

	for (size_t c = 0; c < CARRY_COLUMNS; c++) {
		if (!t->column[c])
			continue;
		fprintf(f, "%s%.9g", between, t->column[c][row]);
		between = ",";
	}
	fputc('\n', f);
}

static char *table_text(const struct carry_table *t)
{
	char *text = NULL;
	size_t size = 0;
	FILE *f = open_memstream(&text, &size);

	if (!f)
		return NULL;
	fprintf(f, "%s\n", t->heading);
	for (size_t i = 0; i < t->n; i++)
		write_row(f, t, i);
	if (fclose(f) == 0)
		return text;
	free(text);
	return NULL;
}

enum rc carry_draw(const char *style, const struct carry_words *words, const struct carry_table *table,
		   const char *plot, struct procedure *ret, struct err *err)
{
	const char *name = words->name;

	if (!ret->kind)
		ret->kind = procedure_kind(words->kind);
	if (ret->n_drawings == PROCEDURE_DRAWINGS)
		return err_set(err, RC_RANGE, 0, "more than %d figures of one result", PROCEDURE_DRAWINGS);
	struct procedure_drawing *d = &ret->drawing[ret->n_drawings++];
	*d = (struct procedure_drawing){
		.name = name, .title = words->title, .caption = words->caption, .table = table_text(table)
	};
	if (asprintf(&d->script, "# gnuplot %s.gp\n%sset output '%s.svg'\n%s", name, style, name, plot) < 0)
		d->script = NULL;
	return d->table && d->script ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for the figure");
}
