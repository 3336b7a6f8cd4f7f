/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/suit_page.h"
#include "calib/number/uncertain.h"
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include <math.h>
#include <string.h>

#define COVERAGE 0.95
#define NORMAL 1.96
#define BANDS_MOST 40
#define MM_PER_px 0.19 /* type of 15 px is 8 pt on paper */
#define SHOWN 0.005    /* of the variance: what rounds to 0 % is no row */

static const char *unit_of(const struct suit_verdict *v)
{
	return v->unit[0] == 'N' ? "N·m" : v->unit[0] == 'd' ? "°C" : v->unit;
}

static double U_of(double u, double dof)
{
	return u > 0 && isfinite(u) ? u * (dof >= 1 && isfinite(dof) ? unc_coverage_factor(dof, COVERAGE) : NORMAL)
				    : NAN;
}

static void put(char *buf, size_t size, double value, const char *endless)
{
	if (isfinite(value))
		snprintf(buf, size, "%.4g", value);
	else
		snprintf(buf, size, "%s", isnan(value) ? "not known" : endless);
}

const char *suit_page_file(const char *path)
{
	const char *last = strrchr(path, '/');

	return path[0] == '/' ? last + 1 : path;
}

/* What a verdict rests on begins with a file as typed. */
static const char *rests_on(const struct suit_page_case *c, const char *on)
{
	const char *const file[] = { c->curve_file, c->thermal_file };

	for (size_t i = 0; i < 2; i++) {
		size_t folder = (size_t)(suit_page_file(file[i]) - file[i]);
		if (folder > 0 && strncmp(on, file[i], folder) == 0)
			return on + folder;
	}
	return on;
}

static void kept(FILE *f, const char *tag, const char *text)
{
	fprintf(f, "<%s>", tag);
	text_html_kept(f, text);
	fprintf(f, "</%.*s>\n", (int)strcspn(tag, " "), tag);
}

/* "needed 8.105 N·m, available 12 N·m" */
static void compared(const struct suit_verdict *v, char *buf, size_t size)
{
	char needed[32], available[32];

	put(needed, sizeof needed, v->needed, "no end");
	put(available, sizeof available, v->available, "any");
	snprintf(buf, size, "needed %s%s%s, available %s%s%s", needed, isfinite(v->needed) ? " " : "",
		 isfinite(v->needed) ? unit_of(v) : "", available, isfinite(v->available) ? " " : "",
		 isfinite(v->available) ? unit_of(v) : "");
}

/* --- the first screen --- */
static void list_of(const struct suit_found *f, enum verdict verdict, char *buf, size_t size)
{
	size_t used = 0;

	buf[0] = '\0';
	for (size_t i = 0; i < f->n && used < size; i++)
		if (f->verdict[i].verdict == verdict)
			used += (size_t)snprintf(buf + used, size - used, "%s%s", used ? ", " : "",
						 f->verdict[i].requirement);
}

static bool has(const struct suit_found *f, enum verdict verdict)
{
	for (size_t i = 0; i < f->n; i++)
		if (f->verdict[i].verdict == verdict)
			return true;
	return false;
}

static void answer_of_one(const struct suit_found *f, char *buf, size_t size)
{
	char list[240];

	if (f->n == 0) {
		snprintf(buf, size, "Nothing could be judged.");
	} else if (has(f, VERDICT_REFUTED)) {
		list_of(f, VERDICT_REFUTED, list, sizeof list);
		snprintf(buf, size, "The actuator does not carry the duty. Refuted: %s.", list);
	} else if (has(f, VERDICT_NOT_TESTED)) {
		list_of(f, VERDICT_NOT_TESTED, list, sizeof list);
		snprintf(buf, size, "Not tested whole. Nothing that was measured tells of: %s.", list);
	} else if (has(f, VERDICT_UNDECIDED)) {
		list_of(f, VERDICT_UNDECIDED, list, sizeof list);
		snprintf(buf, size, "Undecided at 95 %%: %s.", list);
	} else {
		snprintf(buf, size, "The actuator carries the duty: %s confirmed at 95 %%.",
			 f->n == 1 ? "the one requirement is" : "each requirement is");
	}
}

static bool carries(const struct suit_found *f)
{
	return f->n > 0 && !has(f, VERDICT_REFUTED) && !has(f, VERDICT_NOT_TESTED) && !has(f, VERDICT_UNDECIDED);
}

