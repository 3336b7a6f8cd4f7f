/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/history_write.h"
#include "reports/page/figures_private.h"
#include "reports/page/gnuplot.h"
#include "reports/page/report_write.h"
#include "reports/page/table_cells.h"
#include "reports/reduce/text.h"

#include "calib/number/number_json.h"

#include <math.h>
#include <string.h>

#define PANEL 210 /* pixels of height of a panel */
#define WIDTH 700
#define RULES "Nelson 1984, tests 1, 2, 3, 5 and 6"

static json_t *real(double value)
{
	return isfinite(value) ? json_real(value) : json_null();
}

static json_t *when(int64_t wall_ns)
{
	char text[40];

	text_time(text, sizeof text, wall_ns);
	return json_string(text);
}

static json_t *series_json(const struct history_series *s, enum history_quantity quantity)
{
	json_t *values = json_array(), *hits = json_array();

	for (size_t i = 0; i < s->n; i++) {
		json_t *o =
			json_pack("{s:I, s:o, s:o}", "no", (json_int_t)i + 1, "at", when(s->value[i].wall_ns), "run",
				  s->value[i].run_id ? json_integer((json_int_t)s->value[i].run_id) : json_null());
		number_json_into(o, s->value[i].value, s->value[i].u, NAN);
		json_array_append_new(values, o);
	}
	for (size_t i = 0; s->charted && i < s->chart.n_hits; i++)
		json_array_append_new(hits, json_pack("{s:I, s:i, s:s}", "no", (json_int_t)s->chart.hit[i].at + 1,
						      "test", (int)s->chart.hit[i].rule, "words",
						      chart_rule_words(&s->chart.hit[i])));
	return json_pack("{s:s, s:s, s:o, s:o, s:I, s:o, s:o}", "series", history_word(quantity), "unit",
			 history_unit(quantity), "centre", s->n ? real(s->chart.centre) : json_null(), "sigma",
			 s->charted ? real(s->chart.sigma) : json_null(), "limits_from", (json_int_t)s->chart.n_base,
			 "values", values, "rules_met", hits);
}

json_t *history_to_json(const struct history *h)
{
	json_t *series = json_array(), *changes = json_array();

	for (int q = 0; q < HISTORY_QUANTITIES; q++)
		json_array_append_new(series, series_json(&h->series[q], (enum history_quantity)q));
	for (size_t i = 0; i < h->n_changes; i++)
		json_array_append_new(
			changes,
			json_pack("{s:o, s:o, s:s}", "at", when(h->change[i].wall_ns), "run",
				  h->change[i].run_id ? json_integer((json_int_t)h->change[i].run_id) : json_null(),
				  "what", h->change[i].what));
	return json_pack("{s:s, s:s, s:b, s:I, s:s, s:o, s:o}", "actuator", h->actuator, "rig", h->rig, "virtual_bench",
			 h->on_bench, "runs_left_out", (json_int_t)h->n_left_out, "rules", RULES, "series", series,
			 "changes", changes);
}

/* --- tables --- */
static const char *hit_words(const struct history_series *s, size_t no)
{
	for (size_t i = 0; s->charted && i < s->chart.n_hits; i++)
		if (s->chart.hit[i].at == no)
			return chart_rule_words(&s->chart.hit[i]);
	return "";
}

static void write_values(FILE *f, const struct history *h)
{
	fprintf(f, "# history of %s on %s%s; rules: %s\n", h->actuator, h->rig, h->on_bench ? " (a virtual bench)" : "",
		RULES);
	fputs("series,unit,no,seconds since 1970,at (UTC),run,value,u,centre,sigma,rule met\n", f);
	for (int q = 0; q < HISTORY_QUANTITIES; q++)
		for (size_t i = 0; i < h->series[q].n; i++) {
			const struct history_series *s = &h->series[q];
			const struct history_value *v = &s->value[i];
			char at[40];
			text_time(at, sizeof at, v->wall_ns);
			fprintf(f, "%s,%s,%zu,%.3f,%s,%lld", history_word((enum history_quantity)q),
				history_unit((enum history_quantity)q), i + 1, 1e-9 * (double)v->wall_ns, at,
				(long long)v->run_id);
			table_number(f, v->value);
			table_number(f, v->u);
			table_number(f, s->chart.centre);
			table_number(f, s->charted ? s->chart.sigma : NAN);
			fputc(',', f);
			table_text(f, hit_words(s, i));
			fputc('\n', f);
		}
}

