/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/mass/air_private.h"

#include <math.h>

#define ZERO_CELSIUS_K 273.15

double air_saturation_pressure_Pa(double temp_degC)
{
	double T = temp_degC + ZERO_CELSIUS_K;

	return exp((1.2378847e-5 * T - 1.9121316e-2) * T + 33.93711047 - 6.3431645e3 / T);
}

double air_enhancement(double pressure_Pa, double temp_degC)
{
	return 1.00062 + 3.14e-8 * pressure_Pa + 5.6e-7 * temp_degC * temp_degC;
}

double air_compressibility(double pressure_Pa, double temp_degC, double vapour_mole_frac)
{
	double t = temp_degC, x = vapour_mole_frac, p_T = pressure_Pa / (t + ZERO_CELSIUS_K);
	double a = 1.58123e-6 + (-2.9331e-8 + 1.1043e-10 * t) * t;
	double b = 5.707e-6 - 2.051e-8 * t, c = 1.9898e-4 - 2.376e-6 * t;

	return 1.0 - p_T * (a + b * x + c * x * x) + p_T * p_T * (1.83e-11 - 0.765e-8 * x * x);
}

static double density_cipm(double p, double t, double h, double co2)
{
	double x = h * air_enhancement(p, t) * air_saturation_pressure_Pa(t) / p;

	return (3.483740 + 1.4446 * (co2 - 0.0004)) * 1e-3 * p / (air_compressibility(p, t, x) * (t + ZERO_CELSIUS_K)) *
	       (1.0 - 0.3780 * x);
}

static double density_short(double p, double t, double h)
{
	return (0.34848 * p / 100.0 - 0.009 * 100.0 * h * exp(0.061 * t)) / (t + ZERO_CELSIUS_K);
}

static double density(enum air_formula formula, double p, double t, double h, double co2)
{
	return formula == AIR_SHORT ? density_short(p, t, h) : density_cipm(p, t, h, co2);
}

static enum rc check(const struct air_state *s, struct err *err)
{
	double p = s->pressure_Pa.value, t = s->temp_degC.value, h = s->humidity_frac.value;

	if (!(p >= 3e4 && p <= 1.2e5))
		return err_set(err, RC_ARG, 0,
			       "the air pressure %g hPa is not that of a workshop; expected 300 hPa to "
			       "1200 hPa, as it is on the spot and not reduced to the sea",
			       p / 100.0);
	if (!(t >= -40.0 && t <= 60.0))
		return err_set(err, RC_ARG, 0,
			       "the air temperature %g degC is out of range; expected -40 degC to "
			       "60 degC",
			       t);
	if (!(h >= 0.0 && h <= 1.0))
		return err_set(err, RC_ARG, 0, "the relative humidity %g %% is out of range; expected 0 %% to 100 %%",
			       h * 100.0);
	if (!(s->co2_frac >= 0.0 && s->co2_frac <= 0.1))
		return err_set(err, RC_ARG, 0,
			       "the mole fraction of carbon dioxide %g is out of range; expected 0 to "
			       "0.1, usually 0.0004",
			       s->co2_frac);
	if (!(s->pressure_Pa.u >= 0 && isfinite(s->pressure_Pa.u) && s->temp_degC.u >= 0 && isfinite(s->temp_degC.u) &&
	      s->humidity_frac.u >= 0 && isfinite(s->humidity_frac.u)))
		return err_set(err, RC_ARG, 0, "an uncertainty of the air's state is negative or not finite");
	return RC_OK;
}

static bool inside(enum air_formula formula, double p, double t, double h)
{
	if (formula == AIR_SHORT)
		return p >= 9e4 && p <= 1.1e5 && t >= 10.0 && t <= 30.0 && h <= 0.8;
	return p >= 6e4 && p <= 1.1e5 && t >= 15.0 && t <= 27.0;
}

enum rc air_density(enum air_formula formula, const struct air_state *state, struct air *ret, struct err *err)
{
	enum rc rc = check(state, err);

	if (rc)
		return rc;
	double p = state->pressure_Pa.value, t = state->temp_degC.value, h = state->humidity_frac.value;
	double co2 = state->co2_frac, rho = density(formula, p, t, h, co2);
	/* Central differences: smooth formulas, steps far above rounding and far below curvature. */
	double by_p = (density(formula, p + 10, t, h, co2) - density(formula, p - 10, t, h, co2)) / 20;
	double by_t = (density(formula, p, t + 0.01, h, co2) - density(formula, p, t - 0.01, h, co2)) / 0.02;
	double by_h = (density(formula, p, t, h + 1e-3, co2) - density(formula, p, t, h - 1e-3, co2)) / 2e-3;
	struct air out = {
		.density_kg_per_m3 = rho,
		.u_pressure_kg_per_m3 = fabs(by_p) * state->pressure_Pa.u,
		.u_temp_kg_per_m3 = fabs(by_t) * state->temp_degC.u,
		.u_humidity_kg_per_m3 = fabs(by_h) * state->humidity_frac.u,
		.u_formula_kg_per_m3 = rho * (formula == AIR_SHORT ? 2e-4 : 22e-6),
		.inside = inside(formula, p, t, h),
	};
	out.u_density_kg_per_m3 = hypot(hypot(out.u_pressure_kg_per_m3, out.u_temp_kg_per_m3),
					hypot(out.u_humidity_kg_per_m3, out.u_formula_kg_per_m3));
	*ret = out;
	return RC_OK;
}
