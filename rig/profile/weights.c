/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/mass/weights.h"
#include "profile/keys_tables.h"
#include "profile/inifile.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

struct weights_file {
	struct weights_profile weights;
	struct piece_values values; /* of the piece at hand */
	int first_line[PROFILE_PIECES];
};

int profile_piece(const struct weights_profile *weights, const char *name)
{
	for (size_t i = 0; i < weights->n; i++)
		if (strcmp(weights->piece[i].name, name) == 0)
			return (int)i;
	return -1;
}

static bool good_name(const char *name)
{
	if (strcmp(name, "all") == 0)
		return false;
	for (; *name; name++)
		if (!isalnum((unsigned char)*name) && !strchr("-_.", *name))
			return false;
	return true;
}

static void enter_piece(struct inifile *r, const char *name)
{
	struct weights_file *w = r->ctx;
	int twin = profile_piece(&w->weights, name);

	r->base = NULL;
	if (!good_name(name)) {
		inifile_mistake(r, r->line, name, NULL,
				"expected a name of letters, digits, '-', '_' and '.', and not \"all\"");
	} else if (twin >= 0) {
		inifile_mistake(r, r->line, name, NULL, "stands twice (first in line %d); give each piece its own name",
				w->first_line[twin]);
	} else if (w->weights.n == PROFILE_PIECES) {
		inifile_mistake(r, r->line, name, NULL, "is one piece too many; at most %d", PROFILE_PIECES);
	} else {
		w->values = (struct piece_values){ 0 };
		inifile_defaults(r->table, &w->values);
		r->base = &w->values;
	}
}

/* The tolerance of the class is what is known of the mass. */
static void mass_of_class(struct inifile *r, enum weight_class class, double nominal_kg, struct quantity *ret_kg)
{
	struct err err;

	if (weight_of_class(class, nominal_kg, ret_kg, &err) != RC_OK)
		inifile_mistake(r, inifile_line(r, "", "nominal"), r->section_name, "nominal", "%.200s", err.what);
}

static void leave_piece(struct inifile *r)
{
	struct weights_file *w = r->ctx;
	struct weight_piece *piece = &w->weights.piece[w->weights.n];
	bool class = inifile_line(r, "", "class") > 0, nominal = inifile_line(r, "", "nominal") > 0;
	bool mass = inifile_line(r, "", "mass") > 0;
	enum weight_class listed = (enum weight_class)w->values.class_index; /* the key lists them in that order */

	if (mass ? class || nominal : !(class && nominal))
		inifile_mistake(r, r->section_line[0], r->section_name, NULL,
				"expected either mass with its uncertainty, or nominal and class");
	w->first_line[w->weights.n] = r->section_line[0];
	memcpy(piece->name, r->section_name, sizeof piece->name);
	piece->has_class = class;
	if (class)
		snprintf(piece->class_name, sizeof piece->class_name, "%s", weight_class_name(listed));
	piece->mass_kg = w->values.mass_kg;
	if (class && nominal && !mass && w->values.nominal_kg > 0)
		mass_of_class(r, listed, w->values.nominal_kg, &piece->mass_kg);
	piece->density_kg_per_m3 = w->values.density_kg_per_m3.value;
	piece->u_density_kg_per_m3 = w->values.density_kg_per_m3.u;
	if (strcmp(piece->name, "hanger") == 0)
		w->weights.hanger = (int)w->weights.n;
	w->weights.n++;
}

enum rc profile_parse_weights(const char *text, const char *name, struct weights_profile *ret, struct mistakes *m,
			      struct err *err)
{
	struct weights_file w = { .weights.hanger = -1 };
	struct inifile r = { .name = strncmp(name, "./", 2) == 0 ? name + 2 : name,
			     .table = profile_table(PROFILE_WEIGHTS),
			     .mistakes = m,
			     .enter = enter_piece,
			     .leave = leave_piece,
			     .ctx = &w };

	inifile_run(&r, text);
	if (r.n_mistakes == 0 && w.weights.n == 0)
		inifile_mistake(&r, 0, NULL, NULL, "holds no piece; expected a section for each, such as [2kg-a]");
	enum rc rc = inifile_end(&r, err);
	if (rc == RC_OK)
		*ret = w.weights;
	return rc;
}
