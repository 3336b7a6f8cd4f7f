/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/relay_line.h"

#include <string.h>

void relay_line_init(struct relay_line *line, const struct profile_bytes *close, const struct profile_bytes *open)
{
	*line = (struct relay_line){ .close = *close, .open = *open };
}

static bool ends_with(const struct relay_line *l, const struct profile_bytes *b)
{
	return b->n > 0 && memcmp(l->seen + sizeof l->seen - b->n, b->byte, b->n) == 0;
}

void relay_line_receive(struct relay_line *l, const char *bytes, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		memmove(l->seen, l->seen + 1, sizeof l->seen - 1);
		l->seen[sizeof l->seen - 1] = bytes[i];
		if (ends_with(l, &l->open))
			l->closed = false;
		else if (ends_with(l, &l->close))
			l->closed = true;
	}
}
