/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A session without a rig on a logbook of its own, whose clocks the test sets, for what reads and writes the
 * logbook. */
#ifndef BRIDLE_TESTS_SESSION_SCENE_H
#define BRIDLE_TESTS_SESSION_SCENE_H

#include "run/session.h"
#include "tests/unit/logbook/logbook_scene.h"

#define NOON_NS 1772366400000000000LL /* 2026-03-01 12:00:00 UTC: 20513 days and a half since 1970 */

static int64_t scene_s; /* since NOON_NS, of both clocks */

static inline struct mono scene_now(void *ctx)
{
	(void)ctx;
	return (struct mono){ 5000000000LL + scene_s * 1000000000 };
}

static inline struct wall scene_wall(void *ctx)
{
	(void)ctx;
	return (struct wall){ NOON_NS + scene_s * 1000000000 };
}

/* b: of book_set_up. */
static inline void scene_open(struct book *b, struct session *s)
{
	static char rig[] = "rig\n", actuator[] = "actuator\n", plan[] = "plan\n";

	scene_s = 0;
	*s = (struct session){ .rig_text = rig, .actuator_text = actuator, .plan_text = plan, .tare_count = NAN };
	s->clock.now = scene_now;
	s->clock.wall = scene_wall;
	assert_int_equal(logbook_open(b->path, &b->lb, &b->err), RC_OK);
	s->logbook = b->lb;
}

/* Its number. */
static inline int64_t scene_run(struct session *s, const char *kind)
{
	assert_int_equal(session_run_begin(s, kind, 0, NULL), RC_OK);
	return s->run_id;
}

static inline void scene_end(struct session *s, const char *outcome)
{
	assert_int_equal(session_run_end(s, outcome, "", "", NULL), RC_OK);
}

static inline void scene_event(struct session *s, const char *kind, const char *text)
{
	assert_int_equal(logbook_event(s->logbook, s->run_id, scene_now(NULL).ns, kind, text, NULL), RC_OK);
}

static inline int64_t scene_record(struct session *s, const char *kind, const char *json)
{
	int64_t id = 0;

	assert_int_equal(logbook_record(s->logbook, s->run_id, scene_wall(NULL).ns, kind, json, &id, NULL), RC_OK);
	return id;
}

/* part: of the sentence. */
static inline void scene_says(const struct err *err, const char *part)
{
	if (!strstr(err->what, part))
		fail_msg("\"%s\" does not say \"%s\"", err->what, part);
}

#endif
