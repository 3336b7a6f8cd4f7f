/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Whether a set of readings can be a calibration at all. Not a grade: the class says how good a calibration is, the
 * gate refuses what no working rig gives (nothing hung, a wrong weight, a cable off, another converter's counts).
 *
 * The limits come from the widest class of calib/data/torque_classes.csv (class 5, from memory of the guides: fit 2.5 %
 * and reversibility 6.25 % of the step, zero return 1.25 % of the largest step, 40 resolutions), taken far enough
 * beyond it that a poor but honest home-built rig passes. Which multiple is ours: common practice, no source.
 *
 * It fits its own straight line through all readings, zeros included, each series less its first zero, so that it does
 * not depend on the model that the calibration takes. Pure arithmetic; allocates for the length of a call. */
#ifndef BRIDLE_CALIB_CELL_CELLCAL_GATE_H
#define BRIDLE_CALIB_CELL_CELLCAL_GATE_H

#include "calib/cell/cellcal.h"

#include <stdint.h>

/* 95 % interval of the sensitivity, as a share of it. Four times class 5's departure from the fit: beyond, the
 * indication hardly follows the load. */
#define GATE_SENSITIVITY_FRAC 0.10
/* Departure of a reading from the straight line, of the largest torque. A device at class 5's limit of reversibility
 * departs by 3.1 % at most (half of 6.25 %), with its fit's 2.5 % of half the range at the same place by 4.4 %. */
#define GATE_RESIDUAL_FRAC 0.05
/* Zero return, of the largest torque: four times class 5. */
#define GATE_ZERO_FRAC 0.05
/* Fewest counts that the largest torque makes: what class 5 asks of its smallest torque. */
#define GATE_LEAST_COUNTS 40.0
/* Counts that the cell's full scale would make, by the converter's range. Above: the converter is full long before the
 * cell. Below: a cell of 1 mV/V without an amplifier still fills a thousandth of a converter that measures to its
 * supply; a tenth of that is no cell. */
#define GATE_SPAN_MOST 1.5
#define GATE_SPAN_LEAST 1e-4
/* Counts of the full scale by those that are stated for it, or the other way round. Common practice, no source: a
 * home-made lever and an amplifier's gain are known better than that. */
#define GATE_AGREE_FACTOR 1.5
/* One load that does not belong: its departure is no chance (F test at this level, shared among the loads and pieces
 * tried) and more than this share of the largest torque, or within GATE_PIECE_FRAC of the torque of one of the pieces.
 */
#define GATE_SLIP_P 1e-6
#define GATE_SLIP_FRAC 0.01
/* The same from this share on is a doubt: told, not refused, since an empty arm of a poor rig may stand off by as much
 * (friction of 30 mN·m on a small cell). Common practice, no source. */
#define GATE_DOUBT_FRAC 0.002
#define GATE_PIECE_FRAC 0.1
/* A piece whose mass is wrong wherever it hangs (in one series or in all) explains this share of all that departs from
 * the line; a bent cell or another mounting does not look like that. */
#define GATE_SLIP_EXPLAINS 0.9

#define GATE_PIECES 64

struct cellcal_gate_input {
	const struct cellcal_input *in; /* borrowed; as for cellcal_fit */
	/* Which pieces hung at each reading, one bit each; NULL when that is not known. */
	const uint64_t *pieces;
	size_t n_pieces;         /* up to GATE_PIECES */
	const double *piece_Nm;  /* torque of each piece */
	double full_scale_Nm;    /* of the cell; NaN unknown */
	double full_scale_count; /* counts that the full scale should make; NaN not stated, or the indication is no
				    count */
	double most_count;       /* largest count that the converter gives; NaN: the indication is no count */
	bool must_rise;          /* a rising load must raise the indication */
};

enum gate_check {
	GATE_RANGE,       /* a reading beyond what the converter can give */
	GATE_SENSITIVITY, /* the indication does not follow the load */
	GATE_SIGN,        /* it falls when the load rises */
	GATE_SLIP,        /* one load does not belong */
	GATE_RESIDUAL,    /* readings too far from a straight line */
	GATE_ZERO,        /* zero return */
	GATE_COUNTS,      /* too few counts */
	GATE_SPAN,        /* the cell's full scale does not agree with the converter's range */
	GATE_AGREE,       /* nor with the counts stated for it */
	GATE_OVERLOAD,    /* more torque than the cell's full scale */
	GATE_CHECKS
};

struct gate_finding {
	enum gate_check check;
	double value, limit; /* what was compared: shares as fractions, GATE_RANGE, GATE_COUNTS and GATE_AGREE in
				counts, GATE_OVERLOAD in N·m */
};

/* A load whose readings fit another torque than the stated one. */
struct gate_slip {
	bool found;
	size_t reading; /* the one, or the first of them */
	size_t n_readings;
	int series;       /* 0: in every series */
	int piece;        /* index of the piece that is wrong where it hangs; -1: a single reading */
	double stated_Nm; /* of that reading, or of that piece */
	double fits_Nm;   /* the torque that would fit */
	int like_piece;   /* the difference is the torque of that piece; -1: of none */
};

struct cellcal_gate {
	bool usable;
	size_t n;
	struct gate_finding finding[GATE_CHECKS]; /* what failed, the most basic first */
	struct gate_slip slip;                    /* refused */
	struct gate_slip doubt;                   /* told; found only where slip is not */
	size_t worst;                             /* reading that departs most from the line */
	double worst_Nm;                          /* by so much: too high is positive */
	double sensitivity;                       /* of the line, indication per N·m */
	double sensitivity_frac; /* its 95 % interval by itself; INFINITY when it is nothing, 0 with 2 readings */
};

const char *gate_word(enum gate_check check); /* "sensitivity" */

/* in: as accepted by cellcal_fit, which was called before. RC_NOMEM; RC_SINGULAR every load the same. */
enum rc cellcal_gate(const struct cellcal_gate_input *g, struct cellcal_gate *ret, struct err *err) MUST_CHECK;

#endif
