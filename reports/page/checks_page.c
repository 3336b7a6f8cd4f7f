/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/checks_write.h"
#include "reports/page/certificate_private.h"
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include <math.h>

static const struct {
	enum chart_rule rule;
	const char *words, *meaning;
} rules[] = {
	{ CHART_BEYOND, "a value beyond 3 sigma", "something happened at once: a knock, an overload, a loose cable" },
	{ CHART_ONE_SIDE, "9 in a row on one side of the centre", "the level has changed and stayed" },
	{ CHART_TREND, "6 in a row, each higher or each lower", "a drift" },
	{ CHART_TWO_OF_3, "2 of 3 in a row beyond 2 sigma, one side", "a change that has just begun" },
	{ CHART_FOUR_OF_5, "4 of 5 in a row beyond 1 sigma, one side", "a small change that stays" },
};

static void day_of(int64_t wall_ns, char day[11])
{
	char when[40];

	text_time(when, sizeof when, wall_ns);
	snprintf(day, 11, "%.10s", when);
}

static void first_screen(FILE *f, const struct checks *c)
{
	const struct check_result *newest = &c->check[c->n - 1];
	char source[400], text[300], first[11], last[11];

	day_of(c->check[0].wall_ns, first);
	day_of(newest->wall_ns, last);
	snprintf(source, sizeof source, "%s%s%zu check%s with %s, %s to %s", c->rig, c->rig[0] ? ", " : "", c->n,
		 c->n == 1 ? "" : "s", newest->weights, first, last);
	certificate_begin(f, "Check weight", "Control chart of the check weight", source, newest->on_bench);
	checks_verdict(c, text, sizeof text);
	fputs("<p class=\"result\">", f);
	text_html_kept(f, text);
	fputs("</p>\n", f);
	if (checks_charted(c) && c->chart.n_hits > 0 && c->chart.hit[c->chart.n_hits - 1].at + 1 == c->n)
		fputs("<p>The newest check meets a rule. Check the cell, its cable and its screws, then hang the "
		      "weight again. Calibrate when the rule is still met.</p>\n",
		      f);
	if (checks_charted(c) && c->chart.n_base < CHECKS_BASE_LEAST)
		fprintf(f, "<p>These limits are provisional: %zu checks, expected %d or more.</p>\n", c->chart.n_base,
			CHECKS_BASE_LEAST);
	if (c->all_refused)
		fputs("<p>Every check said that the calibration does not hold; the limits still use them.</p>\n", f);
	fputs("</header>\n", f);
}

static void limits(FILE *f, const struct checks *c)
{
	const struct control_chart *k = &c->chart;

	fputs("<section>\n<h2>Limits</h2>\n<dl>\n", f);
	certificate_item(f, "Charted",
			 "the sensitivity, counts by the torque of the weight; a new calibration does not "
			 "change it");
	certificate_item(f, "Centre", "%.7g counts/(N·m)", k->centre);
	if (checks_charted(c)) {
		certificate_item(f, "Sigma", "%.3g counts/(N·m), %.2g %% of the centre", k->sigma,
				 100 * k->sigma / fabs(k->centre));
		certificate_item(f, "2 sigma, 3 sigma", "± %.3g %%, ± %.3g %% of the centre",
				 200 * k->sigma / fabs(k->centre), 300 * k->sigma / fabs(k->centre));
	}
	certificate_item(f, "From",
			 "the first %zu check%s that held, at most %d: their mean, and their mean moving "
			 "range by 1.128 (NIST/SEMATECH e-Handbook, 6.3.2.2)",
			 k->n_base, k->n_base == 1 ? "" : "s", CHART_BASE);
	certificate_item(f, "The calibration holds", "where |E_n| is 1 or less and the zero came back (ISO/IEC 17043)");
	fputs("</dl>\n</section>\n", f);
}

static void met_at(FILE *f, const struct checks *c, enum chart_rule rule)
{
	const char *before = "";

	for (size_t i = 0; checks_charted(c) && i < c->chart.n_hits; i++)
		if (c->chart.hit[i].rule == rule) {
			fprintf(f, "%s%zu", before, c->chart.hit[i].at + 1);
			before = ", ";
		}
	if (!*before)
		fputs(checks_charted(c) ? "no" : "no limits yet", f);
}

