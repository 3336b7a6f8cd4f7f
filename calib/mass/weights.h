/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Dead weights: classes of OIML R 111-1:2004, conventional mass, the force of a
 * weight in air, and its torque on an arm, each with its uncertainty by source.
 *
 * Mass here is conventional mass, as certificates and class tolerances state it:
 * the mass of a weight of 8000 kg/m3 that balances the piece in air of 1.2 kg/m3
 * at 20 degC (OIML D 28). Torque is positive when the weight pulls the arm's
 * free end down.
 *
 * Pure arithmetic: no I/O, no globals. */
#ifndef BRIDLE_CALIB_MASS_WEIGHTS_H
#define BRIDLE_CALIB_MASS_WEIGHTS_H

#include "calib/number/err.h"
#include "calib/number/quantity.h"
#include "calib/number/uncertain.h"

#include <stddef.h>

#define WEIGHT_REFERENCE_DENSITY_kg_per_m3 8000.0
#define WEIGHT_REFERENCE_AIR_kg_per_m3 1.2

enum weight_class { WEIGHT_E2, WEIGHT_F1, WEIGHT_F2, WEIGHT_M1, WEIGHT_M1_2, WEIGHT_M2, WEIGHT_M2_3, WEIGHT_M3 };
#define WEIGHT_CLASSES 8

/* "E2", "F1", "F2", "M1", "M1-2", "M2", "M2-3", "M3"; small letters are fine. RC_ARG for anything else. */
enum rc weight_class_parse(const char *text, enum weight_class *ret, struct err *err) MUST_CHECK;
const char *weight_class_name(enum weight_class class);

/* Maximum permissible error on verification, kg: nominal 1, 2 or 5 times a power of ten from 1 mg to 50 kg.
 * RC_ARG: not a nominal mass of the standard, or the class has none of that mass. */
enum rc weight_tolerance(enum weight_class class, double nominal_kg, double *ret_kg, struct err *err) MUST_CHECK;

/* Conventional mass of a piece that is only known by its class: nominal with the tolerance as limits, rectangular. */
enum rc weight_of_class(enum weight_class class, double nominal_kg, struct quantity *ret_kg,
			struct err *err) MUST_CHECK;

/* Force in air, N. All four are uncertain numbers of ctx; equal sources add with sign. In air of 1.2 kg/m3 the
 * density of the piece does not matter: that is what conventional mass is for. */
struct unc weight_force_N(struct unc_ctx *ctx, struct unc conventional_kg, struct unc gravity_m_per_s2,
			  struct unc air_kg_per_m3, struct unc density_kg_per_m3);

/* Torque, N·m, of a force on an arm that is level_deg off level: F L cos(level). Near level the slope of the
 * cosine is nothing while its curvature is not, so the second-order term of GUM 5.1.2 (note) is kept in
 * value and uncertainty. */
struct unc weight_torque_Nm(struct unc_ctx *ctx, struct unc force_N, struct unc arm_m, struct unc level_deg);

/* Pieces hung together (hanger included) on one arm. forces: borrowed. */
struct unc weight_stack_torque_Nm(struct unc_ctx *ctx, const struct unc *force_N, size_t n, struct unc arm_m,
				  struct unc level_deg);

/* RC_ARG when an arm length cannot be one: zero, negative, not finite, or beyond 20 m. */
enum rc weight_arm_check(double arm_m, struct err *err) MUST_CHECK;

#endif
