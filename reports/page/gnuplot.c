/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/gnuplot.h"
#include "reports/page/report_write.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <spawn.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define PATH_ROOM 1200

extern char **environ;

void gnuplot_text(FILE *f, const char *text)
{
	if (*text == '\'')
		fputc(' ', f);
	for (; *text; text++)
		if (*text == '\'')
			fputs("''", f);
		else
			fputc((unsigned char)*text < 0x20 ? ' ' : *text, f);
}

/* Bytes of the first line: up to the last comma in its second half, or the last space within it, or all. */
static size_t line_bytes(const char *text, size_t letters)
{
	size_t seen = 0, space = 0, comma = 0;

	for (size_t i = 0; text[i]; i++) {
		seen += (text[i] & 0xc0) != 0x80;
		if (text[i] == ' ')
			space = i;
		if (text[i] == ' ' && i > 0 && text[i - 1] == ',')
			comma = i;
		if (seen > letters && space > 0)
			return 2 * comma > i ? comma : space;
	}
	return strlen(text);
}

size_t gnuplot_lines(const char *text, size_t letters, char (*ret)[GNUPLOT_LINE], size_t most_lines)
{
	size_t n = 0;

	do {
		size_t bytes = n + 1 < most_lines ? line_bytes(text, letters) : strlen(text);
		snprintf(ret[n++], GNUPLOT_LINE, "%.*s", (int)bytes, text);
		text += bytes;
		text += strspn(text, " ");
	} while (*text && n < most_lines);
	return n;
}

static bool is_drawing(const char *name)
{
	const char *end = strrchr(name, '.');

	return end && (strcmp(end, ".svg") == 0 || strcmp(end, ".png") == 0 || strcmp(end, ".pdf") == 0);
}

static enum rc refuse_links(const char *dir, struct err *err)
{
	DIR *d = opendir(dir);
	enum rc rc = d ? RC_OK : err_set(err, RC_IO, errno, "%s cannot be read: %s", dir, strerror(errno));
	struct stat st;

	for (struct dirent *e; rc == RC_OK && (e = readdir(d));)
		if (is_drawing(e->d_name) && fstatat(dirfd(d), e->d_name, &st, AT_SYMLINK_NOFOLLOW) == 0 &&
		    S_ISLNK(st.st_mode))
			rc = err_set(err, RC_IO, 0, "%s/%.100s cannot be written: %s", dir, e->d_name,
				     files_why(ELOOP));
	if (d)
		closedir(d);
	return rc;
}

void gnuplot_remove(const char *dir, const char *name)
{
	static const char *const kinds[] = { "svg", "png", "pdf" };
	char path[PATH_ROOM];

	for (size_t k = 0; k < sizeof kinds / sizeof kinds[0]; k++)
		if (snprintf(path, sizeof path, "%s/%s.%s", dir, name, kinds[k]) < PATH_ROOM)
			unlink(path);
}

enum rc gnuplot_run(const char *dir, const char *script, const char *without, struct err *err)
{
	char name[100], log[PATH_ROOM], *argv[] = { (char *)"gnuplot", name, NULL };
	posix_spawn_file_actions_t actions;
	pid_t pid;
	int status;
	enum rc rc = refuse_links(dir, err);

	if (rc != RC_OK)
		return rc;
	snprintf(name, sizeof name, "%s", script);
	snprintf(log, sizeof log, "%s/gnuplot.log", dir);
	posix_spawn_file_actions_init(&actions);
	posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
	posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
	posix_spawn_file_actions_addopen(&actions, STDERR_FILENO, log, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW, 0640);
	posix_spawn_file_actions_addchdir_np(&actions, dir);
	int failed = posix_spawnp(&pid, "gnuplot", &actions, NULL, argv, environ);
	posix_spawn_file_actions_destroy(&actions);
	if (failed) {
		unlink(log); /* was made for it, and is empty */
		return err_set(err, RC_IO, failed, "gnuplot cannot be started (%s): install gnuplot-nox%s",
			       strerror(failed), without);
	}
	if (waitpid(pid, &status, 0) < 0 || !WIFEXITED(status) || WEXITSTATUS(status) != 0)
		return err_set(err, RC_IO, 0, "gnuplot failed on %s/%s: see %s", dir, script, log);
	unlink(log);
	return RC_OK;
}
