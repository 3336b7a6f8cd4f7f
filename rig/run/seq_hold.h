/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A torque held until equilibrium, a limit or a time, then the cooling: temperatures, torque and loss against time.
 *
 * At standstill (speed_rpm 0) the brake locks the shaft and the drive gives the torque in torque mode; at a slow speed
 * the drive turns in speed mode and the brake's current makes the torque. Order: contactor; what is drawn without load;
 * the lock, or the speed; the torque rises slowly; rows while it is held; the torque back to zero, everything off, the
 * brake let go slowly, since a gear that was wound up turns back; rows while it cools, with nothing energised.
 *
 * Loss is the electrical power less the shaft's, less what was drawn without load: what the drive takes for itself
 * warms no winding. A row has temperatures as they are at its moment, and torque and loss as means from it to the next
 * row (calib/thermal/thermal_fit.h).
 *
 * Equilibrium: over the window the rise of winding and of case over the ambient changes by no more than the limit, the
 * slope's own u counted.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_HOLD_H
#define BRIDLE_RUN_SEQ_HOLD_H

#include "run/sequence.h"
#include "run/torque_control.h"

#define HOLD_ROWS 4000

struct hold_config {
	double torque_Nm, slew_Nm_per_s;
	double speed_rpm;                           /* 0: at standstill */
	double lock_A, slew_A_per_s;                /* of the brake, at standstill */
	double limit_rpm, slip_deg;                 /* at standstill, as in run/seq_obey.h */
	double slew_rpm_per_s;                      /* at a speed */
	struct torque_control_config control;       /* at a speed */
	double winding_limit_degC, case_limit_degC; /* NaN: none */
	double ambient_degC;                        /* where none is told; NaN: none */
	double equilibrium_K_per_h, window_s;
	double time_s, cool_s; /* longest hold; of the cooling */
	double row_s;          /* time_s + cool_s make at most HOLD_ROWS - 100 of it */
	double forecast_s;     /* when it is expected to end; NaN: not known */
};
/* A row each second, or as many as fit. */
double seq_hold_row_s(double time_s, double cool_s);
double seq_hold_s(const struct hold_config *config); /* the longest that it takes */

enum hold_end { HOLD_OPEN, HOLD_EQUILIBRIUM, HOLD_LIMIT, HOLD_TIME };
const char *hold_end_word(enum hold_end end); /* "equilibrium" */

enum hold_phase {
	HOLD_START,
	HOLD_IDLE,
	HOLD_LOCK,
	HOLD_RISE,
	HOLD_HOLD,
	HOLD_DOWN,
	HOLD_OFF,
	HOLD_RELEASE,
	HOLD_COOL,
	HOLD_DONE
};

struct seq_hold {
	struct hold_config config;
	enum hold_phase phase;
	bool started;
	struct mono begin, phase_at, last_now, row_at;
	double set_Nm, set_rpm, brake_A, locked_deg;
	struct torque_control control;
	double sum_Nm, sum_W; /* of the row */
	unsigned sum_n;
	double idle_W_sum;
	unsigned idle_n;
	double rise[HOLD_ROWS]; /* for the slope */
	/* results */
	enum hold_end end;
	double held_s, idle_W, slope_K_per_h; /* slope NaN: not yet known */
	double mean_Nm;                       /* measured while it was held */
	bool product;                         /* the meter told what its averages leave out */
	size_t n, n_held;                     /* rows; of them under load */
	/* From the begin of the hold. A temperature that nobody tells is NaN. */
	double time_s[HOLD_ROWS], winding_degC[HOLD_ROWS], case_degC[HOLD_ROWS], ambient_degC[HOLD_ROWS],
		torque_Nm[HOLD_ROWS], loss_W[HOLD_ROWS];
};

/* What a hold needs and nobody tells, a sentence (static); NULL: nothing. */
const char *seq_hold_untold(const struct snapshot *snap, double ambient_degC);

void seq_hold_begin(struct seq_hold *s, const struct hold_config *config);
void seq_hold_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
