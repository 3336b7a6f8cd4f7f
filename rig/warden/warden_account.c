/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "warden/warden_account.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#define LOOK_MS 50

static enum rc lock(int fd, double wait_s, struct err *err)
{
	for (double waited_s = 0; flock(fd, LOCK_EX | LOCK_NB) != 0; waited_s += LOOK_MS * 1e-3) {
		if (errno != EWOULDBLOCK && errno != EINTR)
			return err_set(err, RC_IO, errno, WARDEN_ACCOUNT ": cannot be locked: %s", strerror(errno));
		if (!(waited_s < wait_s))
			return err_set(
				err, RC_SAYS_NO, 0,
				"the warden of an earlier run is still at work in this bench folder: it may hold "
				"the brake. Wait, or end the other program first");
		poll(NULL, 0, LOOK_MS);
	}
	return RC_OK;
}

/* Printable text of one line; anything else is not a warden's. */
static void read_text(int fd, char *text)
{
	ssize_t n = pread(fd, text, WARDEN_ACCOUNT_SIZE - 1, 0);

	text[n > 0 ? n : 0] = '\0';
	text[strcspn(text, "\n")] = '\0';
	for (char *c = text; *c; c++)
		if ((unsigned char)*c < ' ' || (unsigned char)*c > '~')
			*c = '?';
}

enum rc warden_account_forget(int fd, struct err *err)
{
	const char blank[WARDEN_ACCOUNT_SIZE] = "";

	if (pwrite(fd, blank, sizeof blank, 0) != sizeof blank)
		return err_set(err, RC_IO, errno, WARDEN_ACCOUNT ": cannot be written: %s",
			       strerror(errno ? errno : ENOSPC));
	return RC_OK;
}

enum rc warden_account_open(const char *bench, double wait_s, int *ret_fd, char *text, struct err *err)
{
	int folder = open(bench, O_RDONLY | O_DIRECTORY | O_CLOEXEC), fd = -1;
	struct stat st;

	if (folder >= 0) {
		fd = openat(folder, WARDEN_ACCOUNT, O_RDWR | O_CREAT | O_NOFOLLOW | O_CLOEXEC | O_NONBLOCK, 0640);
		close(folder);
	}
	if (fd < 0 || fstat(fd, &st) != 0 || !S_ISREG(st.st_mode)) {
		int e = errno;

		if (fd >= 0)
			close(fd);
		return err_set(err, RC_IO, e,
			       "%s/" WARDEN_ACCOUNT ": expected a plain file that this program may write: %s", bench,
			       fd >= 0 ? "it is something else" : strerror(e));
	}
	enum rc rc = lock(fd, wait_s, err);

	if (rc == RC_OK)
		read_text(fd, text);
	if (rc == RC_OK && text[0] == '\0')
		rc = warden_account_forget(fd, err);
	if (rc != RC_OK) {
		close(fd);
		return rc;
	}
	*ret_fd = fd;
	return RC_OK;
}
