/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a key of a profile may choose among. */
#ifndef BRIDLE_PROFILE_KINDS_H
#define BRIDLE_PROFILE_KINDS_H

enum brake_kind { BRAKE_POWDER, BRAKE_HYSTERESIS };
enum cell_mounting { MOUNT_CRADLE, MOUNT_SHAFT };
enum meter_plane { PLANE_ACTUATOR, PLANE_SUPPLY };
enum drive_shaft { SHAFT_ROTOR, SHAFT_OUTPUT };

#endif
