/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One gnuplot script that reads the CSV files beside it and draws every figure as SVG, PNG and PDF, so that a
 * stranger can draw them again. Dash patterns and shapes tell the series apart; colour only helps. */
#include "reports/page/figures_private.h"
#include "reports/page/gnuplot.h"
#include "reports/page/procedure_files.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define PATH_ROOM 1200
#define TIME_WIDTH 620
#define WHOSE_CHAR 7.4 /* width of a letter of the lines that say whose a figure is */
#define WHOSE_PITCH 16 /* px from one such line to the next */
#define WHOSE_LINES 4
#define KEY "set key below height 0.6 maxrows 1 samplen 2 spacing 1.1 width 1 Left reverse textcolor rgb '#222222'\n"

static void head(struct script *s)
{
	fputs("# Draws the figures of this report from the CSV files beside it: gnuplot figures.gp\n"
	      "reset\n"
	      "set encoding utf8\n"
	      "set minussign\n"
	      "set datafile separator ','\n"
	      "set datafile columnheaders\n"
	      "set border 3 lc rgb '#444444' lw 1\n"
	      "set tics nomirror out textcolor rgb '#222222'\n"
	      "set xlabel offset 0,0.2\n"
	      "set grid lc rgb '#dddddd' lw 0.7 dt 1\n"
	      "set errorbars small\n"
	      "set style line 1 lc rgb '#111111' lw 1.6 dt 1 pt 7 ps 0.7       # rising\n"
	      "set style line 2 lc rgb '#4f6d8f' lw 1.4 dt (6,4) pt 8 ps 1.05  # falling\n"
	      "set style line 3 lc rgb '#111111' lw 1.2 dt 1 pt 12 ps 1.9      # limited by something else\n"
	      "set style line 4 lc rgb '#4f6d8f' lw 1.2 dt 1 pt 8 ps 0.95      # falling weights\n"
	      "set style line 5 lc rgb '#777777' lw 1.4 dt 1 pt 2 ps 1.0       # first point again\n"
	      "set style line 6 lc rgb '#9a4a12' lw 1.6 dt (2,3) pt 13 ps 1.1  # data sheet's claim\n"
	      "set style line 7 lc rgb '#777777' lw 1.6 dt (1,3) pt 5 ps 0.8   # electrical input\n"
	      "set style line 8 lc rgb '#9a4a12' lw 1.2 dt 1 pt 3 ps 1.3       # outlier or impossible\n"
	      "set style line 9 lc rgb '#444444' lw 1.2 dt 1 pt 4 ps 1.6       # not settled\n"
	      "set style line 10 lc rgb '#111111' lw 1.2 dt 1 pt 9 ps 0.9      # difference of speed\n"
	      "set style line 11 lc rgb '#4f6d8f' lw 1.2 dt (6,4) pt 6 ps 0.9  # difference of efficiency\n"
	      "set style line 12 lc rgb '#111111' lw 1.6 dt 1 pt 6 ps 2.4     # where a search found the limit\n"
	      "own(limit) = limit eq 'none' || limit eq 'actuator' || limit eq 'unknown' ? 1 : 0\n"
	      "way(x) = stringcolumn('speed set (rpm)')[1:1] eq '-' ? -1 : 1\n"
	      "along(name) = way(0) * column(name)\n"
	      "at(rpm) = abs(column('speed set (rpm)') - rpm) < 1e-6\n"
	      "pick(kind) = kind == 1 ? (stringcolumn('direction') ne 'down' && stringcolumn('repeat') eq 'no') \\\n"
	      "           : kind == 2 ? (stringcolumn('direction') eq 'down') \\\n"
	      "           : kind == 3 ? (stringcolumn('repeat') eq 'yes') \\\n"
	      "           : kind == 4 ? !own(stringcolumn('limit')) \\\n"
	      "           : kind == 5 ? (stringcolumn('settled') eq 'no') \\\n"
	      "           : kind == 7 ? (stringcolumn('at limit') eq 'yes') \\\n"
	      "           : (stringcolumn('outlier') eq 'yes' || stringcolumn('impossible') eq 'yes')\n"
	      "svg = \"set terminal svg size %d,%d dynamic enhanced font 'sans-serif,16' background '#ffffff'\"\n"
	      "png = \"set terminal pngcairo size %d,%d enhanced font 'Sans,16' fontscale 1.5 background '#ffffff' "
	      "linewidth 2 pointscale 2.4\"\n"
	      "pdf = \"set terminal pdfcairo size %.3fin,%.3fin enhanced font 'Sans,11' background '#ffffff' linewidth "
	      "1\"\n"
	      "open_figure(kind, w, h) = kind == 0 ? sprintf(svg, w, h) : kind == 1 ? sprintf(png, 2 * w, 2 * h) : "
	      "sprintf(pdf, w / 100.0, h / 100.0)\n"
	      "file_figure(kind, name) = name . (kind == 0 ? '.svg' : kind == 1 ? '.png' : '.pdf')\n\n",
	      s->f);
}

