/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The host's end of the warden: start it, check it, prove life to it, and see that it is alive itself. */
#ifndef BRIDLE_WARDEN_WARDEN_HOST_H
#define BRIDLE_WARDEN_WARDEN_HOST_H

#include "calib/number/err.h"
#include "warden/warden.h"

struct warden_host;

struct warden_start {
	const char *program; /* path of bridle-warden; NULL: in the folder of this program */
	const struct warden_config *config;
	const int *line_fd;   /* config->n_lines descriptors; shared with the warden, the caller's to close */
	int account_fd;       /* of warden_account_open; the same */
	const char *watchdog; /* device that it feeds; NULL or "" none */
};

/* Starts the process in a session of its own and greets it (nonce, version), 2 s at most. RC_IO with the reason:
 * nothing may be energised then. Not to be called in a tick. */
enum rc warden_host_start(const struct warden_start *start, struct warden_host **ret, struct err *err) MUST_CHECK;
/* What it could not have (locked memory, priority, watchdog), as sentences; empty when all is well. */
void warden_host_notes(const struct warden_host *h, char *buf, size_t size);

/* In each tick, after the inputs were read and judged. live: something is or may be energised. brake_A: what the brake
 * is to hold in a stop. Never waits, allocates nothing. */
void warden_host_prove(struct warden_host *h, bool live, bool power, double brake_A);
/* Take in its answers. Age of the oldest proof that it did not answer; INFINITY when it is gone, has stopped the rig or
 * lost a line. Never waits, allocates nothing. */
double warden_host_age_s(struct warden_host *h);
/* The same, but wait for the answer to the newest proof: where bench time stands still meanwhile. */
double warden_host_age_after_s(struct warden_host *h, int wait_ms);

enum warden_state { WARDEN_ALIVE, WARDEN_DEAD, WARDEN_STOPPED, WARDEN_LINE_GONE };
enum warden_state warden_host_state(const struct warden_host *h);
/* Bytes that it has written on a line in all, as of its newest answer. */
uint64_t warden_host_written(const struct warden_host *h, size_t line);
int warden_host_pid(const struct warden_host *h);

/* In order: with nothing live it ends at once. NULL is fine. */
void warden_host_close(struct warden_host *h);

#endif
