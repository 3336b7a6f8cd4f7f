/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The device's end of a line: a socket in a file, the link to it open. */
#ifndef BRIDLE_TESTS_FAR_END_H
#define BRIDLE_TESTS_FAR_END_H

#include "link/link.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

struct far_end {
	struct link *link;
	int listening, fd; /* fd: the device's */
	char path[64];
};

static inline void far_end_open(const char *name, struct far_end *ret)
{
	struct sockaddr_un where = { .sun_family = AF_UNIX };
	char address[80];

	snprintf(ret->path, sizeof ret->path, "/tmp/bridle-%s-%d", name, (int)getpid());
	snprintf(address, sizeof address, "unix:%s", ret->path);
	strcpy(where.sun_path, ret->path);
	unlink(ret->path);
	ret->listening = socket(AF_UNIX, SOCK_STREAM, 0);
	assert_int_equal(bind(ret->listening, (struct sockaddr *)&where, sizeof where), 0);
	assert_int_equal(listen(ret->listening, 1), 0);
	assert_int_equal(link_open(address, 0, NULL, 1000, &ret->link, NULL), RC_OK);
	ret->fd = accept(ret->listening, NULL, NULL);
}

static inline void far_end_close(struct far_end *end)
{
	link_close(end->link);
	close(end->fd);
	close(end->listening);
	unlink(end->path);
}

#endif
