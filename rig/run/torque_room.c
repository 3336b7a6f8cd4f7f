/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/torque_room.h"

#include <math.h>
#include <stdio.h>

static void bound(struct torque_room *room, double share, double limit_Nm, const char *whose)
{
	if (share * limit_Nm >= room->most_Nm)
		return;
	room->most_Nm = fmax(0, share * limit_Nm); /* 0 of a NaN: a limit that nobody knows leaves no room */
	if (isnan(limit_Nm))
		snprintf(room->decides, sizeof room->decides, "%s: not known", whose);
	else if (share < 1)
		snprintf(room->decides, sizeof room->decides, "%.0f %% of %.4g N·m, %s", 100 * share, limit_Nm, whose);
	else
		snprintf(room->decides, sizeof room->decides, "%.4g N·m, %s", limit_Nm, whose);
}

static double brake_Nm(const struct session *s)
{
	return s->map_id && s->map.max_Nm > 0 ? s->map.max_Nm : s->rig.brake_rated_Nm;
}

struct torque_room torque_room_of(const struct session *s)
{
	const struct actuator_profile *a = &s->actuator;
	struct torque_room room = { .most_Nm = INFINITY };

	bound(&room, TORQUE_ROOM_SHARE, s->rig.cell_full_scale_Nm, "[cell] full_scale");
	if (!(s->rig.coupling_Nm <= 0))
		bound(&room, TORQUE_ROOM_SHARE, s->rig.coupling_Nm, "[limits] coupling");
	bound(&room, TORQUE_ROOM_SHARE, s->rig.limit_torque_Nm, "[limits] torque in rig.ini");
	bound(&room, TORQUE_ROOM_SHARE, a->limit_torque_Nm, "[limits] torque of the actuator");
	if (!(a->k_t_Nm_per_A <= 0))
		bound(&room, TORQUE_ROOM_SHARE, a->k_t_Nm_per_A * a->limit_current_A,
		      "[drive] k_t times [limits] current");
	bound(&room, 1, s->calibration.max_Nm, "the heaviest load of the calibration");
	bound(&room, 1 / TORQUE_ROOM_GRIP, brake_Nm(s), "which the brake holds at its largest current");
	return room;
}

enum rc torque_room_check(const struct torque_room *room, const char *option, double torque_Nm, struct err *err)
{
	if (torque_Nm > 0 && torque_Nm <= room->most_Nm)
		return RC_OK;
	return err_set(err, RC_ARG, 0, "%s: found %.4g N·m, expected more than 0 and at most %.4g N·m (%s)", option,
		       torque_Nm, room->most_Nm, room->decides);
}

double torque_room_lock_A(const struct session *s, double torque_Nm)
{
	double grip_Nm = TORQUE_ROOM_GRIP * torque_Nm;
	double mapped_A = s->map_id ? brakemap_current(&s->map, BRAKEMAP_RISING, grip_Nm) : NAN;
	double rated_A = s->rig.brake_max_A * grip_Nm / s->rig.brake_rated_Nm;

	return fmin(mapped_A > 0 ? mapped_A : rated_A, s->rig.brake_max_A);
}
