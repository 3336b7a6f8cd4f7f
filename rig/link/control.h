/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The control line of a virtual bench (docs/tether.md): its clock in lock-step, and its hands. */
#ifndef BRIDLE_LINK_CONTROL_H
#define BRIDLE_LINK_CONTROL_H

#include "link/link.h"
#include "channel/clock.h"

#include <stdint.h>

struct control;

/* Connect and greet. more_lines: other lines than the tether are to run in lock-step too, so version 2 is needed;
 * without, version 1 is enough. RC_IO, RC_TIMEOUT, RC_PROTOCOL (wrong version). */
enum rc control_open(const char *address, const char *base, bool more_lines, int timeout_ms, struct control **ret,
		     struct err *err) MUST_CHECK;
void control_close(struct control *control); /* NULL is fine */

/* Lock-step needs the tether's byte counts: tell it which link that is (borrowed; NULL for none). */
void control_set_tether(struct control *control, struct link *tether);

/* Version 2: another line that the bench serves under this name. RC_PROTOCOL when it serves none of that name. */
#define CONTROL_LINES 8
enum rc control_add_line(struct control *control, const char *name, struct link *link, struct err *err) MUST_CHECK;

/* One of the hands of docs/tether.md without the word hand itself, e.g. control_hand(c, err, "hang %s", piece).
 * RC_SAYS_NO with the bench's reason. */
enum rc control_hand(struct control *control, struct err *err, const char *format, ...) PRINTF_LIKE(3, 4) MUST_CHECK;

/* The bench clock. The control stays the caller's and must outlive the clock. After sleep_until every byte that
 * the bench has sent by then is readable on the tether link without waiting. */
struct clock_src clock_bench(struct control *control);

#endif
