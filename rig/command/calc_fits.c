/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/calc.h"

int calc_regress(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}

int calc_mean(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}

int calc_allan(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}
