/* SPDX-License-Identifier: GPL-3.0-or-later */
/* calc gravity, calc air, calc weight: what a dead weight pulls. */
#include "calib/mass/air.h"
#include "calib/number/coverage.h"
#include "calib/mass/gravity.h"
#include "calib/mass/weights.h"
#include "calc/calc.h"
#include "calc/calc_option.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])

/* ---- gravity ---- */

/* By --gravity, or by --latitude with --height (sea level when missing). */
static enum rc read_gravity(const char *value, const char *latitude, const char *height, struct gravity *ret,
			    struct err *err)
{
	struct quantity q, h = { .dof = INFINITY };
	enum rc rc;

	if (value && (latitude || height))
		return err_set(err, RC_ARG, 0, "--gravity and --latitude exclude each other");
	if (value) {
		rc = calc_option("gravity", value, "m/s2", false, &q, err);
		return rc ? rc : gravity_given(q, ret, err);
	}
	rc = calc_option("latitude", latitude, "deg", true, &q, err);
	if (!rc && height)
		rc = calc_option("height", height, "m", false, &h, err);
	return rc ? rc : gravity_at(q, h, ret, err);
}

static int print_gravity(const struct cli *cli, const struct gravity *g)
{
	if (!cli->json) {
		calc_print("gravity", g->m_per_s2, g->u_m_per_s2, unc_coverage_factor(INFINITY, 0.95), "m/s2");
		printf("of which u: latitude %.2g, height %.2g, anomaly of the place %.2g m/s2 (common practice, no "
		       "source)\n",
		       g->u_latitude_m_per_s2, g->u_height_m_per_s2, g->u_anomaly_m_per_s2);
		return 0;
	}
	json_t *doc = calc_json(g->m_per_s2, g->u_m_per_s2, "m/s2");
	json_object_set_new(doc, "topic", cli_text("gravity"));
	json_object_set_new(doc, "gravity_m_per_s2", cli_real(g->m_per_s2));
	json_object_set_new(doc, "u_latitude", cli_real(g->u_latitude_m_per_s2));
	json_object_set_new(doc, "u_height", cli_real(g->u_height_m_per_s2));
	json_object_set_new(doc, "u_anomaly", cli_real(g->u_anomaly_m_per_s2));
	return cli_print_json(doc);
}

int calc_gravity(int argc, char **argv)
{
	const char *latitude = NULL, *height = NULL;
	const struct cli_option options[] = {
		{ "latitude", "DEG", "geodetic latitude, degrees, south negative", &latitude, NULL },
		{ "height", "H", "above the sea, with a unit; 0 m", &height, NULL },
	};
	const struct cli_spec spec = {
		"calc gravity",
		"calc gravity --latitude DEG [--height H] [options]",
		"Normal gravity by the closed form of GRS80 with the linear free-air term for height, and its "
		"uncertainty: that "
		"of latitude and height, and the local anomaly, which no formula gives.",
		"  bridle calc gravity --latitude 45 --height \"1000 m\"\n"
		"  gives 9.803113 m/s2 (GRS80: 9.806199 at the sea, less 0.3086 mGal/m)\n",
		options,
		COUNT(options),
		0,
		0,
	};
	struct cli cli;
	struct gravity g;
	struct err err;
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (!rc && cli.help_shown)
		return 0;
	if (!rc)
		rc = read_gravity(NULL, latitude, height, &g, &err);
	return rc ? cli_fail(&cli, &err, NULL, NULL) : print_gravity(&cli, &g);
}

/* ---- air ---- */

static int print_air(const struct cli *cli, const struct air *a, enum air_formula formula)
{
	const char *name = formula == AIR_SHORT ? "OIML R 111-1, E.3-1" : "CIPM-2007";

	if (!cli->json) {
		calc_print("density", a->density_kg_per_m3, a->u_density_kg_per_m3, unc_coverage_factor(INFINITY, 0.95),
			   "kg/m3");
		printf("by %s; of which u: pressure %.2g, temperature %.2g, humidity %.2g, formula %.2g kg/m3\n", name,
		       a->u_pressure_kg_per_m3, a->u_temp_kg_per_m3, a->u_humidity_kg_per_m3, a->u_formula_kg_per_m3);
		if (!a->inside)
			puts("Note: outside the range for which the formula is stated.");
		return 0;
	}
	json_t *doc = calc_json(a->density_kg_per_m3, a->u_density_kg_per_m3, "kg/m3");
	json_object_set_new(doc, "topic", cli_text("air"));
	json_object_set_new(doc, "density_kg_per_m3", cli_real(a->density_kg_per_m3));
	json_object_set_new(doc, "formula", cli_text(name));
	json_object_set_new(doc, "inside_range", json_boolean(a->inside));
	json_object_set_new(doc, "u_pressure", cli_real(a->u_pressure_kg_per_m3));
	json_object_set_new(doc, "u_temperature", cli_real(a->u_temp_kg_per_m3));
	json_object_set_new(doc, "u_humidity", cli_real(a->u_humidity_kg_per_m3));
	json_object_set_new(doc, "u_formula", cli_real(a->u_formula_kg_per_m3));
	return cli_print_json(doc);
}

