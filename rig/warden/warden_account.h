/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The file in the bench folder where a warden says what it did. It is locked as long as a warden (or a program that
 * has one) is alive, is never opened through a link, and its room on the disk is taken before a run. */
#ifndef BRIDLE_WARDEN_WARDEN_ACCOUNT_H
#define BRIDLE_WARDEN_WARDEN_ACCOUNT_H

#include "calib/number/err.h"

#include <stddef.h>

#define WARDEN_ACCOUNT "warden-account"
#define WARDEN_ACCOUNT_SIZE 1024

/* Open (0640, created when it is not there) and lock it; what an earlier warden said goes to text (of
 * WARDEN_ACCOUNT_SIZE; empty: nothing). Waits up to wait_s for a warden that still holds a brake. RC_SAYS_NO when it
 * still does, RC_IO. The descriptor is the caller's to close. */
enum rc warden_account_open(const char *bench, double wait_s, int *ret_fd, char *text, struct err *err) MUST_CHECK;
/* The text was kept elsewhere: nothing is told twice. */
enum rc warden_account_forget(int fd, struct err *err) MUST_CHECK;

#endif
