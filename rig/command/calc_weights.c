/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/calc.h"

int calc_gravity(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}

int calc_air(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}

int calc_weight(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}