static void answer_of_many(const struct suit_page *p, char *buf, size_t size)
{
	char names[400] = "";
	size_t good = 0, used = 0;

	for (size_t i = 0; i < p->n; i++)
		if (carries(p->one[i].found)) {
			used += (size_t)snprintf(names + used, sizeof names - used, "%s%s", good ? ", " : "",
						 p->one[i].name);
			good++;
		}
	if (good == 0)
		snprintf(buf, size, "None of %zu actuators is shown to carry the duty.", p->n);
	else
		snprintf(buf, size, "%zu of %zu actuators %s the duty, each requirement confirmed at 95 %%: %s.", good,
			 p->n, good == 1 ? "carries" : "carry", names);
}

static void what_decides(FILE *f, const struct suit_page_case *c)
{
	const struct suit_verdict *d = &c->found->verdict[c->found->decides];
	char text[600], numbers[120];

	if (c->found->n == 0)
		return;
	compared(d, numbers, sizeof numbers);
	snprintf(text, sizeof text, "%s: %s (%s). It rests on %s.", d->requirement, numbers, verdict_name(d->verdict),
		 rests_on(c, d->rests_on));
	fputs("<dt>What decides</dt>", f);
	kept(f, "dd", text);
}

static void assumed(FILE *f, const struct suit_found *found)
{
	if (found->n_assumed == 0)
		return;
	fputs("<p>Not measured on the actuator, or not judged:</p>\n<ul>\n", f);
	for (size_t i = 0; i < found->n_assumed; i++)
		kept(f, "li", found->assumed[i]);
	fputs("</ul>\n", f);
}

static bool any_on_bench(const struct suit_page *p)
{
	for (size_t i = 0; i < p->n; i++)
		if (p->one[i].on_bench)
			return true;
	return false;
}

static void first_screen(FILE *f, const struct suit_page *p)
{
	char text[800];

	fputs("<header>\n<p class=\"kind\">An actuator for a joint</p>\n", f);
	kept(f, "h1", p->subject);
	fputs("<p class=\"source\">", f);
	text_html(f, p->source);
	fputs("</p>\n", f);
	if (any_on_bench(p))
		fputs("<p class=\"virtual\">Virtual bench: a curve or a model here was computed, not measured on a "
		      "real actuator.</p>\n",
		      f);
	if (p->n == 1)
		answer_of_one(p->one[0].found, text, sizeof text);
	else
		answer_of_many(p, text, sizeof text);
	fputs("<p class=\"result\">", f);
	text_html_kept(f, text);
	fputs("</p>\n", f);
	if (p->n == 1) {
		fputs("<dl>\n", f);
		what_decides(f, &p->one[0]);
		fputs("<dt>How sure</dt><dd>Confirmed is what holds with 95 % probability, refuted what holds with 5 % "
		      "or less.</dd>\n</dl>\n",
		      f);
		assumed(f, p->one[0].found);
	}
	fputs("</header>\n", f);
}

/* --- tables --- */
/* Of an actuator among several the heading has its name. */
static void heading(FILE *f, const char *attributes, const struct suit_page_case *c, const char *what)
{
	fprintf(f, "<section%s>\n<h2>", attributes);
	text_html(f, c->name);
	fputs(c->name[0] ? ": " : "", f);
	fprintf(f, "%c%s</h2>\n", c->name[0] ? what[0] | 0x20 : what[0], what + 1);
}

static void cell(FILE *f, const char *label, const char *text)
{
	fprintf(f, "<td data-label=\"%s\">", label);
	text_html(f, text);
	fputs("</td>", f);
}

static void number_cell(FILE *f, const char *label, double value, const char *endless)
{
	char text[40];

	put(text, sizeof text, value, endless);
	fprintf(f, "<td class=\"n\" data-label=\"%s\">%s</td>", label, text);
}

/* With its U where it has one. */
static void uncertain_cell(FILE *f, const char *label, double value, double U)
{
	char text[64], wide[64];

	fprintf(f, "<td class=\"n\" data-label=\"%s\">", label);
	if (isfinite(value) && isfinite(U)) {
		text_value(text, sizeof text, value, U);
		text_U(wide, sizeof wide, U);
		fprintf(f, "<span>%s <span class=\"u\">± %s</span></span></td>", text, wide);
		return;
	}
	if (isfinite(value))
		fprintf(f, "%.4g</td>", value);
	else
		fputs("–</td>", f);
}

