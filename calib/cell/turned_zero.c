/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/turned_zero.h"

#include <math.h>
#include <stdbool.h>

struct turned_zero turned_zero_join(const struct turned_half *half, size_t n, double ratio)
{
	const struct turned_half *back = &half[1];
	bool three = n > 2;
	/* weight of the second forward half at the time of the backward one */
	double w = three ? (back->at_s - half[0].at_s) / (half[2].at_s - half[0].at_s) : 0;
	double forward = three ? half[0].mean + w * (half[2].mean - half[0].mean) : half[0].mean;
	double u_forward = three ? hypot((1 - w) * half[0].u, w * half[2].u) : half[0].u;
	double of_forward = ratio / (1 + ratio), drag = (forward - back->mean) / (1 + ratio);
	struct turned_zero ret = {
		.at_s = three ? back->at_s : (half[0].at_s + back->at_s) / 2,
		.zero = forward - drag,
		.u_zero = hypot(of_forward * u_forward, back->u / (1 + ratio)),
		.drag = drag,
		.unlike = fabs(drag) / (1 + ratio),
	};

	if (!three)
		return ret;
	ret.fade = half[2].mean - half[0].mean;
	ret.u_fade = hypot(half[0].u, half[2].u);
	ret.fade_limit = of_forward * fmax(w, 1 - w) * fabs(ret.fade);
	return ret;
}
