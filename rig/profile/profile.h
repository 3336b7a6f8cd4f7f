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
#include "calib/number/quantity.h"
#include "channel/channel.h"

#include <stdbool.h>
#include <stddef.h>

#define PROFILE_WORD 64
#define PROFILE_PATH 256
#define PROFILE_STEPS 200 /* of a plan: loads times speeds */
#define PROFILE_SPEEDS 20
#define PROFILE_PIECES 40
#define PROFILE_INSTRUMENTS 7
#define PROFILE_TELLS 3

enum brake_kind { BRAKE_POWDER, BRAKE_HYSTERESIS };
enum cell_mounting { MOUNT_CRADLE, MOUNT_SHAFT };
enum meter_plane { PLANE_ACTUATOR, PLANE_SUPPLY };
enum drive_shaft { SHAFT_ROTOR, SHAFT_OUTPUT };

/* Bytes that a device is sent, as bytes_read reads them (profile/bytes.h). */
#define PROFILE_BYTES 48
struct profile_bytes {
	size_t n;
	char byte[PROFILE_BYTES];
};

/* One [instrument NAME] section of rig.ini: an instrument beside the node. */
struct instrument_profile {
	char name[PROFILE_WORD];                                        /* NAME */
	char kind[PROFILE_WORD];                                        /* kind = supply | relay | text-drive */
	char link[PROFILE_PATH];                                        /* link */
	int baud;                                                       /* baud, 9600 */
	double period_s;                                                /* period, 0.2 s: between two readings */
	char role_text[PROFILE_PATH];                                   /* roles = meter */
	unsigned roles;                                                 /* the same as ROLE_... */
	int roles_line;                                                 /* of rig.ini, for messages */
	char close_text[PROFILE_WORD * 2], open_text[PROFILE_WORD * 2]; /* close, open: of a relay */
	char set_voltage[32], set_current[32], set_output[32]; /* headers of a supply that is set: VOLT, CURR, OUTP */
	char ask_error[32], ask_limited[32];                   /* SYST:ERR?; STAT:QUES:EVEN?, "" = not asked */
	char ask_limiting[32];                                 /* STAT:QUES:COND?, "" = not asked */
	int limited_bits;                                      /* 1 */
	struct profile_bytes close, open;                      /* the same as bytes */
	/* Of a drive: side, speed_unit, current_unit, sign = + | -, lease (0: it has none), boot (0: always powered) */
	enum drive_shaft shaft;
	double unit_rpm, unit_A;
	int drive_sign;
	double lease_s, boot_s;
	/* Of a drive that speaks text, as patterns (channel/text_pattern.h); "" = it has none */
	char send_speed[PROFILE_WORD * 2], send_current[PROFILE_WORD * 2], send_off[PROFILE_WORD * 2];
	char ask[PROFILE_WORD * 2];
	char tell[PROFILE_TELLS][PROFILE_WORD * 2], tell_example[PROFILE_TELLS][PROFILE_WORD * 2];
	int address; /* address: its number on a line that several share, from 1 on; 0: alone */
	size_t line; /* 0, 1, ...: those with the same link are on one line */
};

