/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/study_tell.h"
#include "reports/page/table_cells.h"
#include "terminal/cli.h"

#include <math.h>
#include <string.h>

static const struct {
	const char *name;
	double scale;
} quantities[COMPARE_QUANTITIES] = {
	[COMPARE_SPEED] = { "speed, rpm", 1 },
	[COMPARE_EFFICIENCY] = { "efficiency, %", 100 },
	[COMPARE_INPUT_POWER] = { "input power, W", 1 },
	[COMPARE_CURRENT] = { "current, A", 1 },
};

static void print_groups(const struct study *s)
{
	char text[1000];

	for (size_t g = 0; g < s->n_groups; g++) {
		size_t n = 0, used = 0;
		for (size_t i = 0; i < s->n_runs && used < sizeof text; i++)
			if (s->run[i].group == g)
				used += (size_t)snprintf(text + used, sizeof text - used, "%s%lld", n++ ? ", " : "",
							 (long long)s->run[i].report->run.id);
		printf("  %s %s: run%s %s\n", s->by, s->group[g], n == 1 ? "" : "s", text);
	}
}

static bool new_block(const struct study_level *a, const struct study_level *b)
{
	return a->quantity != b->quantity || a->direction != b->direction ||
	       (isfinite(a->commanded_rpm) && !(fabs(a->commanded_rpm - b->commanded_rpm) < 1e-9));
}

/* Mean, s_R with its interval and p of a level; by pair those of the crossed analysis, which has a p for each factor.
 */
struct shown {
	double mean, s_R, low, high, p;
};
static struct shown shown_of(const struct study_level *l)
{
	const struct precision *p = &l->precision;
	const struct crossed *x = &l->crossed;

	return x->a > 0 ? (struct shown){ x->mean, x->s_R, x->s_R_low, x->s_R_high, NAN }
			: (struct shown){ p->mean, p->s_R, p->s_R_low, p->s_R_high, p->p_value };
}

static void print_head(const struct study_level *l)
{
	printf("\n%s, %s loads", quantities[l->quantity].name, l->direction > 0 ? "rising" : "falling");
	if (isfinite(l->commanded_rpm))
		printf(", %g rpm commanded", l->commanded_rpm);
	printf("\n  torque      mean  repeatability s_r         reproducibility s_R%s\n"
	       "     N·m            (interval)                (interval)\n",
	       l->crossed.a > 0 ? "" : "          p");
}

static void print_p(double p)
{
	if (isfinite(p))
		printf(" %5.3f", p);
	else
		printf(" %5s", "-");
}

static void print_factor(const struct crossed_factor *x, double by)
{
	printf("  %9.2g", by * x->s);
	print_p(x->p_value);
}

/* By pair: what either factor and both together do, under the table of its levels. */
static void print_factors(const struct study *s, size_t from)
{
	printf("  torque       operators          mountings           together\n"
	       "     N·m          s     p          s     p          s     p\n");
	for (size_t i = from; i < s->n_levels && (i == from || !new_block(&s->level[i], &s->level[i - 1])); i++) {
		const struct crossed *x = &s->level[i].crossed;
		double by = quantities[s->level[i].quantity].scale;
		printf("%8.2f", s->level[i].torque_Nm);
		print_factor(&x->of_a, by);
		print_factor(&x->of_b, by);
		print_factor(&x->together, by);
		putchar('\n');
	}
}

static void print_level(const struct study_level *l)
{
	const struct precision *p = &l->precision;
	const struct shown x = shown_of(l);
	double by = quantities[l->quantity].scale;
	char r[40], R[40];

	snprintf(r, sizeof r, "%.2g (%.2g\u2013%.2g)", by * p->s_r, by * p->s_r_low, by * p->s_r_high);
	snprintf(R, sizeof R, "%.2g (%.2g\u2013%.2g)", by * x.s_R, by * x.low, by * x.high);
	printf("%8.2f %9.4g  %-27s %-27s", l->torque_Nm, by * x.mean, r, R);
	if (l->crossed.a == 0)
		print_p(x.p);
	putchar('\n');
}

static void tell(const struct study *s, const struct study_level *l, const char *what, size_t group, double value,
		 double limit, enum precision_mark mark)
{
	char text[300];

	if (mark == PRECISION_FINE)
		return;
	snprintf(text, sizeof text, "%s %s at %.2f N·m (%s): %s %.3g, %s (limit %.3g).", s->by, s->group[group],
		 l->torque_Nm, quantities[l->quantity].name, what, value, study_mark(mark), limit);
	cli_wrapped(stdout, cli_width(), "! ", "  ", text);
}

/* Of many tests some are met by chance, and the reader has to know how many. */
static void print_count(const struct study *s)
{
	size_t n = 0;
	char text[300];

	for (size_t i = 0; i < s->n_levels; i++)
		n += (size_t)isfinite(s->level[i].precision.grubbs.value) +
		     (size_t)isfinite(s->level[i].precision.cochran.value);
	if (n == 0)
		return;
	snprintf(text, sizeof text,
		 "Tests made: %zu (Grubbs, Cochran). About %.2g would find a straggler by chance, %.2g of them an "
		 "outlier. Levels of one run are alike, so they come in groups.",
		 n, 0.05 * (double)n, 0.01 * (double)n);
	cli_wrapped(stdout, cli_width(), "", "  ", text);
}

