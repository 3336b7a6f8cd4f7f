/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/gnuplot.h"

#include <fcntl.h>
#include <spawn.h>
#include <stdio.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#define PATH_ROOM 1200

extern char **environ;

enum rc gnuplot_run(const char *dir, const char *script, const char *without, struct err *err)
{
	char name[100], log[PATH_ROOM], *argv[] = { (char *)"gnuplot", name, NULL };
	posix_spawn_file_actions_t actions;
	pid_t pid;
	int status;

	snprintf(name, sizeof name, "%s", script);
	snprintf(log, sizeof log, "%s/gnuplot.log", dir);
	posix_spawn_file_actions_init(&actions);
	posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
	posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
	posix_spawn_file_actions_addopen(&actions, STDERR_FILENO, log, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW, 0640);
	posix_spawn_file_actions_addchdir_np(&actions, dir);
	int failed = posix_spawnp(&pid, "gnuplot", &actions, NULL, argv, environ);
	posix_spawn_file_actions_destroy(&actions);
	if (failed)
		return err_set(err, RC_IO, failed, "gnuplot cannot be started (%s): install gnuplot-nox%s",
			       strerror(failed), without);
	if (waitpid(pid, &status, 0) < 0 || !WIFEXITED(status) || WEXITSTATUS(status) != 0)
		return err_set(err, RC_IO, 0, "gnuplot failed on %s/%s: see %s", dir, script, log);
	unlink(log);
	return RC_OK;
}
