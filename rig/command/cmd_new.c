/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli.h"
#include "command/command.h"
#include "command/example.h"
#include "profile/profile.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define PATH 1024

/* A folder in the making: filled under a name of its own, then put in place at once. */
struct making {
	const char *dir; /* where it shall stand */
	bool there;      /* an empty folder stands there already */
	char temp[PATH];
	json_t *files;
};

static enum rc sys_err(struct err *err, const char *what, const char *path)
{
	int number = errno;

	return err_set(err, RC_IO, number, "%s %s: %s", path, what, strerror(number));
}

static bool is_empty(const char *dir)
{
	DIR *d = opendir(dir);
	bool empty = d != NULL;

	for (struct dirent *e; d && empty && (e = readdir(d));)
		empty = strcmp(e->d_name, ".") == 0 || strcmp(e->d_name, "..") == 0;
	if (d)
		closedir(d);
	return empty;
}

/* Is there such an example? NULL: none is asked for. */
static enum rc check_like(const char *like, struct err *err)
{
	char names[200] = "";
	size_t at = 0;

	for (size_t i = 0; like && i < example_file_count && at < sizeof names; i++) {
		const char *name = example_files[i].example;

		if (strcmp(name, like) == 0)
			return RC_OK;
		if (i == 0 || strcmp(name, example_files[i - 1].example) != 0)
			at += (size_t)snprintf(names + at, sizeof names - at, "%s%s", i == 0 ? "" : ", ", name);
	}
	return like ? err_set(err, RC_ARG, 0, "new: found no example \"%.40s\"; expected one of %s", like, names)
		    : RC_OK;
}

static bool has_file(const json_t *files, const char *name)
{
	for (size_t i = 0; i < json_array_size(files); i++)
		if (strcmp(json_string_value(json_array_get(files, i)), name) == 0)
			return true;
	return false;
}

static enum rc check_place(struct making *m, struct err *err)
{
	struct stat st;

	if (strlen(m->dir) > 600 || !*m->dir)
		return err_set(err, RC_ARG, 0, "new: the name of the folder is %s", *m->dir ? "too long" : "empty");
	if (lstat(m->dir, &st) != 0)
		return errno == ENOENT ? RC_OK : sys_err(err, "cannot be made", m->dir);
	if (stat(m->dir, &st) != 0 || !S_ISDIR(st.st_mode))
		return err_set(err, RC_ARG, 0, "new: %s is there already and is not a folder; give another name",
			       m->dir);
	if (!is_empty(m->dir))
		return err_set(err, RC_ARG, 0, "new: %s is there already and not empty; give the name of a new folder",
			       m->dir);
	m->there = true;
	return RC_OK;
}

static enum rc begin(struct making *m, struct err *err)
{
	size_t n = strlen(m->dir);
	mode_t mask = umask(0);

	umask(mask);
	while (n > 1 && m->dir[n - 1] == '/')
		n--;
	snprintf(m->temp, sizeof m->temp, "%.*s%s.making-XXXXXX", (int)n, m->dir, m->there ? "/" : "");
	if (!mkdtemp(m->temp)) {
		int number = errno;
		m->temp[0] = '\0';
		if (number == ENOENT || number == ENOTDIR)
			return err_set(err, RC_ARG, number,
				       "new: the parent folder of %s does not exist; make it first", m->dir);
		return err_set(err, RC_IO, number, "%s cannot be made: %s", m->dir, strerror(number));
	}
	return chmod(m->temp, 0777 & ~mask) == 0 ? RC_OK : sys_err(err, "cannot be made", m->dir);
}

static enum rc add_folder(struct making *m, const char *name, struct err *err)
{
	char path[PATH + 100];

	snprintf(path, sizeof path, "%s/%s", m->temp, name);
	return mkdir(path, 0777) == 0 ? RC_OK : sys_err(err, "cannot be made", name);
}

static enum rc add_file(struct making *m, const char *name, const char *text, struct err *err)
{
	char path[PATH + 100];
	FILE *f;

	snprintf(path, sizeof path, "%s/%s", m->temp, name);
	f = fopen(path, "wxe");
	if (!f)
		return sys_err(err, "cannot be made", name);
	bool bad = fputs(text, f) == EOF || fflush(f) != 0 || fsync(fileno(f)) != 0;
	int number = errno;
	if (fclose(f) != 0 || bad) {
		errno = number;
		return sys_err(err, "cannot be written", name);
	}
	json_array_append_new(m->files, json_string(name));
	return RC_OK;
}

static enum rc add_template(struct making *m, const char *name, enum profile_file which, struct err *err)
{
	char *text = profile_template(which, false);
	enum rc rc = text ? add_file(m, name, text, err) : err_set(err, RC_NOMEM, 0, "out of memory");

	free(text);
	return rc;
}

/* like: an example, NULL: templates. */
static enum rc fill(struct making *m, const char *like, struct err *err)
{
	static const char *const folders[] = { "actuators", "plans", "reports" };
	static const struct {
		const char *name;
		enum profile_file which;
	} templates[] = {
		{ "rig.ini", PROFILE_RIG },
		{ "weights.ini", PROFILE_WEIGHTS },
		{ "actuators/example.ini", PROFILE_ACTUATOR },
		{ "plans/example.ini", PROFILE_PLAN },
	};
	enum rc rc = RC_OK;