static void write_changes(FILE *f, const struct history *h)
{
	fputs("no,seconds since 1970,at (UTC),run,what\n", f);
	for (size_t i = 0; i < h->n_changes; i++) {
		char at[40];
		text_time(at, sizeof at, h->change[i].wall_ns);
		fprintf(f, "%zu,%.3f,%s,%lld,", i + 1, 1e-9 * (double)h->change[i].wall_ns, at,
			(long long)h->change[i].run_id);
		table_text(f, h->change[i].what);
		fputc('\n', f);
	}
}

static void write_json(FILE *f, const struct history *h)
{
	json_t *doc = history_to_json(h);

	json_dumpf(doc, f, JSON_INDENT(2) | JSON_REAL_PRECISION(17));
	fputc('\n', f);
	json_decref(doc);
}

/* --- the figure: a panel a series, by number of the value; a line where something was changed before it --- */
static size_t panels(const struct history *h)
{
	size_t n = 0;

	for (int q = 0; q < HISTORY_QUANTITIES; q++)
		n += h->series[q].n > 1;
	return n;
}

/* gnuplot's SVG draws lines of one colour, one after the other, with the dashes of the first: so the colours differ. */
static void lines_of(FILE *f, const struct history_series *s)
{
	static const struct {
		double sigmas;
		const char *style;
	} lines[] = { { 0, "lc rgb '#555555' dt 1" }, { 3, "lc rgb '#777777' dt 2" }, { -3, "lc rgb '#777777' dt 2" } };

	for (size_t i = 0; s->charted && i < 3; i++)
		fprintf(f, "set arrow from graph 0, first %.10g to graph 1, first %.10g nohead back %s\n",
			s->chart.centre + lines[i].sigmas * s->chart.sigma,
			s->chart.centre + lines[i].sigmas * s->chart.sigma, lines[i].style);
}

static void change_lines(FILE *f, const struct history *h, const struct history_series *s)
{
	for (size_t i = 1; i < s->n; i++) {
		size_t first = 0, n = history_changes(h, s, i, &first);
		if (n == 0)
			continue;
		fprintf(f,
			"set arrow from first %zu.5, graph 0 to first %zu.5, graph 1 nohead back lc rgb '#9a4a12' dt "
			"3\n",
			i, i);
		if (s->n <= 40)
			fprintf(f,
				"set label '%zu' at first %zu.5, graph 1 offset 0,0.5 center noenhanced font ',14' "
				"textcolor rgb "
				"'#9a4a12'\n",
				first + 1, i);
	}
}

/* About three steps of 1, 2 or 5 times a power of ten: the panels are low. */
static double tick_step(const struct history_series *s)
{
	double low = INFINITY, high = -INFINITY;

	for (size_t i = 0; i < s->n; i++) {
		low = fmin(low, s->value[i].value);
		high = fmax(high, s->value[i].value);
	}
	if (s->charted) {
		low = fmin(low, s->chart.centre - 4 * s->chart.sigma);
		high = fmax(high, s->chart.centre + 4 * s->chart.sigma);
	}
	return figure_step(1.6 * (high > low ? high - low : fabs(high) + 1));
}

/* At the sheet's top; each panel draws it in the same place. */
static void whose(FILE *f, const struct history *h, double height)
{
	fputs("set label 900 '", f);
	gnuplot_text(f, h->actuator[0] ? h->actuator : "Rig");
	fputs(h->rig[0] ? ", " : "", f);
	gnuplot_text(f, h->rig);
	fprintf(f, "%s' at screen 0.012,screen %.4f left noenhanced font ',14' textcolor rgb '#5a5a5a'\n",
		h->on_bench ? " (a virtual bench)" : "", 1 - 11 / height);
}

static void panel(FILE *f, const struct history *h, enum history_quantity quantity, double height)
{
	const struct history_series *s = &h->series[quantity];

	fputs("unset arrow\nunset label\n", f);
	whose(f, h, height);
	lines_of(f, s);
	change_lines(f, h, s);
	fprintf(f,
		"set label 800 '%s' at graph 0,1 offset 0,0.7 left noenhanced font ',14' textcolor rgb '#222222'\n"
		"set xrange [0.5:%zu.5]\nset xtics %zu\nset ytics %.3g\n",
		history_title(quantity), s->n, 1 + s->n / 25, tick_step(s));
	if (s->charted)
		fprintf(f, "low = %.10g\nhigh = %.10g\n", s->chart.centre - 4 * s->chart.sigma,
			s->chart.centre + 4 * s->chart.sigma);
	else
		fputs("low = NaN\nhigh = NaN\n", f);
	fprintf(f,
		"own(x) = stringcolumn('series') eq '%s' ? x : NaN\n"
		"bad(x) = stringcolumn('rule met') ne '' ? own(x) : NaN\n"
		"plot 'history.csv' using (own(column('no'))):(own(column('value'))) with linespoints lc rgb '#111111' "
		"pt 7 ps 0.8 "
		"notitle, \\\n  '' using (own(column('no'))):(bad(column('value'))) with points lc rgb '#9a4a12' pt 6 "
		"ps 2 lw 2 "
		"notitle, \\\n  low with lines lc rgb '#ffffff' lw 0 notitle, high with lines lc rgb '#ffffff' lw 0 "
		"notitle\n",
		history_word(quantity));
}

