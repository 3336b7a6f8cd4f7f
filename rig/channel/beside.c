/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/beside.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum rc program_beside(const char *name, char *path, size_t size, struct err *err)
{
	char self[512];
	ssize_t n = readlink("/proc/self/exe", self, sizeof self - 1);

	if (n <= 0)
		return err_set(err, RC_IO, errno, "cannot find the folder of this program: %s", strerror(errno));
	self[n] = '\0';
	*(strrchr(self, '/') ? strrchr(self, '/') : self) = '\0';
	int used = snprintf(path, size, "%s/%s", self, name);
	if (used < 0 || (size_t)used >= size || access(path, X_OK) != 0)
		return err_set(err, RC_IO, errno,
			       "cannot start %s: it is not there or may not be run. It belongs beside bridle; install "
			       "it again",
			       path);
	return RC_OK;
}
