/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/session.h"

#include "calib/number/units.h"
#include "link/control.h"
#include "logbook/claimed.h"
#include "run/brake_heat.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define CONNECT_MS 5000
#define LIVE_s 66.0 /* the longest lease, the longest safe action and a little */
#define LOOK_s 0.05

#define PATH (PROFILE_PATH * 2) /* of a file in the bench folder */

/* folder: "plans/", or "" */
static void path_in(const struct session *s, const char *folder, const char *name, const char *suffix, char buf[PATH])
{
	_Static_assert(PROFILE_PATH + sizeof "actuators/" + PROFILE_WORD + sizeof ".ini" < PATH, "each of them fits");
	snprintf(buf, PATH, "%s/%s%s%s", s->bench, folder, name, suffix);
}

static enum rc check_name(const char *what, const char *name, struct err *err)
{
	if (!*name || strchr(name, '/') || name[0] == '.' || strlen(name) >= PROFILE_WORD)
		return err_set(err, RC_ARG, 0, "%s \"%s\": expected the plain name of a file in %ss/, without .ini",
			       what, name, what);
	return RC_OK;
}

/* ", such as a, b" of the names in plans/ or actuators/; empty when there are none. */
static void list_names(const char *folder, char *buf, size_t size)
{
	struct dirent **entry = NULL;
	int n = scandir(folder, &entry, NULL, alphasort);
	size_t used = 0;

	buf[0] = '\0';
	for (int i = 0; i < n; i++) {
		const char *name = entry[i]->d_name, *dot = strrchr(name, '.');
		if (dot && dot > name && strcmp(dot, ".ini") == 0 && used < size)
			used += (size_t)snprintf(buf + used, size - used, "%s%.*s", used ? ", " : "; there is ",
						 (int)(dot - name), name);
		free(entry[i]);
	}
	free(entry);
}

static enum rc check_there(const struct session *s, const char *what, const char *name, const char *asked,
			   struct err *err)
{
	char folder[PROFILE_WORD], path[PATH], names[120];
	enum rc rc = check_name(what, name, err);

	if (rc != RC_OK)
		return rc;
	snprintf(folder, sizeof folder, "%ss/", what);
	path_in(s, folder, name, ".ini", path);
	if (access(path, F_OK) == 0)
		return RC_OK;
	path_in(s, what, "s", "", path);
	list_names(path, names, sizeof names);
	return err_set(err, RC_ARG, ENOENT, "%sthere is no %s \"%s\" (%ss/%s.ini)%s", asked, what, name, what, name,
		       names);
}

static enum rc read_plan(struct session *s, const char *plan, struct mistakes *m, struct err *err)
{
	char path[PATH];
	enum rc rc = check_there(s, "plan", plan, "", err);

	if (rc != RC_OK)
		return rc;
	path_in(s, "plans/", plan, ".ini", path);
	rc = profile_read_plan(path, &s->plan, &s->plan_text, m, err);
	s->has_plan = rc == RC_OK;
	if (s->has_plan)
		snprintf(s->plan_name, sizeof s->plan_name, "%s", plan);
	return rc;
}

static enum rc read_actuator(struct session *s, const char *actuator, struct mistakes *m, struct err *err)
{
	char path[PATH], asked[PROFILE_PATH] = "";

	if (s->has_plan)
		snprintf(asked, sizeof asked, "plans/%s.ini: ", s->plan_name);
	enum rc rc = check_there(s, "actuator", actuator, asked, err);

	if (rc != RC_OK)
		return rc;
	path_in(s, "actuators/", actuator, ".ini", path);
	rc = profile_read_actuator(path, &s->actuator, &s->actuator_text, m, err);
	s->has_actuator = rc == RC_OK;
	return rc;
}

/* All files are read, so that one look shows the mistakes of all of them; the first error is the one told. */
static enum rc read_files(struct session *s, const struct session_want *want, struct mistakes *m, struct err *err)
{
	char path[PATH];
	struct err later = { 0 };

	path_in(s, "", "rig", ".ini", path);
	if (access(path, F_OK) != 0)
		return err_set(err, RC_ARG, errno,
			       "%s is not a bench folder (no rig.ini in it); make one with bridle new, or name one "
			       "with --bench",
			       s->bench);
	enum rc rc = profile_read_rig(path, &s->rig, &s->rig_text, m, err);

