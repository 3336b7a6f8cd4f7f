/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "reports/page/compare_write.h"
#include "reports/page/figures_private.h"
#include "reports/page/gnuplot.h"
#include "reports/page/report_write.h"
#include "reports/page/table_cells.h"

#include "channel/event.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static json_t *real(double value)
{
	return isfinite(value) ? json_real(value) : json_null();
}

static const char *way(int direction)
{
	return direction > 0 ? "up" : direction < 0 ? "down" : "none";
}

static json_t *run_json(const struct compared_run *run)
{
	const struct report *r = run->side.report;
	json_t *o = json_object();

	json_object_set_new(o, "label", json_string(run->label));
	json_object_set_new(o, "run", json_integer((json_int_t)r->run.id));
	json_object_set_new(o, "actuator", json_string(r->actuator.name));
	json_object_set_new(o, "rig", json_string(r->rig.name));
	json_object_set_new(o, "virtual_bench", json_boolean(r->run.on_bench));
	if (run->procedure) {
		json_object_set_new(o, "same_rig", json_boolean(run->procedure->same_rig));
		json_object_set_new(o, "same_calibration", json_boolean(run->procedure->same_calibration));
	}
	if (run->with) {
		json_object_set_new(o, "same_rig", json_boolean(run->with->same_rig));
		json_object_set_new(o, "same_calibration", json_boolean(run->with->same_calibration));
	}
	return o;
}

static json_t *common_json(const struct common_source *common, size_t n)
{
	json_t *list = json_array();

	for (size_t i = 0; i < n; i++)
		json_array_append_new(list, json_pack("{s:s, s:o}", "source", common[i].name, "u", real(common[i].u)));
	return list;
}

static json_t *difference_json(const struct difference *d, const char *label)
{
	json_t *o = json_object();

	json_object_set_new(o, "run", json_string(label));
	json_object_set_new(o, "quantity", json_string(compare_word(d->quantity)));
	json_object_set_new(o, "at", real(d->torque_Nm));
	json_object_set_new(o, "direction", json_string(way(d->direction)));
	json_object_set_new(o, "speed_set_rpm", real(d->commanded_rpm));
	number_json_into(o, d->value, d->u, d->dof);
	json_object_set_new(o, "U", real(d->U));
	json_object_set_new(o, "common", common_json(d->common, d->n_common));
	json_object_set_new(o, "real", json_boolean(d->real));
	return o;
}

static void add_procedure(const struct compared_run *run, json_t *list, json_t *warnings)
{
	const struct procedure_comparison *c = run->procedure;

	for (size_t i = 0; i < c->n; i++) {
		const struct procedure_difference *d = &c->list[i];
		json_t *o = json_pack("{s:s, s:s, s:s, s:s}", "run", run->label, "quantity", d->other.key, "label",
				      d->other.label, "unit", d->other.unit);
		number_json_into(o, d->value, d->u, d->dof);
		json_object_set_new(o, "U", real(d->U));
		json_object_set_new(o, "reference_value", real(d->reference.value));
		json_object_set_new(o, "other_value", real(d->other.value));
		json_object_set_new(o, "common", common_json(d->common, d->n_common));
		json_object_set_new(o, "real", json_boolean(d->real));
		json_array_append_new(list, o);
	}
	for (size_t i = 0; i < c->n_warnings; i++)
		json_array_append_new(warnings, json_pack("{s:s, s:s}", "run", run->label, "message", c->warning[i]));
}

json_t *compare_to_json(const struct compared *c)
{
	json_t *doc = json_object(), *runs = json_array(), *list = json_array(), *warnings = json_array();

	for (size_t i = 0; i < c->n; i++) {
		const struct comparison *with = c->run[i].with;
		json_array_append_new(runs, run_json(&c->run[i]));
		if (c->run[i].procedure)
			add_procedure(&c->run[i], list, warnings);
		for (size_t k = 0; with && k < with->n; k++)
			json_array_append_new(list, difference_json(&with->list[k], c->run[i].label));
		for (size_t k = 0; with && k < with->n_warnings; k++)
			json_array_append_new(
				warnings, json_pack("{s:s, s:s}", "run", c->run[i].label, "message", with->warning[k]));
	}
	json_object_set_new(doc, "reference", json_string(c->run[0].label));
	json_object_set_new(doc, "runs", runs);
	json_object_set_new(doc, "confidence", real(c->confidence));
	json_object_set_new(doc, "differences", list);
	json_object_set_new(doc, "warnings", warnings);
	return doc;
}

