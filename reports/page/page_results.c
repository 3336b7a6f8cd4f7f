/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What was found: first screen, table, limits, claims, fits. */
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"
#include "channel/event.h"

#include <math.h>
#include <string.h>

#define EARLY_POINTS 12

static void claims_in_words(const struct report *r, char *buf, size_t size)
{
	size_t count[VERDICTS] = { 0 };

	for (size_t i = 0; i < r->n_claims; i++)
		count[r->claims[i].verdict]++;
	snprintf(buf, size,
		 "Of %zu: %zu confirmed, %zu refuted, %zu undecided, %zu not tested (at %.3g %% confidence).",
		 r->n_claims, count[VERDICT_CONFIRMED], count[VERDICT_REFUTED], count[VERDICT_UNDECIDED],
		 count[VERDICT_NOT_TESTED], 100 * r->confidence);
}

static void item(FILE *f, const char *term, const char *text)
{
	fprintf(f, "<dt>%s</dt><dd>", term);
	text_html_kept(f, text);
	fputs("</dd>\n", f);
}

void page_first_screen(FILE *f, const struct report *r)
{
	char text[800];

	fputs("<header>\n<p class=\"kind\">Brake test</p>\n<h1>", f);
	text_html(f, r->subject);
	fputs("</h1>\n<p class=\"source\">", f);
	text_html(f, r->source);
	fputs("</p>\n", f);
	if (!r->by_hand && r->run.on_bench)
		fputs("<p class=\"virtual\">Virtual bench: every figure here was computed, none was measured on a real "
		      "actuator.</p>\n",
		      f);
	report_headline(r, text, sizeof text);
	fputs("<p class=\"result\">", f);
	text_html_kept(f, text);
	fputs("</p>\n<dl>\n", f);
	report_certainty(r, text, sizeof text);
	item(f, "How sure", text);
	text[0] = '\0';
	report_limits(r, text, sizeof text);
	item(f, "What limited it", text);
	if (r->n_claims > 0) {
		claims_in_words(r, text, sizeof text);
		item(f, "The data sheet's claims", text);
	}
	fputs("</dl>\n", f);
	if (r->curve->n_remarks > 0) {
		fputs("<ul>\n", f);
		for (size_t i = 0; i < r->curve->n_remarks; i++) {
			fputs("<li>", f);
			text_html_kept(f, r->curve->remarks[i]);
			fputs("</li>\n", f);
		}
		fputs("</ul>\n", f);
	}
	fputs("</header>\n", f);
}

/* --- the table --- */
/* value ± U and, below, how far another window would differ (scatter NaN: nothing) */
static void cell(FILE *f, const struct curve *c, const char *label, struct unc x, double scatter, double scale)
{
	char value[64], U[64], again[64];
	double expanded = isfinite(x.value) ? scale * unc_expanded(c->ctx, x, c->coverage, NULL) : NAN;

	fprintf(f, "<td class=\"n\" data-label=\"%s\">", label);
	if (isfinite(x.value)) {
		text_value(value, sizeof value, scale * x.value, expanded);
		text_U(U, sizeof U, expanded);
		fprintf(f, U[0] ? "<span>%s <span class=\"u\">± %s</span>" : "<span>%s <span class=\"u\">ind.%s</span>",
			value, U);
		text_U(again, sizeof again, scale * another_window(scatter));
		if (again[0])
			fprintf(f, "<br><span class=\"again\">Δ %s</span>", again);
		fputs("</span>", f);
	} else {
		fputs("–", f);
	}
	fputs("</td>", f);
}

static const char *way_word(const struct curve_point *p)
{
	return p->flags & POINT_REPEAT ? "again" : p->direction > 0 ? "rising" : p->direction < 0 ? "falling" : "";
}

struct column {
	bool volt, amp, input, winding, housing;
};

static struct column columns_of(const struct curve *c)
{
	struct column ret = { 0 };

	for (size_t i = 0; i < c->n; i++) {
		ret.volt |= isfinite(c->points[i].voltage_V.value);
		ret.amp |= isfinite(c->points[i].current_A.value);
		ret.input |= isfinite(c->points[i].input_power_W.value);
		ret.winding |= isfinite(c->points[i].winding_degC);
		ret.housing |= isfinite(c->points[i].case_degC);
	}
	return ret;
}

