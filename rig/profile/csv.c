/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/csv_private.h"

#include "calib/number/number.h"
#include "calib/number/quantity.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define NO_COLUMNS 256              /* more is not a table of readings */
#define NO_CELLS ((size_t)32 << 20) /* an hour at 1 kHz of nine columns; beyond it the memory would have no bound */

struct reader {
	struct csv *table;
	struct mistakes *m;
	size_t n_mistakes;
	char first[300];
	char *at;
	unsigned line;
	bool failed; /* out of memory */
};

static void mistake(struct reader *r, unsigned line, const char *format, ...) PRINTF_LIKE(3, 4);
static void mistake(struct reader *r, unsigned line, const char *format, ...)
{
	char text[300];
	va_list args;
	int n = snprintf(text, sizeof text, "%.100s:%u: ", r->table->name, line);

	va_start(args, format);
	vsnprintf(text + n, sizeof text - (size_t)n, format, args);
	va_end(args);
	if (r->n_mistakes++ == 0)
		memcpy(r->first, text, sizeof r->first);
	if (!r->m)
		return;
	if (r->m->n < sizeof r->m->line / sizeof r->m->line[0])
		memcpy(r->m->line[r->m->n++], text, sizeof text);
	else
		r->m->more++;
}

static enum rc answer(const struct reader *r, struct err *err)
{
	if (r->n_mistakes > 1)
		return err_set(err, RC_ARG, 0, "%s (and %zu more)", r->first, r->n_mistakes - 1);
	return err_set(err, RC_ARG, 0, "%s", r->first);
}

static bool blank(char c)
{
	return c == ' ' || c == '\t' || c == '\r';
}

/* Cuts blanks off both ends, in place; end: where it ends by now. */
static char *trimmed_to(char *s, char *end)
{
	while (blank(*s))
		s++;
	while (end > s && blank(end[-1]))
		end--;
	*end = '\0';
	return s;
}

static char *trimmed(char *s)
{
	return trimmed_to(s, s + strlen(s));
}

static char *field_end(const struct reader *r, char *at)
{
	const char separator = r->table->separator;

	while (*at && *at != separator && *at != '\n')
		at++;
	return at;
}

/* A quoted field at r->at, unquoted in place; r->at goes behind it and whatever stands before the next separator. */
static char *quoted_field(struct reader *r)
{
	char *from = r->at + 1, *to = from, *begin = from;
	unsigned opened = r->line;

	for (;; from++) {
		if (*from == '\0') {
			mistake(r, opened, "a quoted field has no closing quote");
			break;
		}
		if (*from == '"' && *++from != '"')
			break;
		if (*from == '\n')
			r->line++;
		*to++ = *from;
	}
	r->at = from;
	size_t rest = (size_t)(field_end(r, from) - from);
	if (strspn(from, " \t\r") < rest)
		mistake(r, opened, "text stands after the closing quote of a field; double a quote inside: \"\"");
	r->at += rest;
	/* The end mark may overwrite the separator: it is looked at before. */
	char *mark = to;
	if (mark < r->at)
		*mark = '\0';
	return begin;
}

/* The next field; *ret_end is the byte that ended it: separator, newline or 0. */
static char *field(struct reader *r, char *ret_end)
{
	char *begin = r->at + strspn(r->at, r->table->separator == '\t' ? " " : " \t"), *text;

	if (*begin == '"') {
		r->at = begin;
		text = quoted_field(r);
	} else {
		text = r->at;
		char *end = r->at = field_end(r, r->at);
		*ret_end = *end;
		if (*end)
			*r->at++ = '\0';
		return trimmed_to(text, end);
	}
	*ret_end = *r->at;
	if (*r->at)
		*r->at++ = '\0';
	return trimmed(text);
}

static bool blank_or_comment(const char *line)
{
	while (blank(*line))
		line++;
	return *line == '#' || *line == '\n' || *line == '\0';
}

/* To the next line that holds something; false at the end. */
static bool next_line(struct reader *r)
{
	while (*r->at && blank_or_comment(r->at)) {
		r->at += strcspn(r->at, "\n");
		if (*r->at)
			r->at++;
		r->line++;
	}
	return *r->at != '\0';
}

static char separator_of(const char *line)
{
	bool quoted = false, semicolon = false, tab = false;

	for (; *line && (quoted || *line != '\n'); line++) {
		if (*line == '"')
			quoted = !quoted;
		if (quoted)
			continue;
		if (*line == ',')
			return ',';
		semicolon = semicolon || *line == ';';
		tab = tab || *line == '\t';
	}
	return semicolon ? ';' : tab ? '\t' : ',';
}

/* "torque (N m)" in place: name and unit. */
static struct csv_column heading(char *text)
{
	char *close = text + strlen(text), *open = strrchr(text, '(');

	if (!open || close[-1] != ')')
		return (struct csv_column){ text, "" };
	close[-1] = '\0';
	*open = '\0';
	return (struct csv_column){ trimmed(text), trimmed(open + 1) };
}

