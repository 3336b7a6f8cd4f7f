/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/endure_book.h"

#include "calib/number/number_json.h"
#include "command/carry_figure.h"
#include "reports/page/procedure_files.h"
#include "reports/reduce/text.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PRINTED 20 /* the newest; all of them are in the JSON */
#define MARKED 60  /* fewer cycles than these have marks of their own in the chart */
#define CHAIN 1000 /* runs that continue each other */

struct reading {
	struct endure_book *book;
	const struct run_info *run;
	bool no_memory;
};

/* Room for one more; NULL: none is left. */
static void *grown(struct reading *r, void *list, size_t n, size_t *room, size_t size)
{
	size_t more = *room ? 2 * *room : 256;
	void *ret = n < *room ? list : realloc(list, more * size);

	r->no_memory = !ret;
	if (ret && n >= *room)
		*room = more;
	return ret;
}

static bool take_play(struct reading *r, const struct endure_play *play)
{
	struct endure_book *b = r->book;
	void *more = grown(r, b->play, b->n_plays, &b->plays_room, sizeof *play);

	if (!more)
		return false;
	b->play = more;
	b->play[b->n_plays++] = *play;
	return true;
}

static bool take(void *ctx, int64_t mono_ns, const char *kind, const char *text)
{
	struct reading *r = ctx;
	struct endure_book *b = r->book;
	struct endure_row row = { .run_id = r->run->id, .wall_ns = r->run->wall_ns + mono_ns - r->run->mono_ns };
	struct endure_play play;

	if (strcmp(kind, "note") != 0)
		return true;
	if (endure_play_parse(text, &play))
		return take_play(r, &play);
	if (!endure_cycle_parse(text, &row.cycle))
		return true;
	void *more = grown(r, b->row, b->n, &b->room, sizeof row);
	if (!more)
		return false;
	b->row = more;
	b->row[b->n++] = row;
	return true;
}

static enum rc take_run(struct logbook *lb, const struct run_info *run, struct endure_book *book, struct err *err)
{
	struct reading r = { .book = book, .run = run };
	enum rc rc = logbook_each_event(lb, run->id, take, &r, err);

	return rc == RC_OK && r.no_memory ? err_set(err, RC_NOMEM, 0, "out of memory for the cycles") : rc;
}

enum rc endure_book_of_run(struct logbook *lb, const struct run_info *run, struct endure_book *ret, struct err *err)
{
	*ret = (struct endure_book){ .run_id = run->id, .ended = run->ended };
	snprintf(ret->outcome, sizeof ret->outcome, "%s", run->outcome);
	enum rc rc = take_run(lb, run, ret, err);
	if (rc != RC_OK)
		endure_book_free(ret);
	return rc;
}

static enum rc newest(struct logbook *lb, const char *plan, struct run_info *ret, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	enum rc rc = logbook_runs(lb, "endure", &ids, &n, err);
	bool found = false;

	for (size_t i = 0; i < n && rc == RC_OK && !found; i++) {
		rc = logbook_run_info(lb, ids[i], ret, err);
		found = rc == RC_OK && strcmp(ret->plan, plan) == 0;
	}
	free(ids);
	if (!found)
		ret->id = 0;
	return rc;
}

enum rc endure_book_read(struct logbook *lb, const char *plan, struct endure_book *ret, struct err *err)
{
	struct run_info run[1] = { { .id = 0 } };
	int64_t chain[CHAIN];
	size_t n = 0;

	*ret = (struct endure_book){ 0 };
	enum rc rc = newest(lb, plan, run, err);
	if (rc != RC_OK || run->id == 0)
		return rc;
	ret->run_id = run->id;
	ret->ended = run->ended;
	snprintf(ret->outcome, sizeof ret->outcome, "%s", run->outcome);
	for (int64_t id = run->id; id != 0 && n < CHAIN && rc == RC_OK; id = run->resumes_run_id) {
		rc = logbook_run_info(lb, id, run, err);
		chain[n++] = id;
	}
	while (n-- > 0 && rc == RC_OK) {
		rc = logbook_run_info(lb, chain[n], run, err);
		if (rc == RC_OK)
			rc = take_run(lb, run, ret, err);
	}
	if (rc != RC_OK)
		endure_book_free(ret);
	return rc;
}