static void table_head(FILE *f, struct column has)
{
	fputs("<thead><tr><th>Step</th><th class=\"n\">Torque<br><span class=\"unit\">N·m</span></th>"
	      "<th class=\"n\">Speed<br><span class=\"unit\">rpm</span></th><th class=\"n\">Shaft power<br><span "
	      "class=\"unit\">W</span></th>",
	      f);
	if (has.volt)
		fputs("<th class=\"n\">Voltage<br><span class=\"unit\">V</span></th>", f);
	if (has.amp)
		fputs("<th class=\"n\">Current<br><span class=\"unit\">A</span></th>", f);
	if (has.input)
		fputs("<th class=\"n\">Input power<br><span class=\"unit\">W</span></th><th "
		      "class=\"n\">Efficiency<br><span class=\"unit\">%</span></th>",
		      f);
	if (has.winding)
		fputs("<th class=\"n\">Winding<br><span class=\"unit\">°C ind.</span></th>", f);
	if (has.housing)
		fputs("<th class=\"n\">Case<br><span class=\"unit\">°C ind.</span></th>", f);
	fputs("<th>Limited by</th></tr></thead>\n", f);
}

static void indicated(FILE *f, const char *label, double value)
{
	if (isfinite(value))
		fprintf(f, "<td class=\"n\" data-label=\"%s\">%.1f</td>", label, value);
	else
		fprintf(f, "<td class=\"n\" data-label=\"%s\">–</td>", label);
}

static void table_row(FILE *f, const struct curve *c, const struct curve_point *p, struct column has)
{
	char at[40];
	struct unc none = { .value = NAN };
	bool other = limit_is_other(p->limit) || p->impossible || p->outlier || !p->settled;

	fprintf(f, "<tr%s><td class=\"step\" data-label=\"step\"><span>%d %s%s</span></td>",
		other ? " class=\"other\"" : "", p->step + 1, way_word(p), curve_at_speed(c, p, at));
	cell(f, c, "torque, N·m", p->torque_Nm, p->scatter_Nm, 1);
	cell(f, c, "speed, rpm", p->speed_rpm, p->scatter_rpm, 1);
	cell(f, c, "shaft power, W", p->shaft_power_W, p->scatter_shaft_W, 1);
	if (has.volt)
		cell(f, c, "voltage, V", p->voltage_V, NAN, 1);
	if (has.amp)
		cell(f, c, "current, A", p->current_A, NAN, 1);
	if (has.input) {
		cell(f, c, "input power, W", p->input_power_W, p->scatter_input_W, 1);
		cell(f, c, "efficiency, %", p->efficiency_valid || p->impossible ? p->efficiency : none,
		     p->efficiency_valid ? p->scatter_efficiency : NAN, 100);
	}
	if (has.winding)
		indicated(f, "winding, °C indicated", p->winding_degC);
	if (has.housing)
		indicated(f, "case, °C indicated", p->case_degC);
	fprintf(f, "<td data-label=\"limited by\"><span>%s</span></td></tr>\n", limit_word(p->limit));
	if (p->note[0]) {
		fprintf(f, "<tr class=\"note%s\"><td colspan=\"%d\">", other ? " other" : "",
			5 + has.volt + has.amp + 2 * has.input + has.winding + has.housing);
		text_html_kept(f, p->note);
		fputs("</td></tr>\n", f);
	}
}

void page_points(FILE *f, const struct report *r)
{
	struct column has = columns_of(r->curve);

	/* Without claims there is room on the first sheet of paper. */
	fprintf(f, "<section id=\"points\"%s>\n<h2>The points</h2>\n<table class=\"stack\">\n",
		r->n_claims == 0 && r->curve->n <= EARLY_POINTS ? " class=\"early\"" : "");
	fprintf(f,
		"<caption>± is the expanded uncertainty (%.3g %%) of %s Efficiency is left out where the power is too "
		"small. “ind.”: indicated, no uncertainty known.</caption>\n",
		100 * r->curve->coverage,
		r->by_hand ? "each figure."
			   : "the mean over that window. Δ: the mean of another window of the same step would differ "
			     "by up to this (95 %). Other temperatures and other days can add to it.");
	table_head(f, has);
	fputs("<tbody>\n", f);
	for (size_t i = 0; i < r->curve->n; i++)
		table_row(f, r->curve, &r->curve->points[i], has);
	fputs("</tbody>\n</table>\n</section>\n", f);
}

