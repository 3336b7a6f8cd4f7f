/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/procedure.h"
#include "calib/number/uncertain.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void procedure_clear(struct procedure *p)
{
	json_decref(p->doc);
	for (size_t i = 0; i < p->n_drawings; i++) {
		free(p->drawing[i].table);
		free(p->drawing[i].script);
	}
	*p = (struct procedure){ 0 };
}

static const struct {
	const char *word, *title, *method, *certainty;
} kinds[] = {
	{ "hold", "Torque held",
	  "The brake locked the shaft, or braked it at a slow speed, and the torque was held; then the cooling was "
	  "recorded. Two heat stores, winding and case, are fitted to the temperatures by least squares. The loss is "
	  "the electrical power less the shaft's, less what was drawn without load.",
	  "Each ± is the expanded uncertainty (95 %). Scatter of the record about the model, the meter in the "
	  "resistances "
	  "and the cell in torques and times are in it, and heat that a drive on the actuator may give to its case. "
	  "What temperature sensors are off by is in it where the rig's file states it." },
	{ "play", "Play and stiffness",
	  "The brake locked the output; the torque went slowly to the largest of one sign, of the other, and back. The "
	  "angle is the rotor's by the drive's own sensor, divided by the ratio. Lost motion lies between the middles "
	  "of the loop at + and \u2212 3 % of the largest torque, stiffness between 50 and 100 % of it.",
	  "Each ± is the expanded uncertainty (95 %). Scatter, calibration, angle, the rig's stiffness, friction of "
	  "the cradle's bearing and lag of the torque are in it." },
	{ "obey", "Commanded torque",
	  "The brake locked the shaft, and the torque was commanded in steps of both signs, up and down. Each reading "
	  "is a mean of 1 s. Gain, offset, dead band and hysteresis are fitted to them by least squares. Where the "
	  "shaft was turned too, friction is what the offsets of the speeds take off, by a straight line, and the "
	  "ratio is the mean of the rotor's speed over the output's.",
	  "Each ± is the expanded uncertainty (95 %). Scatter, calibration, zeros and friction of the cradle's bearing "
	  "are in it." },
	{ "ripple", "Torque by shaft order",
	  "The shaft was turned slowly there and back over the same angles. Half the sum of both ways is what the "
	  "angle makes, half the difference what the way makes. Fourier's transform over whole turns tells the waves; "
	  "the noise beside a wave is its uncertainty.",
	  "Each ± is the expanded uncertainty (95 %). Noise beside the wave, lag of the cell's readings, calibration "
	  "and "
	  "friction of the cradle's bearing are in it." },
	{ "endure", "Cycles of load",
	  "Each cycle: at each speed first without load, then each load of the plan; then a pause. The first and the "
	  "last "
	  "cycles, as many of each, are compared by their means. Each cycle's numbers are an event of the run.",
	  "Each ± is the expanded uncertainty (95 %) of a mean by the scatter from cycle to cycle. What meter, sensors "
	  "and "
	  "cell are off by is not in it: it is the same in the first and the last." },
	{ "tame", "Inertia and control loop",
	  "The free shaft was turned one way by a commanded torque with small pseudo-random steps on it. One mass with "
	  "friction is fitted to torque and speed by least squares. Play and stiffness are those of the run of play, "
	  "the "
	  "torque for each N·m commanded that of the run of obey. Margins and oscillation follow from the joint and "
	  "the gains that were typed.",
	  "Each ± is the expanded uncertainty (95 %). Scatter, the commanded torque's scale, the rig's inertia, loss "
	  "of "
	  "the gear and the cell's zero are in it. What the model leaves out is not." },
	{ "response", "Response to a torque command",
	  "The brake locked the shaft. The torque was commanded in small pseudo-random steps about a standing torque. "
	  "The "
	  "response is the cross spectrum over the command's own, by averages over windows; the bandwidth is where it "
	  "has fallen to 71 % of its value at low frequencies.",
	  "Each ± is the expanded uncertainty (95 %) by the scatter of the response alone. Gear, lever, cell and its "
	  "averages are in the response itself." },
};

static size_t kind_at(const char *word)
{
	size_t i = 0;

	while (i < sizeof kinds / sizeof kinds[0] && strcmp(kinds[i].word, word) != 0)
		i++;
	return i;
}

const char *procedure_kind(const char *word)
{
	size_t i = kind_at(word);

	return i < sizeof kinds / sizeof kinds[0] ? kinds[i].word : NULL;
}