/* Whose it is, in lines that fit. */
static size_t whose_lines(const struct report *r, int width, char (*ret)[GNUPLOT_LINE])
{
	size_t letters = (size_t)(width / WHOSE_CHAR);
	char both[GNUPLOT_LINE * 2];

	snprintf(both, sizeof both, "%s, %s", r->subject, r->source);
	if (gnuplot_lines(both, letters, ret, WHOSE_LINES) == 1)
		return 1;
	snprintf(ret[0], GNUPLOT_LINE, "%s", r->subject);
	return 1 + gnuplot_lines(r->source, letters, ret + 1, WHOSE_LINES - 1);
}

int figure_whose_more(const struct script *s, int width)
{
	char line[WHOSE_LINES][GNUPLOT_LINE];
	size_t n = whose_lines(s->r, width, line);

	return n > 2 ? (int)(n - 2) * WHOSE_PITCH : 0;
}

void figure_whose(struct script *s, int width, int height)
{
	char line[WHOSE_LINES][GNUPLOT_LINE];
	size_t n = whose_lines(s->r, width, line);

	for (size_t i = 0; i < n; i++) {
		fprintf(s->f, "set label %zu '", 900 + i);
		gnuplot_text(s->f, line[i]);
		fprintf(s->f, "' at screen 0.012,screen %.6f left noenhanced font ',13.6' textcolor rgb '#5a5a5a'\n",
			1 - (10.0 + WHOSE_PITCH * (double)i) / height);
	}
}

struct figure *figure_begin(struct script *s, const char *name, const char *title, int width, int height)
{
	struct figure *figure = &s->list->figure[s->list->n++];

	*figure = (struct figure){ 0 };
	snprintf(figure->name, sizeof figure->name, "%s", name);
	snprintf(figure->title, sizeof figure->title, "%s", title);
	fprintf(s->f,
		"# --- %s\ndo for [kind = 0:2] {\nunset label\nunset arrow\n" KEY
		"eval(open_figure(kind, %d, %d))\nset output file_figure(kind, '%s')\n",
		title, width, height, name);
	figure_whose(s, width, height);
	fprintf(s->f, "set tmargin at screen %.6f\n", 1 - (50.0 + figure_whose_more(s, width)) / height);
	return figure;
}

void figure_end(struct script *s)
{
	fputs("unset output\n}\n\n", s->f);
}

void figure_caption(struct figure *figure, const char *format, ...)
{
	size_t used = strlen(figure->caption);
	va_list args;

	va_start(args, format);
	vsnprintf(figure->caption + used, sizeof figure->caption - used, format, args);
	va_end(args);
}

static void write_band(struct script *s)
{
	fputs("$band << EOD\ntorque,U\n", s->f);
	for (size_t i = 0; i < s->r->cal_band.n; i++)
		fprintf(s->f, "%.9g,%.6g\n", s->r->cal_band.torque_Nm[i], s->r->cal_band.U_Nm[i]);
	fputs("EOD\n", s->f);
}

static void calibration(struct script *s)
{
	bool band = s->r->cal_band.n > 1;

	if (band)
		write_band(s);
	struct figure *figure = figure_begin(s, "calibration", "Residuals of the cell's calibration", 620, 400);
	double most = 0, max_Nm = 0;

	for (size_t i = 0; i < s->r->n_cal_points; i++) {
		most = fmax(most, fabs(s->r->cal_points[i].residual_Nm));
		max_Nm = fmax(max_Nm, s->r->cal_points[i].torque_Nm);
	}
	for (size_t i = 0; i < s->r->cal_band.n; i++)
		most = fmax(most, s->r->cal_band.U_Nm[i]);
	fprintf(s->f,
		"set xlabel 'torque by dead weights / N·m'\nset ylabel 'reading less fit / N·m'\nset xrange "
		"[%.6g:%.6g]\n"
		"set yrange [%.6g:%.6g]\nset arrow from %.6g,0 to %.6g,0 nohead lc rgb '#888888' lw 1\nplot \\\n",
		-0.03 * max_Nm, 1.05 * max_Nm, -1.3 * most, 1.3 * most, -0.03 * max_Nm, 1.05 * max_Nm);
	if (band)
		fputs("  $band using 1:2 with lines ls 7 title 'expanded uncertainty', $band using 1:(-column(2)) with "
		      "lines ls 7 "
		      "notitle, \\\n",
		      s->f);
	fputs("  'calibration.csv' using (stringcolumn('direction') eq 'up' ? column('torque (N m)') : "
	      "NaN):(column('residual (N m)')) "
	      "with points ls 1 title 'rising', \\\n"
	      "  'calibration.csv' using (stringcolumn('direction') eq 'down' ? column('torque (N m)') : "
	      "NaN):(column('residual (N m)')) "
	      "with points ls 4 title 'falling'\n",
	      s->f);
	figure_end(s);
	figure_caption(figure, "Each mark is one dead-weight reading, tare-corrected, less the fitted curve.%s",
		       band ? " Dotted: the expanded uncertainty of a load's mean, by the evaluation of the guides."
			    : "");
}

