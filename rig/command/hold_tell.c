/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "command/hold_tell.h"

#include "command/offline.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

const char *hold_source_name(enum hold_source source)
{
	static const char *const name[] = { "sensor of the winding", "sensor of the case", "sensor of the ambient",
					    "heat of the drive in the case" };

	return name[source];
}

bool hold_beyond(const struct hold_found *h, double torque_Nm)
{
	return torque_Nm > 1.02 * h->most_Nm;
}

/* Watts that all are too large make it too small by as much. */
static double loss_part(const struct hold_found *h, int k)
{
	return -h->u_loss_1 * h->fit.model.resistance_K_per_W[k];
}

static double with_sources(double u, const double part[HOLD_SOURCES][THERMAL_STORES], int k)
{
	for (int i = 0; i < HOLD_SOURCES; i++)
		u = hypot(u, part[i][k]);
	return u;
}

static double u_resistance(const struct hold_found *h, int k)
{
	return with_sources(hypot(h->fit.u_resistance_K_per_W[k], loss_part(h, k)), h->moved_K_per_W, k);
}

static double u_tau(const struct hold_found *h, int k)
{
	return with_sources(h->fit.u_tau_s[k], h->moved_tau_s, k);
}

/* What is added to the fit's own u is taken as known (JCGM 100:2008, G.4.1). */
static double dof_of(const struct hold_found *h, double u_all, double u_fit)
{
	return u_fit > 0 ? h->fit.dof * pow(u_all / u_fit, 4) : h->fit.dof;
}

static void line(const struct hold_found *h, const char *label, struct thermal_answer a, double unit, const char *name)
{
	offline_line(label, a.value / unit, a.u / unit, dof_of(h, a.u, a.u_fit), name);
}

static void add_part(json_t *list, const char *source, double u)
{
	if (!(fabs(u) <= 0))
		json_array_append_new(list, json_pack("{s:s, s:o}", "source", source, "u", cli_real(u)));
}

/* A number by source; none where the record's scatter is all. loss: 0, or what the watts make of it. */
static json_t *number_by_source(const struct hold_found *h, double value, double u_all, double scatter, double loss,
				const double part[HOLD_SOURCES][THERMAL_STORES], int k)
{
	json_t *number = number_json(value, u_all, dof_of(h, u_all, scatter)), *list = json_array();

	add_part(list, "scatter of the record", scatter);
	add_part(list, "loss", loss);
	for (int i = 0; i < HOLD_SOURCES; i++)
		add_part(list, hold_source_name((enum hold_source)i), part[i][k]);
	if (json_array_size(list) > 1)
		json_object_set(number, "budget", list);
	json_decref(list);
	return number;
}

static json_t *store_json(const struct hold_found *h, int k)
{
	const struct thermal_fit *f = &h->fit;
	json_t *tau = number_by_source(h, f->model.tau_s[k], u_tau(h, k), f->u_tau_s[k], 0, h->moved_tau_s, k);
	json_t *resistance =
		f->watts ? number_by_source(h, f->model.resistance_K_per_W[k], u_resistance(h, k),
					    f->u_resistance_K_per_W[k], loss_part(h, k), h->moved_K_per_W, k)
			 : json_null();

	return json_pack("{s:o, s:o}", "tau_s", tau, "resistance_K_per_W", resistance);
}

static json_t *answer_json(const struct hold_found *h, struct thermal_answer a)
{
	return number_json(a.value, a.u, dof_of(h, a.u, a.u_fit));
}

static json_t *model_json(const struct hold_found *h)
{
	const struct thermal_fit *f = &h->fit;

	if (h->untold[0])
		return json_null();
	if (f->model.two)
		return json_pack("{s:o, s:o}", "winding", store_json(h, 0), "case", store_json(h, 1));
	return json_pack("{s:o}", h->store, store_json(h, 0));
}

static json_t *holding_json(const struct hold_found *h)
{
	json_t *list = json_array();

	for (size_t i = 0; i < h->n_points; i++) {
		const struct hold_point *p = &h->point[i];
		json_array_append_new(list,
				      json_pack("{s:o, s:o, s:o, s:o, s:b}", "torque_Nm", cli_real(p->torque_Nm),
						"time_s", cli_real(p->time_s.value), "low_s", cli_real(p->time_s.low),
						"high_s", cli_real(p->time_s.high), "extrapolated", p->extrapolated));
	}
	return list;
}