static enum rc read_air(const char *pressure, const char *temperature, const char *humidity, const char *co2,
			struct air_state *ret, struct err *err)
{
	struct quantity x = { .value = 0.0004 };
	enum rc rc = calc_option("pressure", pressure, "Pa", false, &ret->pressure_Pa, err);

	if (!rc)
		rc = calc_option("temperature", temperature, "degC", false, &ret->temp_degC, err);
	if (!rc)
		rc = calc_option("humidity", humidity, "1", true, &ret->humidity_frac, err);
	if (!rc && co2)
		rc = calc_option("co2", co2, "1", true, &x, err);
	ret->co2_frac = x.value;
	return rc;
}

int calc_air(int argc, char **argv)
{
	const char *pressure = NULL, *temperature = NULL, *humidity = NULL, *co2 = NULL;
	bool simple = false;
	const struct cli_option options[] = {
		{ "pressure", "P", "on the spot, with a unit, not reduced to the sea", &pressure, NULL },
		{ "temperature", "T", "with a unit", &temperature, NULL },
		{ "humidity", "H", "relative, \"50 %\" or 0.5", &humidity, NULL },
		{ "co2", "X", "mole fraction of carbon dioxide; 400 ppm", &co2, NULL },
		{ "short", NULL, "the short formula of OIML R 111-1 instead of CIPM-2007", NULL, &simple },
	};
	const struct cli_spec spec = {
		"calc air",
		"calc air --pressure P --temperature T --humidity H [options]",
		"Density of moist air by the CIPM-2007 equation or by the short formula of OIML R 111-1, with its "
		"uncertainty.",
		"  bridle calc air --pressure \"101325 Pa\" --temperature \"20 degC\" --humidity 0.5\n"
		"  gives 1.199314 kg/m3, with --short 1.199294 kg/m3\n",
		options,
		COUNT(options),
		0,
		0,
	};
	struct cli cli;
	struct air_state state;
	struct air air;
	struct err err;
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (!rc && cli.help_shown)
		return 0;
	enum air_formula formula = simple ? AIR_SHORT : AIR_CIPM_2007;
	if (!rc)
		rc = read_air(pressure, temperature, humidity, co2, &state, &err);
	if (!rc)
		rc = air_density(formula, &state, &air, &err);
	return rc ? cli_fail(&cli, &err, NULL, NULL) : print_air(&cli, &air, formula);
}

/* ---- weight ---- */

struct weight_options {
	const char *nominal, *class, *mass, *density, *air, *gravity, *latitude, *height, *arm, *level, *hanger;
};

struct weight_answer {
	bool has_class, has_gravity, has_arm;
	enum weight_class class;
	double tolerance_kg;
	struct quantity mass_kg, hanger_kg;
	struct gravity gravity;
	struct unc_ctx *ctx;
	struct unc force_N, torque_Nm;
};

static enum rc read_mass(const struct weight_options *o, struct weight_answer *a, struct err *err)
{
	struct quantity nominal;
	enum rc rc;

	if (o->mass) {
		if (o->nominal || o->class)
			return err_set(err, RC_ARG, 0, "--mass excludes --nominal and --class");
		rc = calc_option("mass", o->mass, "kg", false, &a->mass_kg, err);
		if (!rc && !(a->mass_kg.value > 0))
			rc = err_set(err, RC_ARG, 0, "--mass: found %g kg, expected a mass above 0 kg",
				     a->mass_kg.value);
		return rc;
	}
	if (!o->nominal)
		return err_set(err, RC_ARG, 0,
			       "%s; give --nominal \"5 kg\" --class M1, or --mass \"5.0013 kg \xc2\xb1 0.5 g\"",
			       o->class ? "a class without its nominal mass says nothing" : "no weight is given");
	if (!o->class)
		return err_set(err, RC_ARG, 0, "--class is missing; a nominal mass alone says nothing about its error");
	rc = calc_option("nominal", o->nominal, "kg", false, &nominal, err);
	if (!rc && nominal.has_u)
		rc = err_set(err, RC_ARG, 0, "--nominal takes no uncertainty; the class gives it, or use --mass");
	if (!rc)
		rc = weight_class_parse(o->class, &a->class, err);
	if (!rc)
		rc = weight_tolerance(a->class, nominal.value, &a->tolerance_kg, err);
	if (!rc)
		rc = weight_of_class(a->class, nominal.value, &a->mass_kg, err);
	a->has_class = true;
	return rc;
}