const char *procedure_title(const char *kind)
{
	return kinds[kind_at(kind)].title;
}

const char *procedure_method(const char *kind)
{
	return kinds[kind_at(kind)].method;
}

const char *procedure_certainty(const char *kind)
{
	return kinds[kind_at(kind)].certainty;
}

/* --- the numbers --- */
struct row {
	const char *kind, *key, *label, *unit;
};
static const struct row rows[] = {
	{ "hold", "continuous_torque_Nm", "Continuous torque (S1)", "N·m" },
	{ "hold", "time_s", "Time to the limit", "s" },
	{ "hold", "steady_degC", "This load leads to", "°C" },
	{ "hold", "slope_K_per_h", "Slope at the end of the load", "K/h" },
	{ "hold", "model.winding.tau_s", "Winding, time constant", "s" },
	{ "hold", "model.winding.resistance_K_per_W", "Winding, thermal resistance", "K/W" },
	{ "hold", "model.case.tau_s", "Case, time constant", "s" },
	{ "hold", "model.case.resistance_K_per_W", "Case, thermal resistance", "K/W" },
	{ "play", "lost_motion_arcmin", "Lost motion at ± 3 %", "arcmin" },
	{ "play", "stiffness_Nm_per_arcmin", "Stiffness, 50 to 100 %", "N·m/arcmin" },
	{ "play", "stiffness_near_zero_Nm_per_arcmin", "Stiffness, 3 to 15 %", "N·m/arcmin" },
	{ "play", "hysteresis_arcmin", "Hysteresis at no torque", "arcmin" },
	{ "play", "hysteresis_loss_J", "Hysteresis loss, a loop", "J" },
	{ "play", "wind_up_arcmin", "Wind-up, \u2212 to + the largest", "arcmin" },
	{ "play", "coulomb_Nm", "Dry friction, turning", "N·m" },
	{ "play", "viscous_Nm_per_rpm", "Viscous friction, turning", "N·m/rpm" },
	{ "play", "ratio", "Ratio, rotor to output", "" },
	{ "obey", "gain", "Gain", "" },
	{ "obey", "offset_Nm", "Offset", "N·m" },
	{ "obey", "dead_band_Nm", "Dead band", "N·m" },
	{ "obey", "hysteresis_Nm", "Hysteresis at half command", "N·m" },
	{ "obey", "hysteresis_growth", "Hysteresis, growth with the command", "N·m/N·m" },
	{ "obey", "torque_constant_Nm_per_A", "Constant to write into the drive", "N·m/A" },
	{ "obey", "coulomb_Nm", "Dry friction, turning", "N·m" },
	{ "obey", "viscous_Nm_per_rpm", "Viscous friction, turning", "N·m/rpm" },
	{ "obey", "ratio", "Ratio, rotor to output", "" },
	{ "endure", "no_load_first_A", "Current without load, first cycles", "A" },
	{ "endure", "no_load_last_A", "Current without load, last cycles", "A" },
	{ "endure", "current_change_percent", "Change of the current without load", "%" },
	{ "endure", "droop_first_percent", "Droop under the heaviest load, first cycles", "%" },
	{ "endure", "droop_last_percent", "Droop under the heaviest load, last cycles", "%" },
	{ "endure", "rise_first_K", "Case above the air, first cycles", "K" },
	{ "endure", "rise_last_K", "Case above the air, last cycles", "K" },
	{ "ripple", "rms_Nm", "Ripple, RMS", "N·m" },
	{ "ripple", "peak_to_peak_Nm", "Ripple, peak to peak", "N·m" },
	{ "ripple", "friction_Nm", "Friction", "N·m" },
	{ "response", "bandwidth_Hz", "Bandwidth", "Hz" },
	{ "tame", "identified.rotor_inertia_kgm2", "Inertia of the rotor, at the output", "kg·m²" },
	{ "tame", "inertia_kgm2", "Inertia of all that turned", "kg·m²" },
	{ "tame", "coulomb_Nm", "Dry friction of the actuator", "N·m" },
	{ "tame", "viscous_Nm_per_rpm", "Viscous friction, rig included", "N·m/rpm" },
	{ "tame", "gain_margin_dB", "Gain margin", "dB" },
	{ "tame", "phase_margin_deg", "Phase margin", "°" },
	{ "tame", "amplitude_deg", "Oscillation of the arm, amplitude", "°" },
	{ "tame", "amplitude_Nm", "Oscillation, torque in the gear, amplitude", "N·m" },
	{ "tame", "frequency_Hz", "Oscillation, frequency", "Hz" },
};

