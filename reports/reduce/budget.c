/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/budget.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static int larger_first(const void *a, const void *b)
{
	double x = fabs(((const struct unc_part *)a)->u), y = fabs(((const struct unc_part *)b)->u);

	return x < y ? 1 : x > y ? -1 : 0;
}

size_t budget_of(const struct unc_ctx *ctx, struct unc x, struct budget_row *ret, size_t max)
{
	double total = unc_u(x) * unc_u(x), rest = 0;
	size_t n = 0, joined = 0;
	struct unc_part *part = malloc((x.n ? x.n : 1) * sizeof *part);

	if (part == NULL || max == 0) {
		free(part);
		return 0;
	}
	if (x.n > 0)
		memcpy(part, x.part, x.n * sizeof *part);
	qsort(part, x.n, sizeof *part, larger_first);
	size_t single = x.n <= max ? x.n : max - 1;
	for (size_t i = 0; i < x.n; i++) {
		double variance = part[i].u * part[i].u;
		if (i < single)
			ret[n++] = (struct budget_row){
				.name = unc_source_name(ctx, part[i].source),
				.u = part[i].u,
				.share_frac = total > 0 ? variance / total : 0,
				.dof = unc_source_dof(ctx, part[i].source),
				.dist = unc_source_dist(ctx, part[i].source),
			};
		else {
			rest += variance;
			joined++;
		}
	}
	if (joined > 0)
		ret[n++] = (struct budget_row){ .name = "smaller ones together",
						.u = sqrt(rest),
						.dof = NAN,
						.joined = joined,
						.share_frac = total > 0 ? rest / total : 0,
						.dist = DIST_NORMAL };
	free(part);
	return n;
}
