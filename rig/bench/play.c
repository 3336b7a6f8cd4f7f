/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/play.h"

#include "bench/bounded.h"

#include <math.h>
#include <stddef.h>

void play_init(struct play_bank *bank, double memory, double reach)
{
	double sum = 0;

	for (size_t k = 0; k < PLAY_COUNT; k++) {
		bank->width[k] = reach * (double)(k + 1) / PLAY_COUNT;
		sum += bank->width[k];
	}
	bank->direct = 1.0;
	for (size_t k = 0; k < PLAY_COUNT; k++) {
		bank->weight[k] = memory / sum;
		bank->direct -= bank->weight[k] * (1.0 - bank->width[k]);
	}
	for (size_t k = 0; k < PLAY_COUNT; k++)
		bank->state[k] = 0;
}

double play_step(struct play_bank *bank, double input)
{
	double output = bank->direct * input;

	for (size_t k = 0; k < PLAY_COUNT; k++) {
		bank->state[k] = bounded(bank->state[k], input - bank->width[k], input + bank->width[k]);
		output += bank->weight[k] * bank->state[k];
	}
	return output;
}