static enum rc optional(const char *name, const char *text, const char *unit, double fallback, double limit,
			struct quantity *ret, struct err *err)
{
	*ret = (struct quantity){ .value = fallback, .u = limit / sqrt(3.0), .dof = INFINITY, .dist = DIST_RECT };
	return text ? calc_option(name, text, unit, false, ret, err) : RC_OK;
}

static enum rc read_force(const struct weight_options *o, struct weight_answer *a, struct err *err)
{
	struct quantity density, air;
	enum rc rc = read_gravity(o->gravity, o->latitude, o->height, &a->gravity, err);

	if (!rc)
		rc = optional("density", o->density, "kg/m3", 7900, 0, &density, err);
	if (!rc)
		rc = optional("air", o->air, "kg/m3", 1.2, 0.06, &air, err);
	if (!rc && o->hanger)
		rc = calc_option("hanger", o->hanger, "kg", false, &a->hanger_kg, err);
	if (!rc && !(density.value > 500 && air.value >= 0 && air.value < 5))
		rc = err_set(err, RC_ARG, 0, "a density of %g kg/m3 in air of %g kg/m3 is not that of a weight",
			     density.value, air.value);
	if (rc)
		return rc;
	struct quantity g = { .value = a->gravity.m_per_s2, .u = a->gravity.u_m_per_s2, .dof = INFINITY };
	struct unc gravity = unc_of_quantity(a->ctx, "gravity", g), rho = unc_of_quantity(a->ctx, "air", air);
	struct unc d = unc_of_quantity(a->ctx, "density of the weight", density);
	struct unc piece = unc_of_quantity(a->ctx, "mass", a->mass_kg);
	struct unc hanger = unc_of_quantity(a->ctx, "hanger", a->hanger_kg);
	a->force_N = unc_add(a->ctx, weight_force_N(a->ctx, piece, gravity, rho, d),
			     weight_force_N(a->ctx, hanger, gravity, rho, d));
	a->has_gravity = true;
	return RC_OK;
}

static enum rc read_torque(const struct weight_options *o, struct weight_answer *a, struct err *err)
{
	struct quantity arm, level;
	enum rc rc = calc_option("arm", o->arm, "m", false, &arm, err);

	if (!rc)
		rc = weight_arm_check(arm.value, err);
	if (!rc)
		rc = optional("level", o->level, "deg", 0, 0, &level, err);
	if (!rc && !(fabs(level.value) < 60))
		rc = err_set(err, RC_ARG, 0, "the arm is %g deg off level; expected less than 60 deg", level.value);
	if (rc)
		return rc;
	a->torque_Nm = weight_torque_Nm(a->ctx, a->force_N, unc_of_quantity(a->ctx, "arm", arm),
					unc_of_quantity(a->ctx, "level", level));
	a->has_arm = true;
	return RC_OK;
}

static void set_expanded(json_t *doc, double u, double k)
{
	json_object_set_new(doc, "k", cli_real(k));
	json_object_set_new(doc, "U", cli_real(k * u));
}

static json_t *parts_json(const struct weight_answer *a, struct unc x, const char *unit)
{
	struct unc_budget_row row[16];
	size_t n = unc_budget(x, row, COUNT(row));
	json_t *doc = calc_json(x.value, unc_u(x), unit), *list = json_array();

	for (size_t i = 0; i < n; i++) {
		json_t *part = json_object();
		json_object_set_new(part, "source", cli_text(unc_source_name(a->ctx, row[i].source)));
		json_object_set_new(part, "contribution", cli_real(row[i].u));
		json_object_set_new(part, "share", cli_real(row[i].share));
		json_array_append_new(list, part);
	}
	double k;

	(void)unc_expanded(a->ctx, x, 0.95, &k);
	set_expanded(doc, unc_u(x), k);
	json_object_set_new(doc, "contributions", list);
	return doc;
}

static int print_weight_json(const struct weight_answer *a)
{
	json_t *doc = calc_json(a->mass_kg.value, a->mass_kg.u, "kg");

	json_object_set_new(doc, "topic", cli_text("weight"));
	set_expanded(doc, a->mass_kg.u, dist_coverage_factor(a->mass_kg.dist, a->mass_kg.beta, a->mass_kg.dof, 0.95));
	if (a->has_class) {
		json_object_set_new(doc, "class", cli_text(weight_class_name(a->class)));
		json_object_set_new(doc, "tolerance_kg", cli_real(a->tolerance_kg));
		json_object_set_new(doc, "tolerance_mg", cli_real(a->tolerance_kg * 1e6));
	}
	if (a->has_gravity) {
		json_object_set_new(doc, "gravity", calc_json(a->gravity.m_per_s2, a->gravity.u_m_per_s2, "m/s2"));
		json_object_set_new(doc, "force", parts_json(a, a->force_N, "N"));
	}
	if (a->has_arm)
		json_object_set_new(doc, "torque", parts_json(a, a->torque_Nm, "N.m"));
	return cli_print_json(doc);
}

