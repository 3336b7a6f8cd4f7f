/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include <ctype.h>
#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define PATH_ROOM 1200

void page_text(FILE *f, const char *format, ...)
{
	char text[2000];
	va_list args;

	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	text_html(f, text);
}

/* A row becomes a block, each cell a line with its label. */
#define STACKED(t) \
	" " t "," t " tbody," t " tr," t " td{display:block}\n" \
	" " t " thead{display:none}" t " caption{display:block}\n" \
	" " t " tr{border-top:1.5px solid var(--ink);padding:.3rem 0}\n" \
	" " t " td{display:flex;justify-content:space-between;gap:1rem;padding:.16rem 0;text-align:right;border:0;" \
	"white-space:normal}\n" \
	" " t " td.n+td:not(.n){padding-left:0}\n" \
	" " t " tr.note{border:0;padding:0}\n" \
	" " t " tr.note td{display:block;text-align:left;padding-left:0}\n" \
	" " t " td:empty{display:none}\n" \
	" " t " td.text{display:block;text-align:left}\n" \
	" " t " td::before{content:attr(data-label);color:var(--soft);text-align:left;flex:none}\n" \
	" " t " td.text::before{content:attr(data-label) ': '}\n"

static void page_style(FILE *f)
{
	fputs("<style>\n"
	      ":root{--ink:#1c1c1c;--soft:#5a5f66;--rule:#c9ccd1;--wash:#f5f5f2;--paper:#fff}\n"
	      "@media screen and (prefers-color-scheme:dark){\n"
	      " :root{color-scheme:dark;--ink:#e9e7e2;--soft:#a9aeb5;--rule:#41464d;--wash:#24282d;--paper:#15181c}\n"
	      "}\n"
	      "*{box-sizing:border-box}\n"
	      "body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,-apple-system,'Segoe UI',"
	      "'Liberation Sans','DejaVu Sans',Arial,sans-serif;overflow-wrap:break-word}\n"
	      "main{max-width:75rem;margin:0 auto;padding:1.5rem 1.25rem 3rem}\n"
	      "h1{font-size:1.9rem;line-height:1.2;margin:.1rem 0 .2rem}\n"
	      "h2{font-size:1.15rem;margin:2.4rem 0 .6rem;padding-top:.7rem;border-top:2px solid var(--ink)}\n"
	      "h3{font-size:1rem;margin:1.2rem 0 .3rem}\n"
	      "p{margin:.4rem 0;max-width:50rem}\n"
	      ".kind{font-size:.85rem;letter-spacing:.06em;color:var(--soft);margin:0}\n"
	      ".source{color:var(--soft);margin-top:0}\n"
	      ".result{font-size:1.3rem;line-height:1.4;font-weight:600;margin:1.1rem 0}\n"
	      ".virtual{border:1px dashed var(--ink);padding:.4rem .7rem;display:inline-block}\n"
	      "dl{margin:.6rem 0;display:grid;grid-template-columns:12rem minmax(0,1fr);gap:.35rem 1rem}\n"
	      "dt{font-weight:600}\n"
	      "dd{margin:0;overflow-wrap:anywhere}\n"
	      ".figures{display:grid;grid-template-columns:repeat(2,minmax(0,1fr));gap:1.4rem "
	      "1.6rem;margin-top:1.8rem}\n"
	      ".figures>figure:last-child:nth-child(2),#curves,#efficiency-map,#time{grid-column:1/-1;max-width:46rem}"
	      "\n"
	      /* Where there is room, the numbers of a load step and the caption stand beside the sheet. */
	      "@media screen and (min-width:68rem){dl{grid-template-columns:16rem minmax(0,1fr)}\n"
	      " #curves{max-width:none;display:grid;grid-template-columns:46rem minmax(0,1fr);gap:0 1.6rem;"
	      "grid-template-rows:auto auto 1fr}\n"
	      " #curves h3{grid-column:1/-1}#curves .scroll{grid-row:2/4}#curves>:not(h3):not(.scroll){grid-column:2}\n"
	      " #curves .reading{margin-top:2rem;position:sticky;top:1rem}}\n"
	      ".spoken{position:absolute;width:1px;height:1px;margin:0;padding:0;border:0;overflow:hidden;clip-path:"
	      "inset(50%)}\n"
	      "figure{margin:0;break-inside:avoid}\n"
	      "figure h3{margin:.2rem 0}\n"
	      "figure svg{width:100%;height:auto;display:block}\n"
	      "figure svg{background:#fff}\n" /* drawn for white paper; in the dark as well */
	      "nav{margin:1rem 0;color:var(--soft)}nav a{color:inherit}\n"
	      ".reading{white-space:pre-line;font-size:.85rem;font-variant-numeric:tabular-nums;min-height:3.9em}\n"
	      ".cursor{stroke:#9a4a12;stroke-width:1.2}\n"
	      ".scroll{overflow-x:auto}\n"
	      "a:focus-visible,.scroll:focus-visible{outline:2px solid var(--ink);outline-offset:3px}\n"
	      ".sign{margin-top:2.2rem;padding-top:.2rem;border-top:1px solid var(--ink);max-width:26rem}\n"
	      "figcaption{font-size:.85rem;color:var(--soft)}\n"
	      "table{border-collapse:collapse;width:100%;font-size:.82rem;font-variant-numeric:tabular-nums}\n"
	      "caption{text-align:left;color:var(--soft);padding:0 0 .4rem}\n"
	      "th,td{padding:.28rem .45rem .28rem 0;text-align:left;vertical-align:top;border-bottom:1px solid "
	      "var(--rule)}\n"
	      "thead th{border-bottom:1.5px solid var(--ink);font-weight:600}\n"
	      "td.n,th.n{text-align:right;white-space:nowrap}\n"
	      "td.n+td:not(.n),th.n+th:not(.n){padding-left:.9rem}\n"
	      "td.step{white-space:nowrap}\n"
	      "tr.note td{color:var(--soft);padding-left:1.2rem}\n"
	      "td .u,td .again{color:var(--soft)}td .again{font-size:.92em}\n"
	      "tr.other td{background:var(--wash)}\n"
	      "ul{margin:.3rem 0;padding-left:1.2rem;max-width:50rem}\n"
	      ".verdict{font-weight:700}\n"
	      ".unit{font-weight:400;color:var(--soft)}\n"
	      "@media (max-width:60rem){.figures{grid-template-columns:minmax(0,1fr)}}\n"
	      "@media (max-width:46rem){\n"
	      " main{padding:1rem .9rem 2rem}\n"
	      " h1{font-size:1.5rem}.result{font-size:1.1rem}\n"
	      " dl{grid-template-columns:minmax(0,1fr);gap:.1rem}dd{margin-bottom:.5rem}\n"
	      /* Type that is still read; the figure is moved under the thumb. */
	      " .scroll svg{min-width:30rem}#curves svg,#efficiency-map svg,#time svg{min-width:36rem}\n"
	      "}\n",
	      f);
	/* Where the widest table would run out of the window; paper takes it in its smaller type. */
	fputs("@media screen and (max-width:68rem){\n", f);
	fputs(STACKED("table.stack"), f);
	fputs("}\n@media screen and (max-width:46rem){\n", f);
	fputs(STACKED("table.narrow"), f);
	fputs("}\n"
	      "@media print{\n"
	      " @page{size:A4;margin:14mm 14mm 15mm}\n"
	      " :root{font-size:12.5px}body{font-size:9pt;line-height:1.33}main{max-width:none;padding:0}\n"
	      /* So that the smallest type of a figure is 8 pt. */
	      " .figures{grid-template-columns:minmax(0,1fr);gap:1rem;"
	      "margin-top:.8rem}\n"
	      " .result{font-size:11.5pt;margin:.5rem 0}\n"
	      " .scroll "
	      "svg{min-width:0}.figures>figure,#curves{max-width:"
	      "none}\n"
	      /* The first sheet is filled: what is told in words comes before the figures. */
	      " main{display:flex;flex-direction:column}.figures{order:1}.figures~*{order:2}"
	      "#claims,.early{order:0}\n"
	      " #claims table,#particulars dl,#cautions ul,.unbroken table{break-inside:avoid}"
	      "#particulars p{break-before:avoid}#budget p,caption,thead{break-after:avoid}\n"
	      " tbody tr:nth-child(2),tbody tr:last-child{break-before:avoid}\n"
	      " sup{font-size:8pt;line-height:1}p,ul{max-width:none}caption{break-inside:avoid}"
	      " dl{gap:.12rem 1rem;grid-template-columns:15rem minmax(0,1fr)}#particulars "
	      "dl{grid-template-columns:7rem "
	      "minmax(0,1fr) 7rem "
	      "minmax(0,1fr)}.sign{margin-top:1.4rem}#cautions{font-size:8pt;line-height:1.25}#cautions,#related{break-"
	      "before:avoid}\n"
	      " #budget.pair{columns:2;column-gap:1.6rem}#budget.pair h2,#budget.pair>p{column-span:all}\n"
	      " figure svg{max-height:var(--most,105mm)}#history svg{max-height:232mm}#curves "
	      "svg{max-height:238mm}#time svg{max-height:190mm}\n"
	      " #cycle{max-width:none}#endure svg{max-height:165mm}#tame svg{max-height:118mm}\n"
	      " figcaption{font-size:8pt;line-height:1.3}\n"
	      " nav,.reading,#files{display:none}\n"
	      " p,li{break-inside:avoid}h2,h3{break-after:avoid}h2{margin-top:1rem;padding-top:.35rem}tr{break-"
	      "inside:avoid}thead{display:table-header-group}\n"
	      /* Values and what belongs to them below each other: else the widest table shrinks the whole sheet. */
	      " table{font-size:8pt}th,td{padding:.2rem .3rem .2rem 0}td .again{font-size:1em}\n"
	      " #points td br{display:none}#points th,#points td.step{white-space:normal}#points .u,#points "
	      ".again{display:block}#points td{line-height:1.25}"
	      "#points td.n+td:not(.n){padding-left:.4rem}\n"
	      "}\n"
	      "</style>\n",
	      f);
}