static bool read_headings(struct reader *r)
{
	struct csv *t = r->table;
	unsigned line = r->line;
	double number;
	char end;

	t->separator = separator_of(r->at);
	t->column = calloc(NO_COLUMNS, sizeof *t->column);
	if (!t->column)
		return false;
	do {
		struct csv_column c = heading(field(r, &end));
		if (t->n_columns == NO_COLUMNS) {
			mistake(r, line, "more than %d columns", NO_COLUMNS);
			break;
		}
		if (!*c.name)
			mistake(r, line,
				"column %zu has no heading; the first line names the columns: x, torque (N m), ...",
				t->n_columns + 1);
		else if (number_parse(c.name, &number, NULL) == RC_OK && r->n_mistakes == 0)
			mistake(r, line,
				"found the number %.60s where column %zu should have its heading; the first line names "
				"the columns: x, torque (N m), ...",
				c.name, t->n_columns + 1);
		else if (csv_find(t, c.name) >= 0)
			mistake(r, line, "two columns are called \"%.60s\"", c.name);
		t->column[t->n_columns++] = c;
	} while (end && end != '\n');
	r->line++;
	return true;
}

static bool grow(struct csv *t)
{
	size_t room = t->room ? 2 * t->room : 64;
	uint32_t *cell = realloc(t->cell, room * t->n_columns * sizeof *cell);
	if (!cell)
		return false;
	t->cell = cell;
	unsigned *line = realloc(t->line, room * sizeof *line);
	if (!line)
		return false;
	t->line = line;
	t->room = room;
	return true;
}

static bool read_row(struct reader *r)
{
	struct csv *t = r->table;
	unsigned line = r->line;
	size_t n = 0;
	char end;

	if (t->n_rows == t->room && !grow(t))
		return false;
	uint32_t *cell = t->cell + t->n_rows * t->n_columns;
	do {
		const char *text = field(r, &end);
		if (n < t->n_columns)
			cell[n] = (uint32_t)(text - t->text); /* CSV_MOST is below its end */
		n++;
	} while (end && end != '\n');
	if (n != t->n_columns)
		mistake(r, line, "found %zu cells, expected %zu as there are headings%s", n, t->n_columns,
			n > t->n_columns ? " (a decimal is written with a point)" : "");
	for (; n < t->n_columns; n++)
		cell[n] = (uint32_t)(strchr(t->text, '\0') - t->text);
	t->line[t->n_rows++] = line;
	r->line++;
	return true;
}

static enum rc read_all(struct reader *r, struct err *err)
{
	struct csv *t = r->table;

	if (!next_line(r))
		return err_set(err, RC_ARG, 0, "%s: empty; expected a line of column headings and rows under it",
			       t->name);
	if (!read_headings(r))
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", t->name);
	while (next_line(r))
		if ((t->n_rows + 1) * t->n_columns > NO_CELLS)
			return err_set(
				err, RC_ARG, 0,
				"%s: has more than %zu million cells; expected a table of readings, or a part of it",
				t->name, NO_CELLS >> 20);
		else if (!read_row(r))
			return err_set(err, RC_NOMEM, 0, "%s: out of memory after %zu rows", t->name, t->n_rows);
	if (r->n_mistakes)
		return answer(r, err);
	if (t->n_rows == 0)
		return err_set(err, RC_ARG, 0, "%s: there are no rows under the headings", t->name);
	return RC_OK;
}

enum rc csv_parse(char *text, const char *name, struct csv *ret, struct mistakes *m, struct err *err)
{
	struct csv table = { .name = strdup(name), .text = text };
	struct reader r = { .table = &table, .m = m, .at = text, .line = 1 };

	if (!table.name) {
		csv_free(&table);
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", name);
	}
	if (strncmp(text, "\xef\xbb\xbf", 3) == 0)
		r.at += 3;
	enum rc rc = read_all(&r, err);
	if (rc)
		csv_free(&table);
	else
		*ret = table;
	return rc;
}

/* The whole of an open file, ended by 0; NULL with errno: it cannot be read, or EFBIG. Given to the caller. */
static char *slurp(FILE *file, size_t *ret_n)
{
	size_t room = 1 << 16, n = 0, got;
	char *text = malloc(room);

	while (text && (got = fread(text + n, 1, room - n - 1, file)) > 0) {
		n += got;
		if (n > CSV_MOST) {
			free(text);
			errno = EFBIG;
			return NULL;
		}
		if (room - n > 1)
			continue;
		char *more = realloc(text, room *= 2);
		if (!more)
			free(text);
		text = more;
	}
	if (text && ferror(file)) {
		free(text);
		return NULL;
	}
	if (text)
		text[n] = '\0';
	*ret_n = n;
	return text;
}

enum rc csv_read(const char *path, struct csv *ret, struct mistakes *m, struct err *err)
{
	FILE *file = fopen(path, "rb");
	size_t n = 0;

