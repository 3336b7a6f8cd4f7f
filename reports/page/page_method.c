/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How it was found: method, calibration, conditions, budget, cautions, files. */
#include "reports/reduce/budget.h"
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include <math.h>
#include <stdarg.h>
#include <string.h>

#define DOF_SHOWN 1000 /* from there on t and the normal distribution are alike to four digits */

static void para(FILE *f, const char *format, ...) PRINTF_LIKE(2, 3);
static void para(FILE *f, const char *format, ...)
{
	char text[1200];
	va_list args;

	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	fputs("<p>", f);
	text_html(f, text);
	fputs("</p>\n", f);
}

static void method_of_run(FILE *f, const struct report *r)
{
	para(f,
	     "Torque: the mean of the cell's fresh conversions in the window, less its zero. The zero lies on the line "
	     "between the zero readings before "
	     "and after. Counts become torque by calibration record %lld, on the branch for a rising or a falling "
	     "load. Torque is positive when the "
	     "actuator drives.",
	     (long long)r->curve->calibration_id);
	if (r->rig.outside_drag_Nm.has_u)
		para(f,
		     "Torque and shaft power are those at the output flange. The %.3g N·m that rig.ini states for "
		     "bearings between flange and cradle is added.",
		     r->rig.outside_drag_Nm.value);
	else if (r->rig.mounting == MOUNT_CRADLE)
		para(f, "Torque and shaft power are those at the brake. What bearings between the output flange and "
			"the cradle take is not included: "
			"rig.ini states no [brake] outside_drag.");
	para(f,
	     "Speed: pulses of the output shaft from the first to the last edge in the window, by the node's clock; "
	     "%.6g counts per revolution.",
	     r->rig.pulses_per_rev);
	para(f,
	     "Input power: mean of the products of the voltage and current samples, not the product of the means, %s. "
	     "Ripple between two "
	     "samples is not seen unless the node reports it. Efficiency: shaft power divided by input power at the "
	     "actuator's terminals.",
	     r->rig.plane == PLANE_SUPPLY
		     ? "measured at the supply and corrected to the actuator's terminals with the cable's resistance"
		     : "measured at the actuator's terminals");
	para(f,
	     "Each figure is the mean over its window. Its noise is that of the instruments. Δ is what the mean of "
	     "another window of the same step would "
	     "differ by: 2√2 times the standard error of the autocorrelated series, which is scatter in report.json "
	     "and points.csv. "
	     "Uncertainties are kept by source (JCGM 100:2008): an error that the points share, such as that of the "
	     "arm's length, moves the whole "
	     "curve and does not average out. Coverage factors take into account that some sources are rectangular.");
	para(f,
	     "A point is settled when torque, speed and temperature changed by less than the plan's limits (%.3g "
	     "N·m/s, %.3g rpm/s, "
	     "%.3g K/min, over %.3g s) before the window of %.3g s began.",
	     r->plan.torque_slope_Nm_per_s, r->plan.speed_slope_rpm_per_s, r->plan.temp_slope_K_per_min,
	     r->plan.window_s, r->plan.dwell_s);
	if (r->plan.until_frac > 0)
		para(f,
		     "That is the shortest window. As long a time before it told the scatter, which fixed the length "
		     "of the "
		     "window: another one would differ by about %.2g %%, unless the longest time came first. The "
		     "longest "
		     "is %.3g s, and the rest of its last turn where that comes within half of it.",
		     100 * r->plan.until_frac, r->plan.longest_s);
	para(f, "What limited a point is read from the samples in and before its window: the drive's flags, supply "
		"current and voltage, coil current, "
		"cell counts and temperatures. It is not read from the shape of the curve.");
}

void page_method(FILE *f, const struct report *r)
{
	fputs("<section id=\"method\">\n<h2>Method</h2>\n", f);
	if (r->by_hand) {
		para(f, "%s", r->hand_method);
		para(f, "Shaft power is torque times angular speed. Efficiency is shaft power divided by input power. "
			"Uncertainties are kept by source "
			"(JCGM 100:2008). A relative one that is stated for a column is common to all its readings; an "
			"absolute one is each "
			"reading's own.");
	} else {
		method_of_run(f, r);
	}
	fputs("</section>\n", f);
}