static void print_parts(const struct weight_answer *a, const char *name, struct unc x, const char *unit)
{
	struct unc_budget_row row[16];
	size_t n = unc_budget(x, row, COUNT(row));

	double k;

	(void)unc_expanded(a->ctx, x, 0.95, &k);
	calc_print(name, x.value, unc_u(x), k, unit);
	for (size_t i = 0; i < n; i++)
		printf("  %-22s %12.3g %6.1f %%\n", unc_source_name(a->ctx, row[i].source), row[i].u,
		       100 * row[i].share);
}

static void print_weight(const struct weight_answer *a)
{
	if (a->has_class)
		printf("class %s     %.6g kg \xc2\xb1 %.6g mg (OIML R 111-1:2004), rectangular\n",
		       weight_class_name(a->class), a->mass_kg.value, a->tolerance_kg * 1e6);
	calc_print("mass", a->mass_kg.value, a->mass_kg.u,
		   dist_coverage_factor(a->mass_kg.dist, a->mass_kg.beta, a->mass_kg.dof, 0.95), "kg");
	if (a->has_gravity) {
		calc_print("gravity", a->gravity.m_per_s2, a->gravity.u_m_per_s2, unc_coverage_factor(INFINITY, 0.95),
			   "m/s2");
		print_parts(a, "force", a->force_N, "N");
	}
	if (a->has_arm)
		print_parts(a, "torque", a->torque_Nm, "N.m");
}

static enum rc read_weight(const struct weight_options *o, struct weight_answer *a, struct err *err)
{
	a->ctx = unc_ctx_new();
	enum rc rc = a->ctx ? read_mass(o, a, err) : err_set(err, RC_NOMEM, 0, "out of memory");

	if (!rc && (o->gravity || o->latitude || o->arm))
		rc = read_force(o, a, err);
	if (!rc && o->arm)
		rc = read_torque(o, a, err);
	if (!rc && unc_failed(a->ctx))
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	return rc;
}

int calc_weight(int argc, char **argv)
{
	struct weight_options o = { 0 };
	const struct cli_option options[] = {
		{ "nominal", "M", "nominal mass of a class weight, with a unit", &o.nominal, NULL },
		{ "class", "C", "OIML R 111-1: E2, F1, F2, M1, M1-2, M2, M2-3, M3", &o.class, NULL },
		{ "mass", "M", "instead of both: conventional mass with its uncertainty", &o.mass, NULL },
		{ "hanger", "M", "conventional mass of the hanger; none", &o.hanger, NULL },
		{ "density", "D", "of the weights; 7900 kg/m3", &o.density, NULL },
		{ "air", "D", "density of the air; 1.2 kg/m3 \xc2\xb1 0.06 kg/m3", &o.air, NULL },
		{ "gravity", "G", "local gravity, for the force", &o.gravity, NULL },
		{ "latitude", "DEG", "or by place: latitude in degrees", &o.latitude, NULL },
		{ "height", "H", "and height above the sea", &o.height, NULL },
		{ "arm", "L", "shaft axis to load line, for the torque", &o.arm, NULL },
		{ "level", "A", "off-level angle of the arm; 0 deg", &o.level, NULL },
	};
	const struct cli_spec spec = {
		"calc weight",
		"calc weight (--nominal M --class C | --mass M) [options]",
		"A dead weight: tolerance of its class (OIML R 111-1, read as limits, rectangular), force in air, "
		"torque on an arm, "
		"each with its uncertainty by source.",
		"  bridle calc weight --nominal \"5 kg\" --class M1\n  gives 250 mg (OIML R 111-1:2004, table 1)\n"
		"  bridle calc weight --mass \"1 kg\" --gravity \"9.81 m/s2\" \\\n"
		"    --arm \"500 mm \xc2\xb1 0.2 mm\"\n"
		"  gives 9.8085285 N (9.81 (1 - 1.2/8000)) and 4.904 N\xc2\xb7m\n",
		options,
		COUNT(options),
		0,
		0,
	};
	struct cli cli;
	struct weight_answer answer = { .hanger_kg = { .dof = INFINITY } };
	struct err err;
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);
	int status = 0;

	if (!rc && cli.help_shown)
		return 0;
	if (!rc)
		rc = read_weight(&o, &answer, &err);
	if (rc)
		status = cli_fail(&cli, &err, NULL, NULL);
	else if (cli.json)
		status = print_weight_json(&answer);
	else
		print_weight(&answer);
	unc_ctx_free(answer.ctx);
	return status;
}
