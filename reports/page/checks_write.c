/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/checks_write.h"
#include "reports/page/figures_private.h"
#include "reports/page/gnuplot.h"
#include "reports/page/report_write.h"
#include "reports/page/table_cells.h"
#include "reports/reduce/text.h"

#include <math.h>

#define WIDTH 700
#define HEIGHT 470
#define SHOWN_SIGMAS 4.0 /* the axis holds at least so many */

/* --- the table --- */
static const char *rule_of(const struct checks *c, size_t i)
{
	for (size_t k = 0; checks_charted(c) && k < c->chart.n_hits; k++)
		if (c->chart.hit[k].at == i)
			return chart_rule_words(&c->chart.hit[k]);
	return "";
}

static void write_table(FILE *f, const struct checks *c)
{
	fprintf(f, "# checks of the calibration of %s%s by the check weight %s\n", c->rig,
		c->check[0].on_bench ? " (a virtual bench)" : "", c->check[0].weights);
	fputs("check,at (UTC),record,calibration,sensitivity (count/(N m)),centre (count/(N m)),sigma (count/(N "
	      "m)),off the centre (count/(N m)),sigmas off,torque of the weight (N m),difference (N m),U difference (N "
	      "m),E_n,holds,rule met\n",
	      f);
	for (size_t i = 0; i < c->n; i++) {
		const struct check_result *one = &c->check[i];
		char at[40];
		text_time(at, sizeof at, one->wall_ns);
		fprintf(f, "%zu,%s,%lld,%lld", i + 1, at, (long long)one->record_id, (long long)one->calibration_id);
		table_number(f, one->sensitivity);
		table_number(f, c->chart.centre);
		table_number(f, checks_charted(c) ? c->chart.sigma : NAN);
		table_number(f, one->sensitivity - c->chart.centre);
		table_number(f, checks_sigmas(c, i));
		table_number(f, one->expected_Nm);
		table_number(f, one->off_Nm);
		table_number(f, one->U_Nm);
		table_number(f, one->e_n);
		fprintf(f, ",%s,", one->ok ? "yes" : "no");
		table_text(f, rule_of(c, i));
		fputc('\n', f);
	}
}

/* --- the figure: the sensitivity about its centre, and E_n between its limits --- */
static void level(FILE *f, double y, const char *style, const char *word)
{
	fprintf(f,
		"set arrow from graph 0, first %.10g to graph 1, first %.10g nohead back %s\n"
		"set label '%s' at graph 1, first %.10g offset 0.6,0 left font ',13' textcolor rgb '#444444'\n",
		y, y, style, word, y);
}

static void calibrations(FILE *f, const struct checks *c)
{
	for (size_t i = 1; i < c->n; i++)
		if (c->check[i].calibration_id != c->check[i - 1].calibration_id)
			fprintf(f,
				"set arrow from first %zu.5, graph 0 to first %zu.5, graph 1 nohead back lc rgb "
				"'#9a4a12' lw 1.2 dt 3\n",
				i, i);
}

static void marks(FILE *f, const char *column)
{
	fprintf(f,
		"plot 'checks.csv' using (column('check')):(column('%s')) with lines lc rgb '#888888' lw 1 notitle, "
		"\\\n"
		"  '' using (column('check')):(stringcolumn('holds') eq 'yes' ? column('%s') : NaN) with points lc rgb "
		"'#111111' pt 7 ps 0.8 notitle, \\\n"
		"  '' using (column('check')):(stringcolumn('holds') eq 'no' ? column('%s') : NaN) with points lc rgb "
		"'#111111' pt 2 ps 1.4 lw 2 notitle",
		column, column, column);
}

static void sensitivity_panel(FILE *f, const struct checks *c)
{
	static const struct {
		double sigmas;
		const char *style, *word;
	} lines[] = {
		{ 0, "lc rgb '#555555' lw 1.2 dt 1", "centre" },
		{ 2, "lc rgb '#999999' lw 1 dt (2,4)", "+2 sigma" },
		{ -2, "lc rgb '#9a9a9a' lw 1 dt (2,4)", "−2 sigma" },
		{ 3, "lc rgb '#777777' lw 1.2 dt (8,4)", "+3 sigma" },
		{ -3, "lc rgb '#787878' lw 1.2 dt (8,4)", "−3 sigma" },
	};
	double low = c->chart.centre, high = low, room = SHOWN_SIGMAS * (checks_charted(c) ? c->chart.sigma : 0);

	for (size_t i = 0; i < c->n; i++) {
		low = fmin(low, c->check[i].sensitivity);
		high = fmax(high, c->check[i].sensitivity);
	}
	low = fmin(low - 0.08 * (high - low), c->chart.centre - room);
	high = fmax(high + 0.08 * (high - low), c->chart.centre + room);
	fputs("set label 1 'counts per N·m of the weight, less the centre' at graph 0,1 offset 0,0.8 left font ',14' "
	      "textcolor rgb '#222222'\n",
	      f);
	for (size_t i = 0; checks_charted(c) && i < sizeof lines / sizeof lines[0]; i++)
		level(f, lines[i].sigmas * c->chart.sigma, lines[i].style, lines[i].word);
	calibrations(f, c);
	fprintf(f, "set yrange [%.10g:%.10g]\nset ytics %.6g\nset format x ''\nset xlabel ''\n", low - c->chart.centre,
		high - c->chart.centre, figure_step(high - low));
	marks(f, "off the centre (count/(N m))");
	fputs(", \\\n  '' using (column('check')):(stringcolumn('rule met') ne '' ? column('off the centre (count/(N "
	      "m))') "
	      ": NaN) with points lc rgb '#9a4a12' pt 6 ps 2.2 lw 2 notitle\n",
	      f);
}

