/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/certificate_private.h"
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include <math.h>

/* With twice its standard uncertainty, and behind it what note says. */
static void pm_item(FILE *f, const char *term, double value, double u, const char *unit, const char *note)
{
	char text[160];

	text_pm(text, sizeof text, value, 2 * u, unit);
	certificate_item(f, term, "%s%s", text, note);
}

static void results(FILE *f, const struct brakemap *m)
{
	char note[80] = "; no stretch of it is straight";

	fputs("<section>\n<h2>Result</h2>\n<dl>\n", f);
	if (m->linear_to_A > m->linear_from_A)
		snprintf(note, sizeof note, ", from %.3g to %.3g A", m->linear_from_A, m->linear_to_A);
	pm_item(f, "Slope of the rising branch", m->slope_Nm_per_A, m->u_slope_Nm_per_A, "N·m/A", note);
	pm_item(f, "Drag without current", m->drag_Nm, m->u_drag_Nm, "N·m", "");
	pm_item(f, "Remanence, on top of the drag", m->remanence_Nm, m->u_remanence_Nm, "N·m", "");
	if (isfinite(m->slip_slope_Nm_per_rpm))
		pm_item(f, "Change with the slip speed", m->slip_slope_Nm_per_rpm, m->u_slip_slope_Nm_per_rpm,
			"N·m/rpm", "");
	if (isfinite(m->lag_s))
		pm_item(f, "Time constant after a step of the current", m->lag_s, m->u_lag_s, "s", "");
	certificate_item(f, "Slip speeds", "%.4g to %.4g rpm", m->min_slip_rpm, m->max_slip_rpm);
	fputs("</dl>\n<p>± is twice the standard uncertainty.</p>\n</section>\n", f);
}

static void branch(FILE *f, const struct brakemap_curve *b, const char *word)
{
	char torque[64], U[64];

	for (size_t i = 0; i < b->n; i++) {
		text_value(torque, sizeof torque, b->torque_Nm[i], 2 * b->u_torque_Nm[i]);
		text_U(U, sizeof U, 2 * b->u_torque_Nm[i]);
		fprintf(f,
			"<tr><td>%s</td><td class=\"n\">%.4f</td><td class=\"n\">%s</td><td "
			"class=\"n\">%s</td></tr>\n",
			word, b->current_A[i], torque, U);
	}
}

static void points(FILE *f, const struct brakemap *m)
{
	fputs("<section>\n<h2>Points</h2>\n<table>\n<caption>Means of each current over the slip speeds; the current "
	      "as it "
	      "was read back.</caption>\n<thead><tr><th>Branch</th><th class=\"n\">Current<br><span "
	      "class=\"unit\">A</span></th><th class=\"n\">Torque<br><span class=\"unit\">N·m</span></th><th "
	      "class=\"n\">±<br><span class=\"unit\">N·m</span></th></tr></thead>\n<tbody>\n",
	      f);
	branch(f, &m->branch[BRAKEMAP_RISING], "rising");
	branch(f, &m->branch[BRAKEMAP_FALLING], "falling");
	fputs("</tbody>\n</table>\n</section>\n", f);
}

static void particulars(FILE *f, const struct certificate *c)
{
	const struct rig_profile *rig = &c->paper.rig;
	char when[40];

	text_time(when, sizeof when, c->paper.map_wall_ns);
	fputs("<section id=\"particulars\">\n<h2>Particulars</h2>\n<dl>\n", f);
	certificate_item(f, "Record", "%lld of %s, by bridle %s", (long long)c->record_id, when, c->program);
	certificate_item(f, "Rig", "%s", rig->name);
	certificate_item(f, "Place", "%s", rig->place);
	certificate_item(f, "Operator", "%s", rig->operator_name);
	certificate_item(f, "Method",
			 "The current up and down again at each slip speed, the torque by the calibrated cell "
			 "(docs/method.md, 3)");
	fputs("</dl>\n<p>It serves the control of the torque: each torque of a sweep is measured, not taken from here. "
	      "The map no longer holds "
	      "when the brake, its coil's supply or its gap is changed.</p>\n</section>\n",
	      f);
}

enum rc certificate_put_map(FILE *f, const struct certificate *c, const char *dir, const struct figures *figures,
			    struct err *err)
{
	const struct brakemap *m = &c->paper.map;
	enum rc rc = RC_OK;

	certificate_begin(f, "Brake map", c->paper.subject, c->paper.source, c->on_bench);
	char drag[64];

	text_value(drag, sizeof drag, m->drag_Nm, 2 * m->u_drag_Nm);
	fprintf(f, "<p class=\"result\">%s N·m without current to %.4g N·m at %.3g A.</p>\n</header>\n", drag,
		m->max_Nm, m->max_A);
	if (figures->n > 0)
		rc = page_figures(f, dir, figures, err);
	results(f, m);
	points(f, m);
	particulars(f, c);
	return rc;
}
