/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The bench's hands: what a person at the rig would do, as words of the control line (docs/tether.md). */
#ifndef BRIDLE_BENCH_HANDS_H
#define BRIDLE_BENCH_HANDS_H

#include "bench/world.h"

#include <stddef.h>
#include <stdio.h>

/* token[0..n-1] without the word "hand". NULL when done, else the reason in a few words ("hanger missing"). */
const char *hands_do(struct world *world, char **token, size_t n);

/* An act of the agenda. What the hands refuse is told on standard error: the bench goes on. */
void hands_act(struct world *world, const struct agenda_item *item);

/* A plain decimal number; NaN when it is none. */
double hands_number(const char *text);

/* Faults on demand: "fault NAME [VALUE]" without the word "fault", and "mend". Same answer. */
const char *faults_begin(struct world *world, char **token, size_t n);
void faults_mend(struct world *world);

/* Table of the faults, one line each, for --help. */
void faults_list(FILE *to);

#endif
