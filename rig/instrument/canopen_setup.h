/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How a drive after CiA 402 is set up over CANopen before it is used: a list of objects that are written and read back,
 * one at a time, made from what rig.ini states. Pure: frames in and out, time by argument.
 *
 *   pre-operational; is it such a drive (1000h); off (6040h); has it the modes (6502h); are rated torque and current
 *   those of rig.ini (6076h in mN.m, 6075h in mA, within 1 %); its lease: heartbeat consumer (1016h:1, host and time)
 *   and what it does without one (6007h = 2, disable voltage), both read back; RPDO 1 with controlword and mode, RPDO 2
 *   with the velocity, RPDO 3 with torque and its speed limit, TPDO 1 with statusword, velocity and current, each
 *   switched off while its map is written; TPDO 1 no sooner than half a period after itself (1800h:3, 100 us, where it
 *   has that); a fault with the one stated code is reset; operational. Before RPDO 3 its own speed limit (6080h) is
 *   read.
 *
 * Meanings and units of the objects are those of CiA 301 and CiA 402, from memory where no test names a source.
 *
 * What is not answered is asked again, for ever: it may be booting. What is refused, or reads otherwise, ends the
 * set-up with a sentence. */
#ifndef BRIDLE_INSTRUMENT_CANOPEN_SETUP_H
#define BRIDLE_INSTRUMENT_CANOPEN_SETUP_H

#include "channel/canopen.h"
#include "channel/clock.h"

#define CANOPEN_STEPS 64
#define CANOPEN_SPEED_LIMIT 0x6080 /* max motor speed */
#define CANOPEN_WHY 240
#define CANOPEN_ANSWER_S 0.2 /* common practice, no source: answers come within some ms */

/* What the set-up needs to know. */
struct canopen_plan {
	unsigned node, host;    /* node numbers, 1 to 127: of the drive, and of whoever sends the heartbeat */
	int velocity_mode;      /* enum cia402_mode; 0: not used */
	int torque_mode;        /* the same */
	double rated_torque_Nm; /* of the motor; 0: not stated */
	double rated_A;         /* the same */
	double lease_s;         /* 0: it has none */
	double telemetry_s;     /* period of TPDO 1; 0: it is asked instead */
	uint16_t reset_fault;   /* code of 603Fh that is reset; 0: none */
};

enum canopen_check {
	CANOPEN_ANY,
	CANOPEN_IS,
	CANOPEN_HAS_BITS,
	CANOPEN_NEAR,
	CANOPEN_STATUS,
	CANOPEN_ERROR,
	CANOPEN_KEPT
};

struct canopen_step {
	enum { CANOPEN_DO_NMT, CANOPEN_DO_WRITE, CANOPEN_DO_READ } what;
	struct canopen_object object;
	uint8_t size;
	uint32_t value; /* NMT: the command; written; read: what is expected */
	uint32_t mask;  /* of what is read; 0: all of it */
	enum canopen_check check;
	bool for_reset;    /* only with the fault that is to be reset */
	bool optional;     /* what is refused is left out */
	const char *means; /* what it is about, for a sentence */
};

struct canopen_setup {
	struct canopen_plan plan;
	struct canopen_step step[CANOPEN_STEPS];
	int n, at; /* at == n: done */
	bool asked;
	struct mono asked_at;
	bool in_fault, is_to_reset;
	uint32_t speed_limit;   /* 6080h as it was before the first torque mode, for who gives it back */
	bool knows_speed_limit; /* kept over its starts: what it has then may be what it was written */
	unsigned unanswered;    /* times that the present step was asked in vain */
	char why[CANOPEN_WHY];  /* it has failed; "" = not */
};

void canopen_setup_init(struct canopen_setup *setup, const struct canopen_plan *plan);
/* From its first step on: the drive has come up anew. */
void canopen_setup_again(struct canopen_setup *setup);
bool canopen_setup_done(const struct canopen_setup *setup);

/* Is a frame to be sent now? Then *ret. */
bool canopen_setup_next(struct canopen_setup *setup, struct mono now, struct can_message *ret);
/* A frame came. */
void canopen_setup_take(struct canopen_setup *setup, const struct can_message *m);

/* Why it is not done, as a sentence without capital letter and full stop. Only while it is not. */
void canopen_setup_hint(const struct canopen_setup *setup, char *buf, size_t size);

#endif
