/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/drive.h"

#include "bench/bounded.h"

#include <math.h>

#define LIMIT_GAIN 3.0    /* of the speed limit in torque mode over the speed loop's */
#define LIMIT_FROM 0.8    /* of the speed limit: up to there the torque comes in full */
#define POSITION_GAIN 8.0 /* rad/s for each rad: slow beside the speed loop */

static void disable(struct drive *d)
{
	d->enabled = false;
	d->wanted_A = d->integral_A = d->ready_s = 0;
	d->flags &= BENCH_DRIVE_FAULTS;
}

static double derated_A(struct drive *d, const struct physics *p, double winding_degC)
{
	double over =
		(winding_degC - p->drive.derate_from_degC) / (p->drive.derate_to_degC - p->drive.derate_from_degC);

	d->flags &= ~(unsigned)BENCH_DRIVE_DERATING;
	if (over > 0)
		d->flags |= BENCH_DRIVE_DERATING;
	return p->drive.limit_A * (1 - bounded(over, 0, 1) * (1 - p->drive.derate_least_frac));
}

/* Current that the bus voltage can still push through the winding at this speed, in the direction of sign. */
static double reachable_A(const struct physics *p, const struct drive_inputs *in, double sign, double limit_A)
{
	double emf_V = in->kt_Nm_per_A * in->rotor_rad_per_s * sign;

	return bounded((p->drive.modulation_frac * in->bus_V - emf_V) / in->ohm, 0, limit_A);
}

static double speed_loop_A(struct drive *d, const struct physics *p, const struct drive_inputs *in, double target,
			   double factor)
{
	double step = p->drive.ramp_rad_per_s2 * DRIVE_TICK_S, error, wanted, most, least;

	d->ramp_rad_per_s = bounded(target, d->ramp_rad_per_s - step, d->ramp_rad_per_s + step);
	error = d->ramp_rad_per_s - in->rotor_rad_per_s;
	wanted = p->drive.gain_As / factor * error + d->integral_A;
	most = reachable_A(p, in, 1, d->limit_now_A);
	least = -reachable_A(p, in, -1, d->limit_now_A);
	/* The integral stops where the current cannot follow, or it would overshoot when the load lets go. */
	if (!(wanted > most && error > 0) && !(wanted < least && error < 0))
		d->integral_A += p->drive.integral_A * factor * error * DRIVE_TICK_S;
	d->integral_A = bounded(d->integral_A, -d->limit_now_A, d->limit_now_A);
	return wanted;
}

/* A torque that the speed limit takes away from and never adds to: in full up to LIMIT_FROM of the limit; beyond the
 * limit the drive brakes. */
static double limited_A(struct drive *d, const struct physics *p, const struct drive_inputs *in, double torque_A)
{
	double most_A = bounded(fabs(torque_A), 0, d->limit_now_A), gain_As = LIMIT_GAIN * p->drive.gain_As;
	double way = torque_A > 0 || (torque_A >= 0 && in->rotor_rad_per_s > 0) ? 1 : -1;
	double room = in->limit_rad_per_s - way * in->rotor_rad_per_s;
	double full_A = at_least(most_A - gain_As * (1 - LIMIT_FROM) * in->limit_rad_per_s, 0);

	d->integral_A = bounded(d->integral_A + LIMIT_GAIN * p->drive.integral_A * room * DRIVE_TICK_S,
				-most_A - d->limit_now_A, full_A);
	if (fabs(torque_A) > d->limit_now_A)
		d->flags |= BENCH_DRIVE_LIMITED;
	return way * bounded(gain_As * room + d->integral_A, -d->limit_now_A, most_A);
}

/* A slow turn: the speed that is left to go by, within the limit. */
static double position_A(struct drive *d, const struct physics *p, const struct drive_inputs *in, double target_rad,
			 double factor)
{
	double left_rad = target_rad - d->turned_rad;
	double speed = bounded(POSITION_GAIN * left_rad, -in->limit_rad_per_s, in->limit_rad_per_s);

	return speed_loop_A(d, p, in, speed, factor);
}

static double mode_A(struct drive *d, const struct physics *p, const struct drive_inputs *in, double value,
		     double factor)
{
	switch (in->mode) {
	case BENCH_SPEED: return speed_loop_A(d, p, in, value, factor);
	case BENCH_TORQUE: return limited_A(d, p, in, value);
	case BENCH_POSITION: return position_A(d, p, in, value, factor);
	case BENCH_CURRENT: return value;
	case BENCH_OFF: return 0;
	}
	return 0;
}

static void begin_mode(struct drive *d, const struct drive_inputs *in)
{
	if (d->mode == in->mode)
		return;
	d->mode = in->mode;
	d->integral_A = d->turned_rad = 0;
	d->ramp_rad_per_s = in->rotor_rad_per_s;
}

static bool may_run(struct drive *d, const struct physics *p, const struct drive_inputs *in)
{
	if (d->enabled && in->bus_V < p->drive.dropout_V)
		drive_trip(d, BENCH_DRIVE_UNDERVOLTAGE);
	if (fabs(in->rotor_rad_per_s) > p->drive.overspeed_rad_per_s)
		drive_trip(d, BENCH_DRIVE_OVERSPEED);
	return in->mode != BENCH_OFF && (d->flags & BENCH_DRIVE_FAULTS) == 0 &&
	       (d->enabled || in->bus_V >= p->drive.ready_V);
}

void drive_step(struct drive *d, const struct physics *p, const struct drive_inputs *in,
		const struct drive_tampering *t)
{
	double factor = t->gain_factor > 0 ? t->gain_factor : 1;
	double sign = t->reversed ? -1 : 1, wanted;

	begin_mode(d, in);
	d->turned_rad += in->rotor_rad_per_s * DRIVE_TICK_S;
	if (!may_run(d, p, in)) {
		disable(d);
		d->ramp_rad_per_s = in->rotor_rad_per_s;
		return;
	}
	d->ready_s += DRIVE_TICK_S;
	if (d->ready_s < p->drive.start_s) {
		d->ramp_rad_per_s = in->rotor_rad_per_s;
		return;
	}
	d->enabled = true;
	d->flags = (d->flags & BENCH_DRIVE_FAULTS) | BENCH_DRIVE_ENABLED;
	d->limit_now_A = derated_A(d, p, in->winding_degC);
	if (t->runaway_rad_per_s > 0)
		wanted = speed_loop_A(d, p, in, t->runaway_rad_per_s, factor);
	else
		wanted = mode_A(d, p, in, sign * in->value, factor);
	if (fabs(wanted) > d->limit_now_A)
		d->flags |= BENCH_DRIVE_LIMITED;
	d->wanted_A = bounded(wanted, -d->limit_now_A, d->limit_now_A);
}

void drive_restart(struct drive *d)
{
	d->flags &= ~(unsigned)BENCH_DRIVE_FAULTS;
}

void drive_trip(struct drive *d, unsigned fault)
{
	d->flags |= fault;
	disable(d);
}
