/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/certificate_private.h"
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include "logbook/record.h"
#include "profile/profile.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define PATH_ROOM 1200

void certificate_free(struct certificate *c)
{
	if (c == NULL)
		return;
	json_decref(c->doc);
	free(c);
}

/* --- gathered --- */
struct search {
	int64_t id, run_id;
	struct certificate *c;
	bool found;
};

static bool is_it(void *ctx, const struct record_info *record)
{
	struct search *s = ctx;

	if (record->id != s->id)
		return true;
	s->found = true;
	s->run_id = record->run_id;
	snprintf(s->c->program, sizeof s->c->program, "%s", record->program ? record->program : "");
	return false;
}

static enum rc take_rig(struct logbook *lb, int64_t run_id, struct certificate *c, struct err *err)
{
	char *rig = NULL, *actuator = NULL, *plan = NULL;
	struct mistakes m = { 0 };
	struct run_info run;

	if (run_id == 0)
		return RC_OK;
	enum rc rc = logbook_run_info(lb, run_id, &run, err);
	if (rc == RC_OK)
		rc = logbook_run_texts(lb, run_id, &rig, &actuator, &plan, err);
	if (rc == RC_OK && rig != NULL)
		rc = profile_parse_rig(rig, "rig.ini of that day", &c->paper.rig, &m, err);
	c->on_bench = rc == RC_OK && run.on_bench;
	free(rig);
	free(actuator);
	free(plan);
	return rc;
}

static void describe(struct certificate *c)
{
	struct report *p = &c->paper;
	char when[40];

	text_time(when, sizeof when, p->has_map ? p->map_wall_ns : p->cal_wall_ns);
	snprintf(p->subject, sizeof p->subject, "%s, record %lld",
		 p->has_map ? "Map of the brake" : "Calibration of the torque cell", (long long)c->record_id);
	if (p->has_map)
		snprintf(p->source, sizeof p->source, "%s%s%s", p->rig.name, p->rig.name[0] ? ", " : "", when);
	else
		snprintf(p->source, sizeof p->source, "%s%s%s, %s", p->rig.cell_class,
			 p->rig.cell_class[0] ? ", on " : "", p->rig.name[0] ? p->rig.name : "from a table of readings",
			 when);
	if (c->on_bench)
		snprintf(p->source + strlen(p->source), sizeof p->source - strlen(p->source),
			 " (a virtual bench, not a real rig)");
}

static enum rc take_record(const char *kind, const char *json, int64_t wall_ns, struct certificate *c, struct err *err)
{
	enum rc rc;

	if (strcmp(kind, "calibration") == 0) {
		c->paper.cal_wall_ns = wall_ns;
		rc = record_to_cellcal(json, &c->paper.cal, err);
	} else if (strcmp(kind, "map") == 0) {
		c->paper.map_wall_ns = wall_ns;
		rc = record_to_brakemap(json, &c->paper.map, err);
		c->paper.has_map = rc == RC_OK;
	} else {
		rc = err_set(
			err, RC_ARG, 0,
			"record %lld is no calibration that is used and no map of the brake (it is \"%s\"): bridle "
			"log lists the records",
			(long long)c->record_id, kind);
	}
	if (rc == RC_OK)
		c->doc = json_loads(json, 0, NULL);
	if (rc == RC_OK && !c->paper.has_map)
		report_take_cal_points(&c->paper, c->doc);
	return rc;
}

static enum rc gather(struct logbook *lb, struct certificate *c, struct err *err)
{
	struct search search = { .id = c->record_id, .c = c };
	char *kind = NULL, *json = NULL;
	int64_t wall_ns = 0;
	enum rc rc = logbook_record_by_id(lb, c->record_id, &kind, &wall_ns, &json, err);

	if (rc == RC_OK)
		rc = take_record(kind, json, wall_ns, c, err);
	if (rc == RC_OK)
		rc = logbook_each_record(lb, kind, RECORD_ANY, is_it, &search, err);
	if (rc == RC_OK)
		rc = take_rig(lb, search.run_id, c, err);
	free(kind);
	free(json);
	describe(c);
	return rc;
}

