/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/points.h"
#include "terminal/cli.h"
#include "reports/reduce/text.h"
#include "channel/event.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Columns that a UTF-8 text takes: none of our signs is wide or combining. */
static int width_of(const char *text)
{
	int n = 0;

	for (; *text; text++)
		n += (*text & 0xC0) != 0x80;
	return n;
}

static void put(const char *text, int width)
{
	int room = width - width_of(text);

	printf("%*s%s", room > 0 ? room : 0, "", text);
}

static void put_unc(const struct curve *c, struct unc x, double scale, int width)
{
	char text[80];
	double U = isfinite(x.value) ? scale * unc_expanded(c->ctx, x, c->coverage, NULL) : NAN;

	text_pm(text, sizeof text, scale * x.value, U, NULL);
	put(text, width);
}

/* The sentences are those of the page, where a speed is in rev/min; at the terminal it is in rpm. */
static void put_wrapped(const char *first, const char *indent, const char *text)
{
	char shown[1000];

	text_swap(shown, sizeof shown, text, "rev/min", "rpm");
	cli_wrapped(stdout, cli_width() < 40 ? 40 : cli_width() > 100 ? 100 : cli_width(), first, indent, shown);
}

static const char *way_of(const struct curve_point *p)
{
	return p->flags & POINT_REPEAT ? "again" : p->direction > 0 ? "rising" : p->direction < 0 ? "falling" : "";
}

/* Step, way and, where there are several, the commanded speed. */
static void put_head(const struct curve *c)
{
	printf("step way     %s", curve_has_speeds(c) ? "  at rpm" : "");
}

static void put_place(const struct curve *c, const struct curve_point *p)
{
	printf("%4d %-7s ", p->step + 1, way_of(p));
	if (curve_has_speeds(c) && isfinite(p->setpoint_rpm))
		printf("%8.4g", p->setpoint_rpm);
	else if (curve_has_speeds(c))
		put("-", 8);
}

static void points_print(const struct curve *c)
{
	bool electric = false;

	for (size_t i = 0; i < c->n; i++)
		electric |= isfinite(c->points[i].input_power_W.value);
	put_head(c);
	printf("%s  %s  %s  limited by\n", "    torque / N·m", "      speed / rpm",
	       electric ? "efficiency / %" : "    shaft / W");
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		struct unc none = { .value = NAN };
		put_place(c, p);
		put_unc(c, p->torque_Nm, 1, 16);
		put_unc(c, p->speed_rpm, 1, 19);
		if (electric)
			put_unc(c, p->efficiency_valid || p->impossible ? p->efficiency : none, 100, 16);
		else
			put_unc(c, p->shaft_power_W, 1, 15);
		/* The note below tells more. */
		printf("  %s%s\n",
		       p->impossible ? "IMPOSSIBLE"
		       : p->outlier  ? "OUTLIER"
				     : limit_word(p->limit),
		       p->note[0] ? " *" : "");
	}
}

static void put_difference(double scatter, double scale, int width)
{
	char text[40] = "-";

	if (isfinite(scatter))
		text_U(text, sizeof text, scale * another_window(scatter));
	put(text, width);
}

/* Below the ± of each mean: what another window would differ by. */
static void differences_print(const struct curve *c)
{
	bool any = false;

	for (size_t i = 0; i < c->n; i++)
		any |= isfinite(c->points[i].scatter_Nm);
	if (!any)
		return;
	printf("\nThe mean of another window of the same step would differ by up to (95 %%):\n");
	put_head(c);
	printf("  torque / N\u00b7m  speed / rpm  efficiency / %%\n");
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		put_place(c, p);
		put_difference(p->scatter_Nm, 1, 14);
		put_difference(p->scatter_rpm, 1, 13);
		put_difference(p->efficiency_valid ? p->scatter_efficiency : NAN, 100, 16);
		putchar('\n');
	}
}

void report_print(const struct report *r)
{
	char text[800] = "", at[40];
	const struct curve *c = r->curve;

	put_wrapped("", "  ", r->subject);
	put_wrapped("  ", "  ", r->source);
	report_headline(r, text, sizeof text);
	put_wrapped("Result:  ", "         ", text);
	report_certainty(r, text, sizeof text);
	put_wrapped("Sure:    ", "         ", text);
	text[0] = '\0';
	report_limits(r, text, sizeof text);
	put_wrapped("Limits:  ", "         ", text);
	if (c->zero.note[0])
		put_wrapped("Zero:    ", "         ", c->zero.note);
	putchar('\n');
	points_print(c);
	differences_print(c);
	for (size_t i = 0; i < c->n; i++) {
		if (!c->points[i].note[0])
			continue;
		bool again = c->points[i].flags & POINT_REPEAT;
		snprintf(text, sizeof text, "* step %d%s%s: ", c->points[i].step + 1,
			 again                        ? " again"
			 : c->points[i].direction < 0 ? " falling"
						      : "",
			 curve_at_speed(c, &c->points[i], at));
		put_wrapped(text, "    ", c->points[i].note);
	}
	if (r->n_claims > 0)
		printf("\nData sheet, at %.3g %% confidence:\n", 100 * r->confidence);
	for (size_t i = 0; i < r->n_claims; i++) {
		snprintf(text, sizeof text, "%s: %s. %s", r->claims[i].claim, verdict_name(r->claims[i].verdict),
			 r->claims[i].why);
		put_wrapped("  ", "    ", text);
	}
	if (c->n_remarks > 0)
		putchar('\n');
	for (size_t i = 0; i < c->n_remarks; i++)
		put_wrapped("- ", "  ", c->remarks[i]);
}

static size_t letters(const char *utf8)
{
	size_t n = 0;

	for (; *utf8; utf8++)
		n += (*utf8 & 0xC0) != 0x80;
	return n;
}

void procedure_print(const struct report *r)
{
	struct procedure_number list[PROCEDURE_NUMBERS];
	char text[800] = "", remark[PROCEDURE_REMARKS][400];
	size_t n = procedure_numbers(&r->procedure, list);

	put_wrapped("", "  ", r->subject);
	put_wrapped("  ", "  ", r->source);
	report_headline(r, text, sizeof text);
	put_wrapped("Result:  ", "         ", text);
	report_limits(r, text, sizeof text);
	put_wrapped("Limits:  ", "         ", text);
	put_wrapped("Sure:    ", "         ", procedure_certainty(r->procedure.kind));
	putchar('\n');
	for (size_t i = 0; i < n; i++) {
		text_pm(text, sizeof text, list[i].value, list[i].U, list[i].unit);
		int width = 40 + (int)(strlen(list[i].label) - letters(list[i].label));
		printf("  %-*s %s%s%s\n", width, list[i].label, text, list[i].note[0] ? ", " : "", list[i].note);
	}
	n = procedure_remarks(&r->procedure, remark);
	for (size_t i = 0; i < n; i++)
		put_wrapped("- ", "  ", remark[i]);
}
