/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/play_figure.h"

#include "command/carry_draw.h"
#include "calib/number/uncertain.h"

#include <math.h>
#include <stdio.h>

#define PLOT 1500

static double U_of(struct play_number x)
{
	return x.u > 0 ? x.u * (x.dof >= 1 ? unc_coverage_factor(x.dof, 0.95) : 1.96) : NAN;
}

/* A mean and, where it is known, its U as lines over the whole width. */
static int band(char *buf, size_t size, struct play_number x, const char *name)
{
	double U = U_of(x);

	if (!isfinite(U))
		return snprintf(buf, size, "  %.12g with lines lw 2 lc rgb 'black' title '%s'\n", x.value, name);
	return snprintf(buf, size,
			"  %.12g with lines lw 2 lc rgb 'black' title '%s', \\\n"
			"  %.12g with lines dt 2 lc rgb 'black' title 'its interval of 95 %%', \\\n"
			"  %.12g with lines dt 2 lc rgb 'black' notitle\n",
			x.value, name, x.value - U, x.value + U);
}

enum rc play_figure_lever(const double *radius_mm, const double *travel_mm, size_t n, struct play_number found,
			  struct procedure *ret, struct err *err)
{
	const struct carry_table t = { "radius (mm),travel (mm)", n, { radius_mm, travel_mm } };
	char plot[PLOT];
	int at = snprintf(plot, sizeof plot,
			  "set xlabel 'reading'\nset ylabel 'free travel over radius / arcmin'\nset xrange "
			  "[0.5:%zu.5]\nset xtics 1,%zu\n"
			  "plot 'lever.csv' using ($0+1):($2/$1*%.9f) every ::1 with points pt 7 ps 0.8 lc rgb "
			  "'gray30' title 'readings', \\\n",
			  n, n / 12 + 1, PLAY_ARCMIN_PER_RAD);

	band(plot + at, sizeof plot - (size_t)at, found, "play");
	const struct carry_words words = {
		"play", "lever", "Play by a lever",
		"Free travel of the lever as an angle of the output, reading by reading, with the mean."
	};
	return carry_draw(CARRY_DRAW_STYLE, &words, &t, plot, ret, err);
}

enum rc play_figure_friction(const char *kind, const double *torque_Nm, const double *speed_rpm, size_t n,
			     struct play_number coulomb_Nm, struct play_number viscous_Nm_per_rpm,
			     struct procedure *ret, struct err *err)
{
	const struct carry_table t = { "speed (rpm),torque (N.m)", n, { speed_rpm, torque_Nm } };
	double fastest = 0;
	char plot[PLOT];

	for (size_t i = 0; i < n; i++)
		fastest = fmax(fastest, fabs(speed_rpm[i]));
	snprintf(plot, sizeof plot,
		 "set xlabel 'speed / rpm'\nset ylabel 'friction without load / N·m'\nset xrange [0:%.6g]\n"
		 "plot 'friction.csv' using ($1>0?$1:1/0):2 every ::1 with points pt 7 ps 0.9 lc rgb 'black' title "
		 "'forward', \\\n"
		 "  'friction.csv' using ($1<0?-$1:1/0):(-$2) every ::1 with points pt 6 ps 0.9 lc rgb 'black' title "
		 "'backward', \\\n"
		 "  %.9g + %.9g*x with lines lw 2 dt 2 lc rgb 'gray30' title 'Coulomb and viscous friction'\n",
		 1.08 * fastest, coulomb_Nm.value, viscous_Nm_per_rpm.value);
	const struct carry_words words = { kind, "friction", "Friction without load",
					   "Torque without load against speed, both ways; dashed: Coulomb friction at "
					   "no speed, viscous friction as the slope." };
	return carry_draw(CARRY_DRAW_STYLE, &words, &t, plot, ret, err);
}

/* One way's breakaway and running torque. */
static int way_lines(char *buf, size_t size, const struct play_number back[2], double sign, const char *way)
{
	int n = 0;

	if (isfinite(back[0].value))
		n += snprintf(buf, size, ", \\\n  %.9g with lines lw 2 lc rgb 'black' title 'breakaway, %s'",
			      sign * back[0].value, way);
	if (isfinite(back[1].value))
		n += snprintf(buf + n, size - (size_t)n,
			      ", \\\n  %.9g with lines lw 2 dt 2 lc rgb 'black' title 'running, %s'",
			      sign * back[1].value, way);
	return n;
}

