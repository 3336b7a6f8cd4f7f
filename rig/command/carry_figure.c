/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/carry_figure.h"

#include "calib/number/uncertain.h"
#include "reports/page/procedure_files.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* Two panels, one above the other, with one axis below. */
#define TWO_PANELS \
	CARRY_FIGURE_STYLE("700,520") \
	"set lmargin at screen 0.11\nset rmargin at screen 0.97\nunset key\n"

static enum rc draw_in(const char *style, const char *name, const struct carry_table *t, const char *plot,
		       const char *caption, struct procedure *ret, struct err *err)
{
	const struct carry_words words = { name, name, procedure_title(name), caption };

	return carry_draw(style, &words, t, plot, ret, err);
}

static enum rc draw(const char *name, const struct carry_table *t, const char *plot, const char *caption,
		    struct procedure *ret, struct err *err)
{
	return draw_in(CARRY_DRAW_STYLE, name, t, plot, caption, ret, err);
}

enum rc carry_figure_obey(const double *commanded_Nm, const double *measured_Nm, size_t n,
			  const struct obey_slow *found, struct procedure *ret, struct err *err)
{
	const struct carry_table t = { "commanded (N.m),measured (N.m)", n, { commanded_Nm, measured_Nm } };
	char plot[700];

	snprintf(plot, sizeof plot,
		 "set xlabel 'commanded / N·m'\nset ylabel 'measured / N·m'\n"
		 "plot 'obey.csv' using 1:2 every ::1 with linespoints pt 6 ps 0.5 lc rgb 'gray40' title 'readings', "
		 "\\\n"
		 "  %.9g*x + %.9g with lines dt 2 lw 2 lc rgb 'black' title 'gain and offset'\n",
		 found->gain.value, found->offset_Nm.value);
	return draw("obey", &t, plot,
		    "Measured against commanded torque, readings in the order of time; dashed: gain and offset.", ret,
		    err);
}

enum rc carry_figure_obey_speeds(const struct obey_rows *rows, size_t n_still, const struct obey_slow *found,
				 struct procedure *ret, struct err *err)
{
	const struct carry_table t = { "commanded (N.m),measured (N.m),speed (rpm)",
				       rows->n,
				       { rows->commanded_Nm, rows->measured_Nm, rows->speed_rpm } };
	char plot[900];

	snprintf(plot, sizeof plot,
		 "set xlabel 'commanded, N·m'\nset ylabel 'measured, N·m'\n"
		 "plot 'obey.csv' using 1:2 every ::1::%zu with linespoints pt 6 ps 0.5 lc rgb 'gray40' title "
		 "'standing', "
		 "\\\n"
		 "  'obey.csv' using 1:2 every ::%zu with points pt 2 ps 0.8 lc rgb 'black' title 'turning', \\\n"
		 "  %.9g*x + %.9g with lines dt 2 lw 2 lc rgb 'black' title 'gain and offset'\n",
		 n_still, n_still + 1, found->gain.value, found->offset_Nm.value);
	return draw(
		"obey", &t, plot,
		"Measured against commanded torque, readings in the order of time; crosses: the shaft turned; dashed: "
		"gain and offset at standstill.",
		ret, err);
}

enum rc carry_figure_play(const double *torque_Nm, const double *angle_arcmin, size_t n, const struct play_loop *found,
			  struct procedure *ret, struct err *err)
{
	const struct carry_table t = { "torque (N.m),angle (arcmin)", n, { torque_Nm, angle_arcmin } };
	double at = PLAY_LOST_SHARE * found->rated_Nm;
	char plot[900];

	snprintf(plot, sizeof plot,
		 "set xlabel 'torque / N·m'\nset ylabel 'angle at the output / arcmin'\n"
		 "set arrow from %.9g, graph 0 to %.9g, graph 1 nohead dt 2 lc rgb 'black'\n"
		 "set arrow from %.9g, graph 0 to %.9g, graph 1 nohead dt 2 lc rgb 'black'\n"
		 "plot 'play.csv' using 1:2 every ::1 with linespoints pt 7 ps 0.2 lc rgb 'gray40' title 'loop', \\\n"
		 "  NaN with lines dt 2 lc rgb 'black' title 'lost motion: between the middles here'\n",
		 -at, -at, at, at);
	return draw("play", &t, plot,
		    "Angle at the output against torque; lost motion is read at the dashed lines, at ± 3 % of the "
		    "largest torque.",
		    ret, err);
}

