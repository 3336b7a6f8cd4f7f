/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The commands that read or write archives and databases, in a process of their own: their libraries take twice as long
 * to start as all the rest, and no rig waits for them. Started by bridle, with its words. */
#include "calib/number/quantity.h"
#include "command/command.h"

#include <gsl/gsl_errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

static const struct {
	const char *name;
	int (*run)(int argc, char **argv);
} commands[] = {
	{ "pack", cmd_pack },
	{ "verify", cmd_verify },
	{ "compare", cmd_compare },
	{ "share", cmd_share },
};

int main(int argc, char **argv)
{
	umask(umask(077) | 027); /* what is made is no stranger's to read: 0640, folders 0750 */
	gsl_set_error_handler_off();
	for (size_t i = 0; argc > 1 && i < sizeof commands / sizeof commands[0]; i++) {
		if (strcmp(argv[1], commands[i].name) == 0) {
			int status = commands[i].run(argc - 1, argv + 1);
			quantity_cleanup();
			return status;
		}
	}
	fputs("bridle-abroad is a part of bridle, which starts it. bridle --help lists the commands.\n", stderr);
	return 2;
}