enum rc certificate_of(struct logbook *lb, int64_t record_id, struct certificate **ret, struct err *err)
{
	struct certificate *c = calloc(1, sizeof *c);

	if (c == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	c->record_id = record_id;
	enum rc rc = gather(lb, c, err);
	if (rc != RC_OK) {
		certificate_free(c);
		return rc;
	}
	*ret = c;
	return RC_OK;
}

/* --- written --- */
static double real_of(const json_t *o, const char *key)
{
	const json_t *v = json_object_get(o, key);

	return json_is_number(v) ? json_number_value(v) : NAN;
}

void certificate_item(FILE *f, const char *term, const char *format, ...)
{
	char text[600];
	va_list args;

	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	fprintf(f, "<dt>%s</dt><dd>", term);
	text_html_kept(f, text[0] ? text : "not stated");
	fputs("</dd>\n", f);
}

static void torque_item(FILE *f, const char *term, double value_Nm)
{
	if (!isfinite(value_Nm))
		return;
	if (fabs(value_Nm) >= 1e-3 || !(fabs(value_Nm) > 0))
		certificate_item(f, term, "%.2g N·m", value_Nm);
	else
		certificate_item(f, term, "%.2g mN·m", 1e3 * value_Nm);
}

void certificate_begin(FILE *f, const char *kind, const char *subject, const char *source, bool on_bench)
{
	fprintf(f, "<header>\n<p class=\"kind\">%s</p>\n<h1>", kind);
	text_html(f, subject);
	fputs("</h1>\n<p class=\"source\">", f);
	text_html(f, source);
	fputs("</p>\n", f);
	if (on_bench)
		fputs("<p class=\"virtual\">Virtual bench: every figure here was computed, none was measured on a real "
		      "rig.</p>\n",
		      f);
}

static void first_screen(FILE *f, const struct certificate *c)
{
	const struct report *p = &c->paper;

	certificate_begin(f, "Calibration", p->subject, p->source, c->on_bench);
	fputs("<p class=\"result\">", f);
	if (isfinite(p->cal.class_value))
		fprintf(f, "Class %.3g", p->cal.class_value);
	else
		fputs("No class", f);
	fprintf(f, ", %.4g to %.4g N·m by dead weights.</p>\n</header>\n", p->cal.min_Nm, p->cal.max_Nm);
}

/* "+ 8.686724994 × 10^−6 x", with ten digits. */
static void coefficient(FILE *f, size_t power, double value)
{
	static const char *const x[] = { "", " x", " x²", " x³" };
	char text[40];

	snprintf(text, sizeof text, "%.10g", power ? fabs(value) : value);
	char *e = strchr(text, 'e');
	fprintf(f, "%s%.*s", !power ? "" : value < 0 ? " − " : " + ", (int)(e ? e - text : (long)strlen(text)), text);
	if (e)
		fprintf(f, " × 10<sup>%s%d</sup>", e[1] == '-' ? "−" : "", abs(atoi(e + 1)));
	fputs(x[power < 3 ? power : 3], f);
}

static void results(FILE *f, const struct certificate *c)
{
	const struct cellcal *cal = &c->paper.cal;
	const json_t *equation = json_object_get(json_object_get(c->doc, "evaluation"), "equation"), *power;
	size_t i;

	fputs("<section>\n<h2>Result</h2>\n<dl>\n", f);
	fputs("<dt>Torque in N·m of a reading less its tare, x counts</dt><dd>", f);
	json_array_foreach(json_object_get(equation, "torque_Nm_by_power_of_indication"), i, power)
		coefficient(f, i, json_number_value(power));
	fputs("</dd>\n", f);
	torque_item(f, "Repeatability", cal->repeatability_Nm);
	torque_item(f, "Reproducibility", cal->reproducibility_Nm);
	torque_item(f, "Reversibility", cal->reversibility_Nm);
	torque_item(f, "Zero return", cal->zero_return_Nm);
	torque_item(f, "Resolution", cal->resolution_Nm);
	char class[20] = "none";
	if (isfinite(cal->class_value))
		snprintf(class, sizeof class, "%.3g", cal->class_value);
	certificate_item(f, "Class", "%s%s%s", class, cal->class_note[0] ? ": " : "", cal->class_note);
	fputs("</dl>\n</section>\n", f);
}

static void share(FILE *f, const char *label, double frac)
{
	fprintf(f, "<td class=\"n\" data-label=\"%s\">", label);
	if (isfinite(frac))
		fprintf(f, "%.3f</td>", 100 * frac);
	else
		fputs("–</td>", f);
}

static void loads(FILE *f, const struct certificate *c)
{
	static const struct {
		const char *key, *label;
	} columns[] = {
		{ "repeatability_frac", "repeatability, %" },  { "reproducibility_frac", "reproducibility, %" },
		{ "reversibility_frac", "reversibility, %" },  { "fit_frac", "fit, %" },
		{ "u_reference_frac", "u of the weights, %" }, { "U_frac", "U, %" },
	};
	const json_t *step, *evaluation = json_object_get(c->doc, "evaluation");
	size_t i;

	fprintf(f,
		"<section>\n<h2>By load</h2>\n<table class=\"stack\">\n<caption>In percent of the load. U: expanded "
		"uncertainty, k = "
		"%.3g.</caption>\n"
		"<thead><tr><th class=\"n\">Torque<br><span class=\"unit\">N·m</span></th><th class=\"n\">Mean "
		"indication<br><span class=\"unit\">counts</span></th><th class=\"n\">Repeatability</th><th "
		"class=\"n\">Reproducibility</th><th class=\"n\">Reversibility</th><th class=\"n\">Fit</th><th "
		"class=\"n\">u of the weights</th><th class=\"n\">U</th><th>Class</th></tr></thead>\n<tbody>\n",
		real_of(evaluation, "k"));
	json_array_foreach(json_object_get(evaluation, "steps"), i, step)
	{
		const char *word = json_string_value(json_object_get(step, "class"));
		fprintf(f,
			"<tr><td class=\"n\" data-label=\"torque, N·m\">%.5g</td><td class=\"n\" data-label=\"mean "
			"indication, counts\">%.0f</td>",
			real_of(step, "torque_Nm"), real_of(step, "indication"));
		for (size_t k = 0; k < sizeof columns / sizeof columns[0]; k++)
			share(f, columns[k].label, real_of(step, columns[k].key));
		fputs("<td data-label=\"class\">", f);
		text_html(f, word ? word : "–");
		fputs("</td></tr>\n", f);
	}
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void readings(FILE *f, const struct certificate *c)
{
	const json_t *point;
	size_t i;

	fputs("<section>\n<h2>Readings</h2>\n<table class=\"narrow\">\n<caption>Each reading less the tare of its "
	      "series.</caption>\n<thead><tr>"
	      "<th>Series</th><th>Mounting</th><th>Load</th><th class=\"n\">Torque<br><span "
	      "class=\"unit\">N·m</span></th><th class=\"n\">Indication<br><span class=\"unit\">counts</span></th><th "
	      "class=\"n\">Less fit<br><span class=\"unit\">N·m</span></th></tr></thead>\n<tbody>\n",
	      f);
	json_array_foreach(json_object_get(c->doc, "points"), i, point)
	{
		const char *way = json_string_value(json_object_get(point, "direction"));
		fprintf(f,
			"<tr><td data-label=\"series\">%d</td><td data-label=\"mounting\">%d</td><td "
			"data-label=\"load\">",
			(int)real_of(point, "series"), (int)real_of(point, "position"));
		text_html(f, way ? way : "");
		fprintf(f,
			"%s</td><td class=\"n\" data-label=\"torque, N·m\">%.4f</td><td class=\"n\" "
			"data-label=\"indication, counts\">%.0f</td><td class=\"n\" data-label=\"less fit, "
			"N·m\">%+.4f</td></tr>\n",
			json_is_true(json_object_get(point, "outlier")) ? ", outlier" : "", real_of(point, "torque_Nm"),
			real_of(point, "indication"), real_of(point, "residual_Nm"));
	}
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void particulars(FILE *f, const struct certificate *c)
{
	const struct rig_profile *rig = &c->paper.rig;
	const json_t *evaluation = json_object_get(c->doc, "evaluation");
	const char *table = json_string_value(json_object_get(evaluation, "table")),
		   *status = json_string_value(json_object_get(evaluation, "table_status"));
	double ambient = real_of(c->doc, "ambient_degC");
	char when[40];

	text_time(when, sizeof when, c->paper.cal_wall_ns);
	fputs("<section id=\"particulars\">\n<h2>Particulars</h2>\n<dl>\n", f);
	certificate_item(f, "Record", "%lld of %s, by bridle %s", (long long)c->record_id, when, c->program);
	certificate_item(f, "Torque cell", "%s", rig->cell_class);
	certificate_item(f, "Rig", "%s", rig->name);
	certificate_item(f, "Place", "%s", rig->place);
	certificate_item(f, "Operator", "%s", rig->operator_name);
	certificate_item(f, "Calibration arm", "%.6g m", real_of(c->doc, "arm_m"));
	certificate_item(f, "Local gravity", "%.6g m/s²", real_of(c->doc, "gravity_m_per_s2"));
	if (isfinite(ambient))
		certificate_item(f, "Ambient temperature", "%.1f °C (indicated)", ambient);
	certificate_item(
		f, "Method",
		"Dead weights on a calibration arm, in the shape of the guides for torque and force (docs/method.md)");
	certificate_item(f, "Limits of the classes", "%s%s%s", table ? table : "", status ? ": " : "",
			 status ? status : "");
	fputs("</dl>\n<p>It holds for this cell, converter and arm as they were mounted, within the torques covered. "
	      "It ends "
	      "when one of them is changed, dropped or overloaded. Hang the check weight before each day of work: "
	      "bridle "
	      "ready does, and bridle log check shows how it went.</p>\n<p class=\"sign\">Date, name and "
	      "signature:</p>\n</section>\n",
	      f);
}

static enum rc put_calibration(FILE *f, const struct certificate *c, const char *dir, const struct figures *figures,
			       struct err *err)
{
	enum rc rc = RC_OK;

	first_screen(f, c);
	if (figures->n > 0)
		rc = page_figures(f, dir, figures, err);
	results(f, c);
	loads(f, c);
	readings(f, c);
	particulars(f, c);
	return rc;
}

static enum rc put_page(FILE *f, const struct certificate *c, const char *dir, const struct figures *figures,
			struct err *err)
{
	char foot[500];

	char when[40];

	text_time(when, sizeof when, c->paper.has_map ? c->paper.map_wall_ns : c->paper.cal_wall_ns);
	snprintf(foot, sizeof foot, "%s of %s%s%s%s", c->paper.subject, when, c->paper.rig.name[0] ? ", " : "",
		 c->paper.rig.name, c->on_bench ? " (virtual bench)" : "");
	page_head(f, c->paper.subject, foot);
	enum rc rc = c->paper.has_map ? certificate_put_map(f, c, dir, figures, err)
				      : put_calibration(f, c, dir, figures, err);
	fputs("</main>\n</body>\n</html>\n", f);
	return rc;
}

static enum rc write_page(const struct certificate *c, const char *dir, const struct figures *figures, struct err *err)
{
	struct page_file page;
	enum rc rc = page_open(&page, dir, "certificate.html", err);

	if (rc != RC_OK)
		return rc;
	rc = put_page(page.f, c, dir, figures, err);
	return page_close(&page, rc, err);
}

static enum rc write_all(const struct certificate *c, const char *dir, bool with_figures, struct err *err)
{
	struct figures figures = { 0 };
	enum rc rc = files_write_tables(&c->paper, dir, err);

	if (rc != RC_OK)
		return rc;
	if (with_figures)
		rc = figures_write(&c->paper, dir, true, &figures, err);
	if (rc == RC_OK)
		rc = write_page(c, dir, &figures, err);
	if (rc != RC_OK) /* beside the new tables stands no page of before */
		(void)!write_page(c, dir, &(struct figures){ 0 }, NULL);
	return rc;
}

enum rc certificate_write(const struct certificate *c, const char *dir, bool with_figures, struct err *err)
{
	int taken;
	enum rc rc = files_take_dir(dir, &taken, err);

	if (rc == RC_OK)
		rc = write_all(c, dir, with_figures, err);
	files_give_dir(taken);
	return rc;
}
