/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What every drive on a line of its own does the same way, whatever it speaks: bytes in and out, its share of a tick,
 * and the wait for all its values when it is opened (2 s): a drive that nobody hears is told before anything is
 * energised. How it speaks is its own file's, as a table of functions. */
#ifndef BRIDLE_INSTRUMENT_DRIVE_SHELL_H
#define BRIDLE_INSTRUMENT_DRIVE_SHELL_H

#include "instrument/drive_side.h"
#include "instrument/instrument.h"

#define DRIVE_SHELL_BYTES 256 /* of one command */
#define DRIVE_SHELL_OPEN_S 2.0

struct drive_shell;

/* ctx: of the drive's own file. None of them allocates or waits. */
struct drive_talk {
	void (*take_byte)(void *ctx, char c, struct mono now);
	/* Once a tick, after what came was taken: what it asks, through drive_shell_send. */
	void (*look)(void *ctx, struct mono now);
	size_t (*put)(void *ctx, const struct drive_command *command, struct mono now, char buf[DRIVE_SHELL_BYTES]);
	/* Has what it told changed what the command that was sent has to look like? Then it is put again. NULL:
	 * never. */
	bool (*again)(void *ctx, const struct drive_command *sent);
	/* Not all its values came: err_set with RC_TIMEOUT. */
	enum rc (*refuse)(void *ctx, struct err *err);
	/* More about why it is not heard, added to the words of drive_side; NULL: there is none. "" = nothing. */
	const char *(*hint)(void *ctx);
	/* What is wrong with it though it is heard, "" = nothing: a fault of the drive then. NULL: it cannot say. */
	const char *(*trouble)(void *ctx, struct mono now);
	/* Before the line is closed: what it is sent last, through drive_shell_send. NULL: nothing. */
	void (*leave)(void *ctx);
};

struct drive_shell {
	const struct drive_talk *talk;
	void *ctx;
	struct drive_side side;
	struct link *link;
	const struct clock_src *clock;
};

struct mono drive_shell_now(const struct drive_shell *shell);
void drive_shell_send(struct drive_shell *shell, const char *bytes, size_t n);

/* shell: link, clock, talk and ctx are set, and side by drive_side_init. Waits for all values unless the drive may
 * boot later. modes: as of struct instrument. ctx is freed (free) when the instrument is closed, and by nobody on an
 * error. */
enum rc drive_shell_open(struct drive_shell *shell, const struct instrument_config *config, unsigned modes,
			 struct instrument *ret, struct err *err) MUST_CHECK;

#endif
