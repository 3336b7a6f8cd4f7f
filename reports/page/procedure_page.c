/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include <math.h>
#include <string.h>

static void item(FILE *f, const char *term, const char *text)
{
	fprintf(f, "<dt>%s</dt><dd>", term);
	text_html_kept(f, text);
	fputs("</dd>\n", f);
}

static void first_screen(FILE *f, const struct report *r)
{
	char text[800], remark[PROCEDURE_REMARKS][400];

	fprintf(f, "<header>\n<p class=\"kind\">%s</p>\n<h1>", procedure_title(r->procedure.kind));
	text_html(f, r->subject);
	fputs("</h1>\n<p class=\"source\">", f);
	text_html(f, r->source);
	fputs("</p>\n", f);
	if (r->run.on_bench)
		fputs("<p class=\"virtual\">Virtual bench: every figure here was computed, none was measured on a real "
		      "actuator.</p>\n",
		      f);
	report_headline(r, text, sizeof text);
	fputs("<p class=\"result\">", f);
	text_html_kept(f, text);
	fputs("</p>\n<dl>\n", f);
	item(f, "How sure", procedure_certainty(r->procedure.kind));
	report_limits(r, text, sizeof text);
	item(f, "What limited it", text);
	fputs("</dl>\n<ul>\n", f);
	if (!r->digest[0])
		fputs("<li>The rows of this run do not fit their digest: somebody or something changed them.</li>\n",
		      f);
	size_t n = procedure_remarks(&r->procedure, remark);
	for (size_t i = 0; i < n; i++) {
		fputs("<li>", f);
		text_html_kept(f, remark[i]);
		fputs("</li>\n", f);
	}
	fputs("</ul>\n</header>\n", f);
}

static void plain(FILE *f, double value, double U)
{
	char text[64];

	text_value(text, sizeof text, value, U);
	fprintf(f, "<td class=\"n\" data-label=\"value\"><span>%s", text);
	text_U(text, sizeof text, U);
	fprintf(f,
		text[0] ? " <span class=\"u\">± %s</span></span></td>" : " <span class=\"u\">ind.%s</span></span></td>",
		text);
}

static void results(FILE *f, const struct report *r)
{
	struct procedure_number list[PROCEDURE_NUMBERS];
	size_t n = procedure_numbers(&r->procedure, list);
	char u[64];

	fputs("<section id=\"results\">\n<h2>Results</h2>\n<table class=\"narrow\">\n<caption>± is the expanded "
	      "uncertainty at 95 "
	      "%.</caption>\n<thead><tr><th>Quantity</th><th class=\"n\">Value</th><th>Unit</th><th "
	      "class=\"n\">Standard "
	      "uncertainty</th><th class=\"n\">Degrees of freedom</th><th>Note</th></tr></thead>\n<tbody>\n",
	      f);
	for (size_t i = 0; i < n; i++) {
		fputs("<tr><td data-label=\"quantity\">", f);
		text_html(f, list[i].label);
		fputs("</td>", f);
		plain(f, list[i].value, list[i].U);
		fprintf(f, "<td data-label=\"unit\">%s</td><td class=\"n\" data-label=\"u\">", list[i].unit);
		text_U(u, sizeof u, list[i].u);
		fprintf(f, "%s</td>", isfinite(list[i].u) && u[0] == '\0' ? "0" : u[0] ? u : "not known");
		fputs("<td class=\"n\" data-label=\"degrees of freedom\">", f);
		if (isfinite(list[i].u) && list[i].dof < 1000)
			fprintf(f, "%.3g</td>", list[i].dof);
		else
			fputs("–</td>", f);
		fprintf(f, "<td data-label=\"note\">%s</td></tr>\n", list[i].note);
	}
	fputs("</tbody>\n</table>\n</section>\n", f);
}

#define SOURCES 5

static double part_u(const json_t *part)
{
	return fabs(json_number_value(json_object_get(part, "u")));
}

#define SHOWN 0.005 /* of the variance: what rounds to 0 % is no row */

/* The largest parts of one number, each row with its share of the variance. */
static void sources_of(FILE *f, const struct procedure_number *x)
{
	double below = INFINITY;
	char u[64], name[160];

	for (size_t row = 0; row < SOURCES; row++) {
		const json_t *part, *next = NULL;
		size_t i;
		json_array_foreach(x->budget, i, part)
		{
			if (part_u(part) < below && (!next || part_u(part) > part_u(next)))
				next = part;
		}
		if (!next)
			return;
		below = part_u(next);
		text_U(u, sizeof u, below);
		if (row > 0 && !(below * below >= SHOWN * x->u * x->u))
			return;
		fputs("<tr><td data-label=\"quantity\">", f);
		text_html(f, row == 0 ? x->label : "");
		fputs("</td><td data-label=\"source\">", f);
		text_swap(name, sizeof name, json_string_value(json_object_get(next, "source")), "N.m", "N·m");
		text_html(f, name);
		fprintf(f,
			"</td><td class=\"n\" data-label=\"u\">%s</td><td data-label=\"unit\">%s</td><td class=\"n\" "
			"data-label=\"share of the variance\">%.0f %%</td></tr>\n",
			u[0] ? u : "0", x->unit, 100 * below * below / (x->u * x->u));
	}
}

