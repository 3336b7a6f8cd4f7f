/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual bench as a whole: everything that stands on the table, stepped together. It is deterministic: the
 * same profiles, physics, seed, step and the same acts at the same bench times give the same bytes. */
#ifndef BRIDLE_BENCH_WORLD_H
#define BRIDLE_BENCH_WORLD_H

#include "bench/actuator.h"
#include "bench/agenda.h"
#include "bench/brake.h"
#include "bench/cell.h"
#include "bench/contactor.h"
#include "bench/drive.h"
#include "bench/drive_line.h"
#include "bench/line_habit.h"
#include "bench/heat.h"
#include "bench/indicator_line.h"
#include "bench/meter.h"
#include "bench/modbus_line.h"
#include "bench/node_side.h"
#include "bench/physics.h"
#include "bench/pickup.h"
#include "bench/gpio_line.h"
#include "bench/relay_line.h"
#include "bench/shaft.h"
#include "bench/strays.h"
#include "bench/supply.h"
#include "bench/supply_line.h"
#include "bench/truth.h"
#include "profile/rig_profile.h"

#define WORLD_STEP_US 50
#define WORLD_RNGS 6

struct world;
struct world_config {
	struct rig_profile rig;
	struct weights_profile weights; /* n = 0 when there are none */
	struct stated stated;           /* what both state, from which the truth is drawn */
	struct physics physics;
	uint64_t seed;
	int step_us;          /* a divisor of 1000 */
	FILE *truth_csv;      /* kept; NULL for none */
	struct agenda agenda; /* what the hands do by themselves */
	/* Does one of its acts (hands_act); borrowed, NULL where the agenda is empty. */
	void (*act)(struct world *world, const struct agenda_item *item);
};

/* What hands have done. */
struct world_hands {
	bool coupled, arm_on;
	bool hung[PROFILE_PIECES];
	double weight_Nm;               /* of arm and weights, when they hang freely, as the lever feels it */
	double let_go_Nm;               /* what pulls now: hands lower and lift gently */
	double let_go_step_Nm;          /* per millisecond until then */
	double panel_rpm, knob_rpm;     /* a hand-drive: what it is being set to, and where its knob stands */
	bool turning;                   /* a crank on the shaft */
	double turn_rad_per_s, turn_Nm; /* speed that the crank is turned at; its torque in the last step */
};

/* Faults that need a memory of their own; the others live in the parts. */
struct world_faults {
	struct drive_tampering drive;
	double reach_factor; /* 1 when the drive is healthy */
	double supply_V;     /* > 0: all that the supply gives */
	double knock_Nm;
	int64_t knock_us, knock_end_us;
	bool estop, cage; /* pulled by a fault: mend puts them back */
	bool pickup_dead;
	bool drive_deaf; /* goes on as it was told last */
	bool drive_mute; /* what it tells of its rotor stays as it was */
	double mute_rpm, mute_A;
	bool link_cut;   /* the tether's stream ends */
	int64_t held_us; /* the host is held up so long, once */
	bool pickup_half;
	double pickup_slip; /* part of the shaft's angle that the pick-up's disc does not make */
	double drift_Nm_per_s, drift_from_s;
	double hum_Nm; /* of the mains on the cell's cable */
	bool panel_wrong;
	double panel_times; /* of what the hands are told, when panel_wrong */
};

struct world {
	struct world_config config;
	struct true_rig truth;
	int64_t now_us, grid_us; /* bench time; end of the last step of the physics, at most a step behind */
	double step_s;
	gsl_rng *rng[WORLD_RNGS];
	struct supply supply;
	struct contactor contactor;
	struct drive drive;
	enum bench_mode drive_heard; /* what it was told last, with value and limit in the node's units */
	double drive_value, drive_limit;
	struct actuator actuator;
	struct shaft shaft;
	struct brake brake;
	struct strays strays;
	struct cell cell;
	struct pickup pickup;
	struct meter meter;
	struct heat actuator_heat, brake_heat;
	struct node_side node;
	struct supply_line supply_line[PROFILE_INSTRUMENTS];       /* the lines of rig.ini's [instrument NAME] */
	struct meter supply_meter[PROFILE_INSTRUMENTS];            /* what each of these measures with, by instrument */
	struct relay_line relay_line[PROFILE_INSTRUMENTS];         /* by instrument, used where it is a relay */
	struct drive_line drive_line[PROFILE_INSTRUMENTS];         /* by instrument, used where it is a drive */
	struct modbus_server modbus_line[PROFILE_INSTRUMENTS];     /* by line, used where its first is one */
	struct indicator_line indicator_line[PROFILE_INSTRUMENTS]; /* by instrument, used where it is one */
	struct gpio_line gpio_line[PROFILE_INSTRUMENTS];           /* by instrument, used where it is GPIO lines */
	struct line_habit line_habit[PROFILE_INSTRUMENTS];         /* by line */
	const struct supply_orders *coil;                          /* feeds the brake's coil; NULL: the node does */
	bool by_panel;                                             /* a person sets the drive */
	struct drive_line *driver;                                 /* commands the drive; NULL: the node does */
	const struct relay_line *relay;                            /* switches the contactor; NULL: the node does */
	struct supply_orders *settable; /* sets the drive's supply, and its output feeds the contactor's coil; NULL */
	bool cuts;                      /* its output feeds the contactor's contact: the drive needs both */
	struct world_hands hands;
	struct world_faults faults;
	double slipped_rad, slip_at_rad; /* of the pick-up's disc */
	struct truth_sums sums;
	double peak_Nm, peak_rad_per_s; /* since the last row of the truth */
	unsigned on_at_row;             /* node, drive and contactor in it */
	double room_degC;
	double source_J, cable_J; /* out of the supply's source and the crank; lost before the drive */
	double heat_from[6];      /* lost energies at the last step of heat */
};

/* config: copied. RC_NOMEM. The world is big: given to the caller, ended by world_free (NULL is fine). */
enum rc world_new(const struct world_config *config, struct world **ret, struct err *err) MUST_CHECK;
void world_free(struct world *world);

/* Go on to t_us; nothing when that is not after now. */
void world_advance(struct world *world, int64_t t_us);

/* Bytes of the host at the present bench time, and what the node has sent by then. */
void world_receive(struct world *world, const char *bytes, size_t n);
size_t world_take(struct world *world, char *buf, size_t size);

/* The same of a line beside the tether. */
void world_receive_line(struct world *world, size_t line, const char *bytes, size_t n);
size_t world_take_line(struct world *world, size_t line, char *buf, size_t size);

/* Torque of what hangs, after hands have changed it. */
void world_weigh(struct world *world);

/* Hands set the drive on its own panel, which keeps that: rpm of the output. False where rig.ini has no hand-drive. */
bool world_set_panel(struct world *world, double speed_rpm);

/* Energy account, J: source = lost + slip + stored, as far as the step allows. */
struct world_energy {
	double source_J, lost_J, slip_J, stored_J;
};
struct world_energy world_energy(const struct world *world);

#endif
