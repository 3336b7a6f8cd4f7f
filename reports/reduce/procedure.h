/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The result of a procedure (hold, play, obey, response, ripple, tame, endure) as it is published, of one shape for
 * all of them: the document that the command keeps as the run's record, whose numbers are {"value", "u", "dof"}
 * (calib/number/number_json.h), and the rows that it rests on. docs/json.md has the keys. Of whom, when and by which
 * calibration stands in struct report. Pure but for memory. */
#ifndef BRIDLE_REPORTS_REDUCE_PROCEDURE_H
#define BRIDLE_REPORTS_REDUCE_PROCEDURE_H

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

#define PROCEDURE_DRAWINGS 5
struct procedure {
	const char *kind; /* "hold", "play", ...: of the run, its record and the names of its files */
	json_t *doc;      /* owned */
	size_t n_drawings;
	struct procedure_drawing {
		const char *name;  /* of its files: NAME.csv, NAME.gp, NAME.svg; static text, as the next two */
		const char *title; /* "Torque held" */
		const char *caption;
		char *table;           /* owned: the rows as CSV, a line of names first */
		char *script;          /* owned: gnuplot, draws NAME.svg from NAME.csv */
	} drawing[PROCEDURE_DRAWINGS]; /* the first has the kind's name where the procedure has its own rows */
};
void procedure_clear(struct procedure *p); /* what it owns; then all is zero */
/* "hold" as static text; NULL: no procedure of this kind. */
const char *procedure_kind(const char *word);
const char *procedure_title(const char *kind); /* "Torque held" */

#define PROCEDURE_NUMBERS 96
#define PROCEDURE_COVERAGE 0.95
struct procedure_number {
	char key[64];   /* of the document: "model.winding.tau_s"; of a list by what it is of: "orders.36" */
	char label[96]; /* "Winding, time constant" */
	const char *unit;
	double value, u, dof; /* u NaN: not known; dof INFINITY: well known, or not told */
	double U;             /* at PROCEDURE_COVERAGE, by Student's t where dof are told; NaN without u */
	const json_t *budget; /* [{"source", "u" signed}], borrowed from the document; NULL: not told by source */
	char note[60];        /* "in the noise", "extrapolated"; "" none */
};
/* The numbers that the record tells, in the order of the page; what it does not tell is left out. Returns how many. */
size_t procedure_numbers(const struct procedure *p, struct procedure_number ret[PROCEDURE_NUMBERS]);

/* Sentences: the result in a line, what limited it, how it was found. */
void procedure_headline(const struct procedure *p, char *buf, size_t size);
void procedure_limits(const struct procedure *p, char *buf, size_t size);
const char *procedure_method(const char *kind);    /* static text */
const char *procedure_certainty(const char *kind); /* what the intervals have in them; static text */
#define PROCEDURE_REMARKS 12
/* What a reader has to know of this very run; returns how many. */
size_t procedure_remarks(const struct procedure *p, char ret[PROCEDURE_REMARKS][400]);

#endif
