/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/suit.h"
#include "reports/page/gnuplot.h"
#include "reports/page/report_write.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

#define MOST_ROWS 4001

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

/* State is told by shape and weight, not by colour: a grey print reads the same. */
static void write_script(FILE *gp, const struct suit_case *c, size_t n)
{
	size_t columns = n > 2 ? 2 : 1, rows = (n + columns - 1) / columns;
	double rpm, Nm;

	most_of(c, n, &rpm, &Nm);
	fprintf(gp,
		"# Draws the cycle inside the actuator's curve: gnuplot cycle.gp\n"
		"set terminal svg size %zu,%zu\nset output 'cycle.svg'\nset datafile separator ','\n"
		"set xlabel 'speed, rpm'\nset ylabel 'torque, N·m'\nset grid\n"
		"set key outside bottom center horizontal\nset xrange [0:%.6g]\nset yrange [0:%.6g]\n",
		720 * columns, n > 1 ? 400 * rows : 480, 1.05 * rpm, 1.05 * Nm);
	if (n > 1)
		fprintf(gp, "set multiplot layout %zu,%zu\n", rows, columns);
	for (size_t k = 0; k < n; k++) {
		const struct suit_found *found = &c[k].found;
		if (n > 1) {
			fputs("set title '", gp);
			gnuplot_text(gp, c[k].name);
			fprintf(gp, ": %s' noenhanced\n",
				suit_refuted(found)   ? "does not carry it"
				: suit_carries(found) ? "carries it"
						      : "undecided");
		}
		fprintf(gp,
			"plot 'curve-%zu.csv' using 1:2 every ::1 with lines lw 3 lc rgb 'black' title 'largest "
			"torque', \\\n"
			"  'cycle-%zu.csv' using 1:($3 == 0 ? $2 : 1/0) every ::1 with points pt 7 ps 0.3 lc rgb "
			"'gray50' title 'duty, inside', \\\n"
			"  'cycle-%zu.csv' using 1:($3 == 1 ? $2 : 1/0) every ::1 with points pt 2 ps 1 lc rgb 'black' "
			"title 'duty, outside'\n",
			k + 1, k + 1, k + 1);
	}
	if (n > 1)
		fprintf(gp, "unset multiplot\n");
}

static enum rc closed(FILE *f, const char *dir, enum rc rc, struct err *err)
{
	if (f && fclose(f) && !rc)
		return err_set(err, RC_IO, errno, "%s: cannot be written", dir);
	return f ? rc : RC_IO;
}

static enum rc write_tables(const char *dir, size_t number, const struct suit_case *c, struct err *err)
{
	const struct joint_duty *d = &c->duty;
	size_t step = (d->n + MOST_ROWS - 1) / MOST_ROWS;
	char name[40];

	snprintf(name, sizeof name, "cycle-%zu.csv", number);
	FILE *f = opened(dir, name, err);
	if (f) {
		fputs("speed (rpm),torque (N.m),outside\n", f);
		for (size_t i = 0; i < d->n; i++) { /* each row outside, of the others so many as the eye can part */
			bool outside = joint_curve_at(&c->curve, d->speed_rpm[i], NULL) < fabs(d->torque_Nm[i]);
			if (outside || i % step == 0)
				fprintf(f, "%.8g,%.8g,%d\n", fabs(d->speed_rpm[i]), fabs(d->torque_Nm[i]), outside);
		}
	}
	enum rc rc = closed(f, dir, RC_OK, err);
	if (rc)
		return rc;
	snprintf(name, sizeof name, "curve-%zu.csv", number);
	if ((f = opened(dir, name, err))) {
		fputs("speed (rpm),torque (N.m)\n", f);
		for (size_t i = 0; i < c->curve.n; i++)
			fprintf(f, "%.8g,%.8g\n", c->curve.speed_rpm[i], c->curve.torque_Nm[i]);
	}
	return closed(f, dir, RC_OK, err);
}

enum rc suit_figure(const char *dir, const struct suit_case *c, size_t n, struct err *err)
{
	enum rc rc = RC_OK;

	if (mkdir(dir, 0777) && errno != EEXIST)
		return err_set(err, RC_IO, errno, "%s: cannot be made: %s", dir, strerror(errno));
	for (size_t k = 0; !rc && k < n; k++)
		rc = write_tables(dir, k + 1, &c[k], err);
	if (rc)
		return rc;
	FILE *gp = opened(dir, "cycle.gp", err);
	if (gp)
		write_script(gp, c, n);
	rc = closed(gp, dir, RC_OK, err);
	return rc ? rc : gnuplot_run(dir, "cycle.gp", "", err);
}
