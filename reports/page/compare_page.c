/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A comparison as a page: what differs, which differences are real, what cancelled, and what stands in the way. */
#include "reports/page/compare_write.h"
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include <math.h>
#include <string.h>

static size_t differences_of(const struct compared_run *run, size_t *ret_real)
{
	size_t n = run->procedure ? run->procedure->n : run->with ? run->with->n : 0, real = 0;

	for (size_t i = 0; i < n; i++)
		real += run->procedure ? run->procedure->list[i].real : run->with->list[i].real;
	*ret_real += real;
	return n;
}

static void first_screen(FILE *f, const struct compared *c)
{
	size_t n = 0, real = 0;
	bool on_bench = false;

	fputs("<header>\n<p class=\"kind\">Comparison</p>\n<h1>", f);
	for (size_t i = 0; i < c->n; i++) {
		n += differences_of(&c->run[i], &real);
		on_bench |= c->run[i].side.report->run.on_bench;
		fputs(i == 1 ? " against " : i ? ", " : "", f);
		text_html(f, c->run[i].label);
	}
	fputs("</h1>\n", f);
	if (on_bench)
		fputs("<p class=\"virtual\">Virtual bench: what stands here of such a run was computed, not measured "
		      "on a "
		      "real actuator.</p>\n",
		      f);
	fprintf(f,
		"<p class=\"result\">%zu of %zu difference%s %s real at %.3g %%.</p>\n<p>Where none is real, about "
		"%.2g in "
		"100 would be told so by chance. Each is a run less the reference, ",
		real, n, n == 1 ? "" : "s", real == 1 ? "is" : "are", 100 * c->confidence, 100 * (1 - c->confidence));
	text_html(f, c->run[0].label);
	fputs(".</p>\n</header>\n", f);
}