enum rc play_figure_back_drive(const double *torque_Nm, const double *speed_rpm, size_t n,
			       struct play_number (*back)[2], struct procedure *ret, struct err *err)
{
	const struct carry_table t = { "back-drive (N.m),speed (rpm)", n, { torque_Nm, speed_rpm } };
	double fastest = 0;
	char plot[PLOT];

	for (size_t i = 0; i < n; i++)
		fastest = fmax(fastest, fabs(speed_rpm[i]));
	int at = snprintf(plot, sizeof plot,
			  "set xlabel 'reading'\nset ylabel 'torque on the output / N·m'\nset xrange [0.5:%zu.5]\nset "
			  "xtics 1,%zu\n"
			  "plot 'back-drive.csv' using ($0+1):(abs($2)>%.9g?1/0:$1) every ::1 with points pt 6 ps 0.9 "
			  "lc rgb 'black' title 'it stood', \\\n"
			  "  'back-drive.csv' using ($0+1):(abs($2)>%.9g?$1:1/0) every ::1 with points pt 7 ps 0.9 lc "
			  "rgb 'black' title 'it turned'",
			  n, n / 12 + 1, PLAY_STILL_SHARE * fastest, PLAY_STILL_SHARE * fastest);
	at += way_lines(plot + at, sizeof plot - (size_t)at, back[0], 1, "forward");
	at += way_lines(plot + at, sizeof plot - (size_t)at, back[1], -1, "backward");
	snprintf(plot + at, sizeof plot - (size_t)at, "\n");
	const struct carry_words words = { "play", "back-drive", "Back-driving",
					   "Torque on the unpowered output, reading by reading: hollow where it stood, "
					   "filled where it turned. Torque backward is drawn negative." };
	return carry_draw(CARRY_DRAW_STYLE, &words, &t, plot, ret, err);
}

enum rc play_figure_ratio(const double *output_deg, const double *off_deg, size_t n, struct play_number ratio,
			  struct procedure *ret, struct err *err)
{
	const struct carry_table t = { "output angle (deg),rotor off the line (deg)", n, { output_deg, off_deg } };
	char plot[PLOT];

	snprintf(
		plot, sizeof plot,
		"set xlabel 'angle of the output / deg'\nset ylabel 'rotor off the straight line / deg'\nset xzeroaxis "
		"lt 1 lw 1 lc rgb 'gray40'\n"
		"plot 'ratio.csv' using 1:2 every ::1 with linespoints pt 7 ps 0.7 lc rgb 'gray30' title 'rotor less "
		"%.6g times the output'\n",
		ratio.value);
	const struct carry_words words = {
		"play", "ratio", "Ratio of the gear",
		"What the rotor's angle differs by from the straight line of the ratio, against the output's angle."
	};
	return carry_draw(CARRY_DRAW_STYLE, &words, &t, plot, ret, err);
}

enum rc play_figure_ratio_speeds(const double *speed_rpm, const double *each, size_t n, struct play_number ratio,
				 struct procedure *ret, struct err *err)
{
	const struct carry_table t = { "speed (rpm),ratio", n, { speed_rpm, each } };
	char plot[PLOT];
	int at = snprintf(plot, sizeof plot,
			  "set xlabel 'speed of the output / rpm'\nset ylabel 'speed of the rotor over the output''s'\n"
			  "plot 'ratio.csv' using 1:2 every ::1 with points pt 7 ps 0.7 lc rgb 'gray30' title 'each "
			  "mean', \\\n");

	band(plot + at, sizeof plot - (size_t)at, ratio, "ratio");
	const struct carry_words words = {
		"obey", "ratio", "Ratio of the gear",
		"Speed of the rotor, as the drive tells it, over that of the output, for each mean."
	};
	return carry_draw(CARRY_DRAW_STYLE, &words, &t, plot, ret, err);
}