static const char *model_word(enum cellcal_model model)
{
	switch (model) {
	case CELLCAL_ORIGIN: return "straight line through zero";
	case CELLCAL_LINE: return "straight line";
	case CELLCAL_QUADRATIC: return "second-degree polynomial";
	case CELLCAL_CUBIC: return "third-degree polynomial";
	case CELLCAL_AUTO: break;
	}
	return "polynomial";
}

static void figure_item(FILE *f, const char *term, double value, const char *unit)
{
	if (isfinite(value))
		fprintf(f, "<dt>%s</dt><dd>%.2g %s (indicated)</dd>\n", term, value, unit);
}

void page_calibration(FILE *f, const struct report *r)
{
	const struct cellcal *c = &r->cal;
	char when[40];

	if (r->by_hand)
		return;
	text_time(when, sizeof when, r->cal_wall_ns);
	fputs("<section id=\"calibration-record\">\n<h2>Calibration</h2>\n", f);
	para(f,
	     "Torque cell%s%s: record %lld of %s, dead weights on the calibration arm, loading the brake's %s. Fit: "
	     "%s.",
	     r->rig.cell_class[0] ? " " : "", r->rig.cell_class, (long long)r->run.calibration_id, when,
	     r->rig.mounting == MOUNT_CRADLE ? "housing (cradle)" : "shaft", model_word(c->model));
	fputs("<dl>\n", f);
	fprintf(f, "<dt>Torques covered</dt><dd>%.4g to %.4g N·m; beyond them points are marked “extrapolated”</dd>\n",
		c->min_Nm, c->max_Nm);
	figure_item(f, "Repeatability", c->repeatability_Nm, "N·m");
	figure_item(f, "Reproducibility", c->reproducibility_Nm, "N·m");
	figure_item(f, "Reversibility", c->reversibility_Nm, "N·m");
	figure_item(f, "Zero return", c->zero_return_Nm, "N·m");
	if (isfinite(c->class_value))
		fprintf(f, "<dt>Class</dt><dd>%.3g", c->class_value);
	else
		fputs("<dt>Class</dt><dd>none", f);
	fputs(c->class_note[0] ? ": " : "", f);
	text_html(f, c->class_note);
	fputs("</dd>\n</dl>\n", f);
	if (r->has_map) {
		char map_when[40];
		text_time(map_when, sizeof map_when, r->map_wall_ns);
		para(f, "Brake map: record %lld of %s. It only steers the brake; no figure on this page uses it.",
		     (long long)r->run.map_id, map_when);
	}
	fputs("</section>\n", f);
}

static void range_item(FILE *f, const char *term, const struct curve *c, double (*value)(const struct curve_point *),
		       const char *unit)
{
	double low = INFINITY, high = -INFINITY;

	for (size_t i = 0; i < c->n; i++) {
		double v = value(&c->points[i]);
		if (isfinite(v)) {
			low = fmin(low, v);
			high = fmax(high, v);
		}
	}
	if (high >= low)
		fprintf(f, "<dt>%s</dt><dd>%.1f to %.1f %s (indicated)</dd>\n", term, low, high, unit);
}

static double ambient(const struct curve_point *p)
{
	return p->ambient_degC;
}
static double cell_itself(const struct curve_point *p)
{
	return p->cell_degC;
}
static double winding(const struct curve_point *p)
{
	return p->winding_degC;
}
static double housing(const struct curve_point *p)
{
	return p->case_degC;
}
static double brake(const struct curve_point *p)
{
	return p->brake_degC;
}
static double volts(const struct curve_point *p)
{
	return p->voltage_V.value;
}

/* "at 30, 60 and 90 rpm"; backward ones with their sign. */
static void speed_words(const struct plan_profile *p, char *buf, size_t size)
{
	size_t used = 0;

	for (size_t i = 0; i < p->n_speeds && used < size; i++)
		used += (size_t)snprintf(buf + used, size - used, "%s%.4g",
					 i == 0                ? ""
					 : i + 1 < p->n_speeds ? ", "
							       : " and ",
					 p->speed_rpm[i]);
}

static const char *order_words(const struct plan_profile *p)
{
	if (p->n_speeds < 2)
		return "";
	return p->shuffle        ? ", loads and speeds shuffled"
	       : p->speed_inside ? ", at each load all speeds"
				 : ", at each speed all loads";
}

