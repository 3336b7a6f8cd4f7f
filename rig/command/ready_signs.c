/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/ready_signs.h"

#include "live/live_zero.h"
#include "run/seq_signs.h"
#include "terminal/cli.h"

#include <math.h>

#define ANSWER_SHARE 0.03 /* of the largest torque; no load step is less */
#define MOST_TORQUE 0.2   /* of the largest torque */

struct turning {
	struct live *live;
	struct seq_signs *signs;
};

/* By hand the sequence tells the way by notes. */
static void on_tick(void *ctx, const struct snapshot *snap, const struct seq_out *out)
{
	const struct turning *t = ctx;

	(void)snap;
	if (t->live->by_hand && out->event.kind == SEQ_EVENT_NOTE)
		live_turn(t->live, t->signs->phase == SIGNS_COAST ? 0 : t->signs->config.speed_rpm);
}

/* In proportion to the rating where no map has such a current. A dead cell never answers: it must not let the
 * current rise past the actuator's torque. */
static double most_A(const struct session *s, double torque_Nm)
{
	double rated_A = s->rig.brake_max_A * fmin(1, MOST_TORQUE * torque_Nm / s->rig.brake_rated_Nm);
	double current_A = s->map_id ? brakemap_current(&s->map, BRAKEMAP_RISING, MOST_TORQUE * torque_Nm) : rated_A;

	return current_A > 0 ? fmin(current_A, s->rig.brake_max_A) : rated_A;
}

static enum rc run(struct live *live, double speed_rpm, struct seq_signs *signs, struct err *err)
{
	const struct session *s = live->s;
	const struct sequence sequence = { seq_signs_step, signs };
	const struct signs_config config = { .speed_rpm = speed_rpm,
					     .slew_rpm_per_s = 2 * speed_rpm,
					     .answer_Nm = ANSWER_SHARE * live->limits.torque_Nm,
					     .most_A = most_A(s, live->limits.torque_Nm),
					     .max_A = s->rig.brake_max_A,
					     .gear_ratio = s->has_actuator ? s->actuator.gear_ratio : 0,
					     .no_direction = !session_pick_has_direction(s),
					     .by_hand = live->by_hand };
	struct turning turning = { live, signs };
	int direction = live->limits.expect_direction;

	seq_signs_begin(signs, &config);
	live->limits.expect_direction = live->by_hand ? 0 : direction;
	live->tick = on_tick;
	live->ctx = &turning;
	enum rc rc = live_run(live, &sequence, err);
	live->tick = NULL;
	live->ctx = NULL;
	live->limits.expect_direction = direction;
	return rc;
}

enum rc ready_signs(struct live *live, double speed_rpm, json_t **ret, const char **ret_cause, struct err *err)
{
	struct seq_signs signs;
	enum rc rc = RC_OK;

	*ret = NULL;
	if (!live_can_turn(live, speed_rpm)) {
		live_note(live, "Nothing can turn the shaft slowly here, so the signs of cell and pick-up were not "
				"checked under load.");
		return RC_OK;
	}
	rc = live_rough_zero(live, err);
	if (rc == RC_OK)
		rc = run(live, live_zero_rpm(live, speed_rpm), &signs, err);
	else
		return rc;
	if (rc != RC_OK && signs.wrong && live->result.cause == CAUSE_SEQUENCE)
		*ret_cause = signs.wrong;
	if (rc != RC_OK)
		return rc;
	live_note(live, "Signs agree: torque rose by %.3g N\u00b7m at %.3g A brake current%s.", signs.answer_Nm,
		  signs.at_A, signs.rotor_judged ? ", drive and pick-up turn the same way" : "");
	*ret = json_pack("{s:o, s:o, s:b}", "torque_Nm", cli_real(signs.answer_Nm), "brake_A", cli_real(signs.at_A),
			 "rotor_checked", signs.rotor_judged);
	return RC_OK;
}