/* --- tables --- */
static void write_differences(FILE *f, const struct compared *c)
{
	fputs("run,quantity,direction,commanded speed (rpm),torque (N m),difference,u,U,real,common sources\n", f);
	for (size_t i = 0; i < c->n; i++)
		for (size_t k = 0; c->run[i].with && k < c->run[i].with->n; k++) {
			const struct difference *d = &c->run[i].with->list[k];
			table_text(f, c->run[i].label);
			fprintf(f, ",%s,%s", compare_word(d->quantity), way(d->direction));
			table_number(f, d->commanded_rpm);
			table_number(f, d->torque_Nm);
			table_number(f, d->value);
			table_number(f, d->u);
			table_number(f, d->U);
			fprintf(f, ",%s,\"", d->real ? "yes" : "no");
			for (size_t s = 0; s < d->n_common; s++)
				fprintf(f, "%s%s", s ? "; " : "", d->common[s].name);
			fputs("\"\n", f);
		}
}

static void unc_columns(FILE *f, const struct curve *c, struct unc x, bool valid)
{
	bool known = valid && isfinite(x.value);

	table_number(f, known ? x.value : NAN);
	table_number(f, known ? unc_expanded(c->ctx, x, c->coverage, NULL) : NAN);
}

static void write_curves(FILE *f, const struct compared *c)
{
	fputs("number,run,direction,commanded speed (rpm),torque (N m),U torque (N m),speed (rpm),U speed "
	      "(rpm),efficiency "
	      "(1),U efficiency (1),input power (W),U input power (W),current (A),U current (A)\n",
	      f);
	for (size_t i = 0; i < c->n; i++) {
		const struct curve *curve = c->run[i].side.report->curve;
		for (size_t k = 0; k < curve->n; k++) {
			const struct curve_point *p = &curve->points[k];
			if (p->direction == 0 || (p->flags & POINT_REPEAT))
				continue;
			fprintf(f, "%zu,", i + 1);
			table_text(f, c->run[i].label);
			fprintf(f, ",%s", way(p->direction));
			table_number(f, p->setpoint_rpm);
			unc_columns(f, curve, p->torque_Nm, true);
			unc_columns(f, curve, p->speed_rpm, true);
			unc_columns(f, curve, p->efficiency, p->efficiency_valid);
			unc_columns(f, curve, p->input_power_W, true);
			unc_columns(f, curve, p->current_A, true);
			fputc('\n', f);
		}
	}
}

/* --- figures --- */
static const struct {
	const char *name, *title, *label, *column;
	double scale;
} figures[] = {
	{ "speed", "Speed against torque", "speed / rpm", "speed (rpm)", 1 },
	{ "efficiency", "Efficiency against torque", "efficiency / %", "efficiency (1)", 100 },
	{ "input-power", "Input power against torque", "input power / W", "input power (W)", 1 },
	{ "current", "Current against torque", "current / A", "current (A)", 1 },
};
#define FIGURES (sizeof figures / sizeof figures[0])

/* px */
#define WIDTH 700
#define KEY_LINE 21
#define KEY_TOP 12
#define CURVES_HIGH 244
#define BETWEEN 58
#define DIFFERENCES_HIGH 130
#define FOOT 76
#define MM_PER_PX 0.181 /* type of 16 px is 8 pt on paper */

static int height_of(const struct compared *c)
{
	return KEY_TOP + KEY_LINE * (int)c->n + 14 + CURVES_HIGH + BETWEEN + DIFFERENCES_HIGH + FOOT;
}

