/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Errors: few kinds, each meaning a different reaction; the sentence for the
 * reader lives in the caller's struct err. No globals, no logging here. */
#ifndef BRIDLE_CALIB_NUMBER_ERR_H
#define BRIDLE_CALIB_NUMBER_ERR_H

#define MUST_CHECK __attribute__((warn_unused_result))
#define PRINTF_LIKE(f, a) __attribute__((format(printf, f, a)))

enum rc {
	RC_OK = 0,
	RC_ARG,       /* the request cannot be understood: bad value, option, file (exit 2) */
	RC_IO,        /* the machine's input or output failed (exit 3) */
	RC_TIMEOUT,   /* a device did not answer in time (exit 3) */
	RC_PROTOCOL,  /* a device answered what it should not (exit 3) */
	RC_RANGE,     /* a number is outside what can be computed or stored (exit 2) */
	RC_SINGULAR,  /* the data do not determine the answer (exit 2) */
	RC_NOMEM,     /* out of memory (exit 3) */
	RC_DB,        /* the logbook cannot be read or written (exit 3) */
	RC_INTERLOCK, /* the guard refused or stopped (exit 1) */
	RC_SAYS_NO    /* the measurement says no: a check failed (exit 1) */
};

/* The caller's; may be NULL wherever a struct err * is taken. */
struct err {
	enum rc rc;
	int sys_errno;  /* 0 when no system call was at fault */
	char what[800]; /* one sentence, no newline: what, where, what was expected */
};

/* Fill *err (when not NULL) and return rc, so that "return err_set(...)" reads well. */
enum rc err_set(struct err *err, enum rc rc, int sys_errno, const char *format, ...) PRINTF_LIKE(4, 5);

/* Put a place in front of the sentence that is there: "rig.ini:12: ...". */
void err_prefix(struct err *err, const char *format, ...) PRINTF_LIKE(2, 3);

/* The exit status that a rc stands for: 0, 1, 2 or 3 (see the table above). */
int err_exit_status(enum rc rc);

#endif
