/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/session.h"

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum record_place session_place(const struct session *s)
{
	return s->rig.is_virtual ? RECORD_BENCH : RECORD_REAL;
}

static enum rc load_unusable(struct session *s, struct err *err)
{
	char *json = NULL;
	int64_t id = 0, wall_ns;
	enum rc rc = logbook_latest_record(s->logbook, SESSION_UNUSABLE, session_place(s), &id, &wall_ns, &json, err);

	if (json && id > s->calibration_id) {
		json_t *doc = json_loads(json, 0, NULL);
		const char *why = json_string_value(json_object_get(doc, "not_usable"));
		s->unusable_id = id;
		snprintf(s->unusable_why, sizeof s->unusable_why, "%s", why ? why : "");
		json_decref(doc);
	}
	free(json);
	return rc;
}

enum rc session_load_calibration(struct session *s, struct err *err)
{
	char *json = NULL;
	enum rc rc = logbook_latest_record(s->logbook, "calibration", session_place(s), &s->calibration_id,
					   &s->calibration_wall_ns, &json, err);

	if (json)
		rc = record_to_cellcal(json, &s->calibration, err);
	free(json);
	return rc == RC_OK ? load_unusable(s, err) : rc;
}

/* Perhaps one was practised on the virtual bench. */
static enum rc not_calibrated(const struct session *s, struct err *err)
{
	int64_t other_id = 0;
	enum rc rc = s->logbook
			     ? logbook_latest_record(s->logbook, "calibration", RECORD_ANY, &other_id, NULL, NULL, err)
			     : RC_OK;

	if (rc != RC_OK)
		return rc;
	if (other_id == 0)
		return err_set(err, RC_SAYS_NO, 0, "the torque cell is not calibrated; run bridle hang first");
	return err_set(
		err, RC_SAYS_NO, 0,
		"the torque cell of %s is not calibrated; run bridle hang first. Calibration %lld was made on %s.",
		s->rig.is_virtual ? "the virtual bench" : "this rig", (long long)other_id,
		s->rig.is_virtual ? "a real rig" : "a virtual bench");
}

enum rc session_calibrated(const struct session *s, struct err *err)
{
	if (s->calibration_id)
		return RC_OK;
	if (!s->unusable_id)
		return not_calibrated(s, err);
	return err_set(
		err, RC_SAYS_NO, 0,
		"the torque cell has no usable calibration; run bridle hang again. Record %lld is not usable: %s",
		(long long)s->unusable_id, s->unusable_why);
}

bool session_older_calibration(const struct session *s, char *buf, size_t size)
{
	if (!s->calibration_id || !s->unusable_id)
		return false;
	snprintf(buf, size, "The newest calibration (record %lld) is not usable: %s Calibration %lld is used.",
		 (long long)s->unusable_id, s->unusable_why, (long long)s->calibration_id);
	return true;
}