static void put_quoted(FILE *f, const char *text)
{
	fputc('\'', f);
	gnuplot_text(f, text);
	fputc('\'', f);
}

/* Of one run in both panels. The reference is drawn last and smallest, so that runs which agree are all seen. */
static const struct look {
	int filled, open;
} looks[] = { { 7, 6 }, { 5, 4 }, { 9, 8 }, { 11, 10 }, { 13, 12 }, { 15, 14 } };

static void put_look(FILE *f, const struct compared *c, size_t k, bool filled, int dashes)
{
	static const char *const ink[] = { "#111111", "#3a6ea5", "#9a4a12", "#666666" };
	const struct look *look = &looks[k % (sizeof looks / sizeof looks[0])];

	fprintf(f, "lc rgb '%s' dt %d pt %d ps %.2f ", ink[k % 4], dashes, filled ? look->filled : look->open,
		0.6 + 0.7 * (double)k / (double)c->n);
}

static void put_title(FILE *f, const struct compared_run *run, bool reference)
{
	const struct report *r = run->side.report;
	char title[sizeof run->label + sizeof r->actuator.name + 40];

	snprintf(title, sizeof title, "%s%s%s%s%s", run->label, reference ? " (reference)" : "",
		 r->actuator.name[0] ? ", " : "", r->actuator.name, r->run.on_bench ? ", virtual bench" : "");
	put_quoted(f, title);
}

static void plot_curves(FILE *f, const struct compared *c, size_t figure)
{
	fputs("plot ", f);
	for (size_t k = c->n; k-- > 0;)
		for (int down = 1; down >= 0; down--) {
			fprintf(f,
				"'curves.csv' using (column('number') == %zu && stringcolumn('direction') eq '%s' ? "
				"column('torque (N m)') : NaN):(%g * column('%s')):(%g * column('U %s')) with "
				"yerrorlines ",
				k + 1, down ? "down" : "up", figures[figure].scale, figures[figure].column,
				figures[figure].scale, figures[figure].column);
			put_look(f, c, k, !down, (int)(k % 5) + 1);
			fputs("notitle, \\\n  ", f);
		}
	for (size_t k = 0; k < c->n; k++) { /* the key in the order of the runs */
		fputs("NaN with linespoints ", f);
		put_look(f, c, k, true, (int)(k % 5) + 1);
		fputs("title ", f);
		put_title(f, &c->run[k], k == 0);
		fputs(k + 1 < c->n ? ", \\\n  " : "\n", f);
	}
}

/* Of all bars, and zero. */
static void difference_range(FILE *f, const struct compared *c, size_t figure)
{
	double low = 0, high = 0;

	for (size_t i = 1; i < c->n; i++)
		for (size_t k = 0; c->run[i].with && k < c->run[i].with->n; k++) {
			const struct difference *d = &c->run[i].with->list[k];
			if ((size_t)d->quantity != figure)
				continue;
			low = fmin(low, d->value - d->U);
			high = fmax(high, d->value + d->U);
		}
	double scale = figures[figure].scale, room = high > low ? 0.08 * (high - low) : 1;
	fprintf(f, "set yrange [%.6g:%.6g]\nset ytics %.6g\n", scale * (low - room), scale * (high + room),
		figure_step(scale * (high - low + 2 * room)));
}

/* Marks of several runs at one load stand side by side. wide: of the axis, N·m */
static void plot_differences(FILE *f, const struct compared *c, size_t figure, double wide)
{
	difference_range(f, c, figure);
	fputs("plot 0 with lines lc rgb '#888888' lw 1 notitle", f);
	for (size_t k = 1; k < c->n; k++)
		for (int is_real = 0; is_real < 2; is_real++) {
			fputs(", \\\n  'differences.csv' using (stringcolumn('run') eq ", f);
			put_quoted(f, c->run[k].label);
			fprintf(f,
				" && stringcolumn('quantity') eq '%s' && stringcolumn('real') eq '%s' ? column('torque "
				"(N m)') + %.6g : NaN):(%g * column('difference')):(%g * column('U')) with yerrorbars ",
				compare_word((enum compare_quantity)figure), is_real ? "yes" : "no",
				0.014 * wide * ((double)k - (double)c->n / 2), figures[figure].scale,
				figures[figure].scale);
			put_look(f, c, k, is_real, 1);
			fputs("notitle", f);
		}
	fputc('\n', f);
}

