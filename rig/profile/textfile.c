/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/textfile.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static enum rc cannot(const char *path, int number, struct err *err)
{
	if (number == ENOENT || number == ENOTDIR)
		return err_set(err, RC_ARG, number, "there is no file %s", path);
	if (number == ELOOP)
		return err_set(err, RC_ARG, number, "%s is a symbolic link that leads in a circle", path);
	return err_set(err, RC_IO, number, "%s cannot be read: %s", path, strerror(number));
}

static enum rc read_all(int fd, const char *path, size_t max, char *buf, struct err *err)
{
	size_t n = 0;

	while (n <= max) {
		ssize_t got = read(fd, buf + n, max + 1 - n);
		if (got < 0 && errno == EINTR)
			continue;
		if (got < 0)
			return cannot(path, errno, err);
		if (got == 0)
			break;
		n += (size_t)got;
	}
	if (n > max)
		return err_set(err, RC_ARG, 0, "%s has more than %zu bytes; expected a text that a person wrote", path,
			       max);
	buf[n] = '\0';
	if (memchr(buf, '\0', n))
		return err_set(err, RC_ARG, 0, "%s is not UTF-8 text (byte %zu is 0); save it as UTF-8", path,
			       strlen(buf) + 1);
	return RC_OK;
}

enum rc textfile_read(const char *path, size_t max, char **ret, struct err *err)
{
	struct stat st;
	char *buf = NULL;
	int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY);
	enum rc rc;

	if (fd < 0)
		return cannot(path, errno, err);
	if (fstat(fd, &st) != 0)
		rc = cannot(path, errno, err);
	else if (!S_ISREG(st.st_mode))
		rc = err_set(err, RC_ARG, 0, "%s is not a plain file", path);
	else if (!(buf = malloc(max + 2)))
		rc = err_set(err, RC_NOMEM, 0, "out of memory while reading %s", path);
	else
		rc = read_all(fd, path, max, buf, err);
	close(fd);
	if (rc != RC_OK) {
		free(buf);
		return rc;
	}
	char *fit = realloc(buf, strlen(buf) + 1);
	*ret = fit ? fit : buf;
	return RC_OK;
}
