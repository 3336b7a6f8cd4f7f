/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A thread beside the tick: a small stack, since memory is locked, and no signal of the process is its business. */
#ifndef BRIDLE_INSTRUMENT_OWN_THREAD_H
#define BRIDLE_INSTRUMENT_OWN_THREAD_H

#include "calib/number/err.h"

#include <pthread.h>

/* RC_IO: no thread was started, and there is nothing to join. */
enum rc own_thread_start(pthread_t *ret, void *(*work)(void *ctx), void *ctx, struct err *err) MUST_CHECK;

#endif
