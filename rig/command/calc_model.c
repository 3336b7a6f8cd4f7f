/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/calc.h"

int calc_budget(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}

int calc_montecarlo(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}
