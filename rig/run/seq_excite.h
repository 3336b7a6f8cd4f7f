/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Small pseudo-random steps of the commanded torque, and what answers them.
 *
 * Free shaft: the torque rises slowly until the shaft turns, then a slow controller holds its mean speed, one way, so
 * that friction keeps its sign and the flanks stay where they are. The steps come in pairs of opposite sign, so that
 * the speed goes nowhere; their size is found first, so that the speed swings by what was wanted and the guard does not
 * take it for an oscillation. Then the torque goes to 0, the drive off, the shaft comes to stand by itself.
 *
 * Locked shaft: the brake takes hold, the torque goes to a standing one that keeps the flanks together, then the steps,
 * single ones; back to 0, the drive off, the brake let go slowly. A reading of the cell beyond what the steps and
 * their ringing may reach ends it at once: that is an oscillation of its own.
 *
 * A row is taken on each tick. The steps are those of a shift register of 15 bits (x^15 + x^14 + 1): the same each
 * time.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_EXCITE_H
#define BRIDLE_RUN_SEQ_EXCITE_H

#include "run/sequence.h"

#define EXCITE_ROWS 60000

struct excite_config {
	double speed_rpm; /* mean, above 0; 0: the shaft is locked */
	double limit_rpm; /* that the drive keeps when its load lets go */
	double torque_Nm; /* free: the largest that may be commanded; locked: the standing one */
	double steps_Nm;  /* half of peak to peak; free: the largest */
	double swing_rpm; /* free: by what one step is to change the speed */
	double step_s;    /* how long one step lasts */
	double record_s;  /* and all of them */
	double slew_Nm_per_s;
	double lock_A, slew_A_per_s; /* locked: of the brake */
	double slip_deg;             /* locked: of the output; more is a slip */
	double most_Nm;              /* locked: of the cell; more, or less than 0 while it steps, ends it at once */
};
double seq_excite_s(const struct excite_config *config); /* about how long it takes */

enum excite_phase {
	EXCITE_START,
	EXCITE_LOCK, /* locked alone */
	EXCITE_RISE,
	EXCITE_SETTLE,
	EXCITE_SIZE, /* free alone */
	EXCITE_RECORD,
	EXCITE_DOWN,
	EXCITE_OFF,
	EXCITE_RELEASE,
	EXCITE_END
};

/* Of one tick. Times by the node's clock. */
struct excite_row {
	double node_s;           /* of the sample */
	double set_Nm;           /* commanded from this tick on */
	double edge_s, edge_rev; /* the newest pulse and the angle there */
	double torque_Nm;        /* of the cell */
	uint32_t conversion;
};

struct seq_excite {
	struct excite_config config;
	enum excite_phase phase;
	bool started;
	struct mono phase_at, last_now, begin;
	double set_Nm, brake_A, locked_deg;
	double broke_Nm, mean_Nm;             /* at which it began to turn; slow part of the commanded torque */
	double half_Nm;                       /* of the steps, as found */
	long step;                            /* of the phase; -1 before the first */
	int way;                              /* of this step */
	unsigned bits;                        /* shift register */
	double low_rpm, high_rpm, swings_rpm; /* of a pair of steps; of all of a try */
	int tries;
	/* results */
	size_t n;
	struct excite_row row[EXCITE_ROWS];
};

void seq_excite_begin(struct seq_excite *s, const struct excite_config *config);
void seq_excite_step(void *state, const struct snapshot *snap, struct seq_out *ret);

#endif
