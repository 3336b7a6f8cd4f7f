/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/cell_row.h"

void cell_row_take(struct cell_row *row, struct snapshot *v, int32_t count, int64_t t_us)
{
	if (row->any && count == v->cell_count) {
		v->cell_same++;
	} else {
		row->pairs += v->cell_same;
		row->equals += v->cell_same > 0 ? v->cell_same - 1 : 0;
		row->since_us = t_us;
		v->cell_same = 1;
	}
	row->any = true;
	v->cell_count = count;
	v->cell_same_s = (double)(t_us - row->since_us) * 1e-6;
	v->cell_equal_chance = (double)row->equals / row->pairs;
}