static const json_t *at_path(const json_t *doc, const char *path)
{
	while (doc && *path) {
		char name[48];
		size_t n = strcspn(path, ".");
		snprintf(name, sizeof name, "%.*s", (int)n, path);
		doc = json_object_get(doc, name);
		path += n + (path[n] == '.');
	}
	return doc;
}

static double real_of(const json_t *value)
{
	return json_is_number(value) ? json_number_value(value) : NAN;
}

/* False when the record does not tell it. */
static bool fill(struct procedure_number *ret, const json_t *number, const char *unit)
{
	double dof = real_of(json_object_get(number, "dof"));

	if (!isfinite(real_of(json_object_get(number, "value"))))
		return false;
	ret->unit = unit;
	ret->value = real_of(json_object_get(number, "value"));
	ret->u = real_of(json_object_get(number, "u"));
	ret->dof = isfinite(dof) ? dof : INFINITY;
	ret->U = ret->u * unc_coverage_factor(ret->dof >= 1 ? ret->dof : INFINITY, PROCEDURE_COVERAGE);
	ret->budget = json_object_get(number, "budget");
	ret->note[0] = '\0';
	return true;
}

/* A torque that nobody held is carried on by the model. */
static void mark_extrapolated(const struct procedure *p, struct procedure_number *ret, size_t n)
{
	double held_Nm = real_of(json_object_get(p->doc, "measured_torque_Nm"));

	for (size_t i = 0; i < n; i++)
		if (strcmp(ret[i].unit, "N·m") == 0 && ret[i].value > 1.02 * held_Nm)
			snprintf(ret[i].note, sizeof ret[i].note, "extrapolated");
}

static size_t add_rows(const struct procedure *p, struct procedure_number *ret)
{
	size_t n = 0;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		if (strcmp(rows[i].kind, p->kind) != 0 || !fill(&ret[n], at_path(p->doc, rows[i].key), rows[i].unit))
			continue;
		snprintf(ret[n].key, sizeof ret[n].key, "%s", rows[i].key);
		snprintf(ret[n++].label, sizeof ret[0].label, "%s", rows[i].label);
	}
	return n;
}

static size_t add_ratings(const json_t *doc, const char *list, struct procedure_number *ret, size_t n)
{
	const json_t *o;
	size_t i;

	json_array_foreach(json_object_get(doc, list), i, o)
	{
		double min = real_of(json_object_get(o, list[1] == '2' ? "time_s" : "cycle_s")) / 60,
		       duty = real_of(json_object_get(o, "duty"));
		if (n == PROCEDURE_NUMBERS || !fill(&ret[n], json_object_get(o, "torque_Nm"), "N·m"))
			continue;
		if (isfinite(duty)) {
			snprintf(ret[n].key, sizeof ret[n].key, "%s.%g min.%g %%", list, min, 100 * duty);
			snprintf(ret[n].label, sizeof ret[n].label, "S3, %g %% of %g min", 100 * duty, min);
		} else {
			snprintf(ret[n].key, sizeof ret[n].key, "%s.%g min", list, min);
			snprintf(ret[n].label, sizeof ret[n].label, "S2, %g min", min);
		}
		n++;
	}
	return n;
}

static size_t add_orders(const json_t *doc, struct procedure_number *ret, size_t n)
{
	const json_t *o;
	size_t i;

	json_array_foreach(json_object_get(doc, "orders"), i, o)
	{
		double order = real_of(json_object_get(o, "order"));
		const char *name = json_string_value(json_object_get(o, "name"));
		if (n == PROCEDURE_NUMBERS || !fill(&ret[n], json_object_get(o, "amplitude_Nm"), "N·m"))
			continue;
		snprintf(ret[n].key, sizeof ret[n].key, "orders.%.5g", order);
		snprintf(ret[n].label, sizeof ret[n].label, "Order %.5g%s%.60s", order, name ? ", " : "",
			 name ? name : "");
		if (!json_is_true(json_object_get(o, "stands_out")))
			snprintf(ret[n].note, sizeof ret[n].note, "in the noise");
		n++;
	}
	return n;
}

size_t procedure_numbers(const struct procedure *p, struct procedure_number ret[PROCEDURE_NUMBERS])
{
	size_t n = add_rows(p, ret);

	n = add_ratings(p->doc, "s2", ret, n);
	n = add_ratings(p->doc, "s3", ret, n);
	mark_extrapolated(p, ret, n);
	return add_orders(p->doc, ret, n);
}
