/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/type_table.h"

#include "calib/number/number.h"
#include "live/live.h"
#include "reports/page/report_write.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define COLUMNS 12
#define NAME 40
#define CELL 40

struct typing {
	FILE *to;
	size_t n, rows;
	char name[COLUMNS][NAME];
	char cell[COLUMNS][CELL];
};

static enum rc read_columns(struct typing *t, const char *text, struct err *err)
{
	for (const char *at = text; *at; at += *at == ',') {
		at += strspn(at, " ");
		size_t n = strcspn(at, ","), used = n;
		while (used > 0 && at[used - 1] == ' ')
			used--;
		if (used == 0 || used >= NAME || t->n == COLUMNS)
			return err_set(err, RC_ARG, 0,
				       "--type: found \"%.80s\", expected 1 to %d headings such as \"speed (rpm), "
				       "torque (N m)\"",
				       text, COLUMNS);
		memcpy(t->name[t->n], at, used);
		t->name[t->n++][used] = '\0';
		at += n;
	}
	return t->n > 0 ? RC_OK : err_set(err, RC_ARG, 0, "--type: expected headings such as \"speed (rpm)\"");
}

/* Those that are there go on, as they were written here. */
static enum rc same_headings(struct typing *t, const char *path, struct err *err)
{
	char wanted[COLUMNS * (NAME + 1)] = "", line[COLUMNS * (NAME + 1) + 2] = "";
	FILE *f = fopen(path, "re");

	if (f == NULL)
		return err_set(err, RC_IO, errno, "%s: cannot be read: %s", path, strerror(errno));
	for (size_t i = 0; i < t->n; i++)
		snprintf(wanted + strlen(wanted), sizeof wanted - strlen(wanted), "%s%s", i ? "," : "", t->name[i]);
	bool same = fgets(line, sizeof line, f) && line[strcspn(line, "\r\n")] != '\0';
	line[strcspn(line, "\r\n")] = '\0';
	same = same && strcmp(line, wanted) == 0;
	for (int c; same && (c = getc(f)) != EOF;)
		t->rows += c == '\n';
	fclose(f);
	return same ? RC_OK
		    : err_set(err, RC_ARG, 0,
			      "--type: %s is there already with other headings; name another file, or give its "
			      "headings",
			      path);
}

static enum rc put_row(struct typing *t, char (*cell)[NAME], const char *path, struct err *err)
{
	bool ok = true;

	for (size_t i = 0; i < t->n; i++)
		ok &= fprintf(t->to, "%s%s", i ? "," : "", cell[i]) >= 0;
	ok &= fputc('\n', t->to) != EOF && fflush(t->to) == 0 && fsync(fileno(t->to)) == 0;
	return ok ? RC_OK : err_set(err, RC_IO, errno, "%s: cannot be written: %s", path, files_why(errno));
}

static enum rc open_table(struct typing *t, const char *path, struct err *err)
{
	bool there = access(path, F_OK) == 0;
	enum rc rc = there ? same_headings(t, path, err) : RC_OK;

	if (rc != RC_OK)
		return rc;
	int fd = open(path, O_WRONLY | O_APPEND | O_NOFOLLOW | O_CLOEXEC | (there ? 0 : O_CREAT | O_EXCL), 0640);
	t->to = fd >= 0 ? fdopen(fd, "a") : NULL;
	if (t->to == NULL)
		return err_set(err, RC_IO, errno, "%s: cannot be written: %s", path, files_why(errno));
	return there ? RC_OK : put_row(t, t->name, path, err);
}

static bool is_good(const struct typing *t, size_t i)
{
	double value;

	if (strchr(t->name[i], '('))
		return number_parse(t->cell[i], &value, NULL) == RC_OK;
	return strcspn(t->cell[i], ",\"") == strlen(t->cell[i]);
}

/* False at the end of the readings. */
static bool ask_row(struct typing *t)
{
	char question[120];

	for (size_t i = 0; i < t->n; i++) {
		if (i == 0)
			snprintf(question, sizeof question, "row %zu  %s:", t->rows + 1, t->name[i]);
		else
			snprintf(question, sizeof question, "       %s:", t->name[i]);
		do {
			if (!live_typed(question, t->cell[i], CELL) || (i == 0 && !t->cell[i][0]))
				return false;
			if (!is_good(t, i))
				fprintf(stderr, "    \"%s\" is not a reading here. Type %s.\n", t->cell[i],
					strchr(t->name[i], '(') ? "a number such as 12.5, without its unit"
								: "a word without commas");
		} while (!is_good(t, i));
	}
	return true;
}

enum rc type_table(const char *path, const char *columns, struct err *err)
{
	struct typing *t = calloc(1, sizeof *t);
	enum rc rc = t ? read_columns(t, columns, err) : err_set(err, RC_NOMEM, 0, "out of memory");

	if (rc == RC_OK)
		rc = open_table(t, path, err);
	if (rc == RC_OK)
		fprintf(stderr, "Type each reading and Enter. Enter alone at the first of a row ends the table.\n");
	_Static_assert(NAME == CELL, "one row's shape");
	while (rc == RC_OK && ask_row(t)) {
		rc = put_row(t, t->cell, path, err);
		t->rows++;
	}
	if (t && t->to && fclose(t->to) != 0 && rc == RC_OK)
		rc = err_set(err, RC_IO, errno, "%s: cannot be written: %s", path, files_why(errno));
	free(t);
	return rc;
}
