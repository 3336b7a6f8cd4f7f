/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One gnuplot script that reads the CSV files beside it and draws every figure twice, as SVG and as PNG, so that a
 * stranger can draw them again. Dash patterns and shapes tell the series apart; colour only helps. */
#include "reports/page/report_write.h"
#include "channel/event.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <spawn.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#define PATH_ROOM 1200
#define KEY "set key below height 0.6 maxrows 2 samplen 2 spacing 1.1 width 1 Left reverse textcolor rgb '#222222'\n"

extern char **environ;

struct script {
	FILE *f;
	const struct report *r;
	struct figures *list;
	double max_Nm, max_rpm, max_W, max_in_W, max_A;
	bool unloading, repeats, electrical, efficiency;
};

static void survey(struct script *s)
{
	const struct curve *c = s->r->curve;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		s->max_Nm = fmax(s->max_Nm, p->torque_Nm.value);
		s->max_rpm = fmax(s->max_rpm, p->speed_rpm.value);
		s->max_W = fmax(s->max_W, p->shaft_power_W.value);
		s->max_in_W = fmax(s->max_in_W, p->input_power_W.value);
		s->max_A = fmax(s->max_A, p->current_A.value);
		s->unloading |= p->direction < 0;
		s->repeats |= (p->flags & POINT_REPEAT) != 0;
		s->electrical |= isfinite(p->input_power_W.value);
		s->efficiency |= p->efficiency_valid;
	}
	for (size_t i = 0; i < s->r->n_claims; i++) {
		const struct claim_check *k = &s->r->claims[i];
		if (strcmp(k->quantity, "torque_Nm") == 0) {
			s->max_Nm = fmax(s->max_Nm, k->claimed);
			s->max_rpm = fmax(s->max_rpm, k->at_rpm);
		} else if (strcmp(k->quantity, "speed_rpm") == 0)
			s->max_rpm = fmax(s->max_rpm, k->claimed);
		else if (strcmp(k->quantity, "shaft_power_W") == 0)
			s->max_W = fmax(s->max_W, k->claimed);
	}
}

static void head(struct script *s)
{
	fputs("# Draws the figures of this report from the CSV files beside it: gnuplot figures.gp\n"
	      "# Filled marks: nothing or the actuator itself limited the point. Open marks: something else did.\n"
	      "reset\n"
	      "set encoding utf8\n"
	      "set datafile separator ','\n"
	      "set datafile columnheaders\n"
	      "set border 3 lc rgb '#444444' lw 1\n"
	      "set tics nomirror out textcolor rgb '#222222'\n"
	      "set xlabel offset 0,0.2\n"
	      "set grid lc rgb '#dddddd' lw 0.7 dt 1\n"
	      "set errorbars small\n"
	      "set style line 1 lc rgb '#111111' lw 1.6 dt 1 pt 7 ps 0.9       # rising\n"
	      "set style line 2 lc rgb '#4f6d8f' lw 1.6 dt (6,4) pt 9 ps 0.8   # falling\n"
	      "set style line 3 lc rgb '#111111' lw 1.2 dt 1 pt 6 ps 1.2       # rising, limited by something else\n"
	      "set style line 4 lc rgb '#4f6d8f' lw 1.2 dt 1 pt 8 ps 1.3       # falling, limited by something else\n"
	      "set style line 5 lc rgb '#777777' lw 1.4 dt 1 pt 2 ps 1.0       # first point again\n"
	      "set style line 6 lc rgb '#9a4a12' lw 1.6 dt (2,3) pt 13 ps 1.1  # data sheet's claim\n"
	      "set style line 7 lc rgb '#777777' lw 1.6 dt (1,3) pt 5 ps 0.8\n"
	      "set style line 9 lc rgb '#444444' lw 1.2 dt 1 pt 4 ps 1.9       # not settled\n"
	      "set style line 8 lc rgb '#9a4a12' lw 1.2 dt 1 pt 3 ps 1.3       # outlier or impossible\n"
	      "own(limit) = limit eq 'none' || limit eq 'actuator' || limit eq 'unknown' ? 1 : 0\n"
	      "pick(kind) = kind == 1 ? (stringcolumn('direction') ne 'down' && stringcolumn('repeat') eq 'no' && "
	      "own(stringcolumn('limit'))) \\\n"
	      "           : kind == 2 ? (stringcolumn('direction') eq 'down' && own(stringcolumn('limit'))) \\\n"
	      "           : kind == 3 ? (stringcolumn('direction') ne 'down' && stringcolumn('repeat') eq 'no' && "
	      "!own(stringcolumn('limit'))) \\\n"
	      "           : kind == 4 ? (stringcolumn('direction') eq 'down' && !own(stringcolumn('limit'))) \\\n"
	      "           : kind == 5 ? (stringcolumn('repeat') eq 'yes') \\\n"
	      "           : kind == 7 ? (stringcolumn('settled') eq 'no') \\\n"
	      "           : (stringcolumn('outlier') eq 'yes' || stringcolumn('impossible') eq 'yes')\n"
	      "way(kind) = kind == 1 ? (stringcolumn('direction') ne 'down' && stringcolumn('repeat') eq 'no') "
	      ": stringcolumn('direction') eq 'down'\n"
	      "svg = \"set terminal svg size %d,%d dynamic enhanced font 'sans-serif,16' background '#ffffff'\"\n"
	      "png = \"set terminal pngcairo size %d,%d enhanced font 'Sans,16' fontscale 1.5 background '#ffffff' "
	      "linewidth 2 pointscale 2\"\n"
	      "open_figure(kind, w, h) = kind == 0 ? sprintf(svg, w, h) : sprintf(png, 2 * w, 2 * h)\n"
	      "file_figure(kind, name) = name . (kind == 0 ? '.svg' : '.png')\n\n",
	      s->f);
}