static void sources(FILE *f, const struct report *r)
{
	struct procedure_number list[PROCEDURE_NUMBERS];
	size_t n = procedure_numbers(&r->procedure, list), told = 0;

	for (size_t i = 0; i < n; i++)
		told += list[i].budget != NULL;
	if (told == 0)
		return;
	fprintf(f,
		"<section id=\"budget\">\n<h2>Where the uncertainty comes from</h2>\n<table "
		"class=\"narrow\">\n<caption>The %d largest "
		"sources of each number, from 0.5 %% of its variance on; report.json has "
		"all.</caption>\n<thead><tr><th>Quantity</th><th>Source</th><th "
		"class=\"n\">u</th><th>Unit</th><th class=\"n\">Share of the variance</th></tr></thead>\n<tbody>\n",
		SOURCES);
	for (size_t i = 0; i < n; i++)
		sources_of(f, &list[i]);
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void time_cell(FILE *f, const char *label, const json_t *seconds)
{
	fprintf(f, "<td class=\"n\" data-label=\"%s\">", label);
	if (!json_is_number(seconds))
		fputs("no end</td>", f);
	else
		fprintf(f, "%.3g</td>", json_number_value(seconds) / 60);
}

static void holding(FILE *f, const struct report *r)
{
	const json_t *list = json_object_get(r->procedure.doc, "holding"), *o;
	size_t i;

	if (json_array_size(list) == 0)
		return;
	fprintf(f,
		"<section id=\"holding\">\n<h2>Holding time</h2>\n<table class=\"narrow\">\n<caption>From cold, "
		"ambient %.3g °C, to "
		"%.4g "
		"°C; low and high are the band of 95 %%.</caption>\n<thead><tr><th class=\"n\">Torque, N·m</th><th "
		"class=\"n\">Time, min</th><th class=\"n\">low</th><th "
		"class=\"n\">high</th><th>Note</th></tr></thead>\n"
		"<tbody>\n",
		json_number_value(json_object_get(r->procedure.doc, "ambient_degC")),
		json_number_value(json_object_get(r->procedure.doc, "limit")));
	json_array_foreach(list, i, o)
	{
		fprintf(f, "<tr><td class=\"n\" data-label=\"torque, N·m\">%.4g</td>",
			json_number_value(json_object_get(o, "torque_Nm")));
		time_cell(f, "time, min", json_object_get(o, "time_s"));
		time_cell(f, "low", json_object_get(o, "low_s"));
		time_cell(f, "high", json_object_get(o, "high_s"));
		fprintf(f, "<td data-label=\"note\">%s</td></tr>\n",
			json_is_true(json_object_get(o, "extrapolated")) ? "extrapolated" : "");
	}
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void method(FILE *f, const struct report *r)
{
	fputs("<section id=\"method\">\n<h2>How it was found</h2>\n<p>", f);
	text_html(f, procedure_method(r->procedure.kind));
	if (strcmp(r->procedure.kind, "endure") == 0)
		page_text(f, " The numbers are computed from the events of the run. ");
	else
		page_text(f, " The numbers are computed from the %lld samples of the run. ", (long long)r->run.samples);
	text_html(f, "docs/method.md of the program has the formulas and what each uncertainty is made of.");
	fputs("</p>\n</section>\n<section id=\"conditions\">\n<h2>Conditions</h2>\n<dl>\n", f);
	fprintf(f, "<dt>Supply</dt><dd>%.4g V, current limit %.4g A (as stated in the rig's profile)</dd>\n",
		r->rig.supply_V, r->rig.supply_limit_A);
	fprintf(f, "<dt>Gear ratio</dt><dd>%.6g rotor turns to one of the output (as stated)</dd>\n",
		r->actuator.gear_ratio);
	fputs("<dt>Outcome of the run</dt><dd>", f);
	page_text(f, "%s%s%s", r->run.ended ? r->run.outcome : "not ended", r->run.message[0] ? ": " : "",
		  r->run.message);
	fputs("</dd>\n</dl>\n</section>\n", f);
}

static void files(FILE *f, const struct report *r)
{
	char name[40];

	fputs("<section id=\"files\">\n<h2>Files beside this page</h2>\n<p>", f);
	page_link(f, "", "results.csv");
	page_link(f, ", ", "report.json");
	if (r->pdf)
		page_link(f, ", ", PAGE_PDF);
	for (size_t i = 0; i < r->procedure.n_drawings; i++) {
		snprintf(name, sizeof name, "%.30s.csv", r->procedure.drawing[i].name);
		page_link(f, i ? ", " : "; ", name);
		snprintf(name, sizeof name, "%.30s.gp", r->procedure.drawing[i].name);
		page_link(f, " with ", name);
	}
	fputs(". Each .gp file draws a figure from the table before it.</p>\n</section>\n", f);
}

enum rc procedure_page(FILE *f, const struct report *r, const char *dir, const struct figures *figures, struct err *err)
{
	enum rc rc = RC_OK;
	char foot[300];

	report_foot(r, foot, sizeof foot);
	page_head(f, r->subject, foot);
	first_screen(f, r);
	if (figures != NULL && figures->n > 0)
		rc = page_figures(f, dir, figures, err);
	results(f, r);
	holding(f, r);
	sources(f, r);
	method(f, r);
	page_calibration(f, r);
	page_particulars(f, r);
	page_cautions(f, r);
	files(f, r);
	fputs("</main>\n</body>\n</html>\n", f);
	return rc;
}