static json_t *duties_json(const struct hold_found *h, bool s2)
{
	json_t *list = json_array();

	for (size_t i = 0; i < h->n_duties; i++) {
		const struct hold_duty *d = &h->duty[i];
		if (isnan(d->share) != s2)
			continue;
		json_t *o = json_pack("{s:o, s:o, s:b}", s2 ? "time_s" : "cycle_s", cli_real(d->time_s), "torque_Nm",
				      answer_json(h, d->torque_Nm), "extrapolated", hold_beyond(h, d->torque_Nm.value));
		if (!s2)
			json_object_set_new(o, "duty", cli_real(d->share));
		json_array_append_new(list, o);
	}
	return list;
}

json_t *hold_json(const struct hold_found *h)
{
	const struct thermal_fit *f = &h->fit;
	json_t *o = json_pack("{s:b, s:o, s:o, s:o, s:o, s:o}", "equilibrium", h->equilibrium, "limit",
			      cli_real(h->limit_degC), "time_s", answer_json(h, h->time_s), "model", model_json(h),
			      "continuous_torque_Nm", answer_json(h, h->continuous_Nm), "holding", holding_json(h));

	if (h->untold[0])
		json_object_set_new(o, "no_model", cli_text(h->untold));
	json_object_set_new(o, "limit_reached", json_boolean(h->limit_reached));
	json_object_set_new(o, "s2", duties_json(h, true));
	json_object_set_new(o, "s3", duties_json(h, false));
	json_object_set_new(o, "steady_degC", answer_json(h, h->steady_degC));
	json_object_set_new(o, "slope_K_per_h",
			    h->slope_known ? number_json(h->slope_K_per_h, h->u_slope_K_per_h, 0) : json_null());
	json_object_set_new(o, "ambient_degC", cli_real(h->ambient_degC));
	json_object_set_new(o, "ambient_assumed", json_boolean(h->ambient_assumed));
	json_object_set_new(o, "lack_of_fit",
			    json_pack("{s:o, s:o}", "p", cli_real(f->lack_p), "largest_K", cli_real(f->lack_K)));
	/* With these `suit` carries the model on. */
	json_object_set_new(o, "case_share",
			    f->model.two ? cli_real(f->model.resistance_K_per_W[1] / f->model.resistance_K_per_W[0])
					 : json_null());
	json_object_set_new(o, "loss",
			    f->torque ? json_pack("{s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "unit",
						  f->watts ? "W" : "K", "fixed", cli_real(f->loss.fixed_W), "per_Nm2",
						  cli_real(f->loss.per_Nm2_W), "per_K", cli_real(f->loss.per_K),
						  "at_degC", cli_real(f->loss.at_degC), "u_relative",
						  f->watts ? cli_real(h->u_loss_1) : json_null(), "torque_u_relative",
						  cli_real(h->u_torque_1), "to_Nm", cli_real(h->most_Nm))
				      : json_null());
	return o;
}

static void time_text(double s, char *buf, size_t size)
{
	if (!isfinite(s))
		snprintf(buf, size, "no end");
	else if (s < 600)
		snprintf(buf, size, "%.3g s", s);
	else
		snprintf(buf, size, "%.3g min", s / 60);
}

static void print_model(const struct hold_found *h)
{
	const struct thermal_fit *f = &h->fit;

	for (int k = 0; k < (f->model.two ? 2 : 1); k++) {
		const char *name = f->model.two ? (k == 0 ? "winding" : "case") : h->store;
		char label[60];
		snprintf(label, sizeof label, "%s, time constant", name);
		offline_line(label, f->model.tau_s[k], u_tau(h, k), dof_of(h, u_tau(h, k), f->u_tau_s[k]), "s");
		snprintf(label, sizeof label, "%s, resistance", name);
		if (f->watts)
			offline_line(label, f->model.resistance_K_per_W[k], u_resistance(h, k),
				     dof_of(h, u_resistance(h, k), f->u_resistance_K_per_W[k]), "K/W");
	}
	if (!f->watts)
		puts("  The loss was not measured, so there are no resistances in K/W.");
	if (f->lack_p < 0.01)
		printf("  The model does not follow the record all the way: stretches of it lie up to %.2g K beside.\n",
		       f->lack_K);
	else if (isnan(f->lack_p))
		puts("  Too few rows to test whether the model fits; 60 would do.");
	if (!(f->dof > 0))
		puts("  As many unknowns as readings: no uncertainty can be given.");
}

