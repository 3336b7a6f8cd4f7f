/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The zero of a coupled torque cell from a shaft that is turned slowly both ways with the brake off. Drag has the sign
 * of the motion: forwards the cell reads z + d, backwards z - r d, with r the drag's ratio backwards over forwards.
 *
 * Read forward, backward, forward (A B A, as weights are compared on a balance), what drifts in proportion to time
 * falls out: with F the line through the two forwards at the time of B, d = (F - B)/(1 + r) and z = F - d = (r F +
 * B)/(1 + r). For r = 1 and equal spacing that is z = (F1 + 2 B + F2)/4. Of a drift that is not a line the two forwards
 * show the ends: as long as it goes one way, F lies between them, so the line is off by at most max(w, 1 - w)|F2 - F1|,
 * and the zero by r/(1 + r) of that. (Own derivation.)
 *
 * Pure arithmetic: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_CALIB_CELL_TURNED_ZERO_H
#define BRIDLE_CALIB_CELL_TURNED_ZERO_H

#include <stddef.h>

/* A mean over whole turns one way, in any unit of the cell; u: standard uncertainty of its noise. */
struct turned_half {
	double at_s, mean, u;
};

struct turned_zero {
	double at_s;         /* of the backward half; with one forward half the middle of the two */
	double zero, u_zero; /* u: noise alone */
	double drag;         /* turned forwards */
	double unlike; /* change of the zero with the ratio, dz/dr: times the ratio's u it is a part of the zero's u */
	double fade, u_fade; /* second forward half less the first, and its noise; both 0 with one forward half */
	double fade_limit;   /* half-width of what the fade may have done to the zero; 0 with one forward half */
};

/* half: forward, backward (n 2), or forward, backward, forward (n 3), in order of time. ratio > 0. */
struct turned_zero turned_zero_join(const struct turned_half *half, size_t n, double ratio);

#endif
