/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/endure_report.h"

#include "calib/number/number_json.h"
#include "command/endure_book.h"
#include "profile/profile.h"
#include "reports/reduce/run_profiles.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdlib.h>

enum figure { CURRENT_A, DROOP_percent, RISE_K };

static double figure_of(const struct endure_cycle *c, enum figure which)
{
	switch (which) {
	case CURRENT_A: return c->no_load_A;
	case DROOP_percent: return 100 * (1 - c->load_rpm / c->no_load_rpm);
	case RISE_K: return c->case_degC - c->ambient_degC;
	}
	return NAN;
}

struct mean {
	double value, u, dof;
};

static struct mean mean_of(const struct endure_book *b, size_t from, size_t n, enum figure which)
{
	double mean = 0, squares = 0;

	for (size_t i = 0; i < n; i++)
		mean += figure_of(&b->row[from + i].cycle, which) / (double)n;
	for (size_t i = 0; i < n; i++)
		squares += pow(figure_of(&b->row[from + i].cycle, which) - mean, 2);
	double dof = (double)n - 1;
	return (struct mean){ mean, n > 1 ? sqrt(squares / dof / (double)n) : NAN, dof };
}

static json_t *shape(struct mean m)
{
	return isfinite(m.value) ? number_json(m.value, m.u, m.dof) : json_null();
}

static struct mean change_percent(struct mean first, struct mean last)
{
	double ratio = last.value / first.value;
	double a = last.u / last.value, b = first.u / first.value, fourth = pow(a, 4) + pow(b, 4);

	return (struct mean){ 100 * (ratio - 1), 100 * ratio * hypot(a, b),
			      fourth > 0 ? pow(a * a + b * b, 2) / fourth * first.dof : first.dof };
}

/* As many of the first as of the last: those of the plan's reference, where there are twice as many. */
static json_t *document(const struct endure_book *b, const struct run_info *run, const struct plan_profile *plan,
			const struct actuator_profile *actuator)
{
	size_t n = plan->endurance.reference > 0 ? (size_t)plan->endurance.reference : 1, last;

	n = 2 * n > b->n ? (b->n > 1 ? b->n / 2 : 1) : n;
	last = b->n - n;
	struct mean first_A = mean_of(b, 0, n, CURRENT_A), last_A = mean_of(b, last, n, CURRENT_A);
	json_t *doc = json_pack(
		"{s:I, s:I, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "cycles_done", (json_int_t)b->n, "compared",
		(json_int_t)n, "actuator", actuator->name, "no_load_first_A", shape(first_A), "no_load_last_A",
		shape(last_A), "current_change_percent", shape(change_percent(first_A, last_A)), "droop_first_percent",
		shape(mean_of(b, 0, n, DROOP_percent)), "droop_last_percent", shape(mean_of(b, last, n, DROOP_percent)),
		"rise_first_K", shape(mean_of(b, 0, n, RISE_K)), "rise_last_K", shape(mean_of(b, last, n, RISE_K)),
		"cycles", endure_book_json(b));

	json_object_set_new(doc, "run_id", json_integer(run->id));
	json_object_set_new(doc, "resumes_run_id",
			    run->resumes_run_id ? json_integer(run->resumes_run_id) : json_null());
	json_object_set_new(
		doc, "ended_by",
		json_string(
			!run->ended
				? "Nothing yet: the run is still going on, or the program was killed or lost its power."
			: run->message[0] ? run->message
					  : "Nothing: all cycles are done, or the time was over."));
	return doc;
}

enum rc endure_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err)
{
	struct rig_profile *rig = calloc(1, sizeof *rig);
	struct plan_profile *plan = calloc(1, sizeof *plan);
	struct actuator_profile actuator;
	struct endure_book book = { 0 };
	struct run_info run;
	enum rc rc = rig && plan ? logbook_run_info(lb, run_id, &run, err) : err_set(err, RC_NOMEM, 0, "out of memory");

	*ret = (struct procedure){ 0 };
	if (rc == RC_OK)
		rc = run_profiles(lb, run_id, rig, &actuator, plan, err);
	if (rc == RC_OK)
		rc = endure_book_of_run(lb, &run, &book, err);
	if (rc == RC_OK && book.n == 0)
		rc = err_set(err, RC_SAYS_NO, 0, "run %lld (endure) has no whole cycle: nothing of it is published",
			     (long long)run_id);
	if (rc == RC_OK) {
		const struct endure_limits limits = { .reference = plan->endurance.reference };
		ret->doc = document(&book, &run, plan, &actuator);
		rc = endure_book_chart(&book, &limits, ret, err);
	}
	if (rc != RC_OK)
		procedure_clear(ret);
	endure_book_free(&book);
	free(rig);
	free(plan);
	return rc;
}
