/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/figures_private.h"

#include "channel/event.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FEWEST_SPEEDS 3
#define LINE_MAX PROFILE_STEPS
#define WIDTH 700
#define LEVELS_MAX 24
#define PLACES 3        /* of a value along a piece of its line */
#define VALUE_WIDE 30.0 /* px, half the box of a value and a dot */
#define VALUE_HIGH 14.0
#define ON_A_DOT 0.001 /* better there than nowhere */

/* The rising points of one commanded speed, lightest first. */
struct line {
	double rpm;
	size_t n;
	const struct curve_point *at[LINE_MAX];
};

struct corner {
	double rpm, Nm, value; /* as signed as measured; efficiency in percent */
};

struct map {
	struct script *s;
	const struct curve *c;
	size_t n; /* lines, by rising speed without its sign, forward ones first */
	struct line line[PROFILE_SPEEDS];
	bool way[2];            /* forward, backward: has lines enough */
	double low, high, step; /* of the levels */
	double most_rpm, most_Nm;
};

static bool is_shown(const struct curve_point *p)
{
	return p->direction >= 0 && !(p->flags & (POINT_REPEAT | POINT_CUT)) && p->efficiency_valid && !p->impossible &&
	       isfinite(p->setpoint_rpm);
}

static void add_point(struct map *m, const struct curve_point *p)
{
	size_t k = 0, i;

	while (k < m->n && fabs(m->line[k].rpm - p->setpoint_rpm) > 1e-6)
		k++;
	if (k == PROFILE_SPEEDS)
		return;
	if (k == m->n)
		m->line[m->n++] = (struct line){ .rpm = p->setpoint_rpm };
	struct line *l = &m->line[k];
	if (l->n == LINE_MAX)
		return;
	for (i = l->n++; i > 0 && fabs(l->at[i - 1]->torque_Nm.value) > fabs(p->torque_Nm.value); i--)
		l->at[i] = l->at[i - 1];
	l->at[i] = p;
}

static int by_speed(const void *a, const void *b)
{
	double x = ((const struct line *)a)->rpm, y = ((const struct line *)b)->rpm;

	if ((x < 0) != (y < 0))
		return x < 0 ? 1 : -1;
	return (fabs(x) > fabs(y)) - (fabs(x) < fabs(y));
}

static void survey(struct map *m)
{
	size_t lines[2] = { 0 };
	double low = INFINITY, high = -INFINITY;

	for (size_t i = 0; i < m->c->n; i++) {
		const struct curve_point *p = &m->c->points[i];
		if (!is_shown(p))
			continue;
		add_point(m, p);
		low = fmin(low, 100 * p->efficiency.value);
		high = fmax(high, 100 * p->efficiency.value);
		m->most_rpm = fmax(m->most_rpm, fabs(p->speed_rpm.value));
		m->most_Nm = fmax(m->most_Nm, fabs(p->torque_Nm.value));
	}
	qsort(m->line, m->n, sizeof m->line[0], by_speed);
	for (size_t k = 0; k < m->n; k++)
		lines[m->line[k].rpm < 0]++;
	for (int w = 0; w < 2; w++)
		m->way[w] = lines[w] >= FEWEST_SPEEDS;
	m->step = high > low ? figure_step(high - low) / 2 : 1;
	m->low = m->step * floor(low / m->step);
	m->high = high;
}

/* --- triangles between neighbouring lines --- */
static struct corner corner_of(const struct curve_point *p)
{
	return (struct corner){ p->speed_rpm.value, p->torque_Nm.value, 100 * p->efficiency.value };
}

typedef void each_triangle(void *ctx, const struct corner t[3]);

/* A strip from one line to the next: at each turn the shorter of both diagonals. */
static void strip(const struct line *a, const struct line *b, each_triangle *each, void *ctx)
{
	size_t i = 0, j = 0;

	while (i + 1 < a->n || j + 1 < b->n) {
		struct corner t[3] = { corner_of(a->at[i]), corner_of(b->at[j]) };
		bool on_a = j + 1 == b->n;
		if (i + 1 < a->n && j + 1 < b->n)
			on_a = fabs(a->at[i + 1]->torque_Nm.value - t[1].Nm) <=
			       fabs(b->at[j + 1]->torque_Nm.value - t[0].Nm);
		t[2] = on_a ? corner_of(a->at[++i]) : corner_of(b->at[++j]);
		each(ctx, t);
	}
}

static void all_triangles(const struct map *m, each_triangle *each, void *ctx)
{
	for (size_t k = 0; k + 1 < m->n; k++) {
		const struct line *a = &m->line[k], *b = &m->line[k + 1];
		if ((a->rpm < 0) == (b->rpm < 0) && m->way[a->rpm < 0])
			strip(a, b, each, ctx);
	}
}

/* --- what lies above a level of a triangle, by linear interpolation along its sides --- */
static struct corner between(struct corner a, struct corner b, double level)
{
	double share = (level - a.value) / (b.value - a.value);

