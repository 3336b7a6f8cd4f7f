/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A report for people and programs: the result in a line, JSON, and the writers into one folder: figures
 * (gnuplot), one self-contained HTML page, CSV and JSON. */
#ifndef BRIDLE_REPORTS_PAGE_REPORT_WRITE_H
#define BRIDLE_REPORTS_PAGE_REPORT_WRITE_H

#include "reports/reduce/report.h"

#include <stdio.h>

/* curve_to_json with claims, fits, calibration and run beside it. Given to the caller. */
json_t *report_to_json(const struct report *report);

/* The result in one line, after report_not_safe, and what limited it, for page, terminal and JSON. */
void report_headline(const struct report *report, char *buf, size_t size);
/* A run whose stop did not end safe: the sentence that comes before every other. Empty when not. */
bool report_not_safe(const struct report *report, char *buf, size_t size);
void report_certainty(const struct report *report, char *buf, size_t size);
void report_limits(const struct report *report, char *buf, size_t size);

/* The point of the best measured efficiency, and its value as the headline says it; NULL and "" when there is none. */
const struct curve_point *report_best_efficiency(const struct report *report, char *buf, size_t size);

/* The point of the budget: that of budget_step, else the one that stands for the curve: the loading point of most shaft
 * power that means something. NULL when none. */
const struct curve_point *report_budget_point(const struct report *report);

/* Into a folder that exists: */
#define FIGURES_MAX 10
struct figures {
	size_t n;
	struct figure {
		char name[32];
		char title[96];
		char caption[400];
		double paper_mm; /* so high on paper, where it is not the usual 105 mm; 0: as that */
		/* Where its panels stand, pixels from the left and the top, and the torque at the right; width 0: not
		 * to be read by pointer. */
		struct figure_frame {
			double width, left, right, top, bottom, most;
		} frame;
	} figure[FIGURES_MAX];
};

/* points.csv (and calibration.csv, brake-map.csv, trace.csv where they apply). */
enum rc files_write_tables(const struct report *report, const char *dir, struct err *err) MUST_CHECK;
enum rc files_write_json(const struct report *report, const char *dir, struct err *err) MUST_CHECK;
/* A file to be written, emptied when it is there: 0640 less the umask, and never through a link that somebody put in
 * its place in a shared folder (errno ELOOP). NULL with errno. */
FILE *files_create(const char *path);
/* Words for the errno of a file that could not be made. */
const char *files_why(int number);
/* The same of a name in a folder; path: where it is. files_close says whether all of it was written. RC_IO, RC_RANGE.
 */
#define FILES_PATH 1200
enum rc files_open(const char *dir, const char *name, char path[FILES_PATH], FILE **ret, struct err *err) MUST_CHECK;
enum rc files_close(FILE *f, const char *path, struct err *err) MUST_CHECK;
/* An HTML page: f is written in memory, path is where page_close puts it, and only when rc is RC_OK: nothing half made
 * lies there. It gives rc back, or RC_IO, RC_NOMEM of its own; f and text end with it. In its prose a number has the
 * sign of a figure, U+2212. page_open: RC_RANGE, RC_NOMEM, and then there is nothing to close. */
struct page_file {
	FILE *f;
	char *text;
	size_t size;
	char path[FILES_PATH];
};
enum rc page_open(struct page_file *ret, const char *dir, const char *name, struct err *err) MUST_CHECK;
enum rc page_close(struct page_file *page, enum rc rc, struct err *err) MUST_CHECK;
/* mkdir -p. */
enum rc files_make_dir(const char *dir, struct err *err) MUST_CHECK;
/* The same, for one writer: another one that wants the folder waits until it is given back (flock on the folder; where
 * a file system has none, nobody waits). *ret is written always. */
enum rc files_take_dir(const char *dir, int *ret, struct err *err) MUST_CHECK;
void files_give_dir(int taken);

/* figures.gp into dir; run gnuplot there (unless draw is false): NAME.svg and NAME.png. RC_IO when gnuplot fails. */
enum rc figures_write(const struct report *report, const char *dir, bool draw, struct figures *ret,
		      struct err *err) MUST_CHECK;

/* report.html into dir; figures NULL or empty: a page without. SVG files are taken in from dir. */
enum rc page_write(const struct report *report, const char *dir, const struct figures *figures,
		   struct err *err) MUST_CHECK;

/* The page on paper: dir/report.html is printed to dir/report.pdf by the distribution's Chromium as a process of its
 * own. It is the engine by which the pages are looked at (tests/look), and it knows what they are laid out with
 * (grid, margin boxes with page numbers). Whole or not at all, and never through a link. wall_ns: moment of the run,
 * which stands in the PDF as its own, so that the same page gives the same bytes; 0: that of printing. Nothing is
 * asked of a network. RC_IO: Chromium is not installed, failed (its words are kept in dir/chromium.log), or took
 * longer than two minutes. SIGINT, SIGTERM and SIGHUP wait until the browser and its folder are gone, at once. */
#define PAGE_PDF "report.pdf"
enum rc page_print(const char *dir, int64_t wall_ns, struct err *err) MUST_CHECK;

/* All of the above in order; the PDF where report->pdf asks for it, and none of an earlier page. Where figures or PDF
 * cannot be made, the page stands without them, and the error says so. */
enum rc report_write(const struct report *report, const char *dir, bool with_figures, struct err *err) MUST_CHECK;

#endif