static void e_n_panel(FILE *f, const struct checks *c)
{
	double most = 1.25;

	for (size_t i = 0; i < c->n; i++)
		most = isfinite(c->check[i].e_n) ? fmax(most, 1.15 * fabs(c->check[i].e_n)) : most;
	fputs("unset label\nunset arrow\nset label 1 'E_n: difference by its expanded uncertainty' "
	      "at graph 0,1 offset 0,0.8 left noenhanced font ',14' textcolor rgb '#222222'\n",
	      f);
	level(f, 0, "lc rgb '#555555' lw 1 dt 1", "");
	level(f, 1, "lc rgb '#777777' lw 1.2 dt (8,4)", "+1");
	level(f, -1, "lc rgb '#787878' lw 1.2 dt (8,4)", "−1");
	calibrations(f, c);
	fprintf(f, "set yrange [%.6g:%.6g]\nset ytics %.6g\nset format x '%%g'\nset xlabel 'check' offset 0,0.4\n",
		-most, most, figure_step(2 * most));
	marks(f, "E_n");
	fputc('\n', f);
}

static void write_script(FILE *f, const struct checks *c)
{
	fprintf(f,
		"# Draws the control chart from checks.csv beside it: gnuplot check-weight.gp\nreset\nset encoding "
		"utf8\nset minussign\nset datafile separator ','\nset datafile columnheaders\nset border 3 lc rgb "
		"'#444444'\nset tics "
		"nomirror out textcolor rgb '#222222'\nunset key\nset lmargin at screen 0.13\nset rmargin at screen "
		"0.86\n"
		"do for [kind = 0:2] {\n"
		"if (kind == 0) { set terminal svg size %d,%d dynamic enhanced font 'sans-serif,16' background "
		"'#ffffff' }\n"
		"if (kind == 1) { set terminal pngcairo size %d,%d enhanced font 'Sans,16' fontscale 1.5 background "
		"'#ffffff' linewidth 2 pointscale 2 }\n"
		"if (kind == 2) { set terminal pdfcairo size %.2fin,%.2fin enhanced font 'Sans,11' background "
		"'#ffffff' }\n"
		"set output 'check-weight' . (kind == 0 ? '.svg' : kind == 1 ? '.png' : '.pdf')\n"
		"unset label\nunset arrow\n"
		"set multiplot\nset label 900 '",
		WIDTH, HEIGHT, 2 * WIDTH, 2 * HEIGHT, WIDTH / 100.0, HEIGHT / 100.0);
	gnuplot_text(f, c->check[0].weights);
	fputs(c->rig[0] ? ", " : "", f);
	gnuplot_text(f, c->rig);
	fprintf(f,
		"%s' at screen 0.012,screen 0.975 left noenhanced font ',13' textcolor rgb '#5a5a5a'\nset xrange "
		"[0.5:%zu.5]\nset xtics %zu\nset tmargin at screen 0.88\nset bmargin at screen 0.54\n",
		c->check[0].on_bench ? " (a virtual bench)" : "", c->n, 1 + c->n / 20);
	sensitivity_panel(f, c);
	fputs("set tmargin at screen 0.43\nset bmargin at screen 0.165\n", f);
	e_n_panel(f, c);
	fputs("unset multiplot\nset output\n}\n", f);
}

/* --- files --- */
static enum rc write_one(const struct checks *c, const char *dir, const char *name,
			 void (*put)(FILE *f, const struct checks *c), struct err *err)
{
	char path[FILES_PATH];
	FILE *f = NULL;
	enum rc rc = files_open(dir, name, path, &f, err);

	if (rc != RC_OK)
		return rc;
	put(f, c);
	return files_close(f, path, err);
}

static enum rc write_page(const struct checks *c, const char *dir, const struct figures *figures, struct err *err)
{
	struct page_file page;
	enum rc rc = page_open(&page, dir, CHECKS_PAGE, err);

	if (rc != RC_OK)
		return rc;
	rc = checks_page(page.f, c, dir, figures, err);
	return page_close(&page, rc, err);
}

/* The page stands without the figure before it is drawn, and with it then. */
static enum rc draw_and_write(const struct checks *c, const char *dir, struct err *err)
{
	const struct figures figures = {
		.n = 1,
		.figure = { {
			.name = "check-weight",
			.title = "The check weight over time",
			.caption = "Each check in the order of time. Dot: the calibration holds; cross: it does not. A "
				   "ring: a run rule is met. Dotted upright: another calibration from here on.",
		} },
	};
	enum rc rc = gnuplot_run(dir, "check-weight.gp", "; page and table stand without the figure", err);

	return rc == RC_OK ? write_page(c, dir, &figures, err) : rc;
}

enum rc checks_write(const struct checks *c, const char *dir, struct err *err)
{
	int taken;
	enum rc rc = files_take_dir(dir, &taken, err);

	if (rc == RC_OK)
		rc = write_one(c, dir, "checks.csv", write_table, err);
	if (rc == RC_OK)
		rc = write_one(c, dir, "check-weight.gp", write_script, err);
	if (rc == RC_OK)
		rc = write_page(c, dir, &(struct figures){ 0 }, err);
	if (rc == RC_OK && c->n > 1)
		rc = draw_and_write(c, dir, err);
	files_give_dir(taken);
	return rc;
}