static struct figure *begin(struct script *s, const char *name, const char *title, int width, int height)
{
	struct figure *figure = &s->list->figure[s->list->n++];

	*figure = (struct figure){ 0 };
	snprintf(figure->name, sizeof figure->name, "%s", name);
	snprintf(figure->title, sizeof figure->title, "%s", title);
	fprintf(s->f,
		"# --- %s\ndo for [kind = 0:1] {\nunset label\nunset arrow\n" KEY
		"eval(open_figure(kind, %d, %d))\nset output file_figure(kind, '%s')\n",
		title, width, height, name);
	return figure;
}

static void end(struct script *s)
{
	fputs("unset output\n}\n\n", s->f);
}

static void caption(struct figure *figure, const char *format, ...) PRINTF_LIKE(2, 3);
static void caption(struct figure *figure, const char *format, ...)
{
	size_t used = strlen(figure->caption);
	va_list args;

	va_start(args, format);
	vsnprintf(figure->caption + used, sizeof figure->caption - used, format, args);
	va_end(args);
}

/* A word at a place, kept inside the frame: left of it when it stands far right. What was seen stands above its
 * mark, what was claimed below (the speed without load apart), so that the two do not meet. */
static void word_at(struct script *s, const char *word, double x, double y, double x_max, bool above,
		    const char *colour)
{
	bool right = x > 0.6 * x_max;

	fprintf(s->f, "set label \"%s\" at %.8g,%.8g %s offset char %s,%s textcolor rgb '%s' font ',13'\n", word, x, y,
		right ? "right" : "left", right ? "-0.4" : "0.4", above ? "0.9" : "-1.0", colour);
}

enum y_of { Y_SPEED, Y_EFFICIENCY, Y_POWER, Y_AMP };

static double y_value(const struct curve_point *p, enum y_of what)
{
	switch (what) {
	case Y_SPEED: return p->speed_rpm.value;
	case Y_EFFICIENCY: return p->efficiency_valid ? 100 * p->efficiency.value : NAN;
	case Y_POWER: return p->shaft_power_W.value;
	case Y_AMP: return p->current_A.value;
	}
	return NAN;
}