void endure_book_free(struct endure_book *book)
{
	free(book->row);
	free(book->play);
	*book = (struct endure_book){ 0 };
}

json_t *endure_book_json(const struct endure_book *book)
{
	json_t *list = json_array();

	for (size_t i = 0; i < book->n; i++) {
		const struct endure_cycle *c = &book->row[i].cycle;
		char at[40];
		text_time(at, sizeof at, book->row[i].wall_ns);
		json_array_append_new(
			list, json_pack("{s:I, s:s, s:I, s:o, s:o, s:o, s:o, s:o, s:o}", "cycle", (json_int_t)c->number,
					"time", at, "run_id", (json_int_t)book->row[i].run_id, "no_load_A",
					cli_real(c->no_load_A), "no_load_rpm", cli_real(c->no_load_rpm), "load_Nm",
					cli_real(c->load_Nm), "load_rpm", cli_real(c->load_rpm), "case_degC",
					cli_real(c->case_degC), "ambient_degC", cli_real(c->ambient_degC)));
	}
	return list;
}

json_t *endure_book_plays_json(const struct endure_book *book)
{
	json_t *list = json_array();

	for (size_t i = 0; i < book->n_plays; i++) {
		const struct endure_play *p = &book->play[i];
		json_array_append_new(
			list, json_pack("{s:I, s:o, s:o}", "cycle", (json_int_t)p->number, "lost_motion_arcmin",
					number_json(p->lost_arcmin, p->u_lost_arcmin, 0), "stiffness_Nm_per_arcmin",
					number_json(p->stiffness_Nm_per_arcmin, p->u_stiffness, 0)));
	}
	return list;
}

static void cell(double value, int digits)
{
	if (isfinite(value))
		printf(" %10.*f", digits, value);
	else
		printf(" %10s", "-");
}

static void print_plays(const struct endure_book *book)
{
	size_t from = book->n_plays > PRINTED ? book->n_plays - PRINTED : 0;

	if (book->n_plays > 0)
		puts("   after cycle  lost motion, arcmin  stiffness, N\u00b7m/arcmin");
	for (size_t i = from; i < book->n_plays; i++) {
		printf("%14ld", book->play[i].number);
		cell(book->play[i].lost_arcmin, 2);
		printf("          ");
		cell(book->play[i].stiffness_Nm_per_arcmin, 3);
		putchar('\n');
	}
}

void endure_book_print(const struct endure_book *book)
{
	size_t from = book->n > PRINTED ? book->n - PRINTED : 0;

	if (from > 0)
		printf("The newest %d of %zu cycles; --json and --figure have all.\n", PRINTED, book->n);
	puts("   cycle  no load: A        rpm  load: N\u00b7m        rpm   case, \u00b0C    air, \u00b0C");
	for (size_t i = from; i < book->n; i++) {
		const struct endure_cycle *c = &book->row[i].cycle;
		printf("%8ld", c->number);
		cell(c->no_load_A, 3);
		cell(c->no_load_rpm, 2);
		cell(c->load_Nm, 2);
		cell(c->load_rpm, 2);
		cell(c->case_degC, 1);
		cell(c->ambient_degC, 1);
		putchar('\n');
	}
	print_plays(book);
}

static void column(FILE *f, double value)
{
	if (isfinite(value))
		fprintf(f, ",%.6g", value);
	else
		fputc(',', f);
}

/* By how much the lost motion after that cycle differs from the first one; NaN where none was measured then. */
static double play_after(struct endure_watch *w, const struct endure_book *book, long number, size_t *at)
{
	double ret = NAN;

	for (; *at < book->n_plays && book->play[*at].number <= number; ++*at) {
		(void)endure_watch_play(w, &book->play[*at]);
		if (book->play[*at].number == number && w->has_play)
			ret = book->play[*at].lost_arcmin - w->first_arcmin;
	}
	return ret;
}

/* Of the table: its names in the script, and whether there is anything to draw. */
enum { NO_LOAD, DROOP, RISE, LOST, N_PANELS };
static const char *const panel_title[N_PANELS] = { "change of the current without load / %", "droop of the speed / %",
						   "case above the air / K", "change of the lost motion / arcmin" };