static void print_equilibrium(const struct hold_found *h)
{
	if (!h->slope_known)
		printf("Equilibrium cannot be judged: too few rows at the end.\n");
	else
		printf("%s: the temperature changes by %.2g K/h (u %.2g K/h) in the last %.4g s of the load, limit "
		       "%.3g K/h with u.\n",
		       h->equilibrium ? "Equilibrium" : "No equilibrium yet", h->slope_K_per_h, h->u_slope_K_per_h,
		       h->window_s, h->equilibrium_K_per_h);
}

static void print_holding(const struct hold_found *h)
{
	if (h->n_points == 0)
		return;
	printf("\nHolding time to %.4g °C from cold (ambient %.3g °C), with the band of 95 %%:\n", h->limit_degC,
	       h->ambient_degC);
	bool far = false;
	for (size_t i = 0; i < h->n_points; i++) {
		const struct hold_point *p = &h->point[i];
		char time[40], low[40], high[40];
		time_text(p->time_s.value, time, sizeof time);
		time_text(p->time_s.low, low, sizeof low);
		time_text(p->time_s.high, high, sizeof high);
		far = far || p->extrapolated;
		if (isnan(p->time_s.low))
			printf("  %8.4g N\u00b7m  %10s%s\n", p->torque_Nm, time, p->extrapolated ? " *" : "");
		else
			printf("  %8.4g N\u00b7m  %10s  %s to %s%s\n", p->torque_Nm, time, low, high,
			       p->extrapolated ? " *" : "");
	}
	puts("\nRatings (duty types of IEC 60034-1):");
	far = far || hold_beyond(h, h->continuous_Nm.value);
	line(h, hold_beyond(h, h->continuous_Nm.value) ? "S1, continuous *" : "S1, continuous", h->continuous_Nm, 1,
	     "N·m");
	for (size_t i = 0; i < h->n_duties; i++) {
		const struct hold_duty *d = &h->duty[i];
		char label[60];
		const char *star = hold_beyond(h, d->torque_Nm.value) ? " *" : "";
		if (isnan(d->share))
			snprintf(label, sizeof label, "S2, %g min%s", d->time_s / 60, star);
		else
			snprintf(label, sizeof label, "S3, %g %% of %g min%s", 100 * d->share, d->time_s / 60, star);
		far = far || *star;
		line(h, label, d->torque_Nm, 1, "N·m");
	}
	if (far)
		printf("  * extrapolated: the largest torque that was held is %.4g N\u00b7m\n", h->most_Nm);
}

void hold_print(const struct hold_found *h)
{
	print_equilibrium(h);
	if (h->by_resistance)
		puts("The winding's temperature is from its resistance.");
	if (h->ambient_assumed)
		printf("Ambient assumed: %.3g °C, the lowest temperature of the record. State it with --ambient.\n",
		       h->ambient_degC);
	if (h->untold[0]) {
		printf("No thermal model: %s.\n", h->untold);
		return;
	}
	puts("");
	print_model(h);
	line(h, "this load leads to", h->steady_degC, 1, "°C");
	if (isfinite(h->limit_degC)) {
		if (h->time_s.value > 0 && isfinite(h->time_s.value))
			line(h, "time to the limit", h->time_s, 60, "min");
		else if (isfinite(h->time_s.value))
			printf("  %-26s above it from the first row on\n", "time to the limit");
		else
			printf("  %-26s never at this load\n", "time to the limit");
	} else
		puts("  No --limit: holding times and ratings need the winding's limit.");
	print_holding(h);
}
