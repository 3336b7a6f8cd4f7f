/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The table of commands, nothing else. */
#include "calib/number/quantity.h"
#include "channel/beside.h"
#include "command/command.h"
#include "terminal/cli.h"

#include <errno.h>
#include <gsl/gsl_errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static const struct {
	const char *name, *summary;
	int (*run)(int argc, char **argv); /* NULL: bridle-abroad does it */
} commands[] = {
	{ "new", "make a bench folder with commented templates", cmd_new },
	{ "check", "read a bench folder at the desk: what is wrong or doubtful", cmd_check },
	{ "probe", "see every channel live", cmd_probe },
	{ "hang", "calibrate the torque cell with dead weights", cmd_hang },
	{ "map", "map brake current to torque", cmd_map },
	{ "ready", "checklist, stop rehearsal and forecast for a plan", cmd_ready },
	{ "sweep", "run a plan's stepped loads", cmd_sweep },
	{ "reduce", "hand-taken readings to curves", cmd_reduce },
	{ "hold", "how long a torque can be held: heat, ratings", cmd_hold },
	{ "play", "lost motion, stiffness and friction of a gear", cmd_play },
	{ "obey", "commanded against measured torque", cmd_obey },
	{ "ripple", "torque ripple and cogging by shaft order", cmd_ripple },
	{ "suit", "does an actuator carry a joint? verdicts with margin", cmd_suit },
	{ "endure", "run cycles of load unattended, with rules that stop", cmd_endure },
	{ "tame", "will a joint oscillate with its drive's gains? advice", cmd_tame },
	{ "report", "publish a run: page, table, figures", cmd_report },
	{ "certificate", "publish a calibration of the torque cell", cmd_certificate },
	{ "pack", "one archive of a run for others", NULL },
	{ "verify", "recompute what a pack publishes from its samples", NULL },
	{ "compare", "differences of runs, with what they share cancelled", NULL },
	{ "study", "repeatability and reproducibility over mountings", cmd_study },
	{ "share", "copy runs into a database of many rigs", NULL },
	{ "log", "list, show, export and verify the logbook", cmd_log },
	{ "calc", "run the calculations on their own", cmd_calc },
	{ "bench", "serve the virtual bench", cmd_bench },
};

static void print_help(FILE *to)
{
	fputs("Usage: bridle COMMAND [options]\n\n"
	      "Runs a brake rig for geared electric actuators, from the first dead weight to\n"
	      "the published curve.\n\n"
	      "Commands, in the order of the job:\n",
	      to);
	for (size_t i = 0; i < sizeof commands / sizeof commands[0]; i++)
		fprintf(to, "  %-11s %s\n", commands[i].name, commands[i].summary);
	fputs("\nbridle COMMAND --help tells more. Start with: bridle new mybench\n"
	      "Exit status: 0 done, 1 the measurement says no, 2 the request cannot be\n"
	      "understood, 3 the rig or the machine failed.\n",
	      to);
}

static int fail(int argc, char **argv, const struct err *err)
{
	struct cli cli = { .bench = "." };

	for (int i = 1; i < argc; i++)
		cli.json |= strcmp(argv[i], "--json") == 0;
	return cli_fail(&cli, err, NULL, NULL);
}

/* Comes back only when that program does not start. */
static int run_abroad(int argc, char **argv)
{
	char path[600];
	struct err err = { 0 };

	if (program_beside("bridle-abroad", path, sizeof path, &err) == RC_OK) {
		execv(path, argv);
		err_set(&err, RC_IO, errno, "cannot start %s: %s", path, strerror(errno));
	}
	return fail(argc, argv, &err);
}

int main(int argc, char **argv)
{
	umask(umask(077) | 027); /* what is made is no stranger's to read: 0640, folders 0750 */
	gsl_set_error_handler_off();
	if (argc < 2) {
		print_help(stderr);
		return 2;
	}
	if (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "help") == 0) {
		cli_narrow_stdout();
		print_help(stdout);
		return 0;
	}
	if (strcmp(argv[1], "--version") == 0) {
		puts("bridle " BRIDLE_VERSION);
		return 0;
	}
	for (size_t i = 0; i < sizeof commands / sizeof commands[0]; i++) {
		if (strcmp(argv[1], commands[i].name) == 0) {
			if (commands[i].run == NULL)
				return run_abroad(argc, argv);
			int status = commands[i].run(argc - 1, argv + 1);
			quantity_cleanup();
			return status;
		}
	}
	struct err err = { 0 };
	err_set(&err, RC_ARG, 0, "no command \"%.60s\"; bridle --help lists them", argv[1]);
	return fail(argc, argv, &err);
}
