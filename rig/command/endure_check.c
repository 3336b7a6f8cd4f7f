/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/endure_check.h"

#include "command/endure_say.h"
#include "run/torque_room.h"

enum rc endure_check_play(const struct session *s, double *ret_Nm, struct err *err)
{
	const struct plan_endurance *e = &s->plan.endurance;
	const struct torque_room room = torque_room_of(s);
	double heaviest_Nm = s->plan.step[s->plan.n - 1];

	*ret_Nm = 0;
	if (e->play == 0)
		return RC_OK;
	enum rc rc = session_check_mode(s, DRIVE_TORQUE, "[endurance] play", err);
	if (rc == RC_OK && !(s->actuator.gear_ratio > 0))
		rc = err_set(
			err, RC_ARG, 0,
			"[endurance] play: [actuator] ratio is not known, so the rotor's angle cannot be brought to "
			"the output");
	*ret_Nm = e->play_torque_Nm > 0 ? e->play_torque_Nm : heaviest_Nm;
	return rc == RC_OK ? torque_room_check(&room, "[endurance] play_torque", *ret_Nm, err) : rc;
}

enum rc endure_check_messages(const struct session *s, struct err *err)
{
	struct endure_say say = { 0 };
	enum rc rc = endure_say_begin(&say, s, err);

	endure_say_end(&say);
	return rc;
}
