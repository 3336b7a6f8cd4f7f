/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/history_write.h"
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include <math.h>

/* Without limits nothing can be said. */
static const char *verdict(const struct history *h)
{
	bool charted = false;

	for (int q = 0; q < HISTORY_QUANTITIES; q++) {
		charted = charted || h->series[q].charted;
		if (h->series[q].charted && h->series[q].chart.n_hits > 0)
			return "At least one run rule is met.";
	}
	return charted ? "No run rule is met." : "No limits yet: a series needs two values that differ.";
}

static void first_screen(FILE *f, const struct history *h)
{
	fputs("<header>\n<p class=\"kind\">History of a rig</p>\n<h1>", f);
	text_html(f, h->actuator[0] ? h->actuator : h->rig);
	fputs("</h1>\n<p class=\"source\">", f);
	text_html(f, h->rig);
	fputs("</p>\n", f);
	if (h->on_bench)
		fputs("<p class=\"virtual\">A virtual bench: nothing here was measured.</p>\n", f);
	fprintf(f, "<p class=\"result\">%s</p>\n", verdict(h));
	if (h->n_left_out)
		fprintf(f, "<p>Left out: %zu run%s of %s.</p>\n", h->n_left_out, h->n_left_out == 1 ? "" : "s",
			h->on_bench ? "a real rig" : "a virtual bench");
	fputs("<p>Run rules: L. S. Nelson, J. Qual. Technol. 16(4) (1984) 237, tests 1, 2, 3, 5 and 6. Centre and "
	      "sigma come from "
	      "the first values, at most 20. Few values make limits that may still move much.</p>\n</header>\n",
	      f);
}

/* With the digits that its spread allows; without one all that are told apart. */
static void number(const struct history_series *s, double value, char ret[64])
{
	if (s->charted && s->chart.sigma > 0)
		text_value(ret, 64, value, s->chart.sigma);
	else
		snprintf(ret, 64, "%.7g", value);
}

static void summary_row(FILE *f, const struct history_series *s, enum history_quantity quantity)
{
	char first[40], last[40], centre[64], sigma[64];

	if (s->n == 0)
		return;
	text_time(first, sizeof first, s->value[0].wall_ns);
	text_time(last, sizeof last, s->value[s->n - 1].wall_ns);
	number(s, s->chart.centre, centre);
	text_U(sigma, sizeof sigma, s->chart.sigma);
	fprintf(f,
		"<tr><td data-label=\"What\">%s</td><td class=\"n\" data-label=\"Values\">%zu</td><td "
		"data-label=\"From, to\">%.10s to %.10s</td><td class=\"n\" data-label=\"Centre\">%s</td>",
		history_title(quantity), s->n, first, last, centre);
	if (s->charted)
		fprintf(f,
			"<td class=\"n\" data-label=\"Sigma\">%s</td><td class=\"n\" data-label=\"Newest, sigmas "
			"off\">%+.1f</td>",
			sigma, (s->value[s->n - 1].value - s->chart.centre) / s->chart.sigma);
	else
		fputs("<td class=\"n\" data-label=\"Sigma\">–</td><td class=\"n\" data-label=\"Newest, sigmas "
		      "off\">–</td>",
		      f);
	fputs("<td data-label=\"Run rules met\">", f);
	for (size_t i = 0; s->charted && i < s->chart.n_hits; i++)
		fprintf(f, "%svalue %zu: %s (test %d)", i ? "<br>" : "", s->chart.hit[i].at + 1,
			chart_rule_words(&s->chart.hit[i]), (int)s->chart.hit[i].rule);
	fprintf(f, "%s</td></tr>\n", !s->charted ? "no limits yet" : s->chart.n_hits ? "" : "none");
}

static void summary(FILE *f, const struct history *h)
{
	fputs("<section class=\"early\">\n<h2>In short</h2>\n<table class=\"stack\">\n<thead><tr><th>What</th><th "
	      "class=\"n\">Values</th><th>From, "
	      "to</th><th "
	      "class=\"n\">Centre</th><th class=\"n\">Sigma</th><th class=\"n\">Newest, sigmas off</th><th>Run rules "
	      "met</th></tr></thead>\n<tbody>\n",
	      f);
	for (int q = 0; q < HISTORY_QUANTITIES; q++)
		summary_row(f, &h->series[q], (enum history_quantity)q);
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void changes(FILE *f, const struct history *h)
{
	fputs("<section class=\"early\">\n<h2>What was changed</h2>\n", f);
	if (h->n_changes == 0) {
		fputs("<p>Nothing that the logbook knows.</p>\n</section>\n", f);
		return;
	}
	fputs("<table>\n<caption>Keys of the files, calibrations, versions of the program.</caption>\n"
	      "<thead><tr><th class=\"n\">No</th><th>Before</th><th "
	      "class=\"n\">Run</th><th>What</th></tr></thead>\n<tbody>\n",
	      f);
	for (size_t i = 0; i < h->n_changes; i++) {
		char at[40];
		text_time(at, sizeof at, h->change[i].wall_ns);
		fprintf(f, "<tr><td class=\"n\">%zu</td><td>%s</td><td class=\"n\">", i + 1, at);
		if (h->change[i].run_id)
			fprintf(f, "%lld", (long long)h->change[i].run_id);
		fputs("</td><td>", f);
		text_html(f, h->change[i].what);
		fputs("</td></tr>\n", f);
	}
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void values(FILE *f, const struct history_series *s, enum history_quantity quantity)
{
	if (s->n == 0)
		return;
	fprintf(f,
		"<section>\n<h2>%s</h2>\n<table>\n<thead><tr><th class=\"n\">No</th><th>When</th><th "
		"class=\"n\">Run</th><th "
		"class=\"n\">Value</th><th class=\"n\">Sigmas off</th></tr></thead>\n<tbody>\n",
		history_title(quantity));
	for (size_t i = 0; i < s->n; i++) {
		const struct history_value *v = &s->value[i];
		char at[40], value[64];
		text_time(at, sizeof at, v->wall_ns);
		number(s, v->value, value);
		fprintf(f, "<tr><td class=\"n\">%zu</td><td>%s</td><td class=\"n\">%lld</td><td class=\"n\">%s</td>",
			i + 1, at, (long long)v->run_id, value);
		if (s->charted)
			fprintf(f, "<td class=\"n\">%+.1f</td></tr>\n", (v->value - s->chart.centre) / s->chart.sigma);
		else
			fputs("<td class=\"n\">–</td></tr>\n", f);
	}
	fputs("</tbody>\n</table>\n</section>\n", f);
}

enum rc history_page(FILE *f, const struct history *h, const char *dir, const struct figures *figures, struct err *err)
{
	enum rc rc = RC_OK;
	char foot[200];

	snprintf(foot, sizeof foot, "History: %s%s%s%s", h->actuator, h->actuator[0] ? ", " : "", h->rig,
		 h->on_bench ? " (virtual bench)" : "");
	page_head(f, h->actuator[0] ? h->actuator : "History of a rig", foot);
	first_screen(f, h);
	summary(f, h);
	if (figures->n > 0)
		rc = page_figures(f, dir, figures, err);
	changes(f, h);
	for (int q = 0; q < HISTORY_QUANTITIES; q++)
		values(f, &h->series[q], (enum history_quantity)q);
	fputs("</main>\n</body>\n</html>\n", f);
	return rc;
}