/* The word of a limit stands once beside each stretch of points that it holds for. */
static void limit_words(struct script *s, enum y_of what, double x_max)
{
	const struct curve *c = s->r->curve;
	enum limit last = LIMIT_NONE;

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		bool other = limit_is_other(p->limit);
		if (p->direction >= 0 && other && p->limit != last && isfinite(y_value(p, what)))
			word_at(s, limit_word(p->limit), p->torque_Nm.value, y_value(p, what), x_max, true, "#111111");
		if (p->direction >= 0)
			last = p->limit;
		if (p->outlier || p->impossible)
			word_at(s, p->impossible ? "impossible" : "outlier", p->torque_Nm.value, y_value(p, what),
				x_max, true, "#9a4a12");
	}
}

/* All series of a quantity against torque, with expanded uncertainties on both axes. */
static void series(struct script *s, const char *column, double scale, const char *what)
{
	FILE *f = s->f;
	char x[64] = "column('torque (N m)')", dx[64] = "column('U torque (N m)')";
	static const char *const names[] = { "",
					     "rising",
					     "falling",
					     "limited otherwise",
					     "limited otherwise",
					     "first point again",
					     "outlier or impossible",
					     "not settled" };
	static const int style[] = { 0, 1, 2, 3, 4, 5, 8, 9 };
	bool open_up = false, open_down = false, odd = false, unsettled = false;

	for (size_t i = 0; i < s->r->curve->n; i++) {
		const struct curve_point *p = &s->r->curve->points[i];
		bool other = limit_is_other(p->limit);
		open_up |= other && p->direction >= 0;
		open_down |= other && p->direction < 0;
		odd |= p->outlier || p->impossible;
		unsettled |= !p->settled;
	}
	const bool shown[] = { false, true, s->unloading, open_up, open_down, s->repeats, odd, unsettled };
	for (int way = s->unloading ? 2 : 1; way >= 1; way--)
		fprintf(f,
			"  'points.csv' using (way(%d) ? %s : NaN):(%g*column('%s')) with lines ls %d lw 0.9 notitle, "
			"\\\n",
			way, x, scale, column, way);
	for (int kind = 1; kind <= 7; kind++)
		if (shown[kind] && !(kind == 4 && open_up)) /* the open shapes already tell the ways apart */
			fprintf(f, "  keyentry with points ls %d title '%s%s%s', \\\n", style[kind],
				kind == 1 ? what : "", kind == 1 && what[0] ? ", " : "", names[kind]);
	/* Loading is drawn over unloading, the odd ones over all. */
	static const int order[] = { 2, 4, 5, 1, 3, 6, 7 };
	for (size_t i = 0; i < sizeof order / sizeof order[0]; i++) {
		int kind = order[i];
		if (!shown[kind])
			continue;
		fprintf(f,
			"  'points.csv' using (pick(%d) ? %s : NaN):(%g*column('%s')):(%s):(%g*column('U %s')) with "
			"xyerrorbars "
			"ls %d dt 1 notitle, \\\n",
			kind, x, scale, column, dx, scale, column, style[kind]);
	}
}

static void claim_point(struct script *s, double x, double y, double x_max, bool above, const char *word)
{
	fprintf(s->f, "set label '' at %.8g,%.8g point ls 6\n", x, y);
	word_at(s, word, x, y, x_max, above, "#9a4a12");
}

static const struct claim_check *claim_of(const struct script *s, const char *key)
{
	for (size_t i = 0; i < s->r->n_claims; i++)
		if (strcmp(s->r->claims[i].key, key) == 0)
			return &s->r->claims[i];
	return NULL;
}

static void claim_line(struct script *s, bool upright, double at, double x_max, double y_max, const char *word)
{
	if (upright) {
		fprintf(s->f, "set arrow from %.8g,0 to %.8g,%.8g nohead ls 6\n", at, at, y_max);
		fprintf(s->f,
			"set label \"%s\" at %.8g,%.8g rotate by 90 right offset char -1.1,-0.5 textcolor rgb "
			"'#9a4a12' font ',13'\n",
			word, at, y_max);
	} else {
		fprintf(s->f, "set arrow from 0,%.8g to %.8g,%.8g nohead ls 6\n", at, x_max, at);
		/* The curves begin low at the left: there is room above the line. */
		fprintf(s->f,
			"set label \"%s\" at graph 0.02,first %.8g left offset char 0,0.6 textcolor rgb '#9a4a12' font "
			"',13'\n",
			word, at);
	}
}

