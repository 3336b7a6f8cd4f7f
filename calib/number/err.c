/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/err.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum rc err_set(struct err *err, enum rc rc, int sys_errno, const char *format, ...)
{
	va_list args;

	if (!err)
		return rc;
	err->rc = rc;
	err->sys_errno = sys_errno;
	va_start(args, format);
	vsnprintf(err->what, sizeof err->what, format, args);
	va_end(args);
	return rc;
}

void err_prefix(struct err *err, const char *format, ...)
{
	char place[200], old[sizeof err->what];
	va_list args;

	if (!err)
		return;
	va_start(args, format);
	vsnprintf(place, sizeof place, format, args);
	va_end(args);
	memcpy(old, err->what, sizeof old);
	int n = snprintf(err->what, sizeof err->what, "%s%s", place, old);
	if (n >= (int)sizeof err->what)
		memcpy(err->what + sizeof err->what - 4, "...", 4);
}

int err_exit_status(enum rc rc)
{
	switch (rc) {
	case RC_OK: return 0;
	case RC_INTERLOCK:
	case RC_SAYS_NO: return 1;
	case RC_ARG:
	case RC_RANGE:
	case RC_SINGULAR: return 2;
	case RC_IO:
	case RC_TIMEOUT:
	case RC_PROTOCOL:
	case RC_NOMEM:
	case RC_DB: return 3;
	}
	return 3;
}
