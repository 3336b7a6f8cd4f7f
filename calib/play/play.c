/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/play/play.h"

#include "calib/fit/regress.h"

#include <math.h>
#include <stdlib.h>

static struct play_number mean_of(double sum, double squares, double n)
{
	double mean = n > 0 ? sum / n : NAN;

	return (struct play_number){ mean, n > 1 ? sqrt(fmax(0, squares - n * mean * mean) / (n - 1) / n) : NAN,
				     n - 1 };
}

enum rc play_lever(const double *radius_mm, const double *travel_mm, size_t n, double u_radius_mm, double u_travel_mm,
		   struct play_number *ret_arcmin, struct err *err)
{
	double sum = 0, squares = 0, radius = 0;

	for (size_t i = 0; i < n; i++) {
		if (!(radius_mm[i] > 0) || !(travel_mm[i] >= 0))
			return err_set(err, RC_ARG, 0,
				       "row %zu: radius %g mm and travel %g mm; expected positive numbers", i + 1,
				       radius_mm[i], travel_mm[i]);
		double angle = travel_mm[i] / radius_mm[i] * PLAY_ARCMIN_PER_RAD;
		sum += angle;
		squares += angle * angle;
		radius += radius_mm[i] / (double)n;
	}
	struct play_number m = mean_of(sum, squares, (double)n);
	double common = hypot(u_travel_mm / radius * PLAY_ARCMIN_PER_RAD, m.value * u_radius_mm / radius);
	double scatter = isnan(m.u) ? 0 : m.u, u = hypot(scatter, common);
	double dof = scatter > 0 ? m.dof * pow(u / scatter, 4) : INFINITY; /* the stated parts are taken as known */
	*ret_arcmin = (struct play_number){ m.value, u > 0 ? u : NAN, dof };
	return RC_OK;
}

enum rc play_friction(const double *torque_Nm, const double *speed_rpm, size_t n, struct play_number *ret_coulomb_Nm,
		      struct play_number *ret_viscous_Nm_per_rpm, struct err *err)
{
	double *x = calloc(2 * n, sizeof *x), *y = x ? x + n : NULL;
	struct regress g;
	size_t still = 0;

	if (!x)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	for (size_t i = 0; i < n; i++) {
		still += !(fabs(speed_rpm[i]) > 0);
		x[i] = fabs(speed_rpm[i]);
		y[i] = speed_rpm[i] < 0 ? -torque_Nm[i] : torque_Nm[i];
	}
	struct regress_in in = { n, 1, x, y, NULL, 1, false, false };
	enum rc rc =
		still ? err_set(err, RC_ARG, 0, "%zu row%s of 0 rpm; at standstill friction is anything, leave it out",
				still, still == 1 ? "" : "s")
		      : regress_fit(&in, &g, NULL, err);
	free(x);
	if (!rc && g.coef[0] < 0 && g.coef[0] < -3 * sqrt(g.cov[0][0]))
		rc = err_set(err, RC_ARG, 0,
			     "friction comes out as %.3g N.m; expected torques of the sign of their speed", g.coef[0]);
	if (rc) {
		err_prefix(err, "torque against speed: ");
		return rc;
	}
	*ret_coulomb_Nm = (struct play_number){ g.coef[0], sqrt(g.cov[0][0]), g.dof };
	*ret_viscous_Nm_per_rpm = (struct play_number){ g.coef[1], sqrt(g.cov[1][1]), g.dof };
	return RC_OK;
}

void play_back_drive(const double *torque_Nm, const double *speed_rpm, size_t n, int sign,
		     struct play_number *ret_breakaway_Nm, struct play_number *ret_running_Nm)
{
	double fastest = 0, most = 0, off[3] = { 0 }, run[3] = { 0 };
	int still = 0;

	for (size_t i = 0; i < n; i++)
		if (sign * torque_Nm[i] > 0)
			fastest = fmax(fastest, fabs(speed_rpm[i]));
	for (size_t i = 0; i < n; i++) {
		double torque = sign * torque_Nm[i], speed = fabs(speed_rpm[i]);
		if (!(torque > 0)) {
			still = 1; /* let go: the next rise is another attempt */
			most = 0;
			continue;
		}
		if (speed <= PLAY_STILL_SHARE * fastest) {
			still = 1;
			most = fmax(most, torque);
		} else if (still) {
			most = fmax(most, torque);
			off[0] += most;
			off[1] += most * most;
			off[2]++;
			still = 0;
			most = 0;
		}
		if (fastest > 0 && speed > 0.5 * fastest) {
			run[0] += torque;
			run[1] += torque * torque;
			run[2]++;
		}
	}
	*ret_breakaway_Nm = mean_of(off[0], off[1], off[2]);
	*ret_running_Nm = mean_of(run[0], run[1], run[2]);
}

/* Angles that all lie within one turn may have been cut there. */
static void unwrap(double *deg, size_t n)
{
	double turns = 0;

	for (size_t i = 0; i < n; i++)
		if (!(deg[i] >= -180 && deg[i] <= 360))
			return;

	for (size_t i = 1; i < n; i++) {
		double now = deg[i] + turns;
		while (now - deg[i - 1] > 180) {
			now -= 360;
			turns -= 360;
		}
		while (now - deg[i - 1] < -180) {
			now += 360;
			turns += 360;
		}
		deg[i] = now;
	}
}

enum rc play_ratio(const double *rotor_deg, const double *output_deg, size_t n, struct play_number *ret,
		   double *ret_off_deg, struct err *err)
{
	double *x = calloc(2 * n, sizeof *x), *y = x ? x + n : NULL, low = INFINITY, high = -INFINITY;
	struct regress g;

	if (!x)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	for (size_t i = 0; i < n; i++) {
		x[i] = output_deg[i];
		y[i] = rotor_deg[i];
	}
	unwrap(x, n);
	unwrap(y, n);
	for (size_t i = 0; i < n; i++) {
		low = fmin(low, x[i]);
		high = fmax(high, x[i]);
	}
	struct regress_in in = { n, 1, x, y, NULL, 1, false, false };
	enum rc rc = high - low >= 1 ? regress_fit(&in, &g, NULL, err)
				     : err_set(err, RC_ARG, 0,
					       "the output turns by %.3g deg; expected a degree or more", high - low);
	for (size_t i = 0; !rc && ret_off_deg && i < n; i++)
		ret_off_deg[i] = y[i] - g.coef[0] - g.coef[1] * x[i];
	free(x);
	if (!rc)
		*ret = (struct play_number){ g.coef[1], sqrt(g.cov[1][1]), g.dof };
	return rc;
}
