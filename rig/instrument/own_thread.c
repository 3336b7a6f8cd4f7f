/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/own_thread.h"

#include <signal.h>
#include <string.h>

#define STACK_BYTES (256 * 1024)

static int start(pthread_t *ret, void *(*work)(void *ctx), void *ctx)
{
	sigset_t all, before;
	pthread_attr_t attr;

	/* On Linux an attribute asks for no memory; a computer whose stacks must be larger gives its usual one. */
	pthread_attr_init(&attr);
	pthread_attr_setstacksize(&attr, STACK_BYTES);
	sigfillset(&all);
	pthread_sigmask(SIG_BLOCK, &all, &before);
	int error = pthread_create(ret, &attr, work, ctx);
	pthread_sigmask(SIG_SETMASK, &before, NULL);
	pthread_attr_destroy(&attr);
	return error;
}

enum rc own_thread_start(pthread_t *ret, void *(*work)(void *ctx), void *ctx, struct err *err)
{
	int error = start(ret, work, ctx);

	return error == 0 ? RC_OK : err_set(err, RC_IO, error, "cannot start a thread: %s", strerror(error));
}
