/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The table of topics, nothing else. */
#include "calc/calc.h"
#include "terminal/cli.h"
#include "command/command.h"

#include <stdio.h>
#include <string.h>

static const struct {
	const char *name, *summary;
	int (*run)(int argc, char **argv);
} topics[] = {
	{ "quantity", "a quantity as written, its value and uncertainty", calc_quantity },
	{ "t", "coverage factor of Student's t", calc_t },
	{ "gravity", "local gravity by latitude and height", calc_gravity },
	{ "air", "density of air by pressure, temperature and humidity", calc_air },
	{ "weight", "tolerance, force and torque of a dead weight", calc_weight },
	{ "regress", "lines and polynomials with uncertainty", calc_regress },
	{ "nonlinear", "a curve of any shape, from start values", calc_nonlinear },
	{ "anova", "do groups differ? one-way analysis of variance", calc_anova },
	{ "mean", "mean of a record with autocorrelation", calc_mean },
	{ "allan", "Allan deviation of a record", calc_allan },
	{ "settle", "is a record steady? slope and its error over a window", calc_settle },
	{ "brakemap", "branches, linear stretch and inverse of a brake", calc_brakemap },
	{ "lag", "time constant of a step response", calc_lag },
	{ "budget", "uncertainty budget of a model, law of propagation", calc_budget },
	{ "montecarlo", "the same model by random draws", calc_montecarlo },
	{ "conform", "is a claim met? probability and verdict", calc_conform },
};

static void print_help(FILE *to)
{
	fputs("Usage: bridle calc TOPIC [FILE] [options]\n\n"
	      "Runs the calculations on their own.\nNo bench folder is needed; nothing is moved or "
	      "written.\n\nTopics:\n",
	      to);
	for (size_t i = 0; i < sizeof topics / sizeof topics[0]; i++)
		fprintf(to, "  %-10s %s\n", topics[i].name, topics[i].summary);
	fputs("\nbridle calc TOPIC --help tells more, with a published example.\n", to);
}

static bool asks_for_json(int argc, char **argv)
{
	for (int i = 1; i < argc; i++)
		if (strcmp(argv[i], "--json") == 0)
			return true;
	return false;
}

int cmd_calc(int argc, char **argv)
{
	struct cli cli = { .json = asks_for_json(argc, argv) };
	struct err err;

	if (argc > 1 && (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "help") == 0)) {
		cli_narrow_stdout();
		print_help(stdout);
		return 0;
	}
	for (size_t i = 0; argc > 1 && i < sizeof topics / sizeof topics[0]; i++)
		if (strcmp(argv[1], topics[i].name) == 0)
			return topics[i].run(argc - 1, argv + 1);
	if (argc > 1 && argv[1][0] != '-')
		err_set(&err, RC_ARG, 0, "calc: no topic \"%.40s\"; bridle calc --help lists them", argv[1]);
	else
		err_set(&err, RC_ARG, 0, "calc: name a topic first; bridle calc --help lists them");
	return cli_fail(&cli, &err, NULL, NULL);
}
