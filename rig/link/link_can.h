/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A CAN interface of the kernel (SocketCAN, address can:NAME) as a link: it reads and takes the lines of a serial
 * adapter (channel/can_frame.h), so that who speaks to the one speaks to the other. Commands for the adapter are passed
 * over: bit rate and state are the interface's, set with "ip link". Its errors come as state lines ("sp128000"). */
#ifndef BRIDLE_LINK_LINK_CAN_H
#define BRIDLE_LINK_LINK_CAN_H

#include "channel/can_frame.h"

#define LINK_CAN_BYTES 16

/* The bytes of a frame on the socket itself, for somebody who shares its descriptor; always LINK_CAN_BYTES. */
size_t link_can_bytes(const struct can_message *message, char buf[LINK_CAN_BYTES]);

#endif
