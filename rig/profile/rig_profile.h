/* SPDX-License-Identifier: GPL-3.0-or-later */
/* rig.ini. Section and key are written [section] key beside each field; units are those of the field. */
#ifndef BRIDLE_PROFILE_RIG_PROFILE_H
#define BRIDLE_PROFILE_RIG_PROFILE_H

#include "calib/number/quantity.h"
#include "profile/instrument_profile.h"
#include "profile/kinds.h"

#include <stdbool.h>

struct rig_profile {
	char name[PROFILE_WORD];          /* [rig] name */
	char place[PROFILE_WORD];         /* [rig] place; "" not stated */
	char operator_name[PROFILE_WORD]; /* [rig] operator; "" not stated */
	int study_record; /* [rig] study: record of a repeatability study that is a source of each point; 0 none */
	struct quantity latitude_deg, height_m; /* [rig] latitude, height: for normal gravity ...; NaN when not given */
	struct quantity gravity_m_per_s2; /* [rig] gravity: ... or the value itself; has_u/value 0 when not given */
	struct quantity air_density_kg_per_m3; /* [rig] air_density, default 1.2 kg/m3 ± 0.06 kg/m3 rect */

	char link[PROFILE_PATH]; /* [tether] link */
	int baud;                /* [tether] baud, 115200 */
	double rate_Hz;          /* [tether] rate, 100 Hz: ticks and fast samples */
	double lease_s;          /* [tether] lease, 0.3 s */
	double node_clock_ppm_u; /* [tether] clock = ± 50 ppm (relative standard uncertainty of "± a") */

	size_t n_instruments; /* [instrument NAME]; what none of them has for a role is the node's */
	struct instrument_profile instrument[PROFILE_INSTRUMENTS];
	size_t n_lines; /* that they are on */

	double warden_silence_s;                /* [warden] silence; 0: no such section */
	char warden_watchdog[PROFILE_WORD * 2]; /* [warden] watchdog, "" = none */

	struct {
		char broker[PROFILE_WORD * 2]; /* "": no such section */
		int port;
		char topic[PROFILE_WORD * 2], user[PROFILE_WORD];
		char password_file[PROFILE_PATH], ca_file[PROFILE_PATH];
	} message; /* [message] */

	bool is_virtual;            /* a [virtual] section is there */
	char control[PROFILE_PATH]; /* [virtual] control */

	double cell_full_scale_Nm;           /* [cell] full_scale: torque at which the cell is full */
	enum cell_mounting mounting;         /* [cell] mounting = cradle | shaft */
	double cell_saturation_count;        /* [cell] saturation, counts, 8388607 */
	double cell_full_scale_count;        /* [cell] full_scale_counts: what full_scale should make; 0 not known */
	int cell_sign;                       /* [cell] sign = + | - */
	struct quantity zero_drift_Nm_per_K; /* [cell] zero_drift = 0 N.m/K ± ... */
	struct quantity gain_drift_per_K;    /* [cell] gain_drift = 0 1/K ± ... */
	struct quantity creep_frac;          /* [cell] creep = 0 % ± ... of the load */

	struct quantity backward; /* [cell] backward: share that it shows too much of a backward torque */

	struct quantity arm_m;         /* [arm] length: the calibration arm, shaft axis to load line */
	struct quantity arm_level_deg; /* [arm] level: off-level angle */
	struct quantity one_sided;     /* [arm] one_sided: share that the cell shows too much of a weight */

	enum brake_kind brake_kind;              /* [brake] kind = powder | hysteresis */
	double brake_max_A;                      /* [brake] current */
	double brake_rated_Nm;                   /* [brake] torque */
	double slip_power_W, slip_power_short_W; /* [brake] slip_power, slip_power_short */
	double slip_energy_J;                    /* [brake] slip_energy: above slip_power, before it must cool */
	double brake_hot_degC;                   /* [brake] temperature */
	double min_slip_rpm;                     /* [brake] min_slip: below it torque is uneven */
	struct quantity
		outside_drag_Nm;    /* [brake] outside_drag: between flange and cradle; has_u false when not given */
	double brake_drag_Nm;       /* [brake] drag: most without current; 0 = not stated */
	struct quantity drag_ratio; /* [brake] drag_ratio: backwards over forwards, 1 ± 2 % rect */

	double supply_V, supply_limit_A;   /* [supply] voltage, current_limit */
	double supply_min_V, supply_max_V; /* [supply] voltage_min, voltage_max: guard's range */

	enum meter_plane plane;    /* [meter] plane = actuator | supply */
	struct quantity cable_ohm; /* [meter] cable: resistance between the supply and the actuator, both ways */
	struct quantity volt_gain, amp_gain; /* [meter] voltage_gain, current_gain = 1 ± 0.2 % ... */
	struct quantity meter_ripple;        /* [meter] ripple: product of averages over average product, less 1 */
	struct quantity volt_offset_V, amp_offset_A; /* [meter] voltage_offset, current_offset */

	/* [temperature] winding, case, ambient: what the sensor tells too much */
	struct quantity winding_off_K, case_off_K, ambient_off_K;

	double pulses_per_rev; /* [pickup] pulses: counts per output revolution */
	int pick_sign;         /* [pickup] sign = + | - */

	double limit_torque_Nm,
		limit_speed_rpm; /* [limits] torque, speed: lever, cell, coupling, whatever is weakest */
	double coupling_Nm;      /* [limits] coupling */
	double stall_s;          /* [limits] stall, 2 s */

	double osc_rpm, osc_Nm;                /* [guard] oscillation_speed, oscillation_torque */
	double silent_s, cell_stale_s;         /* [guard] silent, cell_stale */
	double stop_hold_s;                    /* [guard] stop_hold, 8 s */
	struct quantity inertia_kgm2;          /* [guard] inertia, at the output; has_u false when not given */
	double brake_follow_A, brake_follow_s; /* [guard] brake_follow, brake_follow_time */

	char cell_class[PROFILE_WORD];  /* [cell] name, free text for the record */
	char check_piece[PROFILE_WORD]; /* [check] weight: section of weights.ini used as the check weight, "" = none */
	double check_limit_frac;        /* [check] limit = 0.3 %: change that the check is to see */
};

/* Local gravity by what the profile gives: the value itself, or normal gravity (calib/mass/gravity.h). */
struct quantity profile_gravity(const struct rig_profile *rig);

/* Are the edges of the pick-up dated by this computer? Else by the node. */
bool profile_has_host_edges(const struct rig_profile *rig);

/* A drive that a person sets: it has no line, and nothing there to end when this program does. */
bool instruments_set_by_person(const struct instrument_profile *p);
/* The one of this rig; NULL: the program sets the drive. */
const struct instrument_profile *profile_hand_drive(const struct rig_profile *rig);
/* Has it an output on its line? */
bool instruments_has_output(const struct instrument_profile *p);

/* The first instrument on a line (below n_lines): the line has its name, link and baud. */
const struct instrument_profile *instruments_line(const struct rig_profile *rig, size_t line);

#endif
