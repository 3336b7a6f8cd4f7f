/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link_holder.h"

#include <dirent.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static bool has_open(int pid, const struct stat *device)
{
	char folder[48], path[320];
	const struct dirent *entry;
	struct stat st;
	bool found = false;

	snprintf(folder, sizeof folder, "/proc/%d/fd", pid);
	DIR *dir = opendir(folder);
	while (dir && !found && (entry = readdir(dir))) {
		snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
		found = entry->d_name[0] != '.' && stat(path, &st) == 0 && S_ISCHR(st.st_mode) &&
			st.st_rdev == device->st_rdev;
	}
	if (dir)
		closedir(dir);
	return found;
}

static void name_of(int pid, char *buf, size_t size)
{
	char path[48];

	snprintf(path, sizeof path, "/proc/%d/comm", pid);
	FILE *f = fopen(path, "re");
	if (!f || !fgets(buf, (int)size, f))
		buf[0] = '\0';
	buf[strcspn(buf, "\n")] = '\0';
	if (f)
		fclose(f);
}

void link_holder(const char *path, char *buf, size_t size)
{
	const struct dirent *entry;
	struct stat device;
	char name[40];

	buf[0] = '\0';
	if (stat(path, &device) != 0 || !S_ISCHR(device.st_mode))
		return;
	DIR *proc = opendir("/proc");
	while (proc && !buf[0] && (entry = readdir(proc))) {
		int pid = (int)strtol(entry->d_name, NULL, 10);
		if (pid <= 0 || pid == (int)getpid() || !has_open(pid, &device))
			continue;
		name_of(pid, name, sizeof name);
		snprintf(buf, size, " (\"%s\", process %d)", name, pid);
	}
	if (proc)
		closedir(proc);
}
