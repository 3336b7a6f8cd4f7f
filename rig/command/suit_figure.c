/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/carry_figure.h"
#include "command/suit.h"
#include "reports/page/gnuplot.h"
#include "reports/page/report_write.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Places for dots and for crosses along each scale: a line of dots, crosses that are told apart. */
#define DOTS 250
#define CROSSES 56

static FILE *opened(const char *dir, const char *name, struct err *err)
{
	char path[600];

	if (snprintf(path, sizeof path, "%s/%s", dir, name) >= (int)sizeof path) {
		(void)!err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
		return NULL;
	}
	FILE *f = files_create(path);
	if (!f)
		(void)!err_set(err, RC_IO, errno, "%s: cannot be written: %s", path, files_why(errno));
	return f;
}

/* The largest of all, so that the panels have the same scales. */
static void most_of(const struct suit_case *c, size_t n, double *ret_rpm, double *ret_Nm)
{
	*ret_rpm = *ret_Nm = 0;
	for (size_t k = 0; k < n; k++) {
		*ret_rpm = fmax(*ret_rpm, c[k].found.sums.peak_rpm);
		*ret_Nm = fmax(*ret_Nm, c[k].found.sums.peak_Nm);
		for (size_t i = 0; i < c[k].curve.n; i++) {
			*ret_rpm = fmax(*ret_rpm, c[k].curve.speed_rpm[i]);
			*ret_Nm = fmax(*ret_Nm, c[k].curve.torque_Nm[i]);
		}
	}
}

/* In px, from the upper left corner of the drawing: a panel for each, in one or two columns, the key below all. */
struct sheet {
	size_t columns, rows;
	double panel_px, high_px, top_px; /* a panel with what stands around it; room above it */
	double width, height;
};

static struct sheet sheet_of(size_t n)
{
	size_t columns = n > 2 ? 2 : 1, rows = (n + columns - 1) / columns;

	/* In two columns the words above a panel take two lines. */
	double wide = columns > 1 ? 480 : 700, high = columns > 1 ? 400 : 380, top = columns > 1 ? 60 : 40;
	return (struct sheet){ columns, rows, wide, high, top, wide * (double)columns, high * (double)rows + 64 };
}

static void place(FILE *gp, const struct sheet *s, size_t k)
{
	double left = s->panel_px * (double)(k % s->columns), top = s->high_px * (double)(k / s->columns) + s->top_px;

	fprintf(gp,
		"set lmargin at screen %.5f\nset rmargin at screen %.5f\nset tmargin at screen %.5f\nset bmargin at "
		"screen %.5f\n",
		(left + 72) / s->width, (left + s->panel_px - 20) / s->width, 1 - top / s->height,
		1 - (top + 260) / s->height);
}

static const char *on_bench(const struct suit_case *c)
{
	return suit_on_bench(c) ? " (virtual bench)" : "";
}

static void words(FILE *gp, const struct suit_case *c, bool two_lines)
{
	static const char at[] = "at graph 0, graph 1 offset 0, char %s left noenhanced textcolor rgb '#222222'\n";

	fputs("set label 1 '", gp);
	if (c->name[0]) {
		gnuplot_text(gp, c->name);
		fputs(two_lines ? "' " : ": ", gp);
	}
	if (two_lines) {
		fprintf(gp, at, "2.1");
		fputs("set label 2 '", gp);
	}
	fprintf(gp, "%s%s' ", suit_answer(&c->found), on_bench(c));
	fprintf(gp, at, "0.9");
}

/* The bars of the curve's intervals (95 %) come first: each wipes a place for its point. Dashed is what is taken for
 * the curve below its slowest point. State is told by shape and weight, not by colour: a grey print reads the same. */
static void panel(FILE *gp, size_t number)
{
	fprintf(gp,
		"plot 'curve-%zu.csv' using 1:2:3 every ::1 with yerrorbars lw 1.2 ps 0 lc rgb 'black' notitle, \\\n"
		"  'curve-%zu.csv' using 1:2 every ::1 with lines lw 2.4 lc rgb 'black' title 'largest torque', \\\n"
		"  'curve-%zu.csv' using 1:2 every ::1 with points pt 7 ps 0.5 lc rgb 'black' notitle, \\\n"
		"  'curve-%zu.csv' using (0):2:1:(0) every ::1::1 with vectors nohead lw 1.6 dt 2 lc rgb 'black' title "
		"'not measured', \\\n"
		"  'cycle-%zu.csv' using 1:($3 == 0 ? $2 : 1/0) every ::1 with points pt 7 ps 0.35 lc rgb 'gray50' "
		"notitle, \\\n"
		"  'cycle-%zu.csv' using 1:($3 == 1 ? $2 : 1/0) every ::1 with points pt 2 ps 0.7 lc rgb 'black' "
		"notitle, \\\n"
		"  NaN with points pt 7 ps 0.7 lc rgb 'gray50' title 'duty, inside', \\\n"
		"  NaN with points pt 2 ps 0.9 lc rgb 'black' title 'outside'\nunset label\n",
		number, number, number, number, number, number);
}