static void drive_words(const struct report *r, char *buf, size_t size)
{
	const struct plan_profile *p = &r->plan;

	switch (p->drive) {
	case PLAN_SPEED: {
		char speeds[200];
		speed_words(p, speeds, sizeof speeds);
		snprintf(buf, size,
			 profile_hand_drive(&r->rig) ? "drive set by a person to %s rpm of the output%s"
						     : "drive in speed mode at %s rpm of the output%s",
			 speeds, order_words(p));
		return;
	}
	case PLAN_DRIVE_CURRENT: snprintf(buf, size, "drive in torque mode at %.4g A", p->drive_A); return;
	case PLAN_HAND: snprintf(buf, size, "%s", "drive run by hand"); return;
	}
}

/* What a person sets is known as far as it was measured. */
static void hand_set_item(FILE *f, const struct report *r)
{
	const struct instrument_profile *hand = profile_hand_drive(&r->rig);
	double low = INFINITY, high = -INFINITY, scatter = 0;

	for (size_t i = 0; i < r->curve->n; i++) {
		const struct curve_point *p = &r->curve->points[i];
		low = fmin(low, p->speed_rpm.value);
		high = fmax(high, p->speed_rpm.value);
		scatter = fmax(scatter, p->scatter_rpm);
	}
	if (!hand || r->plan.drive == PLAN_HAND || !(low <= high))
		return;
	fprintf(f,
		"<dt>Speed</dt><dd>set by hand on the drive's own panel, each time to within %.2g %% of what was asked "
		"for. Measured: %.4g to %.4g rpm over the points, scatter at most %.2g rpm. Nothing held it under "
		"load. "
		"The drive told nothing: no limit of it is seen</dd>\n",
		100 * hand->near_frac, low, high, scatter);
}

void page_conditions(FILE *f, const struct report *r)
{
	char drive[320] = "";

	if (r->by_hand)
		return;
	drive_words(r, drive, sizeof drive);
	fputs("<section id=\"conditions\">\n<h2>Conditions</h2>\n<dl>\n", f);
	fprintf(f, "<dt>Plan</dt><dd>");
	page_text(f, "%s: %zu steps by %s%s%s%s; %s", r->run.plan, r->plan.n,
		  r->plan.load == LOAD_TORQUE ? "torque" : "brake current", r->plan.down ? ", up and down" : "",
		  r->plan.shuffle ? ", shuffled" : "", r->plan.repeat_first ? ", first point again at the end" : "",
		  drive);
	fprintf(f, "</dd>\n<dt>Supply</dt><dd>%.4g V, current limit %.4g A (as stated in the rig's profile)</dd>\n",
		r->rig.supply_V, r->rig.supply_limit_A);
	hand_set_item(f, r);
	range_item(f, "Voltage at the actuator", r->curve, volts, "V");
	range_item(f, "Ambient temperature", r->curve, ambient, "°C");
	range_item(f, "Temperature of the torque cell", r->curve, cell_itself, "°C");
	range_item(f, "Winding temperature", r->curve, winding, "°C");
	range_item(f, "Case temperature", r->curve, housing, "°C");
	range_item(f, "Brake temperature", r->curve, brake, "°C");
	fprintf(f, "<dt>Gear ratio</dt><dd>%.6g rotor turns to one of the output (as stated)</dd>\n",
		r->actuator.gear_ratio);
	fputs("<dt>Outcome of the run</dt><dd>", f);
	page_text(f, "%s%s%s", r->run.ended ? r->run.outcome : "not ended; what was kept up to then stands here",
		  r->run.message[0] ? ": " : "", r->run.message);
	fputs("</dd>\n", f);
	if (r->ready[0]) {
		fputs("<dt>Check before the run</dt><dd>", f);
		text_html(f, r->ready);
		fputs("</dd>\n", f);
	}
	fprintf(f,
		"<dt>Samples</dt><dd>%lld, kept in the logbook with the profiles as they "
		"were</dd>\n<dt>Program</dt><dd>bridle ",
		(long long)r->run.samples);
	text_html(f, r->run.program);
	fputs("</dd>\n</dl>\n</section>\n", f);
}