static void brake_map(struct script *s)
{
	struct figure *figure = figure_begin(s, "brake-map", "The brake: torque against coil current", 620, 400);

	fputs("set xlabel 'coil current / A'\nset ylabel 'torque / N·m'\nset xrange [0:*]\nset yrange [0:*]\nplot \\\n"
	      "  'brake-map.csv' using (stringcolumn('branch') eq 'rising' ? column('current (A)') : "
	      "NaN):(column('torque (N m)')):"
	      "(2*column('u torque (N m)')) with yerrorlines ls 1 title 'current rising', \\\n"
	      "  'brake-map.csv' using (stringcolumn('branch') eq 'falling' ? column('current (A)') : "
	      "NaN):(column('torque (N m)')):"
	      "(2*column('u torque (N m)')) with yerrorlines ls 2 title 'current falling'\n",
	      s->f);
	figure_end(s);
	figure_caption(figure,
		       "The falling branch lies above the rising one: remanence. Bars: two standard uncertainties.");
}

static bool has_channel(const struct trace *t, enum trace_channel c)
{
	for (size_t i = 0; i < t->n; i++)
		if (t->bin[i][c].n > 0)
			return true;
	return false;
}

double figure_step(double range)
{
	double rough = range / 4, unit = pow(10, floor(log10(rough)));

	return rough < 1.5 * unit ? unit : rough < 3.5 * unit ? 2 * unit : rough < 7.5 * unit ? 5 * unit : 10 * unit;
}

static void panel(struct script *s, enum trace_channel channel, const char *ylabel, const char *column, bool last)
{
	double low = INFINITY, high = -INFINITY;

	for (size_t i = 0; i < s->r->trace.n; i++) {
		const struct trace_value *v = &s->r->trace.bin[i][channel];
		low = v->n ? fmin(low, v->low) : low;
		high = v->n ? fmax(high, v->high) : high;
	}
	if (high > low)
		fprintf(s->f, "set ytics %.6g\n", figure_step(high - low));
	else
		fputs("set ytics autofreq\n", s->f);
	fprintf(s->f,
		"set label 1 '%s' at graph 0,1.1 left font ',13' textcolor rgb '#222222'\n%s\n"
		"plot 'trace.csv' using (column('time (s)')/60):(column('lowest %s')):(column('highest %s')) with "
		"filledcurves lc rgb '#c9c9c9' "
		"notitle, \\\n  '' using (column('time (s)')/60):(column('%s')) with lines lc rgb '#111111' lw 1 dt 1 "
		"notitle\n",
		ylabel, last ? "set xlabel 'time / min'" : "set xlabel ''", column, column, column);
}

/* Of the ticks of all temperatures together. */
static double temperature_step(const struct trace *t)
{
	static const enum trace_channel all[] = { TRACE_WINDING, TRACE_CASE, TRACE_BRAKE, TRACE_AMBIENT };
	double low = INFINITY, high = -INFINITY;

	for (size_t i = 0; i < t->n; i++)
		for (size_t k = 0; k < sizeof all / sizeof all[0]; k++) {
			const struct trace_value *v = &t->bin[i][all[k]];
			low = v->n ? fmin(low, v->low) : low;
			high = v->n ? fmax(high, v->high) : high;
		}
	return high > low ? figure_step(high - low) : 1;
}