	path_in(s, "", "weights", ".ini", path);
	if (access(path, F_OK) == 0) {
		enum rc rc_weights = profile_read_weights(path, &s->weights, NULL, m, rc ? &later : err);
		rc = rc ? rc : rc_weights;
	}
	if (want->plan) {
		enum rc rc_plan = read_plan(s, want->plan, m, rc ? &later : err);
		rc = rc ? rc : rc_plan;
	}
	const char *actuator = want->actuator ? want->actuator : s->has_plan ? s->plan.actuator : NULL;
	if (actuator) {
		enum rc rc_actuator = read_actuator(s, actuator, m, rc ? &later : err);
		rc = rc ? rc : rc_actuator;
	}
	if (rc == RC_OK && s->has_plan) { /* and its actuator */
		plan_take_speed(&s->plan, &s->actuator);
		plan_serve_claims(&s->plan, &s->actuator, &s->rig);
	}
	return rc;
}

static enum rc load_records(struct session *s, struct err *err)
{
	char *json = NULL;
	int64_t map_wall_ns;
	enum rc rc = session_load_calibration(s, err);

	if (rc == RC_OK)
		rc = logbook_latest_record(s->logbook, "map", session_place(s), &s->map_id, &map_wall_ns, &json, err);
	if (json)
		rc = record_to_brakemap(json, &s->map, err);
	free(json);
	return rc;
}

static enum rc open_logbook(struct session *s, bool write, struct err *err)
{
	char path[PATH];

	path_in(s, "", "logbook", "", path);
	if (!write && access(path, F_OK) != 0)
		return RC_OK;
	enum rc rc = write ? logbook_open(path, &s->logbook, err) : logbook_open_read(path, &s->logbook, err);
	return rc == RC_OK ? load_records(s, err) : rc;
}

/* A host that died a moment ago leaves a node that is live until its lease ends, and a shaft that turns. The first
 * set-points of a new host would let go of it: so nothing is sent before the node has come to rest by itself. */
static enum rc wait_for_rest(struct session *s, struct err *err)
{
	struct mono until = mono_add_ns(s->clock.now(s->clock.ctx), ns_from_s(LIVE_s));
	char status[64] = "";

	for (;;) {
		enum rc rc = node_request(s->node, "status", status, sizeof status, err);
		if (rc != RC_OK)
			return rc;
		if (strncmp(status, "live", 4) != 0 && strncmp(status, "stopping", 8) != 0)
			return RC_OK;
		struct mono now = s->clock.now(s->clock.ctx);
		if (now.ns >= until.ns)
			return err_set(err, RC_SAYS_NO, 0,
				       "the node stays active (%s): another program drives this rig; "
				       "end that one first",
				       status);
		rc = s->clock.sleep_until(s->clock.ctx, mono_add_ns(now, ns_from_s(LOOK_s)), err);
		if (rc != RC_OK)
			return rc;
	}
}

/* The control line is opened before the tether and closed after it: docs/tether.md, bench clock. */
static enum rc open_rig(struct session *s, struct err *err)
{
	enum rc rc = session_await_warden(s, err);

	if (rc != RC_OK)
		return rc;
	if (s->rig.is_virtual) {
		rc = control_open(s->rig.control, s->bench, s->rig.n_instruments > 0, CONNECT_MS, &s->control, err);
		if (rc != RC_OK) {
			if (rc != RC_SAYS_NO)
				err_prefix(err,
					   "no virtual bench answers; bridle bench --bench %s starts it: ", s->bench);
			return rc;
		}
	}
	rc = link_open(s->rig.link, s->rig.baud, s->bench, CONNECT_MS, &s->link, err);
	if (rc != RC_OK)
		return rc;
	if (s->control) {
		control_set_tether(s->control, s->link);
		s->clock = clock_bench(s->control);
	} else {
		s->clock = clock_machine();
		s->slept_ns = s->clock.slept_ns(s->clock.ctx);
	}
	s->node_roles = ROLE_ALL;
	for (size_t i = 0; i < s->rig.n_instruments; i++)
		s->node_roles &= ~s->rig.instrument[i].roles;
	struct node_config config = {
		.roles = s->node_roles,
		.fast_Hz = (int)lround(s->rig.rate_Hz),
		.slow_every = session_slow_every(&s->rig),
		.lease_ms = (int)lround(s->rig.lease_s * 1e3),
		.pulses_per_rev = s->rig.pulses_per_rev,
		.gear_ratio = s->has_actuator ? s->actuator.gear_ratio : 1,
		.cell_saturation = (int32_t)lround(s->rig.cell_saturation_count),
		.direction = s->rig.pick_sign,
	};
	rc = node_open(s->link, &s->clock, &config, &s->node, err);
	if (rc != RC_OK)
		return rc;
	/* The profile's default is a converter of 24 bits; the node knows its own. */
	if (node_caps(s->node)->cell && s->node_roles & ROLE_CELL)
		s->rig.cell_saturation_count =
			fmin(s->rig.cell_saturation_count, ldexp(1, node_caps(s->node)->cell_bits - 1) - 1);
	rc = session_open_instruments(s, err);
	if (rc == RC_OK)
		rc = session_check_roles(s, err);
	if (rc == RC_OK)
		rc = session_start_warden(s, err);
	return rc == RC_OK ? wait_for_rest(s, err) : rc;
}