static void print_tests(const struct study *s)
{
	putchar('\n');
	print_count(s);
	for (size_t i = 0; i < s->n_levels; i++) {
		const struct study_level *l = &s->level[i];
		const struct precision *p = &l->precision;
		tell(s, l, "Grubbs' test of its mean gives", p->grubbs.cell, p->grubbs.value,
		     p->grubbs.mark == PRECISION_OUTLIER ? p->grubbs.at_1 : p->grubbs.at_5, p->grubbs.mark);
		tell(s, l, "Cochran's test of its scatter gives", p->cochran.cell, p->cochran.value,
		     p->cochran.mark == PRECISION_OUTLIER ? p->cochran.at_1 : p->cochran.at_5, p->cochran.mark);
	}
}

/* The heaviest rising level of the efficiency, or the last of all: h and k of each group. */
static const struct study_level *shown(const struct study *s)
{
	const struct study_level *best = &s->level[s->n_levels - 1];

	for (size_t i = 0; i < s->n_levels; i++) {
		const struct study_level *l = &s->level[i];
		if (l->quantity == COMPARE_EFFICIENCY && l->direction > 0 &&
		    (best->quantity != COMPARE_EFFICIENCY || best->direction < 0 || l->torque_Nm > best->torque_Nm))
			best = l;
	}
	return best;
}

static void print_consistency(const struct study *s)
{
	const struct study_level *l = shown(s);
	const struct precision *p = &l->precision;

	if (!isfinite(p->h_1))
		return;
	printf("\nConsistency at %.2f N·m (%s): h within ± %.2f", l->torque_Nm, quantities[l->quantity].name, p->h_5);
	if (isfinite(p->k_5))
		printf(", k up to %.2f", p->k_5);
	printf(" at 5 %%\n");
	for (size_t g = 0; g < s->n_groups; g++) {
		printf("  %-20.20s h %+5.2f", s->group[g], p->cell[g].h);
		if (isfinite(p->cell[g].k))
			printf("  k %4.2f", p->cell[g].k);
		putchar('\n');
	}
}

void study_print(const struct study *s)
{
	char head[300];

	snprintf(head, sizeof head, "Repeatability and reproducibility: %s, plan %s, %zu runs, %zu %ss%s",
		 s->run[0].report->subject, s->run[0].report->run.plan, s->n_runs, s->n_groups, s->by,
		 s->run[0].report->run.on_bench ? " (a virtual bench)" : "");
	cli_wrapped(stdout, cli_width(), "", "  ", head);
	print_groups(s);
	for (size_t i = 0, block = 0; i < s->n_levels; i++) {
		if (i == 0 || new_block(&s->level[i], &s->level[i - 1])) {
			print_head(&s->level[i]);
			block = i;
		}
		print_level(&s->level[i]);
		if (s->n_operators > 0 && (i + 1 == s->n_levels || new_block(&s->level[i + 1], &s->level[i])))
			print_factors(s, block);
	}
	print_consistency(s);
	print_tests(s);
	char text[400];
	if (s->n_operators > 0)
		snprintf(
			text, sizeof text,
			"s_r: standard deviation of runs of one operator in one mounting. s_R: of runs of any operator "
			"in any mounting. Intervals hold %g %%. s: what operators, mountings and both together add. p: "
			"how often it would look so if they added nothing.",
			100 * s->confidence);
	else
		snprintf(text, sizeof text,
			 "s_r: standard deviation of runs of one %s. s_R: of runs of different %ss. Intervals hold %g "
			 "%%. p: how often %ss that are alike would differ as much.",
			 s->by, s->by, 100 * s->confidence, s->by);
	putchar('\n');
	cli_wrapped(stdout, cli_width(), "", "", text);
	if (s->cut)
		printf("More than %d levels: the rest is left out.\n", STUDY_LEVELS);
}

void study_table(FILE *f, const struct study *s)
{
	const struct report *r = s->run[0].report;

	fprintf(f, "# repeatability and reproducibility of %s on %s%s, by %s\n", r->subject, r->rig.name,
		r->run.on_bench ? " (a virtual bench)" : "", s->by);
	fputs("quantity,direction,commanded speed (rpm),torque (N m),run,group,value,mean of group,h,k,mean of "
	      "all,s_r,s_r low,"
	      "s_r high,s_R,s_R low,s_R high,s of means,p,s of operators,p of operators,s of mountings,p of mountings,"
	      "s of both together,p of both together\n",
	      f);
	for (size_t i = 0; i < s->n_levels; i++)
		for (size_t k = 0; k < s->n_runs; k++) {
			const struct study_level *l = &s->level[i];
			const struct precision *p = &l->precision;
			const struct precision_cell *c = &p->cell[s->run[k].group];
			fprintf(f, "%s,%s", compare_word(l->quantity), l->direction > 0 ? "up" : "down");
			table_number(f, l->commanded_rpm);
			table_number(f, l->torque_Nm);
			fprintf(f, ",%lld", (long long)s->run[k].report->run.id);
			fputc(',', f);
			table_text(f, s->group[s->run[k].group]);
			const struct shown x = shown_of(l);
			const double values[] = {
				l->y[k], c->mean, c->h,       c->k,
				x.mean,  p->s_r,  p->s_r_low, p->s_r_high,
				x.s_R,   x.low,   x.high,     l->crossed.a > 0 ? l->crossed.s_later : p->s_means,
				x.p
			};
			for (size_t v = 0; v < sizeof values / sizeof values[0]; v++)
				table_number(f, values[v]);
			const struct crossed_factor *factor[] = { &l->crossed.of_a, &l->crossed.of_b,
								  &l->crossed.together };
			for (size_t v = 0; v < sizeof factor / sizeof factor[0]; v++) {
				table_number(f, l->crossed.a > 0 ? factor[v]->s : NAN);
				table_number(f, l->crossed.a > 0 ? factor[v]->p_value : NAN);
			}
			fputc('\n', f);
		}
}
