/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/gnuplot.h"
#include "reports/page/procedure_files.h"
#include "reports/page/table_cells.h"

#include <errno.h>
#include <string.h>

#define PATH_ROOM 1200
#define WHOSE_LETTERS 96 /* of 13 px, in drawings of 700 px */
#define WHOSE_LINES 2

json_t *procedure_json(const struct report *r)
{
	json_t *doc = json_deep_copy(r->procedure.doc);

	json_object_set_new(doc, "kind", json_string(r->procedure.kind));
	json_object_set_new(doc, "run", json_integer(r->run.id));
	return doc;
}

static enum rc begin(const char *dir, const char *name, const char *end, FILE **ret, struct err *err)
{
	char path[PATH_ROOM];

	if (snprintf(path, sizeof path, "%s/%s.%s", dir, name, end) >= PATH_ROOM)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
	*ret = files_create(path);
	return *ret ? RC_OK : err_set(err, RC_IO, errno, "%s cannot be written: %s", path, files_why(errno));
}

static enum rc end(FILE *f, const char *dir, struct err *err)
{
	bool failed = ferror(f);

	return fclose(f) != 0 || failed ? err_set(err, RC_IO, errno, "a file in %s could not be written whole", dir)
					: RC_OK;
}

static enum rc put(const char *dir, const char *name, const char *ending, const char *text, struct err *err)
{
	FILE *f = NULL;
	enum rc rc = begin(dir, name, ending, &f, err);

	if (rc != RC_OK)
		return rc;
	fputs(text, f);
	return end(f, dir, err);
}

static enum rc write_results(const struct report *r, const char *dir, struct err *err)
{
	struct procedure_number list[PROCEDURE_NUMBERS];
	size_t n = procedure_numbers(&r->procedure, list);
	FILE *f = NULL;
	enum rc rc = begin(dir, "results", "csv", &f, err);

	if (rc != RC_OK)
		return rc;
	fputs("quantity,key,unit,value,u,degrees of freedom,U,note\n", f);
	for (size_t i = 0; i < n; i++) {
		table_text(f, list[i].label);
		fprintf(f, ",%s,%s", list[i].key, list[i].unit);
		table_number(f, list[i].value);
		table_number(f, list[i].u);
		table_number(f, list[i].dof);
		table_number(f, list[i].U);
		fprintf(f, ",%s\n", list[i].note);
	}
	return end(f, dir, err);
}

enum rc procedure_tables(const struct report *r, const char *dir, struct err *err)
{
	enum rc rc = write_results(r, dir, err);

	for (size_t i = 0; i < r->procedure.n_drawings && rc == RC_OK; i++)
		rc = put(dir, r->procedure.drawing[i].name, "csv", r->procedure.drawing[i].table, err);
	return rc;
}

/* at: lines from above, whatever the height of the drawing. */
static void put_line(FILE *f, int id, double at, const char *text)
{
	fprintf(f, "set label %d '", id);
	gnuplot_text(f, text);
	fprintf(f,
		"' at screen 0.012, screen 1 offset 0, character %.2f left noenhanced font ',13' textcolor rgb "
		"'#5a5a5a'\n",
		-at);
}

static void put_whose(FILE *f, const struct report *r)
{
	char line[WHOSE_LINES][GNUPLOT_LINE];
	size_t n = gnuplot_lines(r->source, WHOSE_LETTERS, line, WHOSE_LINES);

	put_line(f, 900, 0.8, r->subject);
	for (size_t i = 0; i < n; i++)
		put_line(f, 901 + (int)i, 1.8 + (double)i, line[i]);
}

/* r: whose drawing it is, NULL: it does not say. */
static enum rc put_script(const struct procedure_drawing *d, const struct report *r, const char *dir, struct err *err)
{
	FILE *f = NULL;
	enum rc rc = begin(dir, d->name, "gp", &f, err);

	if (rc != RC_OK)
		return rc;
	if (r)
		put_whose(f, r);
	fputs(d->script, f);
	return end(f, dir, err);
}

static enum rc draw_from(const struct procedure_drawing *d, const struct report *r, const char *dir, bool draw,
			 struct err *err)
{
	char script[40];
	enum rc rc = put_script(d, r, dir, err);

	snprintf(script, sizeof script, "%s.gp", d->name);
	if (rc != RC_OK || !draw)
		return rc;
	gnuplot_remove(dir, d->name);
	return gnuplot_run(dir, script, GNUPLOT_NEEDED, err);
}

enum rc procedure_figure(const struct report *r, const char *dir, bool draw, struct figures *ret, struct err *err)
{
	enum rc rc = RC_OK;

	*ret = (struct figures){ 0 };
	for (size_t i = 0; i < r->procedure.n_drawings && rc == RC_OK; i++) {
		const struct procedure_drawing *d = &r->procedure.drawing[i];
		struct figure *g = &ret->figure[ret->n++];
		snprintf(g->name, sizeof g->name, "%s", d->name);
		snprintf(g->title, sizeof g->title, "%s", d->title);
		snprintf(g->caption, sizeof g->caption, "%s%s", d->caption, r->run.on_bench ? " Virtual bench." : "");
		rc = draw_from(d, r, dir, draw, err);
	}
	return rc;
}

enum rc procedure_draw(const struct procedure *p, const char *dir, struct err *err)
{
	enum rc rc = files_make_dir(dir, err); /* waits for nobody: at the rig its stop is told behind this */

	for (size_t i = 0; i < p->n_drawings && rc == RC_OK; i++) {
		rc = put(dir, p->drawing[i].name, "csv", p->drawing[i].table, err);
		if (rc == RC_OK)
			rc = draw_from(&p->drawing[i], NULL, dir, true, err);
	}
	return rc;
}