static char *read_file(const char *path)
{
	FILE *f = fopen(path, "r");
	char *text = NULL;
	long size;

	if (f == NULL)
		return NULL;
	if (fseek(f, 0, SEEK_END) == 0 && (size = ftell(f)) >= 0 && fseek(f, 0, SEEK_SET) == 0) {
		text = malloc((size_t)size + 1);
		if (text != NULL)
			text[fread(text, 1, (size_t)size, f)] = '\0';
	}
	fclose(f);
	return text;
}

/* Where an id is made or pointed to: the prefix goes in behind. */
static size_t reference_at(const char *s)
{
	static const char *const before[] = { " id='", " id=\"", "href='#", "href=\"#", "url(#" };

	for (size_t i = 0; i < sizeof before / sizeof before[0]; i++)
		if (strncmp(s, before[i], strlen(before[i])) == 0)
			return strlen(before[i]);
	return 0;
}

/* HTML knows these names by itself; left out, the page holds no address at all. */
static size_t name_space_at(const char *s)
{
	static const char *const names[] = { "xmlns=\"http://www.w3.org/2000/svg\"",
					     "xmlns:xlink=\"http://www.w3.org/1999/xlink\"" };

	for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
		if (strncmp(s, names[i], strlen(names[i])) == 0)
			return strlen(names[i]);
	return 0;
}

