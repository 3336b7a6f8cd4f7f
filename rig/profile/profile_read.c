/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/profile.h"

#include "calib/mass/gravity.h"
#include "profile/claimed_csv.h"
#include "profile/indicator_keys.h"
#include "profile/instruments.h"
#include "profile/textfile.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *plain(const char *path)
{
	return strncmp(path, "./", 2) == 0 ? path + 2 : path;
}

/* ---- rig ---- */

static void check_link(struct inifile *r, const char *section, const char *key, const char *address)
{
	static const char *const kinds[] = { "serial:", "tcp:", "unix:" };
	int line = inifile_line(r, section, key);

	if (line == 0 || !*address)
		return;
	for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
		if (strncmp(address, kinds[i], strlen(kinds[i])) == 0 && address[strlen(kinds[i])])
			return;
	inifile_mistake(r, line, section, key, "found \"%.60s\", expected serial:DEVICE, tcp:HOST:PORT or unix:PATH",
			address);
}

static void check_place(struct inifile *r, const struct rig_profile *rig)
{
	bool latitude = inifile_line(r, "rig", "latitude") > 0, height = inifile_line(r, "rig", "height") > 0;

	if (rig->gravity_m_per_s2.value > 0 || inifile_line(r, "rig", "gravity") > 0)
		return;
	if (!latitude || !height)
		inifile_mistake(r, r->section_line[0], "rig", latitude ? "height" : "latitude",
				"is missing; expected latitude and height, or gravity");
}

/* a must not be above b; both given (a mistake in either was told already when its value is 0). */
static void check_order(struct inifile *r, const char *section, const char *key, double a, const char *other, double b,
			const char *unit)
{
	if (a > 0 && b > 0 && !(a <= b))
		inifile_mistake(r, inifile_line(r, section, key), section, key,
				"found %g %s, expected at most %s (%g %s)", a, unit, other, b, unit);
}

static void check_rig(struct inifile *r, struct rig_profile *rig)
{
	check_place(r, rig);
	check_link(r, "tether", "link", rig->link);
	check_link(r, "virtual", "control", rig->control);
	check_order(r, "limits", "torque", rig->limit_torque_Nm, "[cell] full_scale", rig->cell_full_scale_Nm, "N.m");
	check_order(r, "limits", "torque", rig->limit_torque_Nm, "[limits] coupling", rig->coupling_Nm, "N.m");
	check_order(r, "brake", "slip_power", rig->slip_power_W, "slip_power_short", rig->slip_power_short_W, "W");
	check_order(r, "supply", "voltage_min", rig->supply_min_V, "voltage", rig->supply_V, "V");
	check_order(r, "supply", "voltage", rig->supply_V, "voltage_max", rig->supply_max_V, "V");
	if (!(rig->lease_s * rig->rate_Hz >= 3))
		inifile_mistake(r, inifile_line(r, "tether", "lease"), "tether", "lease",
				"found %g s, expected at least three ticks (%g s at this rate)", rig->lease_s,
				3 / rig->rate_Hz);
	if (!(rig->silent_s * rig->rate_Hz >= 3))
		inifile_mistake(r, inifile_line(r, "guard", "silent"), "guard", "silent",
				"found %g s, expected at least three ticks (%g s at this rate)", rig->silent_s,
				3 / rig->rate_Hz);
	indicator_known(rig);
	rig->is_virtual = rig->control[0] != '\0';
	instruments_check_outputs(r, rig);
}

enum rc profile_parse_rig(const char *text, const char *name, struct rig_profile *ret, struct mistakes *m,
			  struct err *err)
{
	struct rig_profile rig = { .latitude_deg.value = NAN, .height_m.value = NAN };
	struct inifile r = { .name = plain(name),
			     .table = profile_table(PROFILE_RIG),
			     .base = &rig,
			     .whole = &rig,
			     .mistakes = m,
			     .enter = instruments_enter,
			     .leave = instruments_leave };

	inifile_defaults(r.table, &rig);
	inifile_run(&r, text);
	check_rig(&r, &rig);
	enum rc rc = inifile_end(&r, err);
	if (rc == RC_OK)
		*ret = rig;
	return rc;
}

struct quantity profile_gravity(const struct rig_profile *rig)
{
	struct quantity ret = { .value = NAN, .u = NAN, .dof = INFINITY, .dist = DIST_NORMAL, .has_u = true };
	struct gravity g;

