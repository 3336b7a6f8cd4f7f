/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Evaluation of a calibration in the shape of the guides for static torque (EURAMET cg-14, DIN 51309) and force (ISO
 * 376): per step repeatability b', reproducibility b, reversibility h, deviation of the fit, resolution, with the zero
 * return of the whole; the class is that of the worst of them. Pure arithmetic; allocates for the length of a call.
 *
 * The guides' limits are data (calib/data/torque_classes.csv): a result that names a class names the table, which the
 * user is to check against the standard. Of EURAMET cg-14 the title page of version 2.0 (03/2011) was seen and no more:
 * its formulae are from memory, and so are the limits. The divisors of the step's uncertainty are stated at u_frac
 * below. */
#ifndef BRIDLE_CALIB_CELL_TORQUECAL_H
#define BRIDLE_CALIB_CELL_TORQUECAL_H

#include "calib/cell/cellcal.h"

#define TORQUECAL_STEPS 40
#define TORQUECAL_CLASSES 16

/* Limits are shares of the step's value (zero: of the largest step); NaN: no limit. */
struct torque_class {
	double value;  /* 0.5, 1, ...: less is better */
	char label[8]; /* as the table writes it: "0.5", "00" */
	double repeatability_frac, reproducibility_frac, fit_frac, zero_frac, reversibility_frac;
	double least_resolutions; /* smallest torque in resolutions */
	double reference_frac;    /* expanded uncertainty (k = 2) of the reference torque */
	int least_positions, least_steps;
};
struct torque_table {
	char name[64];
	size_t n; /* rising class values */
	struct torque_class row[TORQUECAL_CLASSES];
};
/* The tables of calib/data/torque_classes.csv: "torque", in the shape of EURAMET cg-14 and DIN 51309, and "force", in
 * that of ISO 376. NULL for another name. */
const struct torque_table *torque_table_builtin(const char *name);

/* One load; shares of the mean indication there. NaN: the series do not tell. */
struct torque_step {
	double torque_Nm, indication; /* mean of the first rising series of each position: a second one in the same
				       * position tells the repeatability and nothing else */
	double repeatability_frac;   /* b': range of the rising series in one position by their mean, the worst position
				      */
	double reproducibility_frac; /* b: range of the first rising series of the positions */
	double reversibility_frac;   /* h: mean over the series of |falling - rising| */
	double fit_frac;             /* mean less fit */
	double reference_frac;       /* u of the reference torque, k = 1, from the sources; NaN without sources */
	double resolution_frac;
	/* sqrt of: reference^2 + b'^2/12 + b^2/8 + h^2/12 + fit^2/3 + resolution^2/6 (zero and reading), what is NaN
	 * left out. b', h: widths of rectangles (GUM 4.3.7). b: an error that goes with the sine of the mounting's
	 * angle is arcsine distributed, variance a^2/2 with a = b/2 (JCGM 101:2008, 6.4.6). fit: half-width of a
	 * rectangle; the guide's triangle, from memory, would be fit^2/6, ours is the shyer. */
	double u_frac;
	double class_value;  /* NaN: none of the table */
	char class_label[8]; /* "" then */
};
struct torque_eval {
	size_t n;
	struct torque_step step[TORQUECAL_STEPS];
	double zero_frac; /* worst zero return by the largest step; NaN */
	int positions;
	double class_value;  /* of the worst step from a fifth of the largest on; NaN */
	char class_label[8]; /* "" then */
	char table[64];
	char note[300]; /* what decided, or what is missing; the table's name */
};

/* in as for cellcal_fit, cal its result. table NULL: in->table, and the built-in torque table when that is NULL.
 * More than TORQUECAL_STEPS loads: n 0 and the note says so. RC_NOMEM. */
enum rc torquecal_evaluate(const struct cellcal_input *in, const struct cellcal *cal, const struct torque_table *table,
			   struct torque_eval *ret, struct err *err) MUST_CHECK;

#endif