void page_limits(FILE *f, const struct report *r)
{
	const struct curve *c = r->curve;

	fputs("<section id=\"limits\">\n<h2>What limited each point</h2>\n<ul>\n", f);
	for (int limit = LIMIT_NONE; limit <= LIMIT_UNKNOWN; limit++) {
		size_t n = 0;
		double low = INFINITY, high = -INFINITY;
		const char *note = "";
		for (size_t i = 0; i < c->n; i++) {
			const struct curve_point *p = &c->points[i];
			if ((int)p->limit != limit)
				continue;
			n++;
			low = fmin(low, p->torque_Nm.value);
			high = fmax(high, p->torque_Nm.value);
			note = p->limit_note;
		}
		if (n == 0)
			continue;
		fprintf(f, "<li><strong>%s</strong>, ", limit_word((enum limit)limit));
		if (n == 1)
			fprintf(f, "1 point at %.3g N·m: ", low);
		else
			fprintf(f, "%zu points from %.3g to %.3g N·m: ", n, low, high);
		text_html(f, limit_sentence((enum limit)limit));
		if (note[0]) {
			fputs(" In the last of them: ", f);
			text_html_kept(f, note);
			fputc('.', f);
		}
		fputs("</li>\n", f);
	}
	if (c->end_note[0]) {
		fputs("<li>", f);
		text_html_kept(f, c->end_note);
		fputs("</li>\n", f);
	}
	fputs("</ul>\n</section>\n", f);
}

static void claim_row(FILE *f, const struct report *r, const struct claim_check *k)
{
	char measured[100] = "–";
	struct unc shown = k->measured;

	if (k->lower_bound)
		shown.value = k->low; /* what the verdict's own sentence says, too */
	if (isfinite(shown.value) && strcmp(k->quantity, "efficiency") == 0)
		text_unc_percent(measured, sizeof measured, r->curve, shown);
	else if (isfinite(shown.value))
		text_unc(measured, sizeof measured, r->curve, shown, k->unit);
	fputs("<tr><td data-label=\"claim\"><span>", f);
	text_html_kept(f, k->claim);
	fputs("</span></td><td data-label=\"shown\"><span>", f);
	if (k->lower_bound)
		fputs("at least ", f);
	text_html_kept(f, measured);
	fprintf(f, "</span></td><td class=\"n\" data-label=\"probability that it is met\">");
	if (isfinite(k->probability))
		fprintf(f,
			k->probability > 0.9995   ? "&gt; 99.9 %%"
			: k->probability < 0.0005 ? "&lt; 0.1 %%"
						  : "%.1f %%",
			100 * k->probability);
	else
		fputs("–", f);
	fprintf(f,
		"</td><td data-label=\"verdict\"><span class=\"verdict\">%s</span></td><td class=\"text\" "
		"data-label=\"why\">",
		verdict_name(k->verdict));
	text_html_kept(f, k->why);
	fputs("</td></tr>\n", f);
}

void page_claims(FILE *f, const struct report *r)
{
	if (r->n_claims == 0)
		return;
	fprintf(f,
		"<section id=\"claims\">\n<h2>The data sheet's claims</h2>\n<table class=\"stack\">\n<caption>Each "
		"claim is read as "
		"“at least”. Confirmed or refuted "
		"at %.3g %% confidence by JCGM 106:2012, at the claims' voltage of %.4g V. “At least” in the second "
		"column: the actuator reached that and may "
		"give more. Such a value can confirm a claim and never refute it. A limit of plan, guard, drive, "
		"supply, brake, cell or heat refutes no claim.</caption>\n",
		100 * r->confidence, r->claims_V);
	fputs("<thead><tr><th>Claim</th><th>Shown</th><th class=\"n\">Probability<br>that it is "
	      "met</th><th>Verdict</th><th>Why</th></tr></thead>\n<tbody>\n",
	      f);
	for (size_t i = 0; i < r->n_claims; i++)
		claim_row(f, r, &r->claims[i]);
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void fit_item(FILE *f, const struct report *r, const char *term, struct unc x, const char *unit,
		     const char *after)
{
	char text[120];

	text_unc(text, sizeof text, r->curve, x, unit);
	fprintf(f, "<dt>%s</dt><dd>%s%s</dd>\n", term, text, after);
}

/* The textbook's beside the measured one. */
static void best_by_relation(FILE *f, const struct report *r)
{
	char measured[80], after[160];
	bool any = report_best_efficiency(r, measured, sizeof measured) != NULL;

	snprintf(after, sizeof after, "%s%s%s", r->fits.stall_extrapolated ? " (from an extrapolated stall)" : "",
		 any ? "; best measured " : "", any ? measured : "");
	fit_item(f, r, "Best efficiency, (1 − √(I₀/I stall))²", unc_scale(r->curve->ctx, r->fits.peak_efficiency, 100),
		 "%", after);
}

void page_fits(FILE *f, const struct report *r)
{
	const struct fits_dc *k = &r->fits;

	if (!k->torque_current && !k->speed_torque)
		return;
	fprintf(f,
		"<section id=\"relations\">\n<h2>Straight-line relations</h2>\n<p>Fitted to %zu rising "
		"points.</p>\n<dl>\n",
		k->n);
	if (k->torque_current) {
		fit_item(f, r, "Torque per ampere", k->k_t_Nm_per_A, "N·m/A", "");
		fit_item(f, r, "Current without load", k->no_load_A, "A", "");
	}
	if (k->speed_torque) {
		const char *note = k->stall_extrapolated ? " (extrapolated: no point came near it)" : "";
		fit_item(f, r, "Speed without load", k->no_load_rpm, "rpm", "");
		fit_item(f, r, "Stall torque", k->stall_Nm, "N·m", note);
		fit_item(f, r, "Most power, at half the stall torque", k->max_power_W, "W", note);
	}
	if (k->with_stall_current)
		best_by_relation(f, r);
	fputs("</dl>\n", f);
	if (k->voltage_spread_frac > 0.02)
		fprintf(f,
			"<p>The voltage changed by %.2g %% over these points; the relations hold for one "
			"voltage.</p>\n",
			100 * k->voltage_spread_frac);
	fputs("</section>\n", f);
}

/* No part of a loss is below zero: where one surely is, the points do not follow the model. */
static void doubt_model(FILE *f, const struct report *r)
{
	const struct losses *l = &r->losses;
	const struct {
		const char *name;
		struct unc x;
		bool shown;
	} parts[] = {
		{ "the fixed loss", l->fixed_W, true },
		{ "a", l->in_step_W_per_Nm, true },
		{ "b", l->square_W_per_Nm2, true },
		{ "c", l->by_speed_W_per_rpm, l->several_speeds },
	};
	const char *before = "<p>Below zero by more than its ±: ";

	for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
		double U = unc_expanded(r->curve->ctx, parts[i].x, r->curve->coverage, NULL);
		if (!parts[i].shown || !(parts[i].x.value < -U))
			continue;
		fprintf(f, "%s%s", before, parts[i].name);
		before = ", ";
	}
	if (before[0] == ',')
		fputs(". No loss is. So these points do not follow this model: do not use its parts singly.</p>\n", f);
}