	if (rig->gravity_m_per_s2.value > 0)
		return rig->gravity_m_per_s2;
	if (gravity_at(rig->latitude_deg, rig->height_m, &g, NULL) == RC_OK) {
		ret.value = g.m_per_s2;
		ret.u = g.u_m_per_s2;
	}
	return ret;
}

/* ---- actuator ---- */

enum rc profile_parse_actuator(const char *text, const char *name, struct actuator_profile *ret, struct mistakes *m,
			       struct err *err)
{
	struct claim free_claim = { .value = NAN, .speed_rpm = NAN };
	struct actuator_profile actuator = {
		.rated_torque_Nm = free_claim,
		.peak_torque_Nm = free_claim,
		.no_load_rpm = free_claim,
		.peak_efficiency = free_claim,
		.rated_power_W = free_claim,
	};
	struct inifile r = {
		.name = plain(name), .table = profile_table(PROFILE_ACTUATOR), .base = &actuator, .mistakes = m
	};

	inifile_defaults(r.table, &actuator);
	inifile_run(&r, text);
	check_order(&r, "claims", "rated_torque", actuator.rated_torque_Nm.value, "peak_torque",
		    actuator.peak_torque_Nm.value, "N.m");
	check_order(&r, "drive", "speed", actuator.speed_mode_rpm, "[limits] speed", actuator.limit_speed_rpm, "rpm");
	enum rc rc = inifile_end(&r, err);
	if (rc == RC_OK)
		*ret = actuator;
	return rc;
}

/* ---- plan ---- */

#define PILOT_FRAC 0.05 /* of the longest dwell: so long the scatter is looked at first (common practice, no source) */

static void check_plan(struct inifile *r, const struct plan_profile *plan)
{
	const char *wanted = plan->load == LOAD_TORQUE ? "torque" : "current";
	const char *other = plan->load == LOAD_TORQUE ? "current" : "torque";
	int line = inifile_line(r, "steps", other);

	if (inifile_line(r, "steps", wanted) == 0)
		inifile_mistake(r, r->section_line[1], "steps", wanted,
				"is missing; expected steps such as \"0, 5, 10 %s\"",
				plan->load == LOAD_TORQUE ? "N.m" : "A");
	if (line > 0)
		inifile_mistake(r, line, "steps", other, "does not go with [plan] load = %s; give %s", wanted, wanted);
	if (plan->drive == PLAN_DRIVE_CURRENT && !(plan->drive_A > 0))
		inifile_mistake(r, inifile_line(r, "plan", "current"), "plan", "current",
				"is missing; drive = current needs a current such as 8 A");
	else if (plan->drive == PLAN_DRIVE_CURRENT && plan->n > 0 && !(plan->step[0] > 0))
		inifile_mistake(r, inifile_line(r, "steps", wanted), "steps", wanted,
				"begins at 0, where nothing but the brake's drag holds an actuator with drive = "
				"current; begin above 0");
	if (plan->drive != PLAN_DRIVE_CURRENT && inifile_line(r, "plan", "current") > 0)
		inifile_mistake(r, inifile_line(r, "plan", "current"), "plan", "current",
				"goes only with drive = current");
	if (plan->drive != PLAN_SPEED && inifile_line(r, "plan", "speed") > 0)
		inifile_mistake(r, inifile_line(r, "plan", "speed"), "plan", "speed", "goes only with drive = speed");
	if (plan->find_limit && (plan->drive != PLAN_SPEED || plan->shuffle))
		inifile_mistake(r, inifile_line(r, "steps", "find_limit"), "steps", "find_limit",
				"found yes; expected it only with drive = speed and order = rising");
	if (plan->n * plan->n_speeds > PROFILE_STEPS)
		inifile_mistake(r, inifile_line(r, "plan", "speed"), "plan", "speed",
				"found %zu speeds for %zu loads, expected at most %d steps in all", plan->n_speeds,
				plan->n, PROFILE_STEPS);
	if (plan->endurance.cycles > 0 && (plan->drive != PLAN_SPEED || plan->load != LOAD_TORQUE))
		inifile_mistake(r, inifile_line(r, "endurance", "cycles"), "endurance", "cycles",
				"goes only with drive = speed and load = torque: nobody is there to turn or to watch");
	if (!(plan->timeout_s >= plan->window_s))
		inifile_mistake(r, inifile_line(r, "steady", "timeout"), "steady", "timeout",
				"found %g s, expected at least the window (%g s)", plan->timeout_s, plan->window_s);
}

