/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive that a person sets on its own panel: what stands between any sequence and the loop then. The sequence wants
 * speeds as of any drive; here they become questions, and what goes out is what the person was asked for, so that the
 * guard watches the shaft against it.
 *
 * - Power: the knob may stand anywhere, and the shaft would start with the contactor. So 0 is asked for before it
 *   closes, and nothing but a person's word shows it; a shaft that starts by itself then is the guard's to see. Until
 *   the first drive no speed goes out, whatever the sequence says, so that the guard holds the shaft against 0.
 * - A speed that the sequence goes on wanting for STEADY_S (its ramp is over) is asked for. It counts as set when the
 *   person says so and the pick-up agrees within the tolerance. Turning round goes by 0. Until then the sequence sees
 *   drive_waits and its phase begins anew.
 * - Off: nobody switches the drive off but the contactor, so it opens as soon as the sequence wants no mode any more.
 *
 * While a speed is asked for the larger one of it and the one before goes out. A person who is not done in time stops
 * the run (CAUSE_SEQUENCE). Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_HAND_SET_H
#define BRIDLE_RUN_HAND_SET_H

#include "run/sequence.h"

struct hand_set_config {
	double near_frac, wait_s, standstill_rpm;
	bool by_itself; /* the virtual bench's hands: no key is pressed, a speed that stays near is set */
};

enum hand_set_phase { HAND_SET_OFF, HAND_SET_KNOB, HAND_SET_ON, HAND_SET_OUT };

struct hand_set {
	struct hand_set_config config;
	const struct sequence *sequence;
	enum hand_set_phase phase;
	bool driven;               /* the sequence has had a mode since the contactor closed */
	bool asking, pressed;      /* pressed: Enter, since the step before; whoever sees the key sets it */
	double set_rpm, asked_rpm; /* signed */
	double want_rpm;           /* of the sequence */
	double turned_rpm;         /* the newest speed */
	struct mono want_at, asked_at, near_at;
	bool near;
	unsigned asked_n; /* questions so far: one more is a new one, hand_set_words says it */
	bool off_again;   /* Enter was pressed and the pick-up does not agree: said once more */
};

/* sequence: borrowed. */
void hand_set_begin(struct hand_set *h, const struct hand_set_config *config, const struct sequence *sequence);
void hand_set_step(void *state, const struct snapshot *snap, struct seq_out *ret);

/* "set the drive to 60 rpm forward, then press Enter"; after a key too soon what the pick-up reads. */
void hand_set_words(const struct hand_set *h, char *buf, size_t size);

#endif
