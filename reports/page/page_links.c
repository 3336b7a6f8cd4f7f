/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Where a reader goes from here: the files beside the page, and other results of the same actuator. */
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

void page_link(FILE *f, const char *before, const char *name)
{
	fprintf(f, "%s<a href=\"%s\">%s</a>", before, name, name);
}

/* A pack may be without the PDFs, so that no link leads to them. */
static void figure_links(FILE *f, const struct figures *figures)
{
	fputs(" Each figure: ", f);
	for (size_t i = 0; i < figures->n; i++) {
		const char *name = figures->figure[i].name;
		fprintf(f, "%s%s (<a href=\"%s.svg\">SVG</a>, <a href=\"%s.png\">PNG</a>)", i ? ", " : "", name, name,
			name);
	}
	fputs("; as PDF too.", f);
}

void page_files(FILE *f, const struct report *r, const struct figures *figures)
{
	fputs("<section id=\"files\">\n<h2>Files beside this page</h2>\n<p>", f);
	page_link(f, "", "points.csv");
	page_link(f, ", ", "report.json");
	if (r->pdf)
		page_link(f, ", ", PAGE_PDF);
	if (r->n_cal_points > 0)
		page_link(f, ", ", "calibration.csv");
	if (r->has_map)
		page_link(f, ", ", "brake-map.csv");
	if (r->trace.n > 1)
		page_link(f, ", ", "trace.csv");
	page_link(f, "; ", "figures.gp");
	fputs(" draws the figures from them.", f);
	if (figures != NULL && figures->n > 0)
		figure_links(f, figures);
	fputs("</p>\n</section>\n", f);
}

static void result_item(FILE *f, const struct related_result *one)
{
	char when[40];

	text_time(when, sizeof when, one->wall_ns);
	fputs("<li>", f);
	if (one->page[0]) {
		fputs("<a href=\"", f);
		text_html(f, one->page);
		fprintf(f, "\">%s</a>, run %lld of %s.</li>\n", related_words(one->kind), (long long)one->run_id, when);
	} else {
		fprintf(f, "%s, run %lld of %s. Its page is written by bridle report %lld.</li>\n",
			related_words(one->kind), (long long)one->run_id, when, (long long)one->run_id);
	}
}

void page_related(FILE *f, const struct report *r)
{
	const struct related *all = &r->related;

	if (all->n == 0)
		return;
	fputs("<section id=\"related\">\n<h2>Other results of this actuator</h2>\n<ul>\n", f);
	for (size_t i = 0; i < all->n; i++)
		result_item(f, &all->result[i]);
	if (all->n_older)
		fprintf(f, "<li>%zu more in the logbook: bridle log list.</li>\n", all->n_older);
	fputs("</ul>\n</section>\n", f);
}
