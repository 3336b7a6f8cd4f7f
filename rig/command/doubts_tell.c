/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/doubts_tell.h"

#include "terminal/cli.h"
#include "logbook/accepted.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum rc doubt_refuses(struct logbook *lb, const struct doubt *d, char *ret_reason, size_t size, bool *ret,
		      struct err *err)
{
	enum rc rc = RC_OK;

	*ret_reason = '\0';
	if (d->refuses && d->acceptable)
		rc = accepted_find(lb, d->word, d->found, d->expected, ret_reason, size, err);
	*ret = d->refuses && !*ret_reason;
	return rc;
}

enum rc doubt_accept(struct logbook *lb, int64_t run_id, int64_t wall_ns, const struct doubt *d, const char *reason,
		     struct err *err)
{
	return accepted_add(lb, run_id, wall_ns, d->word, d->found, d->expected, reason, d->text, err);
}

json_t *doubt_json(const struct doubt *d, bool refuses, const char *reason)
{
	return json_pack("{s:s, s:b, s:o, s:o, s:o, s:o}", "check", d->word, "refuses", refuses, "message",
			 cli_text(d->text), "found", cli_real(d->found), "expected", cli_real(d->expected), "accepted",
			 reason && *reason ? cli_text(reason) : json_null());
}

void doubt_print(const struct doubt *d, bool refuses, const char *reason)
{
	char text[800];

	if (reason && *reason)
		snprintf(text, sizeof text, "Accepted (%.150s): %s.", reason, d->text);
	else
		snprintf(text, sizeof text, "%s: %s.", refuses ? "Wrong" : "Doubtful", d->text);
	cli_wrapped(stdout, cli_width(), "", "  ", text);
}

static void take(struct doubts *ret, const struct plausible *p)
{
	if (!p->known || !p->refused || ret->n == DOUBTS_MOST)
		return;
	struct doubt *d = &ret->list[ret->n++];
	*d = (struct doubt){ .refuses = true, .acceptable = true, .found = p->found, .expected = p->expected };
	snprintf(d->word, sizeof d->word, "%s", plausible_word(p->check));
	plausible_sentence(p, d->text, sizeof d->text);
}

void doubts_of_curve(const struct curve *curve, const struct rig_profile *rig, const struct actuator_profile *actuator,
		     const struct brakemap *map, const struct cellcal *cal, struct doubts *ret)
{
	struct plausible list[PLAUSIBLE_CHECKS], one;
	struct plausible_point *points = calloc(curve->n ? curve->n : 1, sizeof *points);
	size_t n = 0;

	*ret = (struct doubts){ 0 };
	for (size_t i = 0; points && i < curve->n; i++) {
		const struct curve_point *p = &curve->points[i];
		points[i] = (struct plausible_point){
			p->torque_Nm.value, p->speed_rpm.value,     p->rotor_rpm,
			p->drive_A,         p->input_power_W.value, p->efficiency_valid ? p->efficiency.value : NAN
		};
	}
	if (points)
		n = plausible_curve(actuator, points, curve->n, list);
	free(points);
	for (size_t i = 0; i < n; i++)
		take(ret, &list[i]);
	if (map) {
		one = plausible_brake(rig, map, actuator);
		take(ret, &one);
	}
	if (cal) {
		one = plausible_cell(rig, cal);
		take(ret, &one);
	}
}
