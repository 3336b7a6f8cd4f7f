/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/carry_figure.h"

#include "reports/page/gnuplot.h"
#include "reports/page/report_write.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>

#define PATH_ROOM 600
#define COLUMNS 4
#define STYLE \
	"set terminal svg size 560,400 font ',13' noenhanced\nset datafile separator ','\nset grid\n" \
	"set key outside bottom center horizontal\n"

struct table {
	const char *heading;
	size_t n;
	const double *column[COLUMNS]; /* NULL: not there */
};

static FILE *opened(const char *dir, const char *name, const char *end, struct err *err)
{
	char path[PATH_ROOM];

	if (snprintf(path, sizeof path, "%s/%s.%s", dir, name, end) >= (int)sizeof path) {
		(void)!err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
		return NULL;
	}
	FILE *f = files_create(path);
	if (!f)
		(void)!err_set(err, RC_IO, errno, "%s: cannot be written: %s", path, files_why(errno));
	return f;
}

static enum rc closed(FILE *f, const char *dir, struct err *err)
{
	return fclose(f) ? err_set(err, RC_IO, errno, "%s: cannot be written", dir) : RC_OK;
}

static void write_row(FILE *f, const struct table *t, size_t row)
{
	const char *between = "";

	for (size_t c = 0; c < COLUMNS; c++) {
		if (!t->column[c])
			continue;
		fprintf(f, "%s%.9g", between, t->column[c][row]);
		between = ",";
	}
	fputc('\n', f);
}

static enum rc draw(const char *dir, const char *name, const struct table *t, const char *plot, struct err *err)
{
	char script[32];
	enum rc rc = files_make_dir(dir, err);
	FILE *f = rc ? NULL : opened(dir, name, "csv", err);

	if (!f)
		return rc ? rc : RC_IO;
	fprintf(f, "%s\n", t->heading);
	for (size_t i = 0; i < t->n; i++)
		write_row(f, t, i);
	rc = closed(f, dir, err);
	f = rc ? NULL : opened(dir, name, "gp", err);
	if (!f)
		return rc ? rc : RC_IO;
	fprintf(f, "# gnuplot %s.gp\n%sset output '%s.svg'\n%s", name, STYLE, name, plot);
	snprintf(script, sizeof script, "%s.gp", name);
	rc = closed(f, dir, err);
	return rc ? rc : gnuplot_run(dir, script, err);
}

enum rc carry_figure_obey(const char *dir, const double *commanded_Nm, const double *measured_Nm, size_t n,
			  const struct obey_slow *found, struct err *err)
{
	const struct table t = { "commanded (N.m),measured (N.m)", n, { commanded_Nm, measured_Nm } };
	char plot[700];

	snprintf(plot, sizeof plot,
		 "set xlabel 'commanded, N·m'\nset ylabel 'measured, N·m'\n"
		 "plot 'obey.csv' using 1:2 every ::1 with linespoints pt 6 ps 0.5 lc rgb 'gray40' title 'readings', "
		 "\\\n"
		 "  %.9g*x + %.9g with lines dt 2 lw 2 lc rgb 'black' title 'gain and offset'\n",
		 found->gain.value, found->offset_Nm.value);
	return draw(dir, "obey", &t, plot, err);
}

enum rc carry_figure_play(const char *dir, const double *torque_Nm, const double *angle_arcmin, size_t n,
			  const struct play_loop *found, struct err *err)
{
	const struct table t = { "torque (N.m),angle (arcmin)", n, { torque_Nm, angle_arcmin } };
	double at = PLAY_LOST_SHARE * found->rated_Nm;
	char plot[900];

	snprintf(plot, sizeof plot,
		 "set xlabel 'torque, N·m'\nset ylabel 'angle at the output, arcmin'\n"
		 "set arrow from %.9g, graph 0 to %.9g, graph 1 nohead dt 2 lc rgb 'black'\n"
		 "set arrow from %.9g, graph 0 to %.9g, graph 1 nohead dt 2 lc rgb 'black'\n"
		 "plot 'play.csv' using 1:2 every ::1 with linespoints pt 7 ps 0.2 lc rgb 'gray40' title 'loop', \\\n"
		 "  NaN with lines dt 2 lc rgb 'black' title 'lost motion: between the middles here'\n",
		 -at, -at, at, at);
	return draw(dir, "play", &t, plot, err);
}

enum rc carry_figure_hold(const char *dir, const struct thermal_record *r, const struct hold_found *found,
			  struct err *err)
{
	bool both = r->winding_degC && r->case_degC;
	const struct table t = { both              ? "time (s),winding (degC),case (degC),ambient (degC)"
				 : r->winding_degC ? "time (s),winding (degC),ambient (degC)"
						   : "time (s),case (degC),ambient (degC)",
				 r->n,
				 { r->time_s, r->winding_degC, r->case_degC, r->ambient_degC } };
	char plot[900], limit[160] = "";

	if (isfinite(found->limit_degC))
		snprintf(limit, sizeof limit, ", \\\n  %.9g with lines dt 4 lw 2 lc rgb 'black' title 'limit'",
			 found->limit_degC);
	snprintf(plot, sizeof plot,
		 "set xlabel 'time, min'\nset ylabel 'temperature, °C'\n"
		 "plot 'hold.csv' using ($1/60):2 every ::1 with lines lw 2 lc rgb 'black' title '%s', \\\n%s"
		 "  'hold.csv' using ($1/60):%d every ::1 with lines dt 3 lc rgb 'gray40' title 'ambient'%s\n",
		 r->winding_degC ? "winding" : "case",
		 both ? "  'hold.csv' using ($1/60):3 every ::1 with lines dt 2 lw 2 lc rgb 'gray30' title 'case', \\\n"
		      : "",
		 both ? 4 : 3, limit);
	return draw(dir, "hold", &t, plot, err);
}

enum rc carry_figure_ripple(const char *dir, const struct ripple_found *found, struct err *err)
{
	double order[ORDER_WAVES], amplitude[ORDER_WAVES], U[ORDER_WAVES];
	struct table t = { "order,amplitude (N.m),U (N.m)", 0, { order, amplitude, U } };

	for (size_t i = 0; i < found->s.n_waves; i++) {
		const struct order_wave *v = &found->s.wave[i];
		if (!(v->order < found->cell_order) || !isfinite(v->amplitude_Nm) || !isfinite(v->u_Nm))
			continue;
		order[t.n] = v->order;
		amplitude[t.n] = v->amplitude_Nm;
		U[t.n++] = 1.96 * v->u_Nm;
	}
	return draw(dir, "ripple", &t,
		    "set xlabel 'order: waves in one turn of the output'\nset ylabel 'amplitude, N·m'\nset logscale x\n"
		    "set yrange [0:*]\n"
		    "plot 'ripple.csv' using 1:2 every ::1 with impulses lw 2 lc rgb 'gray50' notitle, \\\n"
		    "  'ripple.csv' using 1:2:3 every ::1 with yerrorbars pt 7 ps 0.4 lc rgb 'black' title "
		    "'amplitude with its interval of 95 %'\n",
		    err);
}