static void torque_speed(struct script *s)
{
	double x_max = 1.1 * s->max_Nm, y_max = 1.2 * s->max_rpm;
	struct figure *figure = begin(s, "torque-speed", "Speed against torque", 620, 430);
	const struct claim_check *rated = claim_of(s, "rated_torque"), *peak = claim_of(s, "peak_torque"),
				 *free = claim_of(s, "no_load_speed");
	bool claims = rated || peak || free;

	limit_words(s, Y_SPEED, x_max);
	if (rated && isfinite(rated->at_rpm))
		claim_point(s, rated->claimed, rated->at_rpm, x_max, false, "claimed: rated");
	else if (rated)
		claim_line(s, true, rated->claimed, x_max, y_max, "claimed: rated torque");
	if (peak)
		claim_line(s, true, peak->claimed, x_max, y_max, "claimed: peak torque");
	if (free)
		claim_point(s, 0, free->claimed, x_max, true, "claimed: no load"); /* no measured curve lies above it */
	fprintf(s->f,
		"set xlabel 'torque / N·m'\nset ylabel 'speed / rpm'\nset xrange [0:%.6g]\nset yrange [0:%.6g]\nplot "
		"\\\n",
		x_max, y_max);
	series(s, "speed (rpm)", 1, "");
	fputs(claims ? "  1/0 with points ls 6 title 'data sheet'\n" : "  1/0 notitle\n", s->f);
	end(s);
	caption(figure, "Bars: expanded uncertainty (%.3g %%); where none is seen it is smaller than the mark. ",
		100 * s->r->curve->coverage);
	caption(figure, "Open marks: something other than the actuator limited the point.");
}

static void efficiency(struct script *s)
{
	double x_max = 1.1 * s->max_Nm;
	struct figure *figure = begin(s, "efficiency", "Efficiency against torque", 620, 430);
	const struct claim_check *peak = claim_of(s, "peak_efficiency");

	limit_words(s, Y_EFFICIENCY, x_max);
	if (peak)
		claim_line(s, false, 100 * peak->claimed, x_max, 100, "claimed: peak efficiency");
	fprintf(s->f,
		"set xlabel 'torque / N·m'\nset ylabel 'efficiency / %%'\nset xrange [0:%.6g]\nset yrange "
		"[0:100]\nplot \\\n",
		x_max);
	series(s, "efficiency (1)", 100, "");
	fputs("  1/0 notitle\n", s->f);
	end(s);
	caption(figure,
		"Shaft power by electrical input power%s. Points near zero power have no efficiency and are left out.",
		s->r->by_hand ? "" : " at the actuator's terminals");
}

static void power(struct script *s)
{
	double x_max = 1.1 * s->max_Nm, y_max = 1.15 * fmax(s->max_W, s->max_in_W);
	struct figure *figure = begin(s, "power", "Power against torque", 620, 430);
	const struct claim_check *rated = claim_of(s, "rated_power");

	limit_words(s, Y_POWER, x_max);
	if (rated)
		claim_line(s, false, rated->claimed, x_max, y_max, "claimed: rated power");
	fprintf(s->f,
		"set xlabel 'torque / N·m'\nset ylabel 'power / W'\nset xrange [0:%.6g]\nset yrange [0:%.6g]\nplot "
		"\\\n",
		x_max, y_max);
	if (s->electrical)
		fputs("  'points.csv' using (way(1) ? column('torque (N m)') : NaN):(column('input power (W)')):"
		      "(column('U input power (W)')) with yerrorlines ls 7 title 'electrical input', \\\n",
		      s->f);
	series(s, "shaft power (W)", 1, s->electrical ? "shaft" : "");
	fputs("  1/0 notitle\n", s->f);
	end(s);
	caption(figure, "Power at the output shaft%s.", s->electrical ? " and the electrical power that it took" : "");
}