static void torque_range(const struct compared *c, double *low, double *high)
{
	*low = *high = 0;
	for (size_t i = 0; i < c->n; i++) {
		const struct curve *curve = c->run[i].side.report->curve;
		for (size_t k = 0; k < curve->n; k++) {
			*low = fmin(*low, curve->points[k].torque_Nm.value);
			*high = fmax(*high, curve->points[k].torque_Nm.value);
		}
	}
	double room = 0.04 * (*high - *low);
	*low -= *low < 0 ? room : 0;
	*high += room > 0 ? room : 1;
}

static void write_script(FILE *f, const struct compared *c)
{
	const double height = height_of(c), top = KEY_TOP + KEY_LINE * (double)c->n + 14;
	double low, high;

	torque_range(c, &low, &high);
	fprintf(f,
		"# Draws the curves of the runs compared, from curves.csv and differences.csv beside it: gnuplot "
		"compare.gp\n"
		"# Above, filled marks: rising loads; open marks: falling loads. Bars: expanded uncertainty (95 %%).\n"
		"# Below, less the reference, what both share cancelled; filled marks: the difference is real.\n"
		"reset\nset encoding utf8\nset minussign\nset datafile separator ','\nset datafile columnheaders\n"
		"set border 3 lc rgb '#444444'\nset tics nomirror out textcolor rgb '#222222'\n"
		"set grid lc rgb '#dddddd' lw 0.7 dt 1\nset offsets 0, 0, graph 0.06, graph 0.06\n"
		"set xrange [%.8g:%.8g]\nset lmargin at screen 0.165\nset rmargin at screen 0.975\n",
		low, high);
	for (size_t i = 0; i < FIGURES; i++) {
		fprintf(f,
			"do for [kind = 0:2] {\n"
			"if (kind == 0) { set terminal svg size %d,%d dynamic enhanced font 'sans-serif,16' background "
			"'#ffffff' }\n"
			"if (kind == 1) { set terminal pngcairo size %d,%d enhanced font 'Sans,24' background "
			"'#ffffff' linewidth 2 pointscale 2 }\n"
			"if (kind == 2) { set terminal pdfcairo size 7in,%.2fin enhanced font 'Sans,11' background "
			"'#ffffff' }\n"
			"set output '%s' . (kind == 0 ? '.svg' : kind == 1 ? '.png' : '.pdf')\nset multiplot\n",
			WIDTH, (int)height, 2 * WIDTH, 2 * (int)height, height / 100, figures[i].name);
		fprintf(f,
			"set tmargin at screen %.5f\nset bmargin at screen %.5f\nset format x ''\nset xlabel ''\n"
			"set key at screen 0.165, screen %.5f left top vertical Left reverse maxcols 1 noenhanced "
			"spacing 1.05\n"
			"set label 2 '%s' at screen 0.022, screen %.5f center rotate by 90\n",
			1 - top / height, 1 - (top + CURVES_HIGH) / height, 1 - KEY_TOP / height, figures[i].label,
			1 - (top + CURVES_HIGH / 2.0) / height);
		plot_curves(f, c, i);
		fprintf(f,
			"unset key\nset tmargin at screen %.5f\nset bmargin at screen %.5f\nset format x '%%g'\n"
			"set xlabel 'torque / N·m' offset 0,0.3\nunset label\n"
			"set label 1 '%s less the reference' at graph 0, graph 1 offset 0, char 0.9 left\n",
			(FOOT + DIFFERENCES_HIGH) / height, FOOT / height, figures[i].label);
		plot_differences(f, c, i, high - low);
		fputs("unset label\nset yrange [*:*]\nset ytics autofreq\nunset multiplot\nset output\n}\n", f);
	}
}

