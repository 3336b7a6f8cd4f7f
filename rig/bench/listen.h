/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Where the virtual bench is reached: unix and tcp addresses as rig.ini names them, or a pseudo-terminal. */
#ifndef BRIDLE_BENCH_LISTEN_H
#define BRIDLE_BENCH_LISTEN_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

struct listener {
	int fd; /* listening socket, or a pseudo-terminal's master; -1 = none */
	bool is_pty;
	bool is_open;     /* other machines reach it: a tcp address that is not this machine's own loopback */
	char unlink[600]; /* path of a unix socket to remove at the end, "" = none */
	char shown[600];  /* for people: the address, or the pseudo-terminal's name */
};

/* address: "unix:PATH" (relative to folder) or "tcp:HOST:PORT". A stale socket is removed; when something answers
 * there, RC_ARG. RC_ARG bad address, RC_IO. */
enum rc listen_open(const char *address, const char *folder, struct listener *ret, struct err *err) MUST_CHECK;
enum rc listen_pty(struct listener *ret, struct err *err) MUST_CHECK;
void listen_close(struct listener *listener);

/* A connection that waits, non-blocking, or -1. */
int listen_accept(const struct listener *listener);

/* Is somebody at the pseudo-terminal? */
bool listen_pty_used(const struct listener *listener);

#endif
