/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/procedure.h"
#include "reports/reduce/text.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

static double real(const struct procedure *p, const char *key)
{
	const json_t *value = json_object_get(p->doc, key);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

/* "11.2 ± 0.6 arcmin", or "not known". */
static void words_of(const struct procedure *p, const char *key, char *buf, size_t size)
{
	struct procedure_number list[PROCEDURE_NUMBERS];
	size_t n = procedure_numbers(p, list);

	snprintf(buf, size, "not known");
	for (size_t i = 0; i < n; i++)
		if (strcmp(list[i].key, key) == 0)
			text_pm(buf, size, list[i].value, list[i].U, list[i].unit);
}

static const char *word(const struct procedure *p, const char *key)
{
	const char *text = json_string_value(json_object_get(p->doc, key));

	return text ? text : "";
}

static const char *ended_by(const struct procedure *p)
{
	const char *end = word(p, "ended_by");

	return strcmp(end, "equilibrium") == 0 ? "equilibrium"
	       : strcmp(end, "limit") == 0     ? "the limit of temperature"
					       : "the longest time";
}

/* The wave of the largest amplitude that stands out and is more than its own U. */
static const struct procedure_number *largest_wave(const struct procedure_number *list, size_t n)
{
	const struct procedure_number *ret = NULL;

	for (size_t i = 0; i < n; i++)
		if (strncmp(list[i].key, "orders.", 7) == 0 && !list[i].note[0] && list[i].value > list[i].U &&
		    (!ret || list[i].value > ret->value))
			ret = &list[i];
	return ret;
}

static void ripple_headline(const struct procedure *p, char *buf, size_t size)
{
	struct procedure_number list[PROCEDURE_NUMBERS];
	char text[80];
	const struct procedure_number *w = largest_wave(list, procedure_numbers(p, list));

	if (!w) {
		snprintf(buf, size, "No wave is larger than its uncertainty at %.3g rpm.", real(p, "speed_rpm"));
		return;
	}
	text_pm(text, sizeof text, w->value, w->U, w->unit);
	snprintf(buf, size, "Largest wave at %.3g rpm: %s, amplitude %s.", real(p, "speed_rpm"), w->label, text);
}

static void tame_headline(const struct procedure *p, char *buf, size_t size)
{
	const json_t *oscillates = json_object_get(p->doc, "oscillates");
	char a[80];

	words_of(p, "identified.rotor_inertia_kgm2", a, sizeof a);
	snprintf(buf, size, "Rotor's inertia at the output %s.%s", a,
		 json_is_true(oscillates)    ? " With the typed gains the joint oscillates."
		 : json_is_false(oscillates) ? " With the typed gains the joint does not oscillate."
		 : oscillates                ? " Whether the joint oscillates with the typed gains is not known."
					     : "");
}

void procedure_headline(const struct procedure *p, char *buf, size_t size)
{
	char a[80], b[80];

	if (strcmp(p->kind, "hold") == 0) {
		words_of(p, "continuous_torque_Nm", a, sizeof a);
		snprintf(buf, size, "Held %.4g N·m for %.3g min, until %s. Continuous torque (S1): %s.",
			 real(p, "torque_Nm"), real(p, "held_s") / 60, ended_by(p), a);
	} else if (strcmp(p->kind, "play") == 0) {
		words_of(p, "lost_motion_arcmin", a, sizeof a);
		words_of(p, "stiffness_Nm_per_arcmin", b, sizeof b);
		snprintf(buf, size, "Lost motion %s, stiffness %s, at up to %.4g N·m.", a, b, real(p, "rated_Nm"));
	} else if (strcmp(p->kind, "obey") == 0) {
		words_of(p, "gain", a, sizeof a);
		words_of(p, "offset_Nm", b, sizeof b);
		snprintf(buf, size, "Gain %s, offset %s, at up to %.4g N·m commanded.", a, b, real(p, "torque_Nm"));
	} else if (strcmp(p->kind, "tame") == 0) {
		tame_headline(p, buf, size);
	} else if (strcmp(p->kind, "response") == 0) {
		words_of(p, "bandwidth_Hz", a, sizeof a);
		snprintf(buf, size, "Bandwidth of a torque command %s, steps of ± %.3g N·m about %.3g N·m.", a,
			 real(p, "swing_Nm"), real(p, "torque_Nm"));
	} else if (strcmp(p->kind, "endure") == 0) {
		words_of(p, "current_change_percent", a, sizeof a);
		snprintf(buf, size, "%.0f cycles. Change of the current without load: %s.", real(p, "cycles_done"), a);
	} else {
		ripple_headline(p, buf, size);
	}
}

void procedure_limits(const struct procedure *p, char *buf, size_t size)
{
	if (strcmp(p->kind, "hold") == 0)
		snprintf(buf, size, "The hold ended by %s.", ended_by(p));
	else if (strcmp(p->kind, "ripple") == 0)
		snprintf(buf, size,
			 "The cell's readings: nothing above order %.4g is seen at %.3g rpm. What lies above appears "
			 "below.",
			 real(p, "highest_order"), real(p, "speed_rpm"));
	else if (strcmp(p->kind, "response") == 0)
		snprintf(buf, size, "The cell's %.3g readings a second: nothing above %.3g Hz is seen.",
			 real(p, "rate_Hz"), real(p, "seen_to_Hz"));
	else if (strcmp(p->kind, "tame") == 0)
		snprintf(buf, size,
			 "The speed's swing, %.3g rpm as a standard deviation: more would be taken for an oscillation.",
			 real(p, "swing_rpm"));
	else if (strcmp(p->kind, "endure") == 0)
		snprintf(buf, size, "%.380s", word(p, "ended_by"));
	else
		snprintf(buf, size, "Nothing: the torque was commanded to %.4g N·m both ways, as it was asked for.",
			 real(p, "torque_Nm"));
}

/* --- remarks --- */
struct to {
	size_t n;
	char (*text)[400];
};

static void remark(struct to *to, const char *format, ...) PRINTF_LIKE(2, 3);
static void remark(struct to *to, const char *format, ...)
{
	va_list args;

	if (to->n == PROCEDURE_REMARKS)
		return;
	va_start(args, format);
	vsnprintf(to->text[to->n++], sizeof to->text[0], format, args);
	va_end(args);
}

static void hold_remarks(const struct procedure *p, struct to *to)
{
	const json_t *lack = json_object_get(p->doc, "lack_of_fit");
	double lack_p =
		json_is_number(json_object_get(lack, "p")) ? json_number_value(json_object_get(lack, "p")) : NAN;

	if (word(p, "no_model")[0])
		remark(to, "No thermal model: %.300s.", word(p, "no_model"));
	if (json_is_false(json_object_get(p->doc, "equilibrium")))
		remark(to, "Equilibrium was not reached: what the load leads to is extrapolated by the model.");
	if (lack_p < 0.01)
		remark(to, "The model does not follow the record all the way: stretches of it lie up to %.2g K beside.",
		       json_number_value(json_object_get(lack, "largest_K")));
	remark(to,
	       "Without load %.3g W were drawn; that is taken off the loss. The drive's own loss by its current stays "
	       "in it, so resistances in K/W are so much too small.",
	       real(p, "idle_W"));
}

static void play_remarks(const struct procedure *p, struct to *to)
{
	double rig = real(p, "rig_stiffness_Nm_per_rad");

	if (isfinite(rig))
		remark(to, "The rig's own twist was taken off, %.4g N·m/rad.", rig);
	else
		remark(to, "The twist of brake, cell and lever is in it: the stiffness is that of gear and rig in "
			   "series.");
	remark(to,
	       "The torque is told up to %.2g s late. Hysteresis, its loss and wind-up are wider for it; lost motion "
	       "and stiffness do not change.",
	       real(p, "cell_lag_s"));
	if (isfinite(real(p, "obey_run")))
		remark(to, "Friction and ratio are those of run %.0f (obey).", real(p, "obey_run"));
}

static void ripple_remarks(const struct procedure *p, struct to *to)
{
	const json_t *o;
	size_t i;

	remark(to, "The cell sees what holds the shaft back: brake, bearings and coupling. What the actuator makes by "
		   "itself changes the speed and not the torque of a friction brake.");
	json_array_foreach(json_object_get(p->doc, "orders"), i, o)
	{
		const char *name = json_string_value(json_object_get(o, "name"));
		if (json_is_false(json_object_get(o, "visible")))
			remark(to, "Order %.5g (%.60s) is not seen at this speed; turn at %.3g rpm or slower.",
			       json_number_value(json_object_get(o, "order")), name ? name : "no name",
			       json_number_value(json_object_get(o, "speed_at_most_rpm")));
	}
}

static void tame_remarks(const struct procedure *p, struct to *to)
{
	if (!(json_number_value(json_object_get(json_object_get(p->doc, "rig_inertia_kgm2"), "value")) > 0))
		remark(to, "The rig's own inertia was not given, so it counts as the rotor's.");
	if (isfinite(real(p, "obey_run")))
		remark(to, "Torque for each N·m commanded: by run %.0f (obey).", real(p, "obey_run"));
	if (isfinite(real(p, "play_run")))
		remark(to, "Play and stiffness: run %.0f (play)%s.", real(p, "play_run"),
		       isfinite(real(p, "rig_stiffness_Nm_per_rad")) ? "" : "; the rig's own twist is in them");
	else
		remark(to, "Play and stiffness were not measured at this rig.");
	if (json_is_true(json_object_get(p->doc, "advice_withheld")))
		remark(to, "No gains are advised: the record does not tell the joint well enough.");
	remark(to, "The command acted %.2g s later on the shaft, line and sampling included.", real(p, "delay_s"));
}

static void endure_remarks(const struct procedure *p, struct to *to)
{
	if (real(p, "resumes_run_id") > 0)
		remark(to,
		       "The run continues run %.0f. Here are the cycles of this run alone; bridle endure PLAN --cycles "
		       "has those of all.",
		       real(p, "resumes_run_id"));
	remark(to, "First and last are %.0f cycle%s each.", real(p, "compared"), real(p, "compared") > 1 ? "s" : "");
}

size_t procedure_remarks(const struct procedure *p, char ret[PROCEDURE_REMARKS][400])
{
	struct to to = { 0, ret };

	if (word(p, "zero_failed")[0])
		remark(&to, "The zero after it could not be read, so its drift is not known: %.300s.",
		       word(p, "zero_failed"));
	if (strcmp(p->kind, "hold") == 0)
		hold_remarks(p, &to);
	else if (strcmp(p->kind, "play") == 0)
		play_remarks(p, &to);
	else if (strcmp(p->kind, "ripple") == 0)
		ripple_remarks(p, &to);
	else if (strcmp(p->kind, "tame") == 0)
		tame_remarks(p, &to);
	else if (strcmp(p->kind, "response") == 0)
		remark(&to,
		       "Gear, lever and cell are in the response. Dry friction takes off small steps: with other steps "
		       "the response is another. Lowest coherence on the way %.3g.",
		       real(p, "lowest_coherence"));
	else if (strcmp(p->kind, "endure") == 0)
		endure_remarks(p, &to);
	else
		remark(&to, "The shaft stood: friction of the gear is in the hysteresis. Multiply the drive's torque "
			    "constant in N·m for each ampere by the gain.");
	return to.n;
}