static void write_script(FILE *gp, const struct suit_case *c, size_t n)
{
	struct sheet s = sheet_of(n);
	double rpm, Nm;

	most_of(c, n, &rpm, &Nm);
	fprintf(gp,
		"# Draws the cycle inside the actuator's curve: gnuplot cycle.gp\n" CARRY_FIGURE_STYLE(
			"%.0f,%.0f") "set output 'cycle.svg'\nset offsets 0, 0, 0, 0\n"
				     "set xlabel 'speed / rpm' offset 0, 0.4\nset ylabel 'torque / N·m' offset "
				     "1.3,0\nset xrange "
				     "[0:%.6g]\nset "
				     "yrange [0:%.6g]\n"
				     "unset key\nset multiplot\n",
		s.width, s.height, 1.05 * rpm, 1.05 * Nm);
	for (size_t k = 0; k < n; k++) {
		place(gp, &s, k);
		if (k + 1 == n)
			fprintf(gp,
				"set key at screen 0.5, screen %.5f center horizontal maxrows 1 samplen 2 width -4\n",
				30 / s.height);
		words(gp, &c[k], s.columns > 1);
		panel(gp, k + 1);
	}
	fputs("unset multiplot\n", gp);
}

static enum rc closed(FILE *f, const char *dir, enum rc rc, struct err *err)
{
	if (f && fclose(f) && !rc)
		return err_set(err, RC_IO, errno, "%s: cannot be written", dir);
	return f ? rc : RC_IO;
}

/* Of the rows inside and of those outside so many as the eye can part, however often the cycle comes by: one in each
 * place of a grid. The first one of each is never left out. */
struct grid {
	bool taken[2][DOTS + 1][DOTS + 1];
};

static size_t place_of(double value, double most, int places)
{
	return most > 0 ? (size_t)(value / most * places) : 0;
}

static void write_cycle(FILE *f, const struct suit_case *c, double most_rpm, double most_Nm, struct grid *grid)
{
	const struct joint_duty *d = &c->duty;

	memset(grid, 0, sizeof *grid);
	fputs("speed (rpm),torque (N.m),outside\n", f);
	for (size_t i = 0; i < d->n; i++) {
		double rpm = fabs(d->speed_rpm[i]), Nm = fabs(d->torque_Nm[i]);
		bool outside = joint_curve_at(&c->curve, d->speed_rpm[i], NULL) < Nm;
		int places = outside ? CROSSES : DOTS;
		bool *taken = &grid->taken[outside][place_of(rpm, most_rpm, places)][place_of(Nm, most_Nm, places)];
		if (!*taken)
			fprintf(f, "%.8g,%.8g,%d\n", rpm, Nm, outside);
		*taken = true;
	}
}

static enum rc write_tables(const char *dir, size_t number, const struct suit_case *c, double most_rpm, double most_Nm,
			    struct grid *grid, struct err *err)
{
	char name[40];

	snprintf(name, sizeof name, "cycle-%zu.csv", number);
	FILE *f = opened(dir, name, err);
	if (f)
		write_cycle(f, c, most_rpm, most_Nm, grid);
	enum rc rc = closed(f, dir, RC_OK, err);
	if (rc)
		return rc;
	snprintf(name, sizeof name, "curve-%zu.csv", number);
	if ((f = opened(dir, name, err))) {
		fputs("speed (rpm),torque (N.m),U torque (N.m)\n", f);
		for (size_t i = 0; i < c->curve.n; i++)
			fprintf(f, "%.8g,%.8g,%.4g\n", c->curve.speed_rpm[i], c->curve.torque_Nm[i],
				c->curve.u_torque_Nm ? 1.96 * c->curve.u_torque_Nm[i] : 0);
	}
	return closed(f, dir, RC_OK, err);
}

enum rc suit_figure(const char *dir, const struct suit_case *c, size_t n, struct err *err)
{
	struct grid *grid = malloc(sizeof *grid);
	enum rc rc = grid ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for the figure");
	double rpm, Nm;

	most_of(c, n, &rpm, &Nm);
	for (size_t k = 0; !rc && k < n; k++)
		rc = write_tables(dir, k + 1, &c[k], rpm, Nm, grid, err);
	free(grid);
	if (rc)
		return rc;
	FILE *gp = opened(dir, "cycle.gp", err);
	if (gp)
		write_script(gp, c, n);
	rc = closed(gp, dir, RC_OK, err);
	gnuplot_remove(dir, "cycle");
	return rc ? rc : gnuplot_run(dir, "cycle.gp", GNUPLOT_NEEDED, err);
}

double suit_figure_px(size_t n)
{
	return sheet_of(n).height;
}