bool page_svg(FILE *f, const char *svg, const char *prefix, const char *title)
{
	const char *s = strstr(svg, "<svg");

	if (s == NULL)
		return false;
	fputs("<svg role=\"img\"", f);
	for (s += 4; *s != '\0'; s++) {
		size_t n = reference_at(s);
		if (n > 0) {
			fwrite(s, 1, n, f);
			fputs(prefix, f);
			s += n - 1;
			continue;
		}
		n = name_space_at(s);
		if (n > 0) {
			s += n - 1;
			continue;
		}
		if (strncmp(s, "<title>Gnuplot</title>", 22) == 0) {
			fputs("<title>", f);
			text_html(f, title);
			fputs("</title>", f);
			s += 21;
			continue;
		}
		fputc(*s, f);
	}
	return true;
}

enum rc page_figures(FILE *f, const char *dir, const struct figures *figures, struct err *err)
{
	fputs("<section class=\"figures\" aria-label=\"Figures\">\n<h2 class=\"spoken\">Figures</h2>\n", f);
	for (size_t i = 0; i < figures->n; i++) {
		const struct figure *g = &figures->figure[i];
		char path[PATH_ROOM], prefix[40];
		int n = snprintf(path, sizeof path, "%s/%s.svg", dir, g->name);
		char *svg = n > 0 && (size_t)n < sizeof path ? read_file(path) : NULL;

		snprintf(prefix, sizeof prefix, "%s-", g->name);
		fprintf(f, "<figure id=\"%s\"", g->name);
		if (g->paper_mm > 0)
			fprintf(f, " style=\"--most:%.0fmm\"", g->paper_mm);
		fputs(">\n<h3>", f);
		text_html(f, g->title);
		fputs("</h3>\n<div class=\"scroll\" tabindex=\"0\" role=\"group\" aria-label=\"", f);
		text_html(f, g->title);
		fputs("\">\n", f);
		bool ok = svg != NULL && page_svg(f, svg, prefix, g->title);
		free(svg);
		if (!ok)
			return err_set(err, RC_IO, errno, "figure %s cannot be read or is no SVG", path);
		fputs("\n</div>\n<figcaption>", f);
		text_html(f, g->caption);
		fputs("</figcaption>\n</figure>\n", f);
	}
	fputs("</section>\n", f);
	return RC_OK;
}

