/* SPDX-License-Identifier: GPL-3.0-or-later */
/* An indicator in the torque cell's place: what rig.ini says of it, as its instrument needs it. */
#include "instrument/indicator.h"
#include "run/session.h"

#include <math.h>

void session_indicator(const struct session *s, const struct instrument_profile *p, struct indicator_setup *ret)
{
	char why[TEXT_PATTERN_WHY];

	_Static_assert(PROFILE_TELLS <= INDICATOR_TELLS, "every pattern has its place");
	*ret = (struct indicator_setup){ .division = p->division,
					 .saturation = (int32_t)lround(s->rig.cell_saturation_count) };
	if (p->ask[0] && !text_pattern_read(p->ask, &ret->ask, why))
		ret->ask = (struct text_pattern){ 0 };
	for (size_t i = 0; i < PROFILE_TELLS; i++)
		if (p->tell[i][0] && text_pattern_read(p->tell[i], &ret->tell[ret->n_tell], why))
			ret->n_tell++;
}
