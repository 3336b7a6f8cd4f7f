/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a test report has to name beside its results, in the shape of ISO/IEC 17025:2017, 7.8.2 (the list from
 * memory). */
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

static void particular(FILE *f, const char *term, const char *text)
{
	fprintf(f, "<dt>%s</dt><dd>", term);
	text_html(f, text[0] ? text : "not stated");
	fputs("</dd>\n", f);
}

static void dates(const struct report *r, char *buf, size_t size)
{
	char begin[40], end[40];

	text_time(begin, sizeof begin, r->run.wall_ns);
	text_time(end, sizeof end, r->run.wall_ns + (r->run.end_mono_ns - r->run.mono_ns));
	snprintf(buf, size, "%s to %s", begin, end);
}

void page_particulars(FILE *f, const struct report *r)
{
	char text[200];

	if (r->by_hand)
		return;
	fputs("<section id=\"particulars\">\n<h2>Particulars</h2>\n<dl>\n", f);
	particular(f, "Report", r->report_id);
	particular(f, "Digest of the run", r->digest);
	particular(f, "Actuator", r->subject);
	particular(f, "Maker's type", r->actuator.maker_type);
	particular(f, "Serial number", r->actuator.serial);
	particular(f, "Firmware", r->actuator.firmware);
	particular(f, "Run-in", r->actuator.run_in);
	particular(f, "Rig", r->rig.name);
	particular(f, "Place", r->rig.place);
	particular(f, "Operator", r->rig.operator_name);
	if (r->mounting[0])
		particular(f, "Mounting", r->mounting);
	dates(r, text, sizeof text);
	particular(f, "Tested", text);
	if (r->curve) {
		snprintf(text, sizeof text,
			 "Confirmed or refuted at %.3g %% confidence with the uncertainty of the result in it (JCGM "
			 "106:2012); "
			 "otherwise undecided or not tested.",
			 100 * r->confidence);
		particular(f, "Decision rule", text);
	}
	fputs("</dl>\n<p>The results concern only the unit tested, as it was tested. What is \"not stated\" has a key "
	      "in "
	      "rig.ini or in the actuator's file.</p>\n<p class=\"sign\">Date, name and signature:</p>\n</section>\n",
	      f);
}
