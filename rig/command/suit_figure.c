/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/suit.h"
#include "reports/page/report_write.h"

#include <errno.h>
#include <math.h>
#include <spawn.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

#define MOST_ROWS 4000

static FILE *opened(const char *dir, const char *name, struct err *err)
{
	char path[600];

	if (snprintf(path, sizeof path, "%s/%s", dir, name) >= (int)sizeof path) {
		(void)!err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
		return NULL;
	}
	FILE *f = files_create(path);
	if (!f)
		(void)!err_set(err, RC_IO, errno, "%s: cannot be written: %s", path, files_why(errno));
	return f;
}

/* State is told by shape and weight, not by colour: a grey print reads the same. */
static const char script[] =
	"# Draws the cycle inside the actuator's curve: gnuplot cycle.gp\n"
	"set terminal svg size 720,480\nset output 'cycle.svg'\nset datafile separator ','\n"
	"set xlabel 'speed, rpm'\nset ylabel 'torque, N·m'\nset grid\nset key outside bottom center horizontal\n"
	"plot 'curve.csv' using 1:2 every ::1 with lines lw 3 lc rgb 'black' title 'largest torque, measured', \\\n"
	"  'cycle.csv' using 1:($3 == 0 ? $2 : 1/0) every ::1 with points pt 7 ps 0.3 lc rgb 'gray50' title 'duty, "
	"inside', \\\n"
	"  'cycle.csv' using 1:($3 == 1 ? $2 : 1/0) every ::1 with points pt 2 ps 1 lc rgb 'black' title 'duty, "
	"outside'\n";

static enum rc draw(const char *dir, struct err *err)
{
	char *argv[] = { (char *)"gnuplot", (char *)"cycle.gp", NULL };
	posix_spawn_file_actions_t actions;
	pid_t pid;
	int status = 0;

	posix_spawn_file_actions_init(&actions);
	posix_spawn_file_actions_addchdir_np(&actions, dir);
	int failed = posix_spawnp(&pid, "gnuplot", &actions, NULL, argv, environ);
	posix_spawn_file_actions_destroy(&actions);
	if (failed)
		return err_set(err, RC_IO, failed, "gnuplot cannot be started (%s): install gnuplot-nox",
			       strerror(failed));
	while (waitpid(pid, &status, 0) < 0 && errno == EINTR)
		;
	return status == 0 ? RC_OK : err_set(err, RC_IO, 0, "gnuplot failed on %s/cycle.gp", dir);
}

enum rc suit_figure(const char *dir, const struct joint_duty *d, const struct joint_curve *c, struct err *err)
{
	size_t step = (d->n + MOST_ROWS - 1) / MOST_ROWS;

	if (mkdir(dir, 0777) && errno != EEXIST)
		return err_set(err, RC_IO, errno, "%s: cannot be made: %s", dir, strerror(errno));
	FILE *cycle = opened(dir, "cycle.csv", err), *curve = cycle ? opened(dir, "curve.csv", err) : NULL;
	FILE *gp = curve ? opened(dir, "cycle.gp", err) : NULL;
	if (gp) {
		fputs("speed (rpm),torque (N.m),outside\n", cycle);
		for (size_t i = 0; i < d->n; i += step)
			fprintf(cycle, "%.8g,%.8g,%d\n", fabs(d->speed_rpm[i]), fabs(d->torque_Nm[i]),
				joint_curve_at(c, d->speed_rpm[i], NULL) < fabs(d->torque_Nm[i]));
		fputs("speed (rpm),torque (N.m)\n", curve);
		for (size_t i = 0; i < c->n; i++)
			fprintf(curve, "%.8g,%.8g\n", c->speed_rpm[i], c->torque_Nm[i]);
		fputs(script, gp);
	}
	bool bad = false;
	FILE *file[3] = { cycle, curve, gp };
	for (int i = 0; i < 3; i++)
		bad = (file[i] && fclose(file[i])) || bad;
	if (!gp)
		return RC_IO;
	return bad ? err_set(err, RC_IO, errno, "%s: cannot be written", dir) : draw(dir, err);
}
