/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What rig.ini and weights.ini state, read and drawn by the bench's own rules: it shares the reader of units with the
 * rest of the program, not the meaning of "±". A wrong rule in the one and not in the other shows in the truth study.
 *
 * What is written (GUM = JCGM 100:2008) and what true value is drawn:
 *   v(d) u                  normal, standard deviation d in the last digit
 *   v u ± a u, and rect     evenly between v - a and v + a
 *   ... tri                 v + a (sum of two even numbers in ± 1/2)
 *   ... trap=B              v + a ((1 + B)/2 of an even number in ± 1 and (1 - B)/2 of another)
 *   ... normal, ... k=K     normal, standard deviation a, a/K
 *   ... dof=N               Student's t with N degrees of freedom, scaled, in place of normal
 * a may be % or ppm of v, or has a unit of its own; "(v ± a) u" too. */
#ifndef BRIDLE_BENCH_STATED_H
#define BRIDLE_BENCH_STATED_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define STATED_TEXT 100
#define STATED_PIECES 40

enum stated_key {
	STATED_LATITUDE,
	STATED_HEIGHT,
	STATED_GRAVITY,
	STATED_AIR_DENSITY,
	STATED_CLOCK,
	STATED_ZERO_DRIFT,
	STATED_GAIN_DRIFT,
	STATED_CREEP,
	STATED_ARM,
	STATED_LEVEL,
	STATED_DRAG_RATIO,
	STATED_CABLE,
	STATED_VOLT_GAIN,
	STATED_VOLT_OFFSET,
	STATED_AMP_GAIN,
	STATED_AMP_OFFSET,
	STATED_KEYS
};

/* Texts as they stand in the files; "" where there is none. */
struct stated_piece {
	char name[64], mass[STATED_TEXT], nominal[STATED_TEXT], class_name[16], density[STATED_TEXT];
};
struct stated {
	char text[STATED_KEYS][STATED_TEXT];
	size_t n;
	struct stated_piece piece[STATED_PIECES]; /* in the order of weights.ini */
};

/* weights_text: NULL when there is no such file. The files have been read by the readers of profiles before, which tell
 * their mistakes: here only a file that is no INI file is one. ret: written on success only. RC_ARG. */
enum rc stated_parse(const char *rig_text, const char *weights_text, struct stated *ret, struct err *err) MUST_CHECK;

/* One true value in unit. The same seed and name give the same value. NaN when the text is not understood. */
double stated_draw(uint64_t seed, const char *name, const char *text, const char *unit);

/* As stated_draw, for a key of rig.ini, by the bench's own default where the file has none; NaN for a key without
 * either. */
double stated_draw_key(uint64_t seed, const struct stated *stated, enum stated_key key);

/* The value alone, without a draw. */
double stated_value_key(const struct stated *stated, enum stated_key key);

/* True mass in kg of piece i, from a certificate or a class, and true density in kg/m3. Both state conventional mass,
 * that of a weight of 8000 kg/m3 that balances the piece in air of 1.2 kg/m3 (OIML D 28:2004, 5.1). A class holds its
 * pieces within a tolerance (OIML R 111-1:2004, table 1), from which the true one is drawn evenly; below 100 g the
 * bench's tolerances are a little smaller than the table's. */
double stated_mass_kg(uint64_t seed, const struct stated *stated, size_t i, double *ret_density);

/* True acceleration of free fall at the place, m/s2: what rig.ini states, or normal gravity at the true latitude and
 * height and an anomaly of the place's own, m/s2. The series of the Geodetic Reference System 1980 (Moritz, Bull. Geod.
 * 54 (1980) 395: 9.780327 (1 + 0.0053024 sin^2 - 0.0000058 sin^2 2x)) and the second-order free-air term (Heiskanen and
 * Moritz, Physical Geodesy, 1967, 2-14; its numbers follow from 2 g/a (1 + f + m - 2 f sin^2) and 3 g/a^2 of the
 * ellipsoid). */
double stated_gravity(uint64_t seed, const struct stated *stated, double anomaly_m_per_s2);

#endif