static void budget_table(FILE *f, const struct curve *c, const char *what, struct unc x, double scale, const char *unit)
{
	struct budget_row row[12];
	size_t n = budget_of(c->ctx, x, row, sizeof row / sizeof row[0]);
	double k = NAN, U = unc_expanded(c->ctx, x, c->coverage, &k), dof = unc_dof(c->ctx, x);
	char text[120], freedom[40], part[40];

	if (n == 0 || !isfinite(x.value))
		return;
	text_pm(text, sizeof text, scale * x.value, scale * U, unit);
	fprintf(f,
		"<h3>%s: %s (k = %.2f)</h3>\n<table>\n<thead><tr><th>Source</th><th class=\"n\">u / %s</th><th "
		"class=\"n\">share</th>"
		"<th class=\"n\">d.o.f.</th></tr></thead>\n<tbody>\n",
		what, text, k, unit);
	for (size_t i = 0; i < n; i++) {
		if (row[i].dof < DOF_SHOWN)
			snprintf(freedom, sizeof freedom, "%.0f", row[i].dof);
		else
			snprintf(freedom, sizeof freedom, "%s", row[i].joined ? "–" : "∞");
		fputs("<tr><td>", f);
		text_html(f, row[i].name);
		text_part(part, sizeof part, scale * fabs(row[i].u), scale * unc_u(x));
		fprintf(f, "</td><td class=\"n\">%s</td><td class=\"n\">%.1f %%</td><td class=\"n\">%s</td></tr>\n",
			part, 100 * row[i].share_frac, freedom);
	}
	if (dof < DOF_SHOWN)
		snprintf(freedom, sizeof freedom, "%.0f", dof);
	else
		snprintf(freedom, sizeof freedom, "%s", "∞");
	text_part(part, sizeof part, scale * unc_u(x), scale * unc_u(x));
	fprintf(f,
		"<tr><td><strong>combined, k = 1</strong></td><td class=\"n\">%s</td><td class=\"n\">100 %%</td><td "
		"class=\"n\">%s</td></tr>\n"
		"</tbody>\n</table>\n",
		part, freedom);
}

void page_budget(FILE *f, const struct report *r)
{
	const struct curve_point *p = report_budget_point(r);

	if (p == NULL || p->torque_Nm.n == 0)
		return;
	fputs("<section id=\"budget\" class=\"pair\">\n<h2>Uncertainty budget</h2>\n", f);
	para(f, "At step %d, %s. A source with the same name in several points is the same error in all of them.",
	     p->step + 1, r->budget_step >= 0 ? "chosen" : "the point of most shaft power");
	budget_table(f, r->curve, "Torque", p->torque_Nm, 1, "N·m");
	budget_table(f, r->curve, "Speed", p->speed_rpm, 1, "rpm");
	budget_table(f, r->curve, "Input power", p->input_power_W, 1, "W");
	if (p->efficiency_valid)
		budget_table(f, r->curve, "Efficiency", p->efficiency, 100, "%");
	fputs("</section>\n", f);
}

void page_codes(FILE *f)
{
	fputs("<li>Local codes, the makers' instructions and, where the law asks for it, licensed practice come before "
	      "anything on this page.</li>\n",
	      f);
}

void page_cautions(FILE *f, const struct report *r)
{
	fputs("<section id=\"cautions\">\n<h2>Cautions</h2>\n<ul>\n", f);
	if (!r->by_hand && r->run.on_bench)
		fputs("<li>These figures come from a virtual bench. They say nothing about any real actuator.</li>\n",
		      f);
	if (r->curve)
		fputs("<li>The curve holds for the one unit that was tested, at these voltages and temperatures, "
		      "loaded for as long as each point took. It is not a continuous rating.</li>\n"
		      "<li>Open marks and shaded rows do not show a limit of the actuator: another limit was reached "
		      "first, or the point is doubtful.</li>\n",
		      f);
	else
		fputs("<li>The figures hold for the one unit that was tested, at the temperatures of this run.</li>\n",
		      f);
	fputs("<li>Whoever repeats this works beside a rotating shaft, a loaded lever, hot parts and a supply that can "
	      "deliver harmful current: "
	      "fixed guard, eye protection, no loose sleeves or hair, nobody in the plane of rotation, a second person "
	      "for first runs. "
	      "An emergency stop is wired so that it works with the computer dead; software is not the emergency "
	      "stop.</li>\n",
	      f);
	page_codes(f);
	fputs("</ul>\n</section>\n", f);
}
