/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Hysteresis as a sum of plays (the Prandtl-Ishlinskii operator; Brokate and Sprekels, Hysteresis and
 * Phase Transitions, 1996, ch. 2): rate-independent, with a memory of turning points, and minor loops
 * that close. A play of half-width r drags its state behind the input: state = max(x - r, min(x + r, state)). */
#ifndef BRIDLE_BENCH_PLAY_H
#define BRIDLE_BENCH_PLAY_H

#define PLAY_COUNT 6

struct play_bank {
	double direct;            /* part that follows the input without memory */
	double width[PLAY_COUNT]; /* half-widths, in units of the input */
	double weight[PLAY_COUNT];
	double state[PLAY_COUNT];
};

/* Widths evenly spaced up to reach (half-width of the widest). memory: what is left at input 0 after a full excursion
 * to 1; scaled so that the first rise from 0 to 1 ends at 1. 0 <= memory, 0 < reach < 0.5. */
void play_init(struct play_bank *bank, double memory, double reach);

/* Take the input and return the output. */
double play_step(struct play_bank *bank, double input);

#endif