static void verdict_cells(FILE *f, const struct suit_verdict *v)
{
	number_cell(f, "needed", v->needed, "no end");
	number_cell(f, "available", v->available, "any");
	uncertain_cell(f, "margin", v->available - v->needed, U_of(v->u, v->dof));
	cell(f, "unit", unit_of(v));
	if (isfinite(v->probability))
		fprintf(f, "<td class=\"n\" data-label=\"probability\">%.3f</td>", v->probability);
	else
		fputs("<td class=\"n\" data-label=\"probability\">–</td>", f);
	fprintf(f, "<td data-label=\"verdict\"><span class=\"verdict\">%s</span></td>", verdict_name(v->verdict));
}

#define VERDICT_HEAD \
	"<th class=\"n\">Needed</th><th class=\"n\">Available</th><th class=\"n\">Margin</th><th>Unit</th><th " \
	"class=\"n\">Probability</th><th>Verdict</th>"

static void requirements(FILE *f, const struct suit_page_case *c)
{
	heading(f, c->name[0] ? " class=\"unbroken\"" : " id=\"requirements\" class=\"early unbroken\"", c,
		"Requirements");
	fputs("<table class=\"stack\">\n<caption>Margin: available less needed, ± its expanded uncertainty (95 %) "
	      "where one "
	      "is known.</caption>\n<thead><tr><th>Requirement</th>" VERDICT_HEAD
	      "<th>Rests on</th></tr></thead>\n<tbody>\n",
	      f);
	for (size_t i = 0; i < c->found->n; i++) {
		fputs("<tr>", f);
		cell(f, "requirement", c->found->verdict[i].requirement);
		verdict_cells(f, &c->found->verdict[i]);
		cell(f, "rests on", rests_on(c, c->found->verdict[i].rests_on));
		fputs("</tr>\n", f);
	}
	fputs("</tbody>\n</table>\n", f);
	if (c->name[0])
		assumed(f, c->found);
	fputs("</section>\n", f);
}

