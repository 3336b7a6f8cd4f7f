/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Messages to an existing MQTT broker, by a thread of its own: whoever sends never waits. Each message is one
 * connection (MQTT 3.1.1, quality of service 1: the broker has acknowledged it). While the broker is away a message
 * is tried again each MESSAGE_AGAIN_S, in order, until messenger_stop. */
#ifndef BRIDLE_MESSAGE_MESSAGE_H
#define BRIDLE_MESSAGE_MESSAGE_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

#define MESSAGE_TEXT 1000
#define MESSAGE_QUEUE 32
#define MESSAGE_AGAIN_S 30

struct message_setup {
	const char *broker; /* host name or address */
	int port;
	const char *topic;
	const char *user, *password_file; /* "": none */
	const char *ca_file;              /* of TLS; "": none */
};

struct messenger;

/* RC_ARG: built without libmosquitto, or a password file that cannot be read. Nothing is connected yet. */
enum rc messenger_start(const struct message_setup *setup, struct messenger **ret, struct err *err) MUST_CHECK;
/* Never waits: takes no lock and allocates nothing. One thread alone sends. False: the queue is full or text is too
 * long. */
bool messenger_send(struct messenger *m, const char *text);
/* Why the newest try failed; "" while all went well. Static until the next failure. Never waits. */
const char *messenger_why(struct messenger *m);
/* Waits up to wait_s for what is queued, and ends the thread. Returns how many the broker did not acknowledge, and why
 * the newest try failed (ret_why, size bytes). NULL is fine: 0. */
unsigned messenger_stop(struct messenger *m, double wait_s, char *ret_why, size_t size);

#endif