	if (!file) /* a file that is not there is a wrong request, not a failure of the machine */
		return err_set(err, errno == ENOENT || errno == ENOTDIR ? RC_ARG : RC_IO, errno,
			       "%s: cannot be opened: %s", path, strerror(errno));
	errno = 0;
	char *text = slurp(file, &n);
	int saved = errno;
	fclose(file);
	if (!text && saved == EFBIG)
		return err_set(err, RC_ARG, saved,
			       "%s: has more than %d MB; expected a table of readings, or a part of it", path,
			       CSV_MOST >> 20);
	if (!text)
		return err_set(err, saved == ENOMEM ? RC_NOMEM : RC_IO, saved, "%s: cannot be read: %s", path,
			       strerror(saved));
	if (memchr(text, '\0', n)) {
		free(text);
		return err_set(err, RC_ARG, 0, "%s: holds zero bytes; expected a table as plain text", path);
	}
	return csv_parse(text, path, ret, m, err);
}

void csv_free(struct csv *table)
{
	free(table->name);
	free(table->column);
	free(table->cell);
	free(table->line);
	free(table->text);
	*table = (struct csv){ 0 };
}

int csv_find(const struct csv *table, const char *name)
{
	for (size_t i = 0; i < table->n_columns; i++)
		if (strcmp(table->column[i].name, name) == 0)
			return (int)i;
	return -1;
}

enum rc csv_need(const struct csv *table, const char *name, size_t *ret, struct err *err)
{
	char list[200] = "";
	int at = csv_find(table, name);

	if (at >= 0) {
		*ret = (size_t)at;
		return RC_OK;
	}
	for (size_t i = 0; i < table->n_columns; i++) {
		size_t n = strlen(list);
		snprintf(list + n, sizeof list - n, "%s%.40s", i ? ", " : "", table->column[i].name);
	}
	return err_set(err, RC_ARG, 0, "%s: no column \"%.60s\"; there are: %s", table->name, name, list);
}

const char *csv_cell(const struct csv *table, size_t row, size_t column)
{
	return table->text + table->cell[row * table->n_columns + column];
}

enum rc csv_number(const struct csv *table, size_t row, size_t column, double *ret, struct err *err)
{
	const char *text = csv_cell(table, row, column);
	struct err inner = { 0 };

	if (!*text)
		return err_set(err, RC_ARG, 0, "%s:%u: \"%.60s\" is empty, expected a number", table->name,
			       table->line[row], table->column[column].name);
	enum rc rc = number_parse(text, ret, &inner);
	if (rc)
		return err_set(err, rc, 0, "%s:%u: \"%.60s\": %s", table->name, table->line[row],
			       table->column[column].name, inner.what);
	return RC_OK;
}

static enum rc factor_of(const struct csv *table, size_t column, const char *unit, double *ret_factor,
			 double *ret_offset, struct err *err)
{
	const struct csv_column *c = &table->column[column];

	*ret_factor = 1;
	*ret_offset = 0;
	if (!unit || (!*c->unit && strcmp(unit, "1") == 0))
		return RC_OK;
	if (!*c->unit)
		return err_set(err, RC_ARG, 0,
			       "%s: the heading \"%.60s\" has no unit; write it as \"%.60s (%s)\" or with another "
			       "unit of the same kind",
			       table->name, c->name, c->name, unit);
	enum rc rc = quantity_convert(c->unit, unit, ret_factor, ret_offset, err);
	if (rc)
		err_prefix(err, "%.100s: heading \"%.60s (%.30s)\": ", table->name, c->name, c->unit);
	return rc;
}

static enum rc numbers(const struct csv *table, size_t column, const char *unit, bool may_be_empty, double *ret,
		       struct mistakes *m, struct err *err)
{
	struct csv named = { .name = table->name };
	struct reader r = { .table = &named, .m = m };
	struct err inner = { 0 };
	double factor, offset, value;
	enum rc rc = factor_of(table, column, unit, &factor, &offset, err);

	if (rc)
		return rc;
	for (size_t i = 0; i < table->n_rows; i++) {
		const char *text = csv_cell(table, i, column), *heading_name = table->column[column].name;
		if (!*text && may_be_empty)
			ret[i] = NAN;
		else if (!*text)
			mistake(&r, table->line[i], "\"%.60s\" is empty, expected a number", heading_name);
		else if (number_parse(text, &value, &inner))
			mistake(&r, table->line[i], "\"%.60s\": %s", heading_name, inner.what);
		else if (!isfinite(ret[i] = value * factor + offset))
			mistake(&r, table->line[i], "\"%.60s\": %g is too large in %s", heading_name, value, unit);
	}
	return r.n_mistakes ? answer(&r, err) : RC_OK;
}

enum rc csv_numbers(const struct csv *table, size_t column, const char *unit, double *ret, struct mistakes *m,
		    struct err *err)
{
	return numbers(table, column, unit, false, ret, m, err);
}

enum rc csv_numbers_where(const struct csv *table, size_t column, const char *unit, double *ret, struct mistakes *m,
			  struct err *err)
{
	return numbers(table, column, unit, true, ret, m, err);
}