static char *table(const struct endure_book *book, const struct endure_limits *limits, bool ret_there[N_PANELS])
{
	struct endure_watch w = endure_watch_begin(limits);
	char *text = NULL;
	size_t size = 0, play = 0;
	FILE *f = open_memstream(&text, &size);

	if (!f)
		return NULL;
	fputs("cycle,current without load (%),droop (%),rise of the case (K),lost motion (arcmin)\n", f);
	for (; play < book->n_plays && book->play[play].number == 0; play++)
		(void)endure_watch_play(&w, &book->play[play]);
	for (size_t i = 0; i < book->n; i++) {
		const struct endure_cycle *c = &book->row[i].cycle;
		(void)endure_watch_add(&w, c);
		const double value[N_PANELS] = { 100 * (c->no_load_A / (w.sum_A / (double)w.n) - 1),
						 100 * (1 - c->load_rpm / c->no_load_rpm),
						 c->case_degC - c->ambient_degC,
						 play_after(&w, book, c->number, &play) };
		fprintf(f, "%ld", c->number);
		for (size_t k = 0; k < N_PANELS; k++) {
			column(f, value[k]);
			ret_there[k] |= isfinite(value[k]);
		}
		fputc('\n', f);
	}
	if (fclose(f) == 0)
		return text;
	free(text);
	return NULL;
}

/* A panel for each number over one axis of cycles, from above; the drawing is as high for two as for four. */
static char *script(const bool there[N_PANELS], size_t cycles)
{
	const double top = 0.90, bottom = 0.09;
	char *text = NULL;
	size_t size = 0, n = 0, row = 0;
	FILE *f = open_memstream(&text, &size);

	if (!f)
		return NULL;
	for (size_t k = 0; k < N_PANELS; k++)
		n += there[k];
	fputs("# gnuplot endure.gp\n" CARRY_FIGURE_STYLE(
		      "700,720") "set output 'endure.svg'\nset multiplot\nunset key\n"
				 "set lmargin at screen 0.11\nset rmargin at screen 0.97\nset format x ''\n",
	      f);
	for (size_t k = 0; k < N_PANELS; k++) {
		if (!there[k])
			continue;
		double high = (top - bottom) / (double)n, from = top - high * (double)++row;
		fprintf(f, "set tmargin at screen %.4f\nset bmargin at screen %.4f\n", from + high - 0.045,
			from + 0.015);
		fputs(row == n ? "set format x '%g'\nset xlabel 'cycle'\n" : "", f);
		fprintf(f, "set label 1 '%s' at graph 0, graph 1 offset 0, char 0.8 left textcolor rgb '#222222'\n",
			panel_title[k]);
		fprintf(f, "plot 'endure.csv' using 1:%zu every ::1 with %s lc rgb 'black' notitle\nunset label\n",
			k + 2,
			k == LOST || cycles == 1 ? "points pt 7 ps 0.5"
			: cycles < MARKED        ? "linespoints pt 7 ps 0.5"
						 : "lines");
	}
	fputs("unset multiplot\n", f);
	if (fclose(f) == 0)
		return text;
	free(text);
	return NULL;
}

enum rc endure_book_chart(const struct endure_book *book, const struct endure_limits *limits, struct procedure *p,
			  struct err *err)
{
	struct procedure_drawing *d = &p->drawing[p->n_drawings++];
	bool there[N_PANELS] = { false };

	p->kind = d->name = procedure_kind("endure");
	d->title = procedure_title(p->kind);
	d->caption = "Over the cycles: change of the current without load, droop of the speed under the heaviest load, "
		     "and the case above the air.";
	d->table = table(book, limits, there);
	d->script = script(there, book->n);
	return d->table && d->script ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for the figure");
}

enum rc endure_book_figure(const struct endure_book *book, const struct endure_limits *limits, const char *dir,
			   struct err *err)
{
	struct procedure p = { 0 };
	enum rc rc = endure_book_chart(book, limits, &p, err);

	if (rc == RC_OK)
		rc = procedure_draw(&p, dir, err);
	procedure_clear(&p);
	return rc;
}