static void runs(FILE *f, const struct compared *c)
{
	fputs("<section class=\"early\">\n<h2>Runs</h2>\n<table "
	      "class=\"stack\">\n<thead><tr><th>Run</th><th>Actuator</th><th>Of</th><th>Same "
	      "rig</th><th>Same calibration</th></tr></thead>\n<tbody>\n",
	      f);
	for (size_t i = 0; i < c->n; i++) {
		const struct compared_run *run = &c->run[i];
		bool rig = run->procedure ? run->procedure->same_rig : run->with && run->with->same_rig,
		     cal = run->procedure ? run->procedure->same_calibration : run->with && run->with->same_calibration;
		fputs("<tr><td data-label=\"run\">", f);
		text_html(f, run->label);
		fputs(i == 0 ? ", the reference" : "", f);
		fputs("</td><td data-label=\"actuator\">", f);
		text_html(f, run->side.report->subject);
		fputs("</td><td data-label=\"of\">", f);
		text_html(f, run->side.report->source);
		fprintf(f, "</td><td data-label=\"same rig\">%s</td><td data-label=\"same calibration\">%s</td></tr>\n",
			i == 0 ? "–"
			: rig  ? "yes"
			       : "no",
			i == 0 ? "–"
			: cal  ? "yes"
			       : "no");
	}
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void warnings(FILE *f, char (*list)[300], size_t n)
{
	if (n == 0)
		return;
	fputs("<ul>\n", f);
	for (size_t i = 0; i < n; i++) {
		fputs("<li>", f);
		text_html_kept(f, list[i]);
		fputs("</li>\n", f);
	}
	fputs("</ul>\n", f);
}

static void value(FILE *f, const char *label, double x, double U, bool real)
{
	char text[64], wide[64];

	fprintf(f, "<td class=\"n\" data-label=\"%s\">", label);
	if (isfinite(x)) {
		text_value(text, sizeof text, x, U);
		text_U(wide, sizeof wide, U);
		fprintf(f,
			real ? "<span><strong>%s%s</strong> <span class=\"u\">± %s</span></span>"
			     : "<span>%s%s <span class=\"u\">± %s</span></span>",
			x > 0 ? "+" : "", text, wide);
	} else {
		fputs("–", f);
	}
	fputs("</td>", f);
}

static void difference(FILE *f, const char *label, const struct difference *d, double scale)
{
	value(f, label, d ? scale * d->value : NAN, d ? scale * d->U : NAN, d && d->real);
}

static void curve_rows(FILE *f, const struct comparison *with)
{
	for (size_t i = 0; i < with->n; i++) {
		const struct difference *d = &with->list[i];
		char at[40] = "";
		if (d->quantity != COMPARE_SPEED)
			continue;
		if (isfinite(d->commanded_rpm))
			snprintf(at, sizeof at, ", %g rpm", d->commanded_rpm);
		fprintf(f,
			"<tr><td class=\"step\" data-label=\"way\">%s%s</td><td class=\"n\" data-label=\"torque, "
			"N·m\">%.2f</td>",
			d->direction > 0 ? "rising" : "falling", at, d->torque_Nm);
		difference(f, "speed, rpm", d, 1);
		difference(f, "efficiency, points of %", compare_alike(with, d, COMPARE_EFFICIENCY), 100);
		difference(f, "input power, W", compare_alike(with, d, COMPARE_INPUT_POWER), 1);
		difference(f, "current, A", compare_alike(with, d, COMPARE_CURRENT), 1);
		fputs("</tr>\n", f);
	}
}

static void head(FILE *f, const char *const columns[][2], size_t n)
{
	fputs("<thead><tr>", f);
	for (size_t i = 0; i < n; i++) {
		fprintf(f, i ? "<th class=\"n\">%s" : "<th>%s", columns[i][0]);
		if (columns[i][1])
			fprintf(f, "<br><span class=\"unit\">%s</span>", columns[i][1]);
		fputs("</th>", f);
	}
	fputs("</tr></thead>\n<tbody>\n", f);
}

static void caption(FILE *f, const char *common)
{
	fputs("<table class=\"stack\">\n<caption>Bold: real. ± is the expanded uncertainty of the difference.", f);
	if (common[0]) {
		fputs(" In common, so it cancels: ", f);
		text_html(f, common);
		fputc('.', f);
	}
	fputs("</caption>\n", f);
}

static void curve(FILE *f, const struct compared_run *run, const char *common)
{
	static const char *const columns[][2] = { { "Way", NULL },        { "Torque", "N·m" },
						  { "Speed", "rpm" },     { "Efficiency", "points of %" },
						  { "Input power", "W" }, { "Current", "A" } };

	caption(f, common);
	head(f, columns, sizeof columns / sizeof columns[0]);
	curve_rows(f, run->with);
	fputs("</tbody>\n</table>\n", f);
}

static void numbers(FILE *f, const struct compared_run *run, const char *common)
{
	static const char *const columns[][2] = {
		{ "Quantity", NULL }, { "Reference", NULL }, { "Other", NULL }, { "Difference", NULL }, { "Unit", NULL }
	};

	caption(f, common);
	head(f, columns, sizeof columns / sizeof columns[0]);
	for (size_t i = 0; i < run->procedure->n; i++) {
		const struct procedure_difference *d = &run->procedure->list[i];
		fputs("<tr><td data-label=\"quantity\">", f);
		text_html(f, d->other.label);
		fputs("</td>", f);
		value(f, "reference", d->reference.value, d->reference.U, false);
		value(f, "other", d->other.value, d->other.U, false);
		value(f, "difference", d->value, d->U, d->real);
		fprintf(f, "<td class=\"n\" data-label=\"unit\">%s</td></tr>\n", d->other.unit);
	}
	fputs("</tbody>\n</table>\n", f);
}

/* Each source once, the largest first. */
static void add_common(char *text, size_t size, const struct common_source *list, size_t n)
{
	for (size_t k = 0; k < n; k++) {
		size_t used = strlen(text);
		if (strstr(text, list[k].name) == NULL)
			snprintf(text + used, size - used, "%s%s", used ? ", " : "", list[k].name);
	}
}

static void common_of(const struct compared_run *run, char *text, size_t size)
{
	text[0] = '\0';
	for (size_t i = 0; run->with && i < run->with->n; i++)
		add_common(text, size, run->with->list[i].common, run->with->list[i].n_common);
	for (size_t i = 0; run->procedure && i < run->procedure->n; i++)
		add_common(text, size, run->procedure->list[i].common, run->procedure->list[i].n_common);
}

static void one(FILE *f, const struct compared *c, const struct compared_run *run)
{
	char common[500];

	common_of(run, common, sizeof common);
	fputs("<section>\n<h2>", f);
	text_html(f, run->label);
	fputs(" less ", f);
	text_html(f, c->run[0].label);
	fputs("</h2>\n", f);
	if (run->procedure) {
		warnings(f, run->procedure->warning, run->procedure->n_warnings);
		numbers(f, run, common);
	} else {
		warnings(f, run->with->warning, run->with->n_warnings);
		curve(f, run, common);
	}
	fputs("</section>\n", f);
}

static void method(FILE *f, const struct compared *c)
{
	fputs("<section class=\"early\">\n<h2>Method</h2>\n<p>", f);
	fputs(c->n > 1 && c->run[1].procedure
		      ? "Each number of the one result less that of the other."
		      : "At each torque that the reference measured and the other run encloses, on one way and at one "
			"commanded speed. Between two points a quantity is the chord's; how far the parabolas through "
			"three lie from it is part of the uncertainty, and so is the scatter of another window of "
			"both.",
	      f);
	fputs(" What both share with one sign cancels (JCGM 100:2008, 5.2). How far an actuator comes again on another "
	      "day is not in it: repeat the runs to learn that. docs/method.md, 8a.</p>\n</section>\n",
	      f);
}

enum rc compare_page(FILE *f, const struct compared *c, const char *dir, const struct figures *figures, struct err *err)
{
	enum rc rc = RC_OK;
	char foot[300];
	int used = snprintf(foot, sizeof foot, "Comparison: ");

	for (size_t i = 0; i < c->n && (size_t)used < sizeof foot; i++)
		used += snprintf(foot + used, sizeof foot - (size_t)used, "%s%s", i ? ", " : "",
				 c->run[i].side.report->report_id);
	page_head(f, "Comparison of runs", foot);
	first_screen(f, c);
	if (figures->n > 0)
		rc = page_figures(f, dir, figures, err);
	for (size_t i = 1; i < c->n; i++)
		one(f, c, &c->run[i]);
	runs(f, c);
	method(f, c);
	fputs("<section id=\"files\">\n<h2>Files beside this page</h2>\n<p>", f);
	page_link(f, "", "differences.csv");
	if (figures->n > 0) {
		page_link(f, ", ", "curves.csv");
		page_link(f, "; ", "compare.gp");
		fputs(" draws the figures from it", f);
	}
	fputs(".</p>\n</section>\n</main>\n</body>\n</html>\n", f);
	return rc;
}
