/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A made run and its curve, for the tests of the reduction: include after cmocka.h. */
#ifndef BRIDLE_TESTS_REDUCED_RUN_H
#define BRIDLE_TESTS_REDUCED_RUN_H

#include "reports/reduce/curve.h"

#include "tests/unit/reports/made_run.h"

static inline struct made plain(unsigned long seed)
{
	return (struct made){
		.seed = seed,
		.n_steps = 4,
		.window_s = 4,
		.ripple_Nm = 0.1,
		.step = { { 5, 85, 48, 1.6, 0.2, 1, false },
			  { 10, 85, 47.9, 2.9, 0.3, 1, false },
			  { 20, 85, 47.8, 5.5, 0.5, 1, false },
			  { 30, 84.7, 47.7, 8.2, 0.7, 1, false } },
	};
}

static inline struct curve *curve_of(struct made *m)
{
	struct err err = { 0 };
	struct curve *c = NULL;

	if (curve_from_run(m->lb, m->run_id, &c, &err) != RC_OK)
		fail_msg("%s", err.what);
	return c;
}

static inline struct curve *reduced(struct made *m)
{
	made_run(m);
	return curve_of(m);
}

/* One more run in the made one's logbook, without a row yet. resumes: a run, or 0. */
static inline void begin_run(struct made *m, int64_t resumes)
{
	struct err err = { 0 };
	struct run_head head = { .kind = "sweep",
				 .rig_text = m->rig_text ? m->rig_text : made_rig,
				 .actuator_text = made_actuator,
				 .plan_text = made_plan,
				 .actuator_name = "made-winder",
				 .plan_name = "made",
				 .mono_ns = 1,
				 .wall_ns = 1,
				 .calibration_id = m->calibration_id,
				 .resumes_run_id = resumes };

	logbook_close(m->lb);
	assert_int_equal(logbook_open(m->path, &m->lb, &err), RC_OK);
	assert_int_equal(logbook_run_begin(m->lb, &head, &err), RC_OK);
	m->run_id = head.id;
}

/* A copy of text with new in the place of old; freed by the caller. */
static inline char *with(const char *text, const char *old, const char *new)
{
	const char *at = strstr(text, old);
	char *ret = malloc(strlen(text) + strlen(new) + 1);

	assert_non_null(at);
	sprintf(ret, "%.*s%s%s", (int)(at - text), text, new, at + strlen(old));
	return ret;
}

static inline double part_by_name(const struct curve *c, struct unc x, const char *name)
{
	for (uint32_t s = 0; s < unc_source_count(c->ctx); s++)
		if (strcmp(unc_source_name(c->ctx, s), name) == 0)
			return fabs(unc_part_of(x, s));
	fail_msg("no source \"%s\"", name);
	return NAN;
}

#endif