static void time_trace(struct script *s)
{
	static const struct {
		enum trace_channel channel;
		const char *column, *name, *style;
	} temps[] = {
		{ TRACE_WINDING, "winding (degC)", "winding", "lc rgb '#111111' lw 1.4 dt 1" },
		{ TRACE_CASE, "case (degC)", "case", "lc rgb '#4f6d8f' lw 1.4 dt (6,4)" },
		{ TRACE_BRAKE, "brake (degC)", "brake", "lc rgb '#9a4a12' lw 1.6 dt (2,3)" },
		{ TRACE_AMBIENT, "ambient (degC)", "ambient", "lc rgb '#777777' lw 1.4 dt (8,3,2,3)" },
	};
	const struct trace *t = &s->r->trace;
	bool any = false;

	for (size_t i = 0; i < sizeof temps / sizeof temps[0]; i++)
		any |= has_channel(t, temps[i].channel);
	int panels = any ? 4 : 3;
	const int more = figure_whose_more(s, TIME_WIDTH), height = panels * 160 + 70 + more;
	struct figure *figure = figure_begin(s, "time", "The run over time", TIME_WIDTH, height);

	fprintf(s->f,
		"set multiplot layout %d,1 margins 0.09,0.97,%s,%.6f spacing 0.06\nset ylabel ''\nset xrange "
		"[0:%.6g]\nset yrange [*:*]\nunset key\n"
		"set format x ''\nset tics font ',12'\n",
		panels, any ? "0.15" : "0.11", 1 - (62.0 + more) / height, (double)t->n * t->width_s / 60);
	panel(s, TRACE_TORQUE, "torque / N·m", "torque (N m)", false);
	for (int i = 0; i < WHOSE_LINES; i++)
		fprintf(s->f, "unset label %d\n", 900 + i);
	panel(s, TRACE_SPEED, "speed / rpm", "speed (rpm)", false);
	if (!any)
		fputs("set format x '%g'\n", s->f);
	panel(s, TRACE_AMP, "current / A", "current (A)", !any);
	if (any) {
		fprintf(s->f, "set ytics %.6g\n", temperature_step(t));
		fputs("set format x '%g'\nset key at screen 0.97,0.01 bottom right horizontal "
		      "maxrows 1 width -1 font ',12'\nset label 1 'temperature / °C' at graph 0,1.1 left font ',13' "
		      "textcolor rgb '#222222'\nset xlabel 'time / min' offset 0,0.4\nplot \\\n",
		      s->f);
		for (size_t i = 0; i < sizeof temps / sizeof temps[0]; i++)
			if (has_channel(t, temps[i].channel))
				fprintf(s->f,
					"  'trace.csv' using (column('time (s)')/60):(column('%s')) with lines %s "
					"title '%s', \\\n",
					temps[i].column, temps[i].style, temps[i].name);
		fputs("  1/0 notitle\n", s->f);
	}
	fputs("unset multiplot\nset format x '%g'\nset tics font ''\n", s->f);
	figure_end(s);
	figure_caption(
		figure,
		"Torque, speed, current and temperatures from above, as indicated with the calibration in force. Grey: "
		"from the lowest to the highest sample in each %.2g s.",
		t->width_s);
	if (s->r->run.resumes_run_id)
		figure_caption(figure, " Run %lld alone, without the run that it continues.", (long long)s->r->run.id);
}

static void write_script(struct script *s)
{
	head(s);
	if (s->r->curve) {
		sheet_draw(s);
		efficiency_map_draw(s);
	}
	if (s->r->n_cal_points > 2)
		calibration(s);
	if (s->r->has_map)
		brake_map(s);
	if (s->r->trace.n > 1)
		time_trace(s);
}

enum rc figures_write(const struct report *report, const char *dir, bool draw, struct figures *ret, struct err *err)
{
	char path[PATH_ROOM];
	struct script s = { .r = report, .list = ret };
	int n = snprintf(path, sizeof path, "%s/figures.gp", dir);

	if (report->procedure.kind)
		return procedure_figure(report, dir, draw, ret, err);
	*ret = (struct figures){ 0 };
	if (n < 0 || (size_t)n + 16 >= sizeof path)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
	s.f = files_create(path);
	if (s.f == NULL)
		return err_set(err, RC_IO, errno, "%s cannot be written: %s", path, files_why(errno));
	write_script(&s);
	int failed = ferror(s.f);
	if (fclose(s.f) != 0 || failed)
		return err_set(err, RC_IO, errno, "%s could not be written whole: %s", path, strerror(errno));
	if (!draw)
		return RC_OK;
	for (size_t i = 0; i < ret->n; i++)
		gnuplot_remove(dir, ret->figure[i].name);
	return gnuplot_run(dir, "figures.gp", GNUPLOT_NEEDED, err);
}
