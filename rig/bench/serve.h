/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The loop of the virtual bench: tether and control line on one side, the world on the other. Bench time moves
 * only by the control line while one is connected; else by the machine's clock while anybody is at the tether or
 * the node is live or stopping; else it stands still. */
#ifndef BRIDLE_BENCH_SERVE_H
#define BRIDLE_BENCH_SERVE_H

#include "bench/listen.h"
#include "bench/world.h"

#include <stdbool.h>

struct serve_config {
	struct world *world;             /* borrowed */
	struct listener tether, control; /* borrowed: closed by the caller; control.fd -1 = none */
	struct listener
		more[PROFILE_INSTRUMENTS]; /* lines of the instruments beside the node, in the order of rig.ini */
	size_t n_more;
	int stop_fd; /* becomes readable when the loop shall end (a signalfd) */
	bool once;   /* end when a control connection has closed and the node is idle or safe */
};

/* Returns when told to stop (RC_OK), or RC_IO. */
enum rc serve(const struct serve_config *config, struct err *err) MUST_CHECK;

#endif