	return (struct corner){ a.rpm + share * (b.rpm - a.rpm), a.Nm + share * (b.Nm - a.Nm), level };
}

/* The part of a polygon whose value is at least (or, below, at most) a level. n and the return value: corners. */
static size_t clip(const struct corner *in, size_t n, double level, bool below, struct corner *out)
{
	size_t kept = 0;

	for (size_t i = 0; i < n; i++) {
		struct corner a = in[i], b = in[(i + 1) % n];
		bool a_in = below ? a.value <= level : a.value >= level;
		bool b_in = below ? b.value <= level : b.value >= level;
		if (a_in)
			out[kept++] = a;
		if (a_in != b_in)
			out[kept++] = between(a, b, level);
	}
	return kept;
}

struct band {
	FILE *f;
	double from, to;
};

static void fill(void *ctx, const struct corner t[3])
{
	const struct band *b = ctx;
	struct corner upper[8], piece[16];
	size_t n = clip(t, 3, b->from, false, upper);

	n = clip(upper, n, b->to, true, piece);
	if (n < 3)
		return;
	for (size_t i = 0; i <= n; i++)
		fprintf(b->f, "%.6g,%.6g\n", piece[i % n].rpm, piece[i % n].Nm);
	fputs("\n", b->f);
}

struct iso {
	const struct map *m;
	FILE *f;
	double level, best;
	struct corner middle; /* of the piece that is farthest from the values that stand already */
	const struct corner *placed;
	size_t n_placed;
	double most_rpm, most_Nm;
};

/* px of a figure's plane, which both quadrants share */
static double wide_px(const struct map *m, double rpm)
{
	return rpm / (1.15 * m->most_rpm) * 590 / (m->way[0] && m->way[1] ? 2 : 1);
}

static double high_px(const struct map *m, double Nm)
{
	return Nm / (1.15 * m->most_Nm) * (m->way[0] && m->way[1] ? 270 : 320);
}

/* The box of a value would lie on a measured dot. */
static bool on_a_dot(const struct map *m, struct corner at)
{
	for (size_t k = 0; k < m->n; k++)
		for (size_t i = 0; i < m->line[k].n; i++) {
			const struct curve_point *p = m->line[k].at[i];
			if (fabs(wide_px(m, p->speed_rpm.value - at.rpm)) < VALUE_WIDE &&
			    fabs(high_px(m, p->torque_Nm.value - at.Nm)) < VALUE_HIGH)
				return true;
		}
	return false;
}

static double apart(const struct iso *iso, struct corner at)
{
	double least = INFINITY;

	for (size_t i = 0; i < iso->n_placed; i++)
		least = fmin(least, hypot((at.rpm - iso->placed[i].rpm) / iso->most_rpm,
					  (at.Nm - iso->placed[i].Nm) / iso->most_Nm));
	return fmin(least, 1);
}

static void draw_iso(void *ctx, const struct corner t[3])
{
	struct iso *iso = ctx;
	struct corner end[3];
	size_t n = 0;

	for (int i = 0; i < 3; i++) {
		struct corner a = t[i], b = t[(i + 1) % 3];
		if ((a.value < iso->level) != (b.value < iso->level))
			end[n++] = between(a, b, iso->level);
	}
	if (n != 2)
		return;
	fprintf(iso->f, "%.6g,%.6g\n%.6g,%.6g\n\n", end[0].rpm, end[0].Nm, end[1].rpm, end[1].Nm);
	for (int i = 1; i <= PLACES; i++) {
		double share = (double)i / (PLACES + 1);
		struct corner at = { end[0].rpm + share * (end[1].rpm - end[0].rpm),
				     end[0].Nm + share * (end[1].Nm - end[0].Nm), iso->level };
		double far = apart(iso, at) * (on_a_dot(iso->m, at) ? ON_A_DOT : 1);
		if (far > iso->best) {
			iso->best = far;
			iso->middle = at;
		}
	}
}

/* --- data of the script --- */
static size_t level_count(const struct map *m)
{
	return (size_t)fmin(LEVELS_MAX, fmax(1, ceil((m->high - m->low) / m->step)));
}

static void write_bands(const struct map *m)
{
	for (size_t k = 0; k < level_count(m); k++) {
		struct band b = { m->s->f, m->low + (double)k * m->step, m->low + (double)(k + 1) * m->step };
		fprintf(b.f, "$band%zu << EOD\nspeed,torque\n", k);
		all_triangles(m, fill, &b);
		fputs("NaN,NaN\nEOD\n", b.f);
	}
}

