/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/calc.h"

int calc_t(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}

int calc_conform(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}

int calc_quantity(int argc, char **argv)
{
	(void)argc;
	(void)argv;
	return 3;
}