	for (size_t i = 0; rc == RC_OK && i < sizeof folders / sizeof folders[0]; i++)
		rc = add_folder(m, folders[i], err);
	for (size_t i = 0; rc == RC_OK && !like && i < sizeof templates / sizeof templates[0]; i++)
		rc = add_template(m, templates[i].name, templates[i].which, err);
	for (size_t i = 0; rc == RC_OK && like && i < example_file_count; i++)
		if (strcmp(example_files[i].example, like) == 0)
			rc = add_file(m, example_files[i].name, example_files[i].text, err);
	return rc;
}

/* Into an empty folder that stands already: entry by entry, as someone may be in it. rig.ini goes last, since
 * it is what makes a folder a bench. */
static enum rc move_in(const struct making *m, struct err *err)
{
	static const char *const names[] = { "actuators",       "plans",    "reports",     "weights.ini",
					     "calibration.csv", "drum.csv", "virtual.ini", "rig.ini" };
	const size_t n = sizeof names / sizeof names[0];
	char from[PATH + 100], to[PATH + 100];
	enum rc rc = RC_OK;
	size_t i;

	for (i = 0; rc == RC_OK && i < n; i++) {
		snprintf(from, sizeof from, "%s/%s", m->temp, names[i]);
		snprintf(to, sizeof to, "%s/%s", m->dir, names[i]);
		if (renameat2(AT_FDCWD, from, AT_FDCWD, to, RENAME_NOREPLACE) != 0 && errno != ENOENT)
			rc = sys_err(err, "cannot be made", to);
	}
	for (size_t back = rc == RC_OK ? 0 : i - 1; back-- > 0;) {
		snprintf(from, sizeof from, "%s/%s", m->temp, names[back]);
		snprintf(to, sizeof to, "%s/%s", m->dir, names[back]);
		(void)rename(to, from);
	}
	if (rc == RC_OK && rmdir(m->temp) != 0)
		rc = sys_err(err, "cannot be removed", m->temp);
	return rc;
}

static enum rc put_in_place(const struct making *m, struct err *err)
{
	if (m->there)
		return move_in(m, err);
	return rename(m->temp, m->dir) == 0 ? RC_OK : sys_err(err, "cannot be made", m->dir);
}

static int drop_entry(const char *path, const struct stat *st, int flag, struct FTW *at)
{
	(void)st;
	(void)flag;
	(void)at;
	return remove(path);
}

static void print_next(const struct cli *cli, const struct making *m, const char *like)
{
	if (cli->quiet)
		return;
	printf("Made the bench folder %s with\n", m->dir);
	for (size_t i = 0; i < json_array_size(m->files); i++)
		printf("  %s\n", json_string_value(json_array_get(m->files, i)));
	if (has_file(m->files, "virtual.ini"))
		printf("Serve it with\n  bridle bench --bench %s\nand go on in a second terminal with\n  bridle probe "
		       "--bench %s\n",
		       m->dir, m->dir);
	else if (like)
		puts("The head of rig.ini says which commands read its tables.");
	else
		puts("Fill in every key that ends in =, its unit and meaning stand beside it. Then, in\n"
		     "that folder, bridle check says what is missing or doubtful.");
}

int cmd_new(int argc, char **argv)
{
	bool virtual_bench = false;
	const char *like = NULL;
	const struct cli_option options[] = {
		{ "virtual", NULL,
		  "a whole virtual bench that works at once, the same as --like heron-lock: nothing real moves", NULL,
		  &virtual_bench },
		{ "like", "NAME",
		  "a whole example rig: heron-lock (a node alone), heron-supply (a node and a bench supply), "
		  "heron-pins (a "
		  "small computer with GPIO lines, a CAN drive and a supply), heron-knob (a drive that a person sets), "
		  "heron-by-hand (a gauge read by hand, tables)",
		  &like, NULL },
	};
	const struct cli_spec spec = {
		.name = "new",
		.usage = "new DIR [options]",
		.about = "Makes a bench folder DIR with commented templates: rig.ini (what stands on the table), "
			 "actuators/example.ini (what is tested), plans/example.ini (which loads), weights.ini (the "
			 "dead weights), "
			 "and reports/. DIR must be new or empty.",
		.examples = "  bridle new mybench\n  bridle new playground --virtual\n  bridle new pins --like "
			    "heron-pins\n",
		.options = options,
		.n_options = 2,
		.min_args = 1,
		.max_args = 1,
	};
	struct cli cli;
	struct err err;
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (rc != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	struct making m = { .dir = cli.args[0], .files = json_array() };
	if (virtual_bench && like && strcmp(like, "heron-lock") != 0)
		rc = err_set(&err, RC_ARG, 0, "new: --virtual and --like %.40s are two examples; give one of them",
			     like);
	if (virtual_bench)
		like = "heron-lock";
	if (rc == RC_OK)
		rc = check_like(like, &err);
	if (rc == RC_OK)
		rc = check_place(&m, &err);
	if (rc == RC_OK)
		rc = begin(&m, &err);
	if (rc == RC_OK)
		rc = fill(&m, like, &err);
	if (rc == RC_OK)
		rc = put_in_place(&m, &err);
	if (rc != RC_OK && m.temp[0])
		nftw(m.temp, drop_entry, 8, FTW_DEPTH | FTW_PHYS);
	int status = rc == RC_OK ? 0 : cli_fail(&cli, &err, NULL, NULL);
	if (rc == RC_OK && cli.json)
		status = cli_print_json(json_pack("{s:s, s:b, s:O}", "folder", m.dir, "virtual",
						  has_file(m.files, "virtual.ini"), "files", m.files));
	else if (rc == RC_OK)
		print_next(&cli, &m, like);
	json_decref(m.files);
	return status;
}
