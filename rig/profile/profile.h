/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What people write about a bench: rig.ini, actuators/NAME.ini, plans/NAME.ini,
 * weights.ini. INI by libinih, quantities by calib/number/quantity.h. Every mistake of
 * a file is collected (file, line, key, found, expected) and shown at once; an
 * unknown key or section is a mistake, a missing key without a default too.
 *
 * The tables of keys (name, unit, default, meaning, range) live in keys_*.c;
 * the templates of `bridle new`, the reader and the man page come from them. */
#ifndef BRIDLE_PROFILE_PROFILE_H
#define BRIDLE_PROFILE_PROFILE_H

#include "calib/number/err.h"
#include "profile/actuator_profile.h"
#include "profile/mistakes.h"
#include "profile/plan_profile.h"
#include "profile/rig_profile.h"
#include "profile/weights_profile.h"

#include <stdbool.h>
#include <stddef.h>

/* Read a file. text (may be NULL) gets the file's whole text, malloc'ed, for the logbook.
 * RC_ARG with mistakes filled, also when there is no such file or it is none that a person wrote; RC_IO when the
 * machine will not read it. Mistakes are added to those that m holds (zero it first; NULL is fine).
 * ret, ret_text: written on success only. */
enum rc profile_read_rig(const char *path, struct rig_profile *ret, char **ret_text, struct mistakes *m,
			 struct err *err) MUST_CHECK;
enum rc profile_read_actuator(const char *path, struct actuator_profile *ret, char **ret_text, struct mistakes *m,
			      struct err *err) MUST_CHECK;
enum rc profile_read_plan(const char *path, struct plan_profile *ret, char **ret_text, struct mistakes *m,
			  struct err *err) MUST_CHECK;
enum rc profile_read_weights(const char *path, struct weights_profile *ret, char **ret_text, struct mistakes *m,
			     struct err *err) MUST_CHECK;
/* The same from text that a logbook kept; name stands for the file in messages. */
enum rc profile_parse_rig(const char *text, const char *name, struct rig_profile *ret, struct mistakes *m,
			  struct err *err) MUST_CHECK;
enum rc profile_parse_actuator(const char *text, const char *name, struct actuator_profile *ret, struct mistakes *m,
			       struct err *err) MUST_CHECK;
enum rc profile_parse_plan(const char *text, const char *name, struct plan_profile *ret, struct mistakes *m,
			   struct err *err) MUST_CHECK;

enum rc profile_parse_weights(const char *text, const char *name, struct weights_profile *ret, struct mistakes *m,
			      struct err *err) MUST_CHECK;

/* The steps that the data sheet's claims need, where the plan says claims = yes and loads by torque: one a little above
 * each claimed torque (a load that is carried with some room confirms it; one that is not refutes it), and with drive =
 * speed one at the torque that gives the claimed power. A torque that rig or actuator must not reach is left out, one
 * that the plan has as it is. Run before the plan is used, wherever it is used: the order of the steps is part of a
 * run. */
void plan_serve_claims(struct plan_profile *plan, const struct actuator_profile *actuator,
		       const struct rig_profile *rig);

/* The smallest torque that [steady] dwell = until is a share of: a tenth of the plan's heaviest load, by the brake's
 * rating where the plan gives currents. */
double plan_target_floor_Nm(const struct plan_profile *plan, const struct rig_profile *rig);

/* A plan with drive = speed that states none runs at [drive] speed of the actuator. Run before plan_serve_claims. */
void plan_take_speed(struct plan_profile *plan, const struct actuator_profile *actuator);

/* Commented templates: every key with unit and meaning, in the order of the tables. What only the owner knows starts
 * empty, with a figure to show the form beside it, and the reader names what is empty still: no invented lever or gain
 * gets into a result. filled: with the invented figures instead, a file that reads without mistakes. */
enum profile_file { PROFILE_RIG, PROFILE_ACTUATOR, PROFILE_PLAN, PROFILE_WEIGHTS };
char *profile_template(enum profile_file which, bool filled); /* malloc'ed; NULL when out of memory */

#endif
