/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The frame of the commands that work from typed or recorded readings alone (--from FILE.csv): options with units,
 * columns by name and unit, a number with its uncertainty as JSON and as a line. */
#ifndef BRIDLE_COMMAND_OFFLINE_H
#define BRIDLE_COMMAND_OFFLINE_H

#include "profile/csv.h"

#include <jansson.h>
#include <stdbool.h>

#define OFFLINE_COLUMNS 12

struct offline_column {
	const char *name, *unit; /* of the heading; values come in this unit */
	bool needed;
	bool gaps;     /* a cell may be empty: NaN */
	double *value; /* n_rows of them, or NULL when the column is not there; freed by offline_free */
};
struct offline {
	struct csv table;
	size_t n;
	struct offline_column column[OFFLINE_COLUMNS]; /* as asked, in that order */
	size_t n_columns;
	char unused[200]; /* names of columns that nobody asked for, "" when none */
};

struct cli;

/* What is a command's own. Its state is the caller's and goes through untouched. */
struct offline_work {
	const struct offline_column *columns;
	size_t n_columns;
	enum rc (*find)(struct offline *table, void *state, struct err *err); /* may fill columns that are not there */
	json_t *(*json)(const void *state);
	void (*text)(const void *state);
};

/* Reads the table, finds, and prints the one document or the text, with the columns that nobody used named below.
 * Returns the exit status. from as in offline_read. */
int offline_run(const struct cli *cli, const char *from, const struct offline_work *work, void *state);

/* from NULL: RC_ARG, --from is missing. ret is the caller's in any case: offline_free. */
enum rc offline_read(const char *from, const struct offline_column *columns, size_t n, struct offline *ret,
		     struct mistakes *m, struct err *err) MUST_CHECK;
void offline_free(struct offline *o);                              /* of zeros is fine */
double *offline_column(const struct offline *o, const char *name); /* borrowed; NULL when not there */
double *offline_take(struct offline *o, const char *name);         /* the same, the caller's from now on */

/* An option's quantity, in that unit or bare, into *ret; untouched when text is NULL. */
struct offline_option {
	const char *name, *text, *unit;
	double *ret;
	bool positive; /* anything else is refused */
};
/* RC_ARG at the first that is wrong. */
enum rc offline_options(const struct offline_option *options, size_t n, struct err *err) MUST_CHECK;
/* "5,10,20": at most size numbers. */
enum rc offline_list(const char *name, const char *text, const char *unit, double *ret, size_t size, size_t *ret_n,
		     struct err *err) MUST_CHECK;

/* "  label        20.34 N·m ± 0.12 N·m (k = 2.05, 95 %)"; without u the value alone; "not known" for no number. */
void offline_line(const char *label, double value, double u, double dof, const char *unit);

#endif