static void overview(FILE *f, const struct suit_page *p)
{
	fputs("<section id=\"overview\" class=\"early\">\n<h2>What decides</h2>\n<table class=\"stack\">\n<caption>Of "
	      "each "
	      "actuator the requirement that is least sure. Margin: available less needed, ± its expanded uncertainty "
	      "(95 %) where one is known.</caption>\n<thead><tr><th>Actuator</th><th>What "
	      "decides</th>" VERDICT_HEAD "</tr></thead>\n<tbody>\n",
	      f);
	for (size_t i = 0; i < p->n; i++) {
		const struct suit_page_case *c = &p->one[i];
		fputs("<tr>", f);
		cell(f, "actuator", c->name);
		if (c->found->n == 0) {
			fputs("<td data-label=\"what decides\">nothing could be judged</td><td></td><td></td><td></td>"
			      "<td></td><td></td><td></td></tr>\n",
			      f);
			continue;
		}
		cell(f, "what decides", c->found->verdict[c->found->decides].requirement);
		verdict_cells(f, &c->found->verdict[c->found->decides]);
		fputs("</tr>\n", f);
	}
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void what_would_do(FILE *f, const struct suit_page_case *c)
{
	const struct suit_found *found = c->found;

	if (found->n == 0 || carries(found))
		return;
	heading(f, c->name[0] ? "" : " id=\"change\" class=\"early\"", c, "What would be enough");
	fputs("<ul>\n", f);
	for (size_t i = 0; i < found->n; i++) {
		const struct suit_verdict *v = &found->verdict[i];
		char text[800];
		const char *between = " Enough by itself, at 95 %: ";
		if (v->verdict == VERDICT_CONFIRMED)
			continue;
		size_t used = (size_t)snprintf(text, sizeof text, "To meet the %s: %s.", v->requirement, v->change);
		for (size_t k = 0; k < found->n_changes && used < sizeof text; k++) {
			const struct suit_change *one = &found->change[k];
			if (one->verdict != i)
				continue;
			used += (size_t)snprintf(text + used, sizeof text - used, "%s%s %.3g%s%s", between, one->what,
						 one->value, one->unit[0] ? " " : "", one->unit);
			between = "; or ";
		}
		if (between[0] == ';' && used < sizeof text)
			snprintf(text + used, sizeof text - used, ".");
		kept(f, "li", text);
	}
	fputs("</ul>\n</section>\n", f);
}

static void key_row(FILE *f, const char *quantity, double value, double U, const char *unit, const char *note)
{
	if (isnan(value))
		return;
	fprintf(f, "<tr><td data-label=\"quantity\">%s</td>", quantity);
	if (isinf(value))
		fputs("<td class=\"n\" data-label=\"value\">no end</td>", f);
	else
		uncertain_cell(f, "value", value, U);
	fprintf(f, "<td data-label=\"unit\">%s</td><td data-label=\"note\">%s</td></tr>\n", unit, note);
}

static void key_numbers(FILE *f, const struct suit_page_case *c)
{
	static const char duty[] = "of the duty, which is taken as exact";
	static const char none[] = "without a known uncertainty";
	const struct suit_found *x = c->found;
	const struct joint_sums *s = &x->sums;

	heading(f, c->name[0] ? "" : " id=\"cycle-numbers\"", c, "Numbers of the cycle");
	fputs("<table class=\"narrow\">\n<caption>± is the expanded uncertainty at 95 "
	      "%.</caption>\n<thead><tr><th>Quantity"
	      "</th><th class=\"n\">Value</th><th>Unit</th><th>Note</th></tr></thead>\n<tbody>\n",
	      f);
	key_row(f, "Cycle", s->cycle_s, NAN, "s", duty);
	key_row(f, "RMS torque", s->rms_Nm, NAN, "N·m", duty);
	key_row(f, "Peak torque", s->peak_Nm, NAN, "N·m", duty);
	key_row(f, "Peak speed", s->peak_rpm, NAN, "rpm", duty);
	key_row(f, "Peak shaft power", s->peak_W, NAN, "W", duty);
	key_row(f, "Peak braking power at the shaft", s->peak_braking_W, NAN, "W", duty);
	key_row(f, x->peak_of_case ? "Peak temperature of the case" : "Peak temperature of the winding",
		x->peak_winding_degC, U_of(x->u_peak_winding_K, INFINITY), "°C",
		x->u_peak_winding_K > 0 ? "over the cycle that repeats for ever" : none);
	key_row(f, "Peak power of the supply", x->supply_W, U_of(x->u_supply_W, INFINITY), "W",
		x->u_supply_W > 0 ? "" : none);
	key_row(f, "Peak current of the supply", x->supply_A, U_of(x->u_supply_A, INFINITY), "A",
		x->u_supply_A > 0 ? "" : none);
	key_row(f, "Peak power coming back", x->regenerated_W, NAN, "W", none);
	key_row(f, "Tip error", x->tip_mm, U_of(x->u_tip_mm, INFINITY), "mm",
		x->u_tip_mm > 0 ? "half the play and the twist at the peak torque, times the reach" : none);
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void part_row(FILE *f, const struct suit_part *part, bool first, const struct suit_verdict *v)
{
	char u[64];

	text_U(u, sizeof u, part->u);
	fputs("<tr>", f);
	cell(f, "requirement", first ? part->requirement : "");
	cell(f, "source", part->source);
	fprintf(f,
		"<td class=\"n\" data-label=\"u\">%s</td><td data-label=\"unit\">%s</td><td class=\"n\" "
		"data-label=\"share "
		"of the variance\">%.0f %%</td></tr>\n",
		u, v->unit[0] == 'd' ? "K" : unit_of(v), 100 * part->u * part->u / (v->u * v->u));
}

/* The largest first. */
static void parts_of(FILE *f, const struct suit_found *found, const struct suit_verdict *v)
{
	double below = INFINITY;
	bool first = true;

	for (size_t row = 0; row < found->n_parts; row++) {
		const struct suit_part *next = NULL;
		for (size_t i = 0; i < found->n_parts; i++) {
			const struct suit_part *one = &found->part[i];
			if (strcmp(one->requirement, v->requirement) == 0 && one->u < below &&
			    (!next || one->u > next->u))
				next = one;
		}
		if (!next || !(next->u * next->u >= SHOWN * v->u * v->u))
			return;
		below = next->u;
		part_row(f, next, first, v);
		first = false;
	}
}

static void sources(FILE *f, const struct suit_page_case *c)
{
	if (c->found->n_parts == 0)
		return;
	heading(f, c->name[0] ? "" : " id=\"budget\"", c, "Where the uncertainty comes from");
	fputs("<table class=\"narrow\">\n<caption>Sources of the u (k = 1) of each margin, from 0.5 % of its variance "
	      "on.</caption>\n<thead><tr><th>Requirement</th><th>Source</th><th "
	      "class=\"n\">u</th><th>Unit</th><th class=\"n\">Share of the variance</th></tr></thead>\n<tbody>\n",
	      f);
	for (size_t i = 0; i < c->found->n; i++)
		if (c->found->verdict[i].u > 0 && isfinite(c->found->verdict[i].u))
			parts_of(f, c->found, &c->found->verdict[i]);
	fputs("</tbody>\n</table>\n</section>\n", f);
}

/* --- what the figure shows --- */
/* The cycle from one point of the curve to the next; 0: below the slowest. */
struct band {
	double most_Nm; /* NaN: the cycle is never there */
	bool outside;
};

static size_t band_at(const struct joint_curve *curve, double speed_rpm)
{
	size_t k = 0;

	while (k < curve->n && curve->speed_rpm[k] <= speed_rpm)
		k++;
	return k;
}

static void bands_of(const struct suit_page_case *c, struct band *band)
{
	for (size_t i = 0; i <= c->curve->n; i++)
		band[i] = (struct band){ NAN, false };
	for (size_t i = 0; i < c->duty->n; i++) {
		double rpm = fabs(c->duty->speed_rpm[i]), Nm = fabs(c->duty->torque_Nm[i]);
		struct band *b = &band[band_at(c->curve, rpm)];
		b->most_Nm = fmax(b->most_Nm, Nm);
		b->outside |= joint_curve_at(c->curve, rpm, NULL) < Nm;
	}
}

static void band_row(FILE *f, const struct joint_curve *curve, size_t k, const struct band *band)
{
	char range[64];

	if (k == 0)
		snprintf(range, sizeof range, "below %.4g", curve->speed_rpm[0]);
	else if (k == curve->n)
		snprintf(range, sizeof range, "%.4g and above", curve->speed_rpm[k - 1]);
	else
		snprintf(range, sizeof range, "%.4g to %.4g", curve->speed_rpm[k - 1], curve->speed_rpm[k]);
	fprintf(f, "<tr><td data-label=\"speed, rpm\">%s</td>", range);
	if (k == 0)
		fputs("<td class=\"n\" data-label=\"largest torque, N·m\">not measured</td>", f);
	else
		uncertain_cell(f, "largest torque, N·m", curve->torque_Nm[k - 1],
			       curve->u_torque_Nm ? U_of(curve->u_torque_Nm[k - 1], INFINITY) : NAN);
	uncertain_cell(f, "most of the cycle, N·m", band->most_Nm, NAN);
	fprintf(f, "<td data-label=\"cycle\">%s</td></tr>\n",
		isnan(band->most_Nm) ? "never there"
		: band->outside      ? "outside"
				     : "inside");
}

static void curve(FILE *f, const struct suit_page_case *c)
{
	struct band band[BANDS_MOST + 1];

	heading(f, c->name[0] ? "" : " id=\"curve\"", c, "Cycle and curve");
	if (c->curve->n > BANDS_MOST) {
		fprintf(f,
			"<p>The curve has %zu points, too many for a table here: the tables beside this page have "
			"them.</p>\n</section>\n",
			c->curve->n);
		return;
	}
	bands_of(c, band);
	fputs("<table class=\"narrow\">\n<caption>What the figure shows: the largest torque at the speed that comes "
	      "first, and "
	      "the most that the cycle asks for within the speeds.</caption>\n<thead><tr><th>Speed, rpm</th><th "
	      "class=\"n\">Largest torque, N·m</th><th class=\"n\">Most of the cycle, "
	      "N·m</th><th>Cycle</th></tr></thead>\n<tbody>\n",
	      f);
	for (size_t k = c->curve->speed_rpm[0] > 0 ? 0 : 1; k <= c->curve->n; k++)
		if (k < c->curve->n || !isnan(band[k].most_Nm) || c->curve->torque_Nm[k - 1] > 0)
			band_row(f, c->curve, k, &band[k]);
	fputs("</tbody>\n</table>\n</section>\n", f);
}

/* --- the rest --- */
static void items(FILE *f, const struct suit_input *list, size_t n)
{
	fputs("<dl>\n", f);
	for (size_t i = 0; i < n; i++) {
		fprintf(f, "<dt>%s</dt>", list[i].term);
		kept(f, "dd", list[i].text);
	}
	fputs("</dl>\n", f);
}

static void inputs(FILE *f, const struct suit_page *p)
{
	fputs("<section id=\"particulars\">\n<h2>What went in</h2>\n", f);
	items(f, p->input, p->n_inputs);
	for (size_t i = 0; i < p->n; i++) {
		if (p->one[i].name[0])
			kept(f, "h3", p->one[i].name);
		items(f, p->one[i].input, p->one[i].n_inputs);
	}
	fputs("<p>What is not named here was not typed. The results concern only the units that were measured, as they "
	      "were "
	      "measured.</p>\n<p class=\"sign\">Date, name and signature:</p>\n</section>\n",
	      f);
}

static void method(FILE *f)
{
	fputs("<section id=\"method\">\n<h2>How it was found</h2>\n<p>Each row of the cycle is held against the curve, "
	      "its heat "
	      "over the cycle that repeats for ever against the thermal model, its power against the supply. A "
	      "requirement holds with the probability that the available figure is above the needed one (JCGM "
	      "106:2012). docs/method.md of the program, 8e, has the formulas.</p>\n</section>\n",
	      f);
}

static void cautions(FILE *f, const struct suit_page *p)
{
	fputs("<section id=\"cautions\">\n<h2>Cautions</h2>\n<ul>\n", f);
	if (any_on_bench(p))
		fputs("<li>A curve or a model here comes from a virtual bench. It says nothing about any real "
		      "actuator.</li>\n",
		      f);
	fputs("<li>A verdict is about the numbers that went in. It says nothing about guards, brakes that must hold a "
	      "load "
	      "without power, or people near the arm.</li>\n",
	      f);
	page_codes(f);
	fputs("</ul>\n</section>\n", f);
}

static void files(FILE *f, const struct suit_page *p, bool with_figure)
{
	char name[40];

	fputs("<section id=\"files\">\n<h2>Files beside this page</h2>\n<p>", f);
	for (size_t i = 0; i < p->n; i++) {
		snprintf(name, sizeof name, "cycle-%zu.csv", i + 1);
		page_link(f, i ? ", " : "", name);
		snprintf(name, sizeof name, "curve-%zu.csv", i + 1);
		page_link(f, ", ", name);
	}
	page_link(f, "; ", "cycle.gp");
	fputs(" draws the figure from them.", f);
	if (with_figure) {
		page_link(f, " It is ", "cycle.svg");
		fputc('.', f);
	}
	fputs("</p>\n</section>\n", f);
}

static enum rc figure(FILE *f, const struct suit_page *p, const char *dir, struct err *err)
{
	struct figures drawn = { .n = 1,
				 .figure = { { .name = "cycle", .title = "The cycle inside the actuator's curve" } } };
	struct figure *g = &drawn.figure[0];

	g->paper_mm = MM_PER_px * p->figure_px;
	snprintf(g->caption, sizeof g->caption,
		 "Line: the largest torque by speed, with its points and bars of their U. Dashed: not measured. Dots: "
		 "the "
		 "cycle, inside; crosses: outside.%s%s",
		 p->n > 1 ? " A panel for each actuator, on the same scales." : "",
		 any_on_bench(p) ? " Virtual bench." : "");
	return page_figures(f, dir, &drawn, err);
}

static enum rc put_page(FILE *f, const struct suit_page *p, const char *dir, bool with_figure, struct err *err)
{
	enum rc rc = RC_OK;
	char foot[700];

	snprintf(foot, sizeof foot, "%s %s%s", p->subject, p->source, any_on_bench(p) ? " (virtual bench)" : "");
	page_head(f, p->subject, foot);
	first_screen(f, p);
	if (p->n > 1)
		overview(f, p);
	if (with_figure)
		rc = figure(f, p, dir, err);
	for (size_t i = 0; i < p->n; i++) {
		requirements(f, &p->one[i]);
		what_would_do(f, &p->one[i]);
		key_numbers(f, &p->one[i]);
		sources(f, &p->one[i]);
		curve(f, &p->one[i]);
	}
	method(f);
	inputs(f, p);
	cautions(f, p);
	files(f, p, with_figure);
	fputs("</main>\n</body>\n</html>\n", f);
	return rc;
}

enum rc suit_page_write(const struct suit_page *p, const char *dir, bool with_figure, struct err *err)
{
	struct page_file page;
	enum rc rc = page_open(&page, dir, SUIT_PAGE, err);

	if (rc != RC_OK)
		return rc;
	rc = put_page(page.f, p, dir, with_figure, err);
	return page_close(&page, rc, err);
}