static void current(struct script *s)
{
	double x_max = 1.1 * s->max_Nm, limit = s->r->by_hand ? NAN : s->r->rig.supply_limit_A;
	bool show_limit = limit < 1.6 * s->max_A;
	double y_max = 1.15 * fmax(s->max_A, show_limit ? limit : 0);
	struct figure *figure = begin(s, "current", "Current against torque", 620, 430);

	limit_words(s, Y_AMP, x_max);
	if (show_limit) {
		fprintf(s->f, "set arrow from 0,%.8g to %.8g,%.8g nohead ls 7\n", limit, x_max, limit);
		fprintf(s->f,
			"set label 'supply: current limit' at graph 0.02,first %.8g left offset char 0,0.6 textcolor "
			"rgb '#555555' font ',13'\n",
			limit);
	}
	fprintf(s->f,
		"set xlabel 'torque / N·m'\nset ylabel 'current / A'\nset xrange [0:%.6g]\nset yrange [0:%.6g]\nplot "
		"\\\n",
		x_max, y_max);
	series(s, "current (A)", 1, "");
	fputs("  1/0 notitle\n", s->f);
	end(s);
	caption(figure, "Direct current at the meter's plane, averaged over each window.");
	if (!s->r->by_hand && !show_limit)
		caption(figure, " The supply's limit of %.3g A lies far above.", limit);
}

static void calibration(struct script *s)
{
	struct figure *figure = begin(s, "calibration", "Residuals of the cell's calibration", 620, 400);
	double most = 0, max_Nm = 0;

	for (size_t i = 0; i < s->r->n_cal_points; i++) {
		most = fmax(most, fabs(s->r->cal_points[i].residual_Nm));
		max_Nm = fmax(max_Nm, s->r->cal_points[i].torque_Nm);
	}
	fprintf(s->f,
		"set xlabel 'torque by dead weights / N·m'\nset ylabel 'reading less fit / N·m'\nset xrange "
		"[%.6g:%.6g]\n"
		"set yrange [%.6g:%.6g]\nset arrow from %.6g,0 to %.6g,0 nohead lc rgb '#888888' lw 1\nplot \\\n",
		-0.03 * max_Nm, 1.05 * max_Nm, -1.3 * most, 1.3 * most, -0.03 * max_Nm, 1.05 * max_Nm);
	fputs("  'calibration.csv' using (stringcolumn('direction') eq 'up' ? column('torque (N m)') : "
	      "NaN):(column('residual (N m)')) "
	      "with points ls 1 title 'rising', \\\n"
	      "  'calibration.csv' using (stringcolumn('direction') eq 'down' ? column('torque (N m)') : "
	      "NaN):(column('residual (N m)')) "
	      "with points ls 4 title 'falling'\n",
	      s->f);
	end(s);
	caption(figure, "Each mark is one dead-weight reading, tare-corrected, less the fitted curve.");
}

static void brake_map(struct script *s)
{
	struct figure *figure = begin(s, "brake-map", "The brake: torque against coil current", 620, 400);

	fputs("set xlabel 'coil current / A'\nset ylabel 'torque / N·m'\nset xrange [0:*]\nset yrange [0:*]\nplot \\\n"
	      "  'brake-map.csv' using (stringcolumn('branch') eq 'rising' ? column('current (A)') : "
	      "NaN):(column('torque (N m)')):"
	      "(2*column('u torque (N m)')) with yerrorlines ls 1 title 'current rising', \\\n"
	      "  'brake-map.csv' using (stringcolumn('branch') eq 'falling' ? column('current (A)') : "
	      "NaN):(column('torque (N m)')):"
	      "(2*column('u torque (N m)')) with yerrorlines ls 2 title 'current falling'\n",
	      s->f);
	end(s);
	caption(figure, "The falling branch lies above the rising one: remanence. Bars: two standard uncertainties.");
}

static bool has_channel(const struct trace *t, enum trace_channel c)
{
	for (size_t i = 0; i < t->n; i++)
		if (t->bin[i][c].n > 0)
			return true;
	return false;
}

