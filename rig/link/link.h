/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes to and from a device: serial (libserialport), tcp, unix, SocketCAN. Addresses:
 *   serial:/dev/ttyACM0          (baud from the profile; locked: a second program is refused; a link such as
 *                                 /dev/serial/by-id/... is followed)
 *   serial:usb:A5028XYZ          (the port whose USB adapter has this serial number)
 *   tcp:HOST:PORT                (tcp:[::1]:PORT for a numeric IPv6 address)
 *   can:INTERFACE                (a CAN interface of the kernel as the lines of an adapter, link/link_can.h)
 *   unix:PATH                    (relative paths are relative to the bench folder)
 * A port that went is gone for this link, also when it is plugged in again. DTR is not dropped when a port is closed,
 * so that a board which restarts at its edge does so at the first opening after it was plugged in and not again.
 * A link is non-blocking. Silence and hang-up are told apart: see link_read. */
#ifndef BRIDLE_LINK_LINK_H
#define BRIDLE_LINK_LINK_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct link;

/* Open within timeout_ms of machine time (a connection being refused is retried until then).
 * base: folder for relative unix paths, may be NULL. RC_ARG bad address, RC_IO cannot open, RC_TIMEOUT. */
enum rc link_open(const char *address, int baud, const char *base, int timeout_ms, struct link **ret,
		  struct err *err) MUST_CHECK;
/* Data bits, parity, stop bits of a serial port; link_open sets the first. RC_IO; on a socket nothing is done. */
enum link_characters { LINK_8N1, LINK_8E1, LINK_8N2 };
enum rc link_set_characters(struct link *link, enum link_characters characters, struct err *err) MUST_CHECK;
/* Of a CAN interface only frames with the identifiers of these come in from now on, so that a busy bus does not fill
 * its queue and what is read there is new. At most LINK_FILTERS. On any other link nothing is done. False: the kernel
 * refused. */
#define LINK_FILTERS 16
struct can_message;
bool link_filter(struct link *link, const struct can_message *of, size_t n);
void link_close(struct link *link); /* NULL is fine */

/* What is there now, at most size bytes; *ret_n 0 when nothing is. Never waits.
 * RC_IO when the other end is gone (hang-up, end of stream, unplugged). */
enum rc link_read(struct link *link, char *buf, size_t size, size_t *ret_n, struct err *err) MUST_CHECK;

/* The same, but when nothing is there yet wait up to timeout_ms for the first byte (then one system call in all
 * on a socket). *ret_n 0 when the time ran out. */
enum rc link_read_wait(struct link *link, char *buf, size_t size, int timeout_ms, size_t *ret_n,
		       struct err *err) MUST_CHECK;

/* Take bytes in until total have come since link_open, and keep them for link_read: for a peer that says how many
 * it has sent. RC_IO gone, RC_TIMEOUT, RC_NOMEM when nobody reads what was kept. What came is kept in any case. */
enum rc link_pull(struct link *link, uint64_t total, int timeout_ms, struct err *err) MUST_CHECK;

/* Write all n bytes within timeout_ms. RC_IO, RC_TIMEOUT: the link is not to be trusted any more. */
enum rc link_write(struct link *link, const char *buf, size_t n, int timeout_ms, struct err *err) MUST_CHECK;

/* Bytes since link_open: for the bench clock's lock-step. Read: handed out by link_read; what link_pull keeps is not.
 */
uint64_t link_bytes_written(const struct link *link);
uint64_t link_bytes_read(const struct link *link);

/* For somebody who shares the line's descriptor: borrowed. And the bytes that he has written on it. */
int link_fd(const struct link *link);
void link_note_written(struct link *link, uint64_t bytes);

const char *link_address(const struct link *link);

#endif
