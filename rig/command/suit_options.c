/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What was typed beside the duty, as numbers; what cannot be, or cannot be together, is refused. */
#include "calc/calc_option.h"
#include "command/offline.h"
#include "command/suit.h"

/* The uncertainties of the numbers that may have one. */
static enum rc uncertainties(struct suit_wanted *w, struct err *err)
{
	const struct {
		const char *name, *text, *unit;
		double *ret;
	} options[] = {
		{ "voltage", w->voltage, "V", &w->u_voltage_V },
		{ "supply-current", w->supply_A, "A", &w->u_supply_current_A },
		{ "supply-power", w->supply_W, "W", &w->u_supply_power_W },
		{ "efficiency", w->efficiency, "1", &w->u_efficiency_1 },
		{ "play", w->play, "arcmin", &w->u_play_arcmin },
		{ "stiffness", w->stiffness, "N.m/arcmin", &w->u_stiffness_Nm_per_arcmin },
		{ "reach", w->reach, "m", &w->u_reach_m },
	};
	struct quantity q;
	enum rc rc = RC_OK;

	for (size_t i = 0; i < sizeof options / sizeof options[0] && !rc; i++) {
		if (!options[i].text)
			continue;
		rc = calc_option(options[i].name, options[i].text, options[i].unit, true, &q, err);
		*options[i].ret = rc ? 0 : q.u;
	}
	return rc;
}

/* Numbers that are taken as exact: an uncertainty is not left out without a word. */
static enum rc exact(const struct suit_wanted *w, struct err *err)
{
	const struct {
		const char *name, *text, *unit;
	} options[] = { { "rotor-inertia", w->inertia, "kg.m2" },
			{ "ratio", w->ratio, "1" },
			{ "limit", w->limit, "degC" },
			{ "ambient", w->ambient, "degC" },
			{ "tip", w->tip, "mm" } };
	struct quantity q;
	enum rc rc = RC_OK;

	for (size_t i = 0; i < sizeof options / sizeof options[0] && !rc; i++) {
		if (!options[i].text)
			continue;
		rc = calc_option(options[i].name, options[i].text, options[i].unit, true, &q, err);
		if (!rc && q.u > 0)
			rc = err_set(err, RC_ARG, 0, "--%s is taken as exact; leave its uncertainty out",
				     options[i].name);
	}
	return rc;
}

static enum rc together(const struct suit_wanted *w, struct err *err)
{
	if (w->inertia_kgm2 < 0 || w->play_arcmin < 0)
		return err_set(err, RC_ARG, 0, "--%s must not be negative",
			       w->play_arcmin < 0 ? "play" : "rotor-inertia");
	if (w->efficiency && !(w->efficiency_1 > 0 && w->efficiency_1 <= 1))
		return err_set(err, RC_ARG, 0, "--efficiency: found %g, expected above 0 and up to 1, or in %%",
			       w->efficiency_1);
	if (!w->curve && !w->thermal)
		return err_set(err, RC_ARG, 0,
			       "give what the actuator can: --curve FILE.csv, --thermal FILE.json, or both");
	if (w->tip && !(w->play && w->stiffness && w->reach))
		return err_set(err, RC_ARG, 0, "--tip needs --play, --stiffness and --reach");
	if (w->supply_A && !w->voltage)
		return err_set(err, RC_ARG, 0, "--supply-current needs --voltage");
	return w->limit && !w->thermal && !w->actuators ? err_set(err, RC_ARG, 0, "--limit needs --thermal") : RC_OK;
}

enum rc suit_options(struct suit_wanted *w, struct err *err)
{
	const struct offline_option options[] = {
		{ "rotor-inertia", w->inertia, "kg.m2", &w->inertia_kgm2, false },
		{ "ratio", w->ratio, "1", &w->ratio_1, true },
		{ "limit", w->limit, "degC", &w->limit_degC, false },
		{ "ambient", w->ambient, "degC", &w->ambient_degC, false },
		{ "voltage", w->voltage, "V", &w->voltage_V, true },
		{ "supply-current", w->supply_A, "A", &w->supply_current_A, true },
		{ "supply-power", w->supply_W, "W", &w->supply_power_W, true },
		{ "efficiency", w->efficiency, "1", &w->efficiency_1, false },
		{ "play", w->play, "arcmin", &w->play_arcmin, false },
		{ "stiffness", w->stiffness, "N.m/arcmin", &w->stiffness_Nm_per_arcmin, true },
		{ "reach", w->reach, "m", &w->reach_m, true },
		{ "tip", w->tip, "mm", &w->tip_mm, true },
	};
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);

	if (!rc)
		rc = uncertainties(w, err);
	if (!rc)
		rc = exact(w, err);
	if (!rc)
		rc = together(w, err);
	return rc;
}