/* rig.ini. Section and key are written [section] key beside each field; units are those of the field. */
struct rig_profile {
	char name[PROFILE_WORD];                /* [rig] name */
	char place[PROFILE_WORD];               /* [rig] place; "" not stated */
	char operator_name[PROFILE_WORD];       /* [rig] operator; "" not stated */
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

/* actuators/NAME.ini */
struct claim {
	bool given;
	double value;
	double speed_rpm; /* at which it is claimed, NaN when free */
};
struct actuator_profile {
	char name[PROFILE_WORD]; /* [actuator] name */
	/* [actuator] maker_type, serial, firmware, run_in; "" not stated */
	char maker_type[PROFILE_WORD], serial[PROFILE_WORD], firmware[PROFILE_WORD], run_in[PROFILE_WORD];
	double gear_ratio;                      /* [actuator] ratio: rotor turns per output turn */
	double limit_torque_Nm;                 /* [limits] torque: never exceed */
	double limit_speed_rpm;                 /* [limits] speed, output */
	double limit_current_A;                 /* [limits] current, torque-producing */
	double case_hot_degC, winding_hot_degC; /* [limits] case, winding */
	double voltage_min_V;                   /* [drive] dropout: undervoltage threshold */
	double speed_mode_rpm; /* [drive] speed: speed set-point used when a plan does not give one, 0 = none */
	double k_t_Nm_per_A;   /* [drive] k_t, output side per A of torque-producing current; 0 = unknown */
	/* What the data sheet claims: each may be missing. [claims] section */
	struct claim rated_torque_Nm; /* rated_torque = 20 N.m @ 80 rpm */
	struct claim peak_torque_Nm;  /* peak_torque = 40 N.m */
	struct claim no_load_rpm;     /* no_load_speed = 100 rpm; no speed of its own after @ */
	struct claim peak_efficiency; /* peak_efficiency = 72 % */
	struct claim rated_power_W;   /* rated_power = 165 W */
	double claims_V; /* [claims] voltage: at the terminals, at which they hold; 0: the supply's of rig.ini */
	double expect_efficiency; /* [forecast] efficiency, 0.5: for the forecast before anything was measured */
	double expect_no_load_W;  /* [forecast] no_load_power, 0 */
};

enum plan_load { LOAD_TORQUE, LOAD_CURRENT };
enum plan_drive { PLAN_SPEED, PLAN_DRIVE_CURRENT, PLAN_HAND };
/* plans/NAME.ini */
struct plan_profile {
	char actuator[PROFILE_WORD]; /* [plan] actuator */
	enum plan_load load;         /* [plan] load = torque | current */
	enum plan_drive drive;       /* [plan] drive = speed | current | hand */
	/* [plan] speed, output: one or several, as written; negative: backward. None stated: one that is 0, until
	 * plan_take_speed has put the actuator's own in. 0 as well with another drive. */
	size_t n_speeds;
	double speed_rpm[PROFILE_SPEEDS];
	double drive_A; /* [plan] current */
	size_t n;       /* [steps] torque = 0, 5, 10 ... N.m   or   current = 0, 0.2 ... A, or from/to/step */
	double step[PROFILE_STEPS];    /* N·m or A, rising */
	bool serve_claims;             /* [steps] claims = yes: plan_serve_claims has to put its steps in */
	bool for_claim[PROFILE_STEPS]; /* step[i] was put in for a claim */
	bool down;                     /* [steps] down = yes: and back */
	bool repeat_first;             /* [steps] repeat_first = yes */
	bool speed_inside;             /* [steps] inner = torque | speed: what changes from step to step */
	bool shuffle;
	unsigned seed;    /* [steps] order = rising | shuffled, seed */
	double dwell_s;   /* [steady] dwell */
	double window_s;  /* [steady] window: of the settle test */
	double timeout_s; /* [steady] timeout */
	double torque_slope_Nm_per_s, speed_slope_rpm_per_s, temp_slope_K_per_min; /* [steady] limits */
	double cool_s;                                                             /* [steady] rest between steps, 0 */
	double confidence;                                                         /* [verdict] confidence, 0.95 */
};

/* weights.ini: one section a piece; [hanger] is a piece that is always hung first. */
struct weight_piece {
	char name[PROFILE_WORD];
	bool has_class;
	char class_name[8];       /* class = E2 ... M3, M1-2 and M2-3 among them (OIML R 111-1) */
	struct quantity mass_kg;  /* nominal = 5 kg, then with the tolerance of the class, or
				   * mass = 5.0013 kg ± 0.5 g: conventional mass */
	double density_kg_per_m3; /* density, default 7900 kg/m3 */
	double u_density_kg_per_m3;
};
struct weights_profile {
	size_t n;
	struct weight_piece piece[PROFILE_PIECES];
	int hanger; /* index or -1 */
};

/* All mistakes of a file; fixed room, the rest is counted. */
struct mistakes {
	size_t n, more;
	char line[32]
		 [300]; /* "rig.ini:12: [cell] full_scale: found \"60\", expected a torque with a unit (such as N.m)" */
};

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

/* A plan with drive = speed that states none runs at [drive] speed of the actuator. Run before plan_serve_claims. */
void plan_take_speed(struct plan_profile *plan, const struct actuator_profile *actuator);
/* The largest of the speeds without its sign, rpm; 0 where there is none. */
double plan_top_rpm(const struct plan_profile *plan);

/* Index of the piece with that section name, -1 when there is none. */
int profile_piece(const struct weights_profile *weights, const char *name);

/* Local gravity by what the profile gives: the value itself, or normal gravity (calib/mass/gravity.h). */
struct quantity profile_gravity(const struct rig_profile *rig);

/* Commented templates: every key with unit and meaning, in the order of the tables. What only the owner knows starts
 * empty, with a figure to show the form beside it, and the reader names what is empty still: no invented lever or gain
 * gets into a result. filled: with the invented figures instead, a file that reads without mistakes. */
enum profile_file { PROFILE_RIG, PROFILE_ACTUATOR, PROFILE_PLAN, PROFILE_WEIGHTS };
char *profile_template(enum profile_file which, bool filled); /* malloc'ed; NULL when out of memory */

/* The first instrument on a line (below n_lines): the line has its name, link and baud. */
const struct instrument_profile *instruments_line(const struct rig_profile *rig, size_t line);

#endif