static enum rc find_brake_heat(struct session *s, struct err *err)
{
	struct mono now = s->clock.now(s->clock.ctx);
	const struct brake_heat_now moment = { .mono_ns = now.ns,
					       .wall_ns = s->clock.wall(s->clock.ctx).ns,
					       .on_bench = s->rig.is_virtual };

	s->brake_heat_at = now;
	return s->logbook ? brake_heat_left(s->logbook, s->rig.slip_power_W, s->rig.slip_energy_J, &moment,
					    &s->brake_heat_J, err)
			  : RC_OK;
}

enum rc session_open(const struct session_want *want, struct session *ret, struct mistakes *m, struct err *err)
{
	enum rc rc;

	*ret = (struct session){ .tare_count = NAN, .account_fd = -1 };
	if (strlen(want->bench) >= sizeof ret->bench)
		return err_set(err, RC_RANGE, 0, "the path of the bench folder is too long");
	snprintf(ret->bench, sizeof ret->bench, "%s", want->bench);
	rc = read_files(ret, want, m, err);
	/* A rig that does not answer leaves no logbook behind. */
	if (rc == RC_OK && want->rig_link)
		rc = open_rig(ret, err);
	if (rc == RC_OK)
		rc = open_logbook(ret, want->logbook_write, err);
	if (rc == RC_OK && want->rig_link)
		rc = find_brake_heat(ret, err);
	if (rc != RC_OK)
		session_close(ret);
	return rc;
}

void session_close(struct session *s)
{
	session_close_warden(s);
	session_close_instruments(s);
	link_close(s->link);
	if (s->clock.free)
		s->clock.free(s->clock.ctx);
	control_close(s->control);
	logbook_close(s->logbook);
	free(s->rig_text);
	free(s->actuator_text);
	free(s->plan_text);
	*s = (struct session){ .tare_count = NAN, .account_fd = -1 };
}

enum rc session_run_begin(struct session *s, const char *kind, int64_t resumes_run_id, struct err *err)
{
	struct run_head head = {
		.kind = kind,
		.rig_text = s->rig_text,
		.actuator_text = s->actuator_text,
		.plan_text = s->plan_text,
		.actuator_name = s->has_actuator ? s->actuator.name : NULL,
		.plan_name = s->has_plan ? s->plan_name : NULL,
		.mono_ns = s->clock.now ? s->clock.now(s->clock.ctx).ns : 0,
		.wall_ns = s->clock.wall ? s->clock.wall(s->clock.ctx).ns : 0,
		.on_bench = s->rig.is_virtual,
		.calibration_id = s->calibration_id,
		.map_id = s->map_id,
		.resumes_run_id = resumes_run_id,
	};
	enum rc rc = logbook_run_begin(s->logbook, &head, err);

	if (rc != RC_OK)
		return rc;
	s->run_id = head.id;
	if (s->has_actuator)
		rc = claimed_add(s->logbook, s->run_id, head.wall_ns, &s->actuator.claimed, err);
	return rc == RC_OK ? session_keep_warden(s, err) : rc;
}

enum rc session_run_end(struct session *s, const char *outcome, const char *cause, const char *message, struct err *err)
{
	int64_t now_ns = s->clock.now ? s->clock.now(s->clock.ctx).ns : 0;
	struct err heat_err = { 0 };
	enum rc heat_rc = RC_OK;

	if (s->clock.now)
		heat_rc = brake_heat_keep(s->logbook, s->run_id, s->brake_heat_J, s->brake_heat_at.ns, &heat_err);
	enum rc rc = logbook_run_end(s->logbook, s->run_id, now_ns, outcome, cause, message, err);
	if (rc != RC_OK || heat_rc == RC_OK)
		return rc;
	if (err)
		*err = heat_err;
	return heat_rc;
}