enum rc carry_figure_hold(const struct thermal_record *r, const struct hold_found *found, struct procedure *ret,
			  struct err *err)
{
	bool both = r->winding_degC && r->case_degC;
	const struct carry_table t = { both              ? "time (s),winding (degC),case (degC),ambient (degC)"
				       : r->winding_degC ? "time (s),winding (degC),ambient (degC)"
							 : "time (s),case (degC),ambient (degC)",
				       r->n,
				       { r->time_s, r->winding_degC, r->case_degC, r->ambient_degC } };
	char plot[900], limit[160] = "";

	if (isfinite(found->limit_degC))
		snprintf(limit, sizeof limit, ", \\\n  %.9g with lines dt 4 lw 2 lc rgb 'black' title 'limit'",
			 found->limit_degC);
	snprintf(plot, sizeof plot,
		 "set xlabel 'time / min'\nset ylabel 'temperature / °C'\n"
		 "plot 'hold.csv' using ($1/60):2 every ::1 with lines lw 2 lc rgb 'black' title '%s', \\\n%s"
		 "  'hold.csv' using ($1/60):%d every ::1 with lines lw 2 dt (2,3) lc rgb 'gray40' title 'ambient'%s\n",
		 r->winding_degC ? "winding" : "case",
		 both ? "  'hold.csv' using ($1/60):3 every ::1 with lines dt (8,4) lw 2 lc rgb 'gray30' title 'case', "
			"\\\n"
		      : "",
		 both ? 4 : 3, limit);
	return draw("hold", &t, plot, "Temperatures against time, from the begin of the hold.", ret, err);
}

enum rc carry_figure_holding(const struct hold_found *found, struct procedure *ret, struct err *err)
{
	double torque_Nm[HOLD_TORQUES], time_s[HOLD_TORQUES], low_s[HOLD_TORQUES], high_s[HOLD_TORQUES];
	struct carry_table t = { "torque (N.m),time (s),low (s),high (s)", 0, { torque_Nm, time_s, low_s, high_s } };
	const struct carry_words words = {
		"hold", "holding", "Holding time",
		"Torque against the time to the limit from cold, with the band of 95 %; open: "
		"beyond what was held; dashed: continuous torque."
	};
	char plot[1200], level[160] = "";

	for (size_t i = 0; i < found->n_points; i++) {
		const struct thermal_answer *time = &found->point[i].time_s;
		if (!isfinite(time->value)) /* no end */
			continue;
		torque_Nm[t.n] = found->point[i].torque_Nm;
		time_s[t.n] = time->value;
		low_s[t.n] = isfinite(time->low) ? time->low : NAN;
		high_s[t.n++] = isfinite(time->high) ? time->high : NAN;
	}
	if (t.n < 2)
		return RC_OK;
	if (isfinite(found->continuous_Nm.value))
		snprintf(level, sizeof level,
			 ", \\\n  %.9g with lines dt 2 lw 2 lc rgb 'gray40' title 'continuous (S1)'",
			 found->continuous_Nm.value);
	snprintf(
		plot, sizeof plot,
		"set xlabel 'time to %.4g °C / min'\nset ylabel 'torque / N·m'\nset logscale x\n"
		"plot 'holding.csv' using ($2/60):1 every ::1 with lines lw 2 lc rgb 'black' notitle, \\\n"
		"  '' using ($2/60):1:($3/60):($4/60) every ::1 with xerrorbars pt 7 ps 0.1 lc rgb 'black' notitle, "
		"\\\n"
		"  '' using ($2/60):($1 > %.9g ? NaN : $1) every ::1 with points pt 7 ps 0.9 lc rgb 'black' title "
		"'held', "
		"\\\n"
		"  '' using ($2/60):($1 > %.9g ? $1 : NaN) every ::1 with points pt 6 ps 0.9 lw 2 lc rgb 'black' title "
		"'extrapolated'%s\n",
		found->limit_degC, found->most_Nm, found->most_Nm, level);
	return carry_draw(CARRY_DRAW_STYLE, &words, &t, plot, ret, err);
}

enum rc carry_figure_ripple(const struct ripple_found *found, struct procedure *ret, struct err *err)
{
	double order[ORDER_WAVES], amplitude[ORDER_WAVES], U[ORDER_WAVES], most = 0, first = INFINITY, last = 0;
	struct carry_table t = { "order,amplitude (N.m),U (N.m)", 0, { order, amplitude, U } };
	char plot[1600], tics[700] = "";
	size_t used = 0;