enum rc profile_parse_plan(const char *text, const char *name, struct plan_profile *ret, struct mistakes *m,
			   struct err *err)
{
	struct plan_profile plan = { 0 };
	struct inifile r = { .name = plain(name), .table = profile_table(PROFILE_PLAN), .base = &plan, .mistakes = m };

	inifile_defaults(r.table, &plan);
	inifile_run(&r, text);
	check_plan(&r, &plan);
	if (plan.until_frac > 0)
		plan.dwell_s = fmin(fmax(plan.window_s, PILOT_FRAC * plan.longest_s), plan.longest_s);
	enum rc rc = inifile_end(&r, err);
	if (rc == RC_OK)
		*ret = plan;
	return rc;
}

/* ---- files ---- */

static enum rc read_text(const char *path, char **ret, struct mistakes *m, struct err *err)
{
	struct err own;
	enum rc rc = textfile_read(path, TEXTFILE_MAX, ret, &own);

	if (rc == RC_OK)
		return RC_OK;
	if (rc == RC_ARG && m) {
		struct inifile r = { .name = plain(path), .mistakes = m };
		inifile_mistake(&r, 0, NULL, NULL, "%.240s", own.what);
	}
	return err_set(err, rc, own.sys_errno, "%s", own.what);
}

static void hand_over(char *text, enum rc rc, char **ret_text)
{
	if (rc == RC_OK && ret_text)
		*ret_text = text;
	else
		free(text);
}

enum rc profile_read_rig(const char *path, struct rig_profile *ret, char **ret_text, struct mistakes *m,
			 struct err *err)
{
	char *text;
	enum rc rc = read_text(path, &text, m, err);

	if (rc != RC_OK)
		return rc;
	rc = profile_parse_rig(text, path, ret, m, err);
	hand_over(text, rc, ret_text);
	return rc;
}

/* The data sheet's curve, from its table beside the actuator's file. */
static enum rc read_claimed(const char *path, struct actuator_profile *actuator, struct mistakes *m, struct err *err)
{
	const char *slash = strrchr(path, '/');
	size_t before = m ? m->n + m->more : 0;
	char table[PROFILE_PATH * 2];
	struct err own;

	if (actuator->curve_file[0] == '\0')
		return RC_OK;
	int n = snprintf(table, sizeof table, "%.*s%s", slash ? (int)(slash + 1 - path) : 0, path,
			 actuator->curve_file);
	if (n < 0 || (size_t)n >= sizeof table)
		return err_set(err, RC_ARG, 0, "%.200s: the path of its curve is too long", path);
	enum rc rc = claimed_csv_read(table, &actuator->claimed, m, &own);
	if (rc == RC_OK)
		return RC_OK;
	if (m && m->n + m->more == before) {
		struct inifile r = { .name = plain(path), .mistakes = m };
		inifile_mistake(&r, 0, "claims", "curve", "%.220s", own.what);
	}
	return err_set(err, rc == RC_IO ? RC_ARG : rc, own.sys_errno, "%s", own.what);
}

enum rc profile_read_actuator(const char *path, struct actuator_profile *ret, char **ret_text, struct mistakes *m,
			      struct err *err)
{
	struct actuator_profile actuator;
	char *text;
	enum rc rc = read_text(path, &text, m, err);

	if (rc != RC_OK)
		return rc;
	rc = profile_parse_actuator(text, path, &actuator, m, err);
	if (rc == RC_OK)
		rc = read_claimed(path, &actuator, m, err);
	if (rc == RC_OK)
		*ret = actuator;
	hand_over(text, rc, ret_text);
	return rc;
}

enum rc profile_read_plan(const char *path, struct plan_profile *ret, char **ret_text, struct mistakes *m,
			  struct err *err)
{
	char *text;
	enum rc rc = read_text(path, &text, m, err);

	if (rc != RC_OK)
		return rc;
	rc = profile_parse_plan(text, path, ret, m, err);
	hand_over(text, rc, ret_text);
	return rc;
}

enum rc profile_read_weights(const char *path, struct weights_profile *ret, char **ret_text, struct mistakes *m,
			     struct err *err)
{
	char *text;
	enum rc rc = read_text(path, &text, m, err);

	if (rc != RC_OK)
		return rc;
	rc = profile_parse_weights(text, path, ret, m, err);
	hand_over(text, rc, ret_text);
	return rc;
}