/* ret_label: where the value of each line stands. Returns their number. */
static size_t write_lines(const struct map *m, struct corner ret_label[LEVELS_MAX])
{
	FILE *f = m->s->f;
	size_t labels = 0;

	fputs("$iso << EOD\nspeed,torque\n", f);
	for (size_t k = 1; k < level_count(m); k++) {
		struct iso iso = { .m = m,
				   .f = f,
				   .level = m->low + (double)k * m->step,
				   .placed = ret_label,
				   .n_placed = labels,
				   .most_rpm = m->most_rpm,
				   .most_Nm = m->most_Nm };
		all_triangles(m, draw_iso, &iso);
		if (iso.best > 0)
			ret_label[labels++] = iso.middle;
	}
	fputs("NaN,NaN\nEOD\n", f);
	return labels;
}

static void put_labels(const struct map *m, const struct corner *label, size_t n)
{
	FILE *f = m->s->f;

	for (size_t i = 0; i < n; i++)
		fprintf(f, "set label %zu '%g %%' at %.6g,%.6g center boxed front font ',13' textcolor rgb '#111111'\n",
			i + 1, label[i].value, label[i].rpm, label[i].Nm);
	for (size_t k = 0; k < m->n; k++) {
		const struct curve_point *top = m->line[k].at[m->line[k].n - 1];
		if (m->way[m->line[k].rpm < 0])
			fprintf(f,
				"set label %zu '%s' at %.6g,%.6g center offset 0,%s front font ',13' textcolor rgb "
				"'#333333'\n",
				100 + k, top->limit == LIMIT_NONE ? "no limit" : limit_word(top->limit),
				top->speed_rpm.value, top->torque_Nm.value, m->line[k].rpm < 0 ? "-0.9" : "0.9");
	}
}

static void write_points(const struct map *m)
{
	FILE *f = m->s->f;

	fputs("$measured << EOD\nspeed,torque\n", f);
	for (size_t k = 0; k < m->n; k++)
		for (size_t i = 0; m->way[m->line[k].rpm < 0] && i < m->line[k].n; i++)
			fprintf(f, "%.6g,%.6g\n", m->line[k].at[i]->speed_rpm.value, m->line[k].at[i]->torque_Nm.value);
	fputs("EOD\n$envelope << EOD\nspeed,torque\n", f);
	for (size_t k = 0; k < m->n; k++) {
		const struct line *l = &m->line[k];
		if (!m->way[l->rpm < 0])
			continue;
		if (k > 0 && (m->line[k - 1].rpm < 0) != (l->rpm < 0))
			fputs("\n", f);
		const struct curve_point *top = l->at[l->n - 1];
		fprintf(f, "%.6g,%.6g\n", top->speed_rpm.value, top->torque_Nm.value);
	}
	fputs("EOD\n", f);
}

static void set_axes(const struct map *m)
{
	fprintf(m->s->f,
		"set xlabel 'speed / rpm'\nset ylabel 'torque / N·m'\nset xrange [%.6g:%.6g]\nset yrange [%.6g:%.6g]\n"
		"set style textbox opaque noborder fillcolor rgb '#ffffff' margins 1,0.5\n",
		m->way[1] ? -1.15 * m->most_rpm : 0, m->way[0] ? 1.15 * m->most_rpm : 0,
		m->way[1] ? -1.15 * m->most_Nm : 0, m->way[0] ? 1.15 * m->most_Nm : 0);
}

void efficiency_map_draw(struct script *s)
{
	struct map *m = calloc(1, sizeof *m);

	if (m == NULL)
		return;
	m->s = s;
	m->c = s->r->curve;
	survey(m);
	if (m->way[0] || m->way[1]) {
		bool both = m->way[0] && m->way[1];
		size_t bands = level_count(m);
		struct corner label[LEVELS_MAX];
		write_bands(m);
		write_points(m);
		size_t labels = write_lines(m, label);
		struct figure *figure =
			figure_begin(s, "efficiency-map", "Efficiency over speed and torque", WIDTH, both ? 680 : 460);
		set_axes(m);
		fputs("unset key\n", s->f);
		put_labels(m, label, labels);
		fputs("plot \\\n", s->f);
		for (size_t k = 0; k < bands; k++) {
			int grey = 130 + (int)(115 * (k + 1) / bands);
			fprintf(s->f,
				"  $band%zu using 1:2 with filledcurves closed fc rgb '#%02x%02x%02x' notitle, \\\n", k,
				(unsigned)grey, (unsigned)grey, (unsigned)grey);
		}
		fputs("  $iso using 1:2 with lines lc rgb '#222222' lw 1 notitle, \\\n"
		      "  $envelope using 1:2 with lines lc rgb '#111111' lw 2 dt (6,3) notitle, \\\n"
		      "  $measured using 1:2 with points pt 7 ps 0.6 lc rgb '#111111' notitle\n",
		      s->f);
		figure_end(s);
		figure_caption(figure,
			       "Lighter is better; lines join places of equal efficiency. Dots: measured points with "
			       "rising load; between them by triangles, beyond them nothing. Dashed: the heaviest "
			       "point of each "
			       "speed, and what limited it.");
	}
	free(m);
}