/* The largest departure beside what the scatter alone lets expect. */
static void model_in_words(FILE *f, const struct report *r)
{
	const struct losses *l = &r->losses;
	char text[400];

	snprintf(text, sizeof text,
		 "Loss = fixed + a T + b T²%s, least squares over %zu settled points on the way up, %.3g to %.3g N·m "
		 "at %.4g to %.4g rpm. Beyond them it says nothing. Scatter about it: %.2g W; the largest departure: "
		 "%+.2g W. The copper is as warm as it was in this run.",
		 l->several_speeds ? " + c n" : "", l->n, l->low_Nm, l->high_Nm, l->low_rpm, l->high_rpm, l->residual_W,
		 l->worst_W);
	fputs("<p>", f);
	text_html_kept(f, text);
	fputs("</p>\n", f);
	doubt_model(f, r);
}

void page_losses(FILE *f, const struct report *r)
{
	const struct losses *l = &r->losses;

	if (!l->known && !l->droop && !l->drive_constant)
		return;
	fputs("<section id=\"losses\">\n<h2>Losses and constants</h2>\n<dl>\n", f);
	if (l->known) {
		fit_item(f, r, l->several_speeds ? "Fixed loss" : "Fixed loss, at this speed", l->fixed_W, "W", "");
		fit_item(f, r, "Growing with the load (gears), a", l->in_step_W_per_Nm, "W/(N·m)", "");
		fit_item(f, r, "Copper, with the square of the load, b", l->square_W_per_Nm2, "W/(N·m)²", "");
	}
	if (l->known && l->several_speeds)
		fit_item(f, r, "Growing with the speed, c", l->by_speed_W_per_rpm, "W/rpm", "");
	if (l->droop)
		fit_item(f, r, "Droop on its own curve", l->droop_rpm_per_Nm, "rpm/(N·m)", "");
	if (l->drive_constant) {
		fit_item(f, r, "Torque at the output per ampere of the drive", l->k_t_Nm_per_A, "N·m/A",
			 " (by the current that the drive indicates)");
		if (l->at_rotor)
			fit_item(f, r, "The same at the rotor", l->k_t_rotor_Nm_per_A, "N·m/A",
				 " (by the ratio alone: what the gear loses with the load is in it)");
		fit_item(f, r, "Drive's current without load", l->no_load_A, "A", " (indicated)");
	}
	fputs("</dl>\n", f);
	if (l->known)
		model_in_words(f, r);
	fputs("</section>\n", f);
}
