/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Who has a device open, as /proc tells it: processes of this user alone, unless this one is root. */
#ifndef BRIDLE_LINK_LINK_HOLDER_H
#define BRIDLE_LINK_LINK_HOLDER_H

#include <stddef.h>

/* " (\"NAME\", process 123)" of one other process that has it open; "" where none is seen. A link is followed. */
void link_holder(const char *path, char *buf, size_t size);

#endif
