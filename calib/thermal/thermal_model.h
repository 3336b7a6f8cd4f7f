/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Heat in an actuator as two stores: the winding, which gets the losses, gives its heat to the case, the case gives it
 * to the air. Electrical picture: two capacitors, two resistors.
 *
 *   tau_w dT_w/dt = R_w P - (T_w - T_c)              R_w: winding to case, tau_w = R_w C_w
 *   tau_c dT_c/dt = (R_c/R_w)(T_w - T_c) - (T_c - T_a)    R_c: case to air, tau_c = R_c C_c
 *
 * With one store the winding (or whatever was measured) gives its heat to the air: tau dT/dt = R P - (T - T_a).
 * The taus are those of each store by itself; the curve of the two together has other exponents, which come out of the
 * equations here. Solved exactly for a loss that is constant over a step (matrix exponential of a two-by-two matrix).
 * Pure arithmetic: no I/O, no clock, no allocation. */
#ifndef BRIDLE_CALIB_THERMAL_THERMAL_MODEL_H
#define BRIDLE_CALIB_THERMAL_THERMAL_MODEL_H

#include <stdbool.h>
#include <stddef.h>

enum thermal_store { THERMAL_WINDING, THERMAL_CASE };
#define THERMAL_STORES 2

struct thermal_model {
	bool two; /* false: one store, element 0 of what follows */
	double tau_s[THERMAL_STORES];
	double resistance_K_per_W[THERMAL_STORES];
};

/* Loss at a torque: fixed_W + per_Nm2_W T^2 (1 + per_K (T_w - at_degC)). per_K is the copper's, 0 when it was not seen.
 * */
struct thermal_loss {
	double fixed_W, per_Nm2_W, per_K, at_degC;
};
double thermal_loss_W(const struct thermal_loss *loss, double torque_Nm, double winding_degC);

/* What one step of constant loss does: T -> steady + decay (T - steady). */
struct thermal_step {
	double steady[THERMAL_STORES], decay[THERMAL_STORES][THERMAL_STORES];
};
/* loss_W at 0 degC of the winding's own scale plus feedback_W_per_K times the winding's temperature. */
struct thermal_step thermal_step(const struct thermal_model *m, double dt_s, double loss_W, double feedback_W_per_K,
				 double ambient_degC);
/* T in place. */
void thermal_advance(const struct thermal_step *s, double *temp_degC);

/* Winding temperature that the torque leads to; INFINITY when the copper's own warming outruns the cooling. */
double thermal_steady_degC(const struct thermal_model *m, const struct thermal_loss *loss, double torque_Nm,
			   double ambient_degC);
/* Time from start (winding, case) until the winding has the limit: 0 when it has it already, INFINITY when never. */
double thermal_time_to_s(const struct thermal_model *m, const struct thermal_loss *loss, double torque_Nm,
			 const double *start_degC, double ambient_degC, double limit_degC);
/* Torque that leads to just the limit; 0 when the fixed loss alone does, INFINITY when no torque warms. */
double thermal_continuous_Nm(const struct thermal_model *m, const struct thermal_loss *loss, double ambient_degC,
			     double limit_degC);
/* Clauses of IEC 60034-1 on this page are from memory.
 * Short-time duty, S2 of IEC 60034-1:2022, 4.2.2: from cold, the torque that reaches the limit just at the end. */
double thermal_s2_Nm(const struct thermal_model *m, const struct thermal_loss *loss, double time_s, double ambient_degC,
		     double limit_degC);
/* Intermittent duty, S3 of IEC 60034-1:2022, 4.2.3: load for the share duty (0..1] of each cycle, then at rest without
 * any loss; the torque whose warmest moment is the limit once the cycles repeat themselves. */
double thermal_s3_Nm(const struct thermal_model *m, const struct thermal_loss *loss, double cycle_s, double duty,
		     double ambient_degC, double limit_degC);

/* State that a cycle returns to, from what one cycle does to (0, 0), (1, 0) and (0, 1); false when it grows for ever.
 * */
bool thermal_fixed_point(const double *from_zero, const double *from_first, const double *from_second, bool two,
			 double *ret_degC);

/* Temperature of a winding by its resistance: (cold + k)(R/R_cold) - k, k = 235 for copper, 225 for aluminium
 * (IEC 60034-1:2022, 8.6.2; IEEE Std 112 takes 234.5). */
double thermal_by_resistance_degC(double ohm, double cold_ohm, double cold_degC, double k);

#endif
