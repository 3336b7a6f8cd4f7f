/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "command/suit.h"
#include "reports/page/report_write.h"
#include "reports/page/suit_page.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

const char *suit_unit(const struct suit_verdict *v)
{
	return v->unit[0] == 'N' ? "N·m" : v->unit[0] == 'd' ? "°C" : v->unit;
}

int suit_columns(int columns, const char *unit)
{
	return columns + (unit[0] == 'N' || (unsigned char)unit[0] > 127);
}

static json_t *verdict_json(const struct suit_verdict *v)
{
	return json_pack("{s:s, s:s, s:o, s:o, s:o, s:o, s:s, s:o}", "requirement", v->requirement, "unit", v->unit,
			 "needed", cli_real(v->needed), "available", cli_real(v->available), "margin",
			 number_json(v->available - v->needed, v->u, v->dof), "probability", cli_real(v->probability),
			 "verdict", verdict_name(v->verdict), "rests_on", cli_text(v->rests_on));
}

json_t *suit_json(const struct suit_found *f)
{
	json_t *list = json_array(), *change = json_array(), *would_do = json_array();

	for (size_t i = 0; i < f->n_changes; i++)
		json_array_append_new(would_do,
				      json_pack("{s:s, s:s, s:o, s:s}", "requirement",
						f->verdict[f->change[i].verdict].requirement, "what", f->change[i].what,
						"value", cli_real(f->change[i].value), "unit", f->change[i].unit));

	for (size_t i = 0; i < f->n; i++) {
		json_array_append_new(list, verdict_json(&f->verdict[i]));
		if (f->verdict[i].verdict != VERDICT_CONFIRMED)
			json_array_append_new(change, json_string(f->verdict[i].change));
	}
	json_t *assumed = json_array();
	for (size_t i = 0; i < f->n_assumed; i++)
		json_array_append_new(assumed, json_string(f->assumed[i]));
	double peak = f->peak_of_case ? NAN : f->peak_winding_degC;
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "verdicts", list,
			 "decides", f->n ? cli_text(f->verdict[f->decides].requirement) : json_null(), "change", change,
			 "would_do", would_do, "assumed", assumed, "cycle_s", cli_real(f->sums.cycle_s),
			 "rms_torque_Nm", cli_real(f->sums.rms_Nm), "peak_torque_Nm", cli_real(f->sums.peak_Nm),
			 "peak_speed_rpm", cli_real(f->sums.peak_rpm), "peak_winding_degC",
			 number_json(peak, f->u_peak_winding_K, 0), "supply_peak_A", cli_real(f->supply_A),
			 "supply_peak_W", cli_real(f->supply_W), "regenerated_peak_W", cli_real(f->regenerated_W),
			 "tip_error_mm", cli_real(f->tip_mm));
}

static void put(char *buf, size_t size, double value, const char *endless)
{
	if (isfinite(value))
		snprintf(buf, size, "%.4g", value);
	else
		snprintf(buf, size, "%s", isnan(value) ? "not known" : endless);
}

static void print_change(const struct suit_found *f, size_t verdict)
{
	const char *between = " Enough by itself: ";

	printf("To meet the %s: %s.", f->verdict[verdict].requirement, f->verdict[verdict].change);
	for (size_t i = 0; i < f->n_changes; i++) {
		const struct suit_change *c = &f->change[i];
		if (c->verdict != verdict)
			continue;
		printf("%s%s %.3g%s%s", between, c->what, c->value, c->unit[0] ? " " : "", c->unit);
		between = "; or ";
	}
	puts(between[0] == ';' ? "." : "");
}

void suit_print(const struct suit_found *f)
{
	printf("Cycle of %.4g s: RMS %.4g N\u00b7m, peak %.4g N\u00b7m, %.4g rpm, shaft power %.4g W, braking %.4g "
	       "W\n\n",
	       f->sums.cycle_s, f->sums.rms_Nm, f->sums.peak_Nm, f->sums.peak_rpm, f->sums.peak_W,
	       f->sums.peak_braking_W);
	printf("  %-20s %10s %10s  %-6s %-11s %s\n", "requirement", "needed", "available", "unit", "verdict",
	       "probability");
	for (size_t i = 0; i < f->n; i++) {
		const struct suit_verdict *v = &f->verdict[i];
		char needed[32], available[32];
		put(needed, sizeof needed, v->needed, "no end");
		put(available, sizeof available, v->available, "any");
		char probability[16] = "-";
		if (isfinite(v->probability))
			snprintf(probability, sizeof probability, "%.3f", v->probability);
		printf("  %-20s %10s %10s  %-*s %-11s %s\n", v->requirement, needed, available,
		       suit_columns(6, suit_unit(v)), suit_unit(v), verdict_name(v->verdict), probability);
	}
	for (size_t i = 0; i < f->n_assumed; i++)
		printf("%s%s\n", i ? "" : "\n", f->assumed[i]);
	if (f->n == 0)
		return;
	const struct suit_verdict *d = &f->verdict[f->decides];
	char needed[32], available[32];
	put(needed, sizeof needed, d->needed, "no end");
	put(available, sizeof available, d->available, "any");
	printf("\nWhat decides: %s, %s%s, %s %s available (%s).\n", d->requirement, needed,
	       isnan(d->needed) ? "" : " needed", available, suit_unit(d), d->rests_on);
	for (size_t i = 0; i < f->n; i++)
		if (f->verdict[i].verdict != VERDICT_CONFIRMED)
			print_change(f, i);
}

json_t *suit_json_page(json_t *doc, const char *out)
{
	char path[FILES_PATH];

	if (!doc || !out)
		return doc;
	snprintf(path, sizeof path, "%s/" SUIT_PAGE, out);
	json_object_set_new(doc, "page", cli_text(path));
	return doc;
}

void suit_print_page(const char *out)
{
	if (out)
		printf("\nPage: %s/" SUIT_PAGE "\n", out);
}
