/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the page does beyond paper: a contents list, and the numbers of a load step read at the sheet of curves by
 * pointer or arrow keys. Without script the page is whole: the table holds the same. */
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include "channel/event.h"

#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

void page_contents(FILE *f, const struct report *r)
{
	const struct {
		const char *id, *name;
		bool shown;
	} all[] = {
		{ "claims", "Claims", r->n_claims > 0 },
		{ "limits", "Limits", true },
		{ "points", "Points", true },
		{ "losses", "Losses", r->losses.known || r->losses.droop || r->losses.drive_constant },
		{ "method", "Method", true },
		{ "conditions", "Conditions", !r->by_hand },
		{ "budget", "Uncertainty budget", true },
		{ "particulars", "Particulars", !r->by_hand },
		{ "related", "Other results", r->related.n > 0 },
		{ "cautions", "Cautions", true },
		{ "files", "Files", true },
	};
	const char *before = "";

	fputs("<nav aria-label=\"On this page\">", f);
	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
		if (all[i].shown) {
			fprintf(f, "%s<a href=\"#%s\">%s</a>", before, all[i].id, all[i].name);
			before = " · ";
		}
	fputs("</nav>\n", f);
}

static void add_number(char *buf, size_t size, const char *text)
{
	size_t used = strlen(buf);

	snprintf(buf + used, size - used, "%s%s", used ? ", " : "", text);
}

/* "20.397 N·m ± 0.039 N·m, 84.99 rpm ± 0.01 rpm, ..." */
static void point_in_words(const struct curve *c, const struct curve_point *p, char *buf, size_t size)
{
	const struct {
		struct unc x;
		const char *unit;
	} all[] = {
		{ p->torque_Nm, "N·m" }, { p->speed_rpm, "rpm" }, { p->shaft_power_W, "W" }, { p->current_A, "A" }
	};
	char text[80];

	buf[0] = '\0';
	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
		if (isfinite(all[i].x.value)) {
			text_unc(text, sizeof text, c, all[i].x, all[i].unit);
			add_number(buf, size, text);
		}
	if (p->efficiency_valid) {
		text_unc_percent(text, sizeof text, c, p->efficiency);
		add_number(buf, size, text);
	}
}

static const char *way_of(const struct curve_point *p)
{
	return p->flags & POINT_REPEAT ? " again" : p->direction > 0 ? " rising" : p->direction < 0 ? " falling" : "";
}

/* With the signs of the page's prose; NULL when out of memory. */
static json_t *prose(const char *text)
{
	char *signs = NULL;
	size_t size;
	FILE *f = open_memstream(&signs, &size);

	if (f == NULL)
		return NULL;
	text_signs(f, text, strlen(text));
	json_t *ret = fclose(f) == 0 ? json_string(signs) : NULL;
	free(signs);
	return ret;
}

/* [[torque, "step 3 rising: ..."], ...]; NULL when out of memory. Numbers and words of the program alone. */
static char *points_as_json(const struct curve *c)
{
	json_t *all = json_array();

	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		char numbers[300], text[400], at[40];
		point_in_words(c, p, numbers, sizeof numbers);
		snprintf(text, sizeof text, "step %d%s%s: %s", p->step + 1, way_of(p), curve_at_speed(c, p, at),
			 numbers);
		if (isfinite(p->torque_Nm.value))
			json_array_append_new(all, json_pack("[f,o]", point_way(p) * p->torque_Nm.value, prose(text)));
	}
	char *ret = json_dumps(all, JSON_COMPACT | JSON_ENSURE_ASCII | JSON_REAL_PRECISION(9));
	json_decref(all);
	return ret;
}

static const char script[] =
	"<script>\n"
	"(function(){\n"
	"'use strict';\n"
	"var box=document.querySelector('#curves .scroll'),data=document.getElementById('curves-points');\n"
	"if(!box||!data)return;\n"
	"var d=JSON.parse(data.textContent),svg=box.querySelector('svg'),steps=[],at=-1;\n"
	"var out=document.createElement('p');out.className='reading';out.setAttribute('role','status');\n"
	"out.textContent='Point at the sheet, or press the left and right arrow keys on it, to read a load step.';\n"
	"box.insertAdjacentElement('afterend',out);\n"
	"var line=document.createElementNS(svg.namespaceURI,'line');line.setAttribute('class','cursor');\n"
	"line.setAttribute('y1',d.top);line.setAttribute('y2',d.bottom);line.style.display='none';\n"
	"svg.appendChild(line);\n"
	"function x(t){return d.left+t/d.most*(d.right-d.left);}\n"
	"d.points.slice().sort(function(a,b){return a[0]-b[0];}).forEach(function(p){\n"
	" var s=steps[steps.length-1];\n"
	" if(s&&x(p[0])-s.x<4)s.of.push(p);else steps.push({x:x(p[0]),of:[p]});\n"
	"});\n"
	"function show(i,move){\n"
	" if(i<0||i>=steps.length)return;\n"
	" at=i;line.style.display='';\n"
	" line.setAttribute('x1',steps[i].x);line.setAttribute('x2',steps[i].x);\n"
	" if(move)box.scrollLeft=steps[i].x*svg.getBoundingClientRect().width/d.width-box.clientWidth/2;\n"
	" out.textContent=steps[i].of.sort(function(a,b){return d.points.indexOf(a)-d.points.indexOf(b);})\n"
	"  .map(function(p){return p[1];}).join('\\n');\n"
	"}\n"
	"svg.addEventListener('pointermove',function(e){\n"
	" var r=svg.getBoundingClientRect(),px=(e.clientX-r.left)*d.width/r.width,best=0;\n"
	" steps.forEach(function(s,i){if(Math.abs(s.x-px)<Math.abs(steps[best].x-px))best=i;});\n"
	" show(best);\n"
	"});\n"
	"box.addEventListener('keydown',function(e){\n"
	" if(e.key==='ArrowRight')show(Math.min(at+1,steps.length-1),true);\n"
	" else if(e.key==='ArrowLeft')show(Math.max(at-1,0),true);\n"
	" else return;\n"
	" e.preventDefault();\n"
	"});\n"
	"})();\n"
	"</script>\n";

void page_reading(FILE *f, const struct report *r, const struct figures *figures)
{
	const struct figure_frame *frame = figures != NULL && figures->n > 0 ? &figures->figure[0].frame : NULL;
	char *points = frame && frame->width > 0 ? points_as_json(r->curve) : NULL;

	if (points != NULL) {
		fprintf(f,
			"<script type=\"application/json\" "
			"id=\"curves-points\">{\"width\":%.6g,\"left\":%.6g,\"right\":%.6g,"
			"\"top\":%.6g,\"bottom\":%.6g,\"most\":%.9g,\"points\":%s}</script>\n",
			frame->width, frame->left, frame->right, frame->top, frame->bottom, frame->most, points);
		fputs(script, f);
	}
	free(points);
}
