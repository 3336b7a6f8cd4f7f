/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/box.h"

#include <stdlib.h>
#include <string.h>

#define BOX_NEW 4u
#define PLACE 3u

enum rc box_init(struct box *b, size_t size, struct err *err)
{
	b->place = calloc(3, size);
	if (b->place == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for an instrument's readings");
	b->size = size;
	b->put = 0;
	b->taken = 1;
	atomic_init(&b->between, 2);
	return RC_OK;
}

void box_free(struct box *b)
{
	free(b->place);
	b->place = NULL;
}

void box_put(struct box *b, const void *value)
{
	memcpy(b->place + b->put * b->size, value, b->size);
	b->put = atomic_exchange_explicit(&b->between, b->put | BOX_NEW, memory_order_acq_rel) & PLACE;
}

bool box_take(struct box *b, void *ret)
{
	if (!(atomic_load_explicit(&b->between, memory_order_relaxed) & BOX_NEW))
		return false;
	b->taken = atomic_exchange_explicit(&b->between, b->taken, memory_order_acq_rel) & PLACE;
	memcpy(ret, b->place + b->taken * b->size, b->size);
	return true;
}