static enum rc write_one(const struct compared *c, const char *dir, const char *name,
			 void (*put)(FILE *f, const struct compared *c), struct err *err)
{
	char path[FILES_PATH];
	FILE *f = NULL;
	enum rc rc = files_open(dir, name, path, &f, err);

	if (rc != RC_OK)
		return rc;
	put(f, c);
	return files_close(f, path, err);
}

static enum rc write_page(const struct compared *c, const char *dir, const struct figures *drawn, struct err *err)
{
	struct page_file page;
	enum rc rc = page_open(&page, dir, "compare.html", err);

	if (rc != RC_OK)
		return rc;
	rc = compare_page(page.f, c, dir, drawn, err);
	return page_close(&page, rc, err);
}

static void write_procedures(FILE *f, const struct compared *c)
{
	fputs("run,quantity,key,unit,reference,other,difference,u,U,real,common sources\n", f);
	for (size_t i = 1; i < c->n; i++)
		for (size_t k = 0; k < c->run[i].procedure->n; k++) {
			const struct procedure_difference *d = &c->run[i].procedure->list[k];
			table_text(f, c->run[i].label);
			fputc(',', f);
			table_text(f, d->other.label);
			fprintf(f, ",%s,%s", d->other.key, d->other.unit);
			table_number(f, d->reference.value);
			table_number(f, d->other.value);
			table_number(f, d->value);
			table_number(f, d->u);
			table_number(f, d->U);
			fprintf(f, ",%s,\"", d->real ? "yes" : "no");
			for (size_t s = 0; s < d->n_common; s++)
				fprintf(f, "%s%s", s ? "; " : "", d->common[s].name);
			fputs("\"\n", f);
		}
}

static enum rc draw_curves(const struct compared *c, const char *dir, struct figures *ret, struct err *err)
{
	for (size_t i = 0; i < FIGURES; i++)
		gnuplot_remove(dir, figures[i].name);
	enum rc rc = gnuplot_run(dir, "compare.gp", GNUPLOT_NEEDED, err);

	for (size_t i = 0; i < FIGURES && rc == RC_OK; i++) {
		struct figure *one = &ret->figure[ret->n++];
		snprintf(one->name, sizeof one->name, "%s", figures[i].name);
		snprintf(one->title, sizeof one->title, "%s", figures[i].title);
		snprintf(one->caption, sizeof one->caption,
			 "Above %zu runs, each with marks and a line of its own; filled: rising loads, open: falling "
			 "loads. Bars: expanded uncertainty (95 %%) of each run by itself. Below the differences, "
			 "what both share cancelled, side by side at each load; filled: real.",
			 c->n);
		one->paper_mm = MM_PER_PX * height_of(c);
	}
	return rc;
}

static enum rc write_all(const struct compared *c, const char *dir, bool draw, struct err *err)
{
	bool procedures = c->n > 1 && c->run[1].procedure;
	struct figures drawn = { 0 };
	enum rc rc = write_one(c, dir, "differences.csv", procedures ? write_procedures : write_differences, err);
	if (rc == RC_OK && !procedures)
		rc = write_one(c, dir, "curves.csv", write_curves, err);
	if (rc == RC_OK && !procedures)
		rc = write_one(c, dir, "compare.gp", write_script, err);
	if (rc != RC_OK)
		return rc;
	if (!procedures && draw)
		rc = draw_curves(c, dir, &drawn, err);
	if (rc == RC_OK)
		rc = write_page(c, dir, &drawn, err);
	if (rc != RC_OK) /* beside the new tables stands no page of before */
		(void)!write_page(c, dir, &(struct figures){ 0 }, NULL);
	return rc;
}

enum rc compare_write(const struct compared *c, const char *dir, bool draw, struct err *err)
{
	int taken;
	enum rc rc = files_take_dir(dir, &taken, err);

	if (rc == RC_OK)
		rc = write_all(c, dir, draw, err);
	files_give_dir(taken);
	return rc;
}
