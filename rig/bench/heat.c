/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/heat.h"

#include <gsl/gsl_linalg.h>
#include <string.h>

#define N 5 /* two temperatures, then three inputs that stay what they are */

void heat_init(struct heat *heat, const struct heat_params *params, double step_s, double room_degC)
{
	double c1 = params->inner_J_per_K, c2 = params->outer_J_per_K;
	double g12 = 1.0 / params->inner_to_outer_K_per_W, g2 = 1.0 / params->outer_to_room_K_per_W;
	double rates[N][N] = {
		{ -g12 / c1, g12 / c1, 1.0 / c1, 0, 0 },
		{ g12 / c2, -(g12 + g2) / c2, 0, 1.0 / c2, g2 / c2 },
	};
	double powers[N][N];
	gsl_matrix_view from = gsl_matrix_view_array(&rates[0][0], N, N);
	gsl_matrix_view to = gsl_matrix_view_array(&powers[0][0], N, N);

	memset(heat, 0, sizeof *heat);
	heat->params = *params;
	heat->step_s = step_s;
	heat->inner_degC = heat->outer_degC = room_degC;
	gsl_matrix_scale(&from.matrix, step_s);
	gsl_linalg_exponential_ss(&from.matrix, &to.matrix, GSL_PREC_DOUBLE);
	for (int row = 0; row < 2; row++) {
		for (int column = 0; column < 2; column++)
			heat->carry[row][column] = powers[row][column];
		for (int column = 0; column < 3; column++)
			heat->gain[row][column] = powers[row][2 + column];
	}
}

void heat_step(struct heat *heat, double inner_W, double outer_W, double room_degC)
{
	double inner = heat->inner_degC, outer = heat->outer_degC;

	heat->inner_degC = heat->carry[0][0] * inner + heat->carry[0][1] * outer + heat->gain[0][0] * inner_W +
			   heat->gain[0][1] * outer_W + heat->gain[0][2] * room_degC;
	heat->outer_degC = heat->carry[1][0] * inner + heat->carry[1][1] * outer + heat->gain[1][0] * inner_W +
			   heat->gain[1][1] * outer_W + heat->gain[1][2] * room_degC;
}
