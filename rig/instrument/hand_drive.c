/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/hand_drive.h"

#include <math.h>
#include <stdlib.h>

static enum rc begin(void *ctx, struct err *err)
{
	(void)ctx;
	(void)err;
	return RC_OK;
}

static void poll_nothing(void *ctx, struct snapshot *snap)
{
	(void)ctx;
	(void)snap;
}

enum rc hand_drive_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
			struct instrument *ret, struct err *err)
{
	static const struct instrument_ops ops = { .begin = begin, .poll = poll_nothing, .close = free };
	struct instrument_person *person = malloc(sizeof *person);

	(void)link;
	(void)clock;
	if (person == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	*person = *config->person;
	*ret = (struct instrument){ .ops = &ops,
				    .ctx = person,
				    .name = config->name,
				    .roles = config->roles,
				    .modes = 1u << DRIVE_SPEED,
				    .person = person,
				    .stale_s = INFINITY };
	return RC_OK;
}
