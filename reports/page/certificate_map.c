/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/certificate_private.h"
#include "reports/page/page_private.h"
#include "reports/reduce/text.h"

#include <math.h>

static void results(FILE *f, const struct brakemap *m)
{
	fputs("<section>\n<h2>Result</h2>\n<dl>\n", f);
	if (m->linear_to_A > m->linear_from_A)
		certificate_item(f, "Slope of the rising branch", "%.4g N·m/A ± %.2g N·m/A, from %.3g to %.3g A",
				 m->slope_Nm_per_A, 2 * m->u_slope_Nm_per_A, m->linear_from_A, m->linear_to_A);
	else
		certificate_item(f, "Slope of the rising branch",
				 "%.4g N·m/A ± %.2g N·m/A; no stretch of it is straight", m->slope_Nm_per_A,
				 2 * m->u_slope_Nm_per_A);
	certificate_item(f, "Drag without current", "%.3g N·m ± %.2g N·m", m->drag_Nm, 2 * m->u_drag_Nm);
	certificate_item(f, "Remanence, on top of the drag", "%.3g N·m ± %.2g N·m", m->remanence_Nm,
			 2 * m->u_remanence_Nm);
	if (isfinite(m->slip_slope_Nm_per_rpm))
		certificate_item(f, "Change with the slip speed", "%.2g N·m/rpm ± %.2g N·m/rpm",
				 m->slip_slope_Nm_per_rpm, 2 * m->u_slip_slope_Nm_per_rpm);
	if (isfinite(m->lag_s))
		certificate_item(f, "Time constant after a step of the current", "%.3g s ± %.2g s", m->lag_s,
				 2 * m->u_lag_s);
	certificate_item(f, "Slip speeds", "%.4g to %.4g rpm", m->min_slip_rpm, m->max_slip_rpm);
	fputs("</dl>\n<p>± is twice the standard uncertainty.</p>\n</section>\n", f);
}

static void branch(FILE *f, const struct brakemap_curve *b, const char *word)
{
	for (size_t i = 0; i < b->n; i++)
		fprintf(f,
			"<tr><td>%s</td><td class=\"n\">%.4f</td><td class=\"n\">%.2f</td><td "
			"class=\"n\">%.3f</td></tr>\n",
			word, b->current_A[i], b->torque_Nm[i], 2 * b->u_torque_Nm[i]);
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
	fputs("<section>\n<h2>Particulars</h2>\n<dl>\n", f);
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
	fprintf(f, "<p class=\"result\">%.3g N·m without current to %.4g N·m at %.3g A.</p>\n</header>\n", m->drag_Nm,
		m->max_Nm, m->max_A);
	if (figures->n > 0)
		rc = page_figures(f, dir, figures, err);
	results(f, m);
	points(f, m);
	particulars(f, c);
	return rc;
}