/* About four steps of 1, 2 or 5 times a power of ten. */
static double nice_step(double range)
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
		fprintf(s->f, "set ytics %.6g\n", nice_step(high - low));
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
	struct figure *figure = begin(s, "time", "The run over time", 620, panels * 160 + 50);

	fprintf(s->f,
		"set multiplot layout %d,1 margins 0.09,0.97,%s,0.965 spacing 0.06\nset ylabel ''\nset xrange "
		"[0:%.6g]\nset yrange [*:*]\nunset key\n"
		"set format x ''\nset tics font ',12'\n",
		panels, any ? "0.15" : "0.11", (double)t->n * t->width_s / 60);
	panel(s, TRACE_TORQUE, "torque / N·m", "torque (N m)", false);
	panel(s, TRACE_SPEED, "speed / rpm", "speed (rpm)", false);
	if (!any)
		fputs("set format x '%g'\n", s->f);
	panel(s, TRACE_AMP, "current / A", "current (A)", !any);
	if (any) {
		fputs("set format x '%g'\nset ytics autofreq\nset key at screen 0.97,0.01 bottom right horizontal "
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
	end(s);
	caption(figure,
		"Torque, speed, current and temperatures from above, as indicated with the calibration in force. Grey: "
		"from the lowest to the highest sample in each %.2g s.",
		t->width_s);
	if (s->r->run.resumes_run_id)
		caption(figure, " Run %lld alone, without the run that it continues.", (long long)s->r->run.id);
}

static void write_script(struct script *s)
{
	survey(s);
	head(s);
	torque_speed(s);
	if (s->efficiency)
		efficiency(s);
	power(s);
	if (s->max_A > 0)
		current(s);
	if (s->r->n_cal_points > 2)
		calibration(s);
	if (s->r->has_map)
		brake_map(s);
	if (s->r->trace.n > 1)
		time_trace(s);
}

static enum rc run_gnuplot(const char *dir, struct err *err)
{
	char *argv[] = { (char *)"gnuplot", (char *)"figures.gp", NULL };
	posix_spawn_file_actions_t actions;
	char log[PATH_ROOM];
	pid_t pid;
	int status;

	snprintf(log, sizeof log, "%s/gnuplot.log", dir);
	posix_spawn_file_actions_init(&actions);
	posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
	posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
	posix_spawn_file_actions_addopen(&actions, STDERR_FILENO, log, O_WRONLY | O_CREAT | O_TRUNC, 0666);
	posix_spawn_file_actions_addchdir_np(&actions, dir);
	int failed = posix_spawnp(&pid, "gnuplot", &actions, NULL, argv, environ);
	posix_spawn_file_actions_destroy(&actions);
	if (failed)
		return err_set(err, RC_IO, failed,
			       "gnuplot cannot be started (%s): install gnuplot-nox, or give --no-figures",
			       strerror(failed));
	if (waitpid(pid, &status, 0) < 0 || !WIFEXITED(status) || WEXITSTATUS(status) != 0)
		return err_set(err, RC_IO, 0, "gnuplot failed on %s/figures.gp: see %s", dir, log);
	unlink(log);
	return RC_OK;
}

enum rc figures_write(const struct report *report, const char *dir, bool draw, struct figures *ret, struct err *err)
{
	char path[PATH_ROOM];
	struct script s = { .r = report, .list = ret };
	int n = snprintf(path, sizeof path, "%s/figures.gp", dir);

	*ret = (struct figures){ 0 };
	if (n < 0 || (size_t)n + 16 >= sizeof path)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
	s.f = fopen(path, "w");
	if (s.f == NULL)
		return err_set(err, RC_IO, errno, "%s cannot be written: %s", path, strerror(errno));
	write_script(&s);
	int failed = ferror(s.f);
	if (fclose(s.f) != 0 || failed)
		return err_set(err, RC_IO, errno, "%s could not be written whole: %s", path, strerror(errno));
	return draw ? run_gnuplot(dir, err) : RC_OK;
}