static void run_rules(FILE *f, const struct checks *c)
{
	fputs("<section class=\"unbroken\">\n<h2>Run rules</h2>\n<table class=\"stack\">\n<caption>L. S. Nelson, J. "
	      "Qual. Technol. 16(4) "
	      "(1984) 237. His tests 4, 7 and 8 look for two sources in turn, which one weight on one rig is "
	      "not.</caption>\n<thead><tr><th class=\"n\">Test</th><th>Met by</th><th>Points to</th><th>Met at "
	      "check</th></tr></thead>\n<tbody>\n",
	      f);
	for (size_t i = 0; i < sizeof rules / sizeof rules[0]; i++) {
		fprintf(f,
			"<tr><td class=\"n\" data-label=\"test\">%d</td><td data-label=\"met by\">%s</td><td "
			"data-label=\"points to\">%s</td><td data-label=\"met at check\">",
			(int)rules[i].rule, rules[i].words, rules[i].meaning);
		met_at(f, c, rules[i].rule);
		fputs("</td></tr>\n", f);
	}
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void number(FILE *f, const char *label, double value, int decimals, bool sign)
{
	fprintf(f, "<td class=\"n\" data-label=\"%s\">", label);
	if (isfinite(value))
		fprintf(f, sign ? "%+.*f" : "%.*f", decimals, value);
	else
		fputs("–", f);
	fputs("</td>", f);
}

/* As many digits as sigma lets mean something. */
static void sensitivity(FILE *f, const struct checks *c, double value)
{
	char text[64];

	text_value(text, sizeof text, value, checks_charted(c) ? c->chart.sigma : fabs(1e-5 * value));
	fprintf(f, "<td class=\"n\" data-label=\"sensitivity, counts/(N·m)\">%s</td>", text);
}

static void table(FILE *f, const struct checks *c)
{
	fputs("<section>\n<h2>Checks</h2>\n<table class=\"stack\">\n<caption>Difference: torque by the calibration "
	      "less "
	      "the torque of the weight, ± its expanded uncertainty (95 %). E_n is the one by the "
	      "other.</caption>\n<thead><tr><th class=\"n\">Check</th><th>When</th><th class=\"n\">Calibration</th><th "
	      "class=\"n\">Sensitivity<br><span class=\"unit\">counts/(N·m)</span></th><th class=\"n\">Sigmas "
	      "off</th><th class=\"n\">Torque<br><span class=\"unit\">N·m</span></th><th "
	      "class=\"n\">Difference<br><span class=\"unit\">N·m</span></th><th class=\"n\">±<br><span "
	      "class=\"unit\">N·m</span></th><th class=\"n\">E_n</th><th>Holds</th></tr></thead>\n<tbody>\n",
	      f);
	for (size_t i = 0; i < c->n; i++) {
		const struct check_result *one = &c->check[i];
		char at[40];
		text_time(at, sizeof at, one->wall_ns);
		fprintf(f,
			"<tr><td class=\"n\" data-label=\"check\">%zu</td><td data-label=\"when\">%s</td><td "
			"class=\"n\" data-label=\"calibration\">%lld</td>",
			i + 1, at, (long long)one->calibration_id);
		sensitivity(f, c, one->sensitivity);
		number(f, "sigmas off", checks_sigmas(c, i), 1, true);
		number(f, "torque, N·m", one->expected_Nm, 4, false);
		number(f, "difference, N·m", one->off_Nm, 4, true);
		number(f, "±, N·m", one->U_Nm, 4, false);
		number(f, "E_n", one->e_n, 2, true);
		fprintf(f, "<td data-label=\"holds\">%s</td></tr>\n",
			one->ok           ? "yes"
			: one->zero_moved ? "no, the zero moved"
					  : "no");
	}
	fputs("</tbody>\n</table>\n", f);
	if (c->n_other_weights)
		fprintf(f, "<p>Left out: %zu check%s with other weights.</p>\n", c->n_other_weights,
			c->n_other_weights == 1 ? "" : "s");
	if (c->n_other_kind)
		fprintf(f, "<p>Left out: %zu check%s of %s.</p>\n", c->n_other_kind, c->n_other_kind == 1 ? "" : "s",
			c->check[0].on_bench ? "a real rig" : "a virtual bench");
	fputs("</section>\n", f);
}

static void particulars(FILE *f, const struct checks *c)
{
	const struct check_result *newest = &c->check[c->n - 1];

	fputs("<section id=\"particulars\">\n<h2>Particulars</h2>\n<dl>\n", f);
	certificate_item(f, "Check weight", "%s, %.4g N·m on the calibration arm", newest->weights,
			 newest->expected_Nm);
	certificate_item(f, "Newest check", "record %lld, calibration of record %lld", (long long)newest->record_id,
			 (long long)newest->calibration_id);
	certificate_item(f, "Rig", "%s", c->rig);
	certificate_item(f, "Place", "%s", c->place);
	certificate_item(f, "Operator", "%s", c->operator_name);
	if (isfinite(newest->ambient_degC))
		certificate_item(f, "Ambient temperature", "%.1f °C (indicated)", newest->ambient_degC);
	certificate_item(f, "Method",
			 "The weight is read between two readings of the empty arm, all reached by unloading "
			 "(docs/method.md, 2)");
	fputs("</dl>\n<p>The check sees the cell, its converter and its friction. It never sees an error of the arm: "
	      "the weight hangs on the arm of the calibration.</p>\n<p class=\"sign\">Date, name and "
	      "signature:</p>\n</section>\n",
	      f);
}

enum rc checks_page(FILE *f, const struct checks *c, const char *dir, const struct figures *figures, struct err *err)
{
	const struct check_result *newest = &c->check[c->n - 1];
	enum rc rc = RC_OK;
	char foot[400], day[11];

	day_of(newest->wall_ns, day);
	snprintf(foot, sizeof foot, "Check weight %s, %s%s%s, record %lld%s", newest->weights, c->rig,
		 c->rig[0] ? ", " : "", day, (long long)newest->record_id, newest->on_bench ? " (virtual bench)" : "");
	page_head(f, "Control chart of the check weight", foot);
	first_screen(f, c);
	if (figures->n > 0)
		rc = page_figures(f, dir, figures, err);
	limits(f, c);
	run_rules(f, c);
	table(f, c);
	particulars(f, c);
	fputs("</main>\n</body>\n</html>\n", f);
	return rc;
}