/* In a string of a style sheet inside HTML: what could end either is written by its number (CSS Syntax 3, 4.3.7). */
static void css_text(FILE *f, const char *text)
{
	for (const unsigned char *c = (const unsigned char *)text; *c; c++)
		if (*c >= 0x80 || isalnum(*c) || strchr(" ,.:;-/()#", *c))
			fputc(*c, f);
		else
			fprintf(f, "\\%x ", *c);
}

/* Margin boxes of CSS Paged Media 3, 6; a browser that has none prints without them. */
static void page_foot(FILE *f, const char *foot)
{
	fputs("<style>\n@page{@bottom-left{content:'", f);
	css_text(f, foot);
	fputs("';font:8pt 'Liberation Sans','DejaVu Sans',Arial,sans-serif;color:#444;white-space:normal}\n"
	      "@bottom-right{content:'page ' counter(page) ' of ' counter(pages);font:8pt 'Liberation Sans','DejaVu "
	      "Sans',Arial,sans-serif;color:#444;white-space:nowrap}}\n</style>\n",
	      f);
}

void page_head(FILE *f, const char *title, const char *foot)
{
	fputs("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
	      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>",
	      f);
	text_html(f, title);
	fputs("</title>\n", f);
	page_style(f);
	page_foot(f, foot);
	fputs("</head>\n<body>\n<main>\n", f);
}

void report_foot(const struct report *r, char *buf, size_t size)
{
	snprintf(buf, size, "%s, %s%s", r->subject, r->by_hand ? r->source : r->report_id,
		 !r->by_hand && r->run.on_bench ? " (virtual bench)" : "");
}

static enum rc put_page(FILE *f, const struct report *r, const char *dir, const struct figures *figures,
			struct err *err)
{
	enum rc rc = RC_OK;
	char foot[300];

	report_foot(r, foot, sizeof foot);
	page_head(f, r->subject, foot);
	page_first_screen(f, r);
	page_contents(f, r);
	if (figures != NULL && figures->n > 0)
		rc = page_figures(f, dir, figures, err);
	page_claims(f, r);
	page_limits(f, r);
	page_points(f, r);
	page_fits(f, r);
	page_losses(f, r);
	page_method(f, r);
	page_calibration(f, r);
	page_conditions(f, r);
	page_budget(f, r);
	page_particulars(f, r);
	page_related(f, r);
	page_cautions(f, r);
	page_files(f, r, figures);
	page_reading(f, r, figures);
	fputs("</main>\n</body>\n</html>\n", f);
	return rc;
}

enum rc page_write(const struct report *report, const char *dir, const struct figures *figures, struct err *err)
{
	struct page_file page;
	enum rc rc = page_open(&page, dir, "report.html", err);

	if (rc != RC_OK)
		return rc;
	rc = report->procedure.kind ? procedure_page(page.f, report, dir, figures, err)
				    : put_page(page.f, report, dir, figures, err);
	return page_close(&page, rc, err);
}
