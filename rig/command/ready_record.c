/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/ready_record.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define FNV_OFFSET 0xcbf29ce484222325u
#define FNV_PRIME 0x100000001b3u

static uint64_t mix(uint64_t hash, const char *text)
{
	for (; text && *text; text++)
		hash = (hash ^ (unsigned char)*text) * FNV_PRIME;
	return (hash ^ 0xffu) * FNV_PRIME; /* so that moving text from one file to the next is seen */
}

/* Sixteen hex digits over the texts of rig, actuator and plan (FNV-1a, 64 bits: to notice a change, not to resist one).
 */
static void ready_digest(const struct session *s, char ret[17])
{
	uint64_t hash = mix(mix(mix(FNV_OFFSET, s->rig_text), s->actuator_text), s->plan_text);

	snprintf(ret, 17, "%016" PRIx64, hash);
}

/* "2026-03-01", local time. */
static void ready_day(int64_t wall_ns, char ret[11])
{
	time_t t = (time_t)(wall_ns / 1000000000);
	struct tm tm;

	if (!localtime_r(&t, &tm) || strftime(ret, 11, "%Y-%m-%d", &tm) != 10)
		snprintf(ret, 11, "unknown");
}

void ready_record_fill(json_t *doc, const struct session *s, int64_t wall_ns, size_t steps_allowed,
		       const size_t *allowed)
{
	char digest[17], day[11];
	json_t *at = json_array();

	ready_digest(s, digest);
	ready_day(wall_ns, day);
	json_object_set_new(doc, "plan", json_string(s->plan_name));
	json_object_set_new(doc, "digest", json_string(digest));
	json_object_set_new(doc, "day", json_string(day));
	json_object_set_new(doc, "run_id", json_integer(s->run_id));
	json_object_set_new(doc, "calibration_id", json_integer(s->calibration_id));
	json_object_set_new(doc, "map_id", json_integer(s->map_id));
	json_object_set_new(doc, "steps_allowed", json_integer((json_int_t)steps_allowed));
	for (size_t k = 0; k < s->plan.n_speeds; k++)
		json_array_append_new(at, json_integer((json_int_t)allowed[k]));
	json_object_set_new(doc, "steps_allowed_at", at);
}

static bool same_text(const json_t *doc, const char *key, const char *value)
{
	const char *found = json_string_value(json_object_get(doc, key));

	return found && strcmp(found, value) == 0;
}

static enum rc judge(const json_t *doc, const struct session *s, int64_t wall_ns, struct err *err)
{
	char digest[17], day[11];

	ready_digest(s, digest);
	ready_day(wall_ns, day);
	if (!same_text(doc, "plan", s->plan_name))
		return err_set(err, RC_SAYS_NO, 0, "the last bridle ready was for another plan; run bridle ready %s",
			       s->plan_name);
	if (!same_text(doc, "day", day))
		return err_set(err, RC_SAYS_NO, 0, "the rig was not found ready today; run bridle ready %s",
			       s->plan_name);
	if (!same_text(doc, "digest", digest))
		return err_set(err, RC_SAYS_NO, 0,
			       "rig, actuator or plan file changed since the rig was found ready; run bridle ready %s",
			       s->plan_name);
	if (json_integer_value(json_object_get(doc, "calibration_id")) != s->calibration_id ||
	    json_integer_value(json_object_get(doc, "map_id")) != s->map_id)
		return err_set(
			err, RC_SAYS_NO, 0,
			"there is a newer calibration or map than when the rig was found ready; run bridle ready %s",
			s->plan_name);
	return RC_OK;
}

/* Weights hung since, or a later check that did not end well (or was left), make an earlier one worth nothing. */
static enum rc check_nothing_since(const json_t *doc, struct session *s, struct err *err)
{
	int64_t ready = json_integer_value(json_object_get(doc, "run_id"));
	int64_t *checks = NULL, *hangs = NULL;
	size_t n_checks = 0, n_hangs = 0;
	enum rc rc = logbook_runs(s->logbook, "ready", &checks, &n_checks, err);

	if (rc == RC_OK)
		rc = logbook_runs(s->logbook, "hang", &hangs, &n_hangs, err);
	if (rc == RC_OK && (n_checks == 0 || checks[0] != ready))
		rc = err_set(err, RC_SAYS_NO, 0,
			     "the last bridle ready refused; correct what it named, then run bridle ready %s",
			     s->plan_name);
	if (rc == RC_OK && n_hangs > 0 && hangs[0] > ready)
		rc = err_set(err, RC_SAYS_NO, 0, "weights were hung since the rig was found ready; run bridle ready %s",
			     s->plan_name);
	free(checks);
	free(hangs);
	return rc;
}

/* A record of an older version has the one number alone. */
static void read_allowed(const json_t *doc, size_t ret[PROFILE_SPEEDS])
{
	const json_t *at = json_object_get(doc, "steps_allowed_at");

	for (size_t k = 0; k < PROFILE_SPEEDS; k++)
		ret[k] = (size_t)json_integer_value(at ? json_array_get(at, k) : json_object_get(doc, "steps_allowed"));
}

enum rc ready_record_check(struct session *s, int64_t wall_ns, size_t ret_allowed[PROFILE_SPEEDS], int64_t *ret_id,
			   struct err *err)
{
	char *json = NULL;
	int64_t record_wall_ns;
	enum rc rc = logbook_latest_record(s->logbook, "ready", session_place(s), ret_id, &record_wall_ns, &json, err);

	if (rc != RC_OK)
		return rc;
	if (!json)
		return err_set(err, RC_SAYS_NO, 0, "the rig was not checked yet; run bridle ready %s", s->plan_name);
	json_t *doc = json_loads(json, 0, NULL);
	free(json);
	rc = doc ? judge(doc, s, wall_ns, err) : err_set(err, RC_DB, 0, "the logbook's ready record cannot be read");
	if (rc == RC_OK)
		rc = check_nothing_since(doc, s, err);
	if (rc == RC_OK)
		read_allowed(doc, ret_allowed);
	json_decref(doc);
	return rc;
}