	for (size_t i = 0; i < found->s.n_waves; i++) {
		const struct order_wave *v = &found->s.wave[i];
		if (!(v->order < found->cell_order) || !isfinite(v->amplitude_Nm) || !isfinite(v->u_Nm))
			continue;
		order[t.n] = v->order;
		amplitude[t.n] = v->amplitude_Nm;
		U[t.n] = v->u_Nm * (v->dof >= 1 ? unc_coverage_factor(v->dof, 0.95) : 1.96);
		most = fmax(most, v->amplitude_Nm + U[t.n++]);
		first = fmin(first, v->order);
		last = fmax(last, v->order);
		if (used + 24 < sizeof tics)
			used += (size_t)snprintf(tics + used, sizeof tics - used, "%s%.4g", used ? "," : "", v->order);
	}
	/* An amplitude is not below 0: a bar that reaches there ends at the axis. */
	snprintf(
		plot, sizeof plot,
		"set offsets 0, 0, 0, 0\nset xlabel 'waves in one turn of the output (order)'\nset ylabel "
		"'amplitude / N·m'\nset logscale x\nset xrange [%.6g:%.6g]\nset yrange "
		"[0:%.6g]\nset xtics (%s)\n"
		"plot 'ripple.csv' using 1:2 every ::1 with impulses lw 6 lc rgb 'gray80' notitle, \\\n"
		"  'ripple.csv' using 1:2:($2 > $3 ? $2 - $3 : 0):($2+$3) every ::1 with yerrorbars pt 7 ps 0.5 lc rgb "
		"'black' title 'amplitude with its interval of 95 %%'\n",
		last > 0 ? 0.8 * first : 1, last > 0 ? 1.25 * last : 10, most > 0 ? 1.08 * most : 1,
		used ? tics : "1,10");
	return draw("ripple", &t, plot,
		    "Amplitude by order: waves in one turn of the output, with its interval of 95 %.", ret, err);
}

#define RESPONSE_SHOWN 400 /* rows */

enum rc carry_figure_response(const double *time_s, const double *commanded_Nm, const double *measured_Nm, size_t n,
			      struct procedure *ret, struct err *err)
{
	const struct carry_table t = { "time (s),commanded (N.m),measured (N.m)",
				       n < RESPONSE_SHOWN ? n : RESPONSE_SHOWN,
				       { time_s, commanded_Nm, measured_Nm } };

	return draw(
		"response", &t,
		"set xlabel 'time / s'\nset ylabel 'torque / N·m'\n"
		"plot 'response.csv' using 1:2 every ::1 with lines lc rgb 'gray50' title 'commanded', \\\n"
		"  'response.csv' using 1:3 every ::1 with linespoints pt 7 ps 0.3 lc rgb 'black' title 'measured'\n",
		"Commanded and measured torque: the first rows of the record.", ret, err);
}

#define TAME_SHOWN 1000 /* rows */

enum rc carry_figure_tame(const struct tame_free *f, double gain, struct procedure *ret, struct err *err)
{
	size_t n = f->n < TAME_SHOWN ? f->n : TAME_SHOWN;
	double *room = calloc(3 * n + 1, sizeof *room);
	const struct carry_table t = { "time (s),torque (N.m),speed (rpm)", n, { room, room + n, room + 2 * n } };

	if (!room)
		return err_set(err, RC_NOMEM, 0, "out of memory for the figure");
	for (size_t i = 0; i < n; i++) {
		room[i] = f->time_s[i] - f->time_s[0];
		room[n + i] = gain * f->torque_Nm[i];
		room[2 * n + i] = f->speed_rad_per_s[i] * 30 / M_PI;
	}
	enum rc rc = draw_in(
		TWO_PANELS, "tame", &t,
		"set multiplot\nset tmargin at screen 0.83\nset bmargin at screen 0.52\nset format x ''\n"
		"set label 1 'torque of the motor / N·m' at graph 0, graph 1.06 left textcolor rgb '#222222'\n"
		"plot 'tame.csv' using 1:2 every ::1 with lines lc rgb 'gray40' notitle\nunset label\n"
		"set tmargin at screen 0.43\nset bmargin at screen 0.12\nset format x '%g'\nset xlabel 'time / s'\n"
		"set label 1 'speed of the shaft / rpm' at graph 0, graph 1.06 left textcolor rgb '#222222'\n"
		"plot 'tame.csv' using 1:3 every ::1 with lines lc rgb 'black' notitle\nunset multiplot\n",
		"Torque of the motor at the output and speed of the free shaft: the first rows of the record.", ret,
		err);
	free(room);
	return rc;
}

enum rc carry_figure_draw(enum rc made, const char *dir, struct procedure *p, struct err *err)
{
	enum rc rc = made == RC_OK ? procedure_draw(p, dir, err) : made;

	procedure_clear(p);
	return rc;
}