static void write_script(FILE *f, const struct history *h)
{
	size_t n = panels(h), height = 60 + n * PANEL;

	fprintf(f,
		"# Draws the history from history.csv beside it: gnuplot history.gp\nreset\nset encoding utf8\nset "
		"minussign\n"
		"set datafile separator ','\nset datafile columnheaders\nset border 3 lc rgb '#444444'\n"
		"set tics nomirror out textcolor rgb '#222222'\nset grid lc rgb '#dddddd' lw 0.7 dt 1\nset tmargin "
		"2.4\nset bmargin 2\nset lmargin 11\nset rmargin 2\n"
		"do for [kind = 0:2] {\n"
		"if (kind == 0) { set terminal svg size %d,%zu dynamic enhanced font 'sans-serif,16' background "
		"'#ffffff' }\n"
		"if (kind == 1) { set terminal pngcairo size %d,%zu enhanced font 'Sans,16' fontscale 1.5 background "
		"'#ffffff' "
		"linewidth 2 pointscale 2 }\n"
		"if (kind == 2) { set terminal pdfcairo size %.2fin,%.2fin enhanced font 'Sans,11' background "
		"'#ffffff' }\n"
		"set output 'history' . (kind == 0 ? '.svg' : kind == 1 ? '.png' : '.pdf')\n"
		"set multiplot layout %zu,1 title ' '\n",
		WIDTH, height, 2 * WIDTH, 2 * height, WIDTH / 100.0, (double)height / 100.0, n);
	for (int q = 0; q < HISTORY_QUANTITIES; q++)
		if (h->series[q].n > 1)
			panel(f, h, (enum history_quantity)q, (double)height);
	fputs("unset multiplot\nset output\n}\n", f);
}

/* --- files --- */
static enum rc write_one(const struct history *h, const char *dir, const char *name,
			 void (*put)(FILE *f, const struct history *h), struct err *err)
{
	char path[FILES_PATH];
	FILE *f = NULL;
	enum rc rc = files_open(dir, name, path, &f, err);

	if (rc != RC_OK)
		return rc;
	put(f, h);
	return files_close(f, path, err);
}

static enum rc write_page(const struct history *h, const char *dir, const struct figures *figures, struct err *err)
{
	struct page_file page;
	enum rc rc = page_open(&page, dir, "history.html", err);

	if (rc != RC_OK)
		return rc;
	rc = history_page(page.f, h, dir, figures, err);
	return page_close(&page, rc, err);
}

/* The page stands without the figure before it is drawn, and with it then. */
static enum rc draw_and_write(const struct history *h, const char *dir, struct err *err)
{
	const struct figures figures = {
		.n = 1,
		.figure = { {
			.name = "history",
			.title = "What should stay as it is",
			.caption = "Each value in the order of time. Solid: centre; dashed: 3 sigma of the first "
				   "values. A ring: a run "
				   "rule is met. Dotted: something was changed before this value, by its number below.",
		} },
	};
	enum rc rc = gnuplot_run(dir, "history.gp", "; page and tables stand without the figure", err);

	return rc == RC_OK ? write_page(h, dir, &figures, err) : rc;
}

enum rc history_write(const struct history *h, const char *dir, struct err *err)
{
	int taken;
	enum rc rc = files_take_dir(dir, &taken, err);

	if (rc == RC_OK)
		rc = write_one(h, dir, "history.csv", write_values, err);
	if (rc == RC_OK)
		rc = write_one(h, dir, "changes.csv", write_changes, err);
	if (rc == RC_OK)
		rc = write_one(h, dir, "history.json", write_json, err);
	if (rc == RC_OK)
		rc = write_one(h, dir, "history.gp", write_script, err);
	if (rc == RC_OK)
		rc = write_page(h, dir, &(struct figures){ 0 }, err);
	if (rc == RC_OK && panels(h) > 0)
		rc = draw_and_write(h, dir, err);
	files_give_dir(taken);
	return rc;
}
