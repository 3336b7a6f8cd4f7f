/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A run reduced as it is published: what report, pack, verify and compare share. */
#ifndef BRIDLE_COMMAND_RUN_REPORT_H
#define BRIDLE_COMMAND_RUN_REPORT_H

#include "reports/reduce/report.h"
#include "terminal/cli.h"

/* A run's number as it is typed. RC_ARG. */
enum rc run_report_id(const char *text, int64_t *ret, struct err *err) MUST_CHECK;

/* The logbook of the bench folder, to read. RC_ARG: no bench folder, or nothing in it yet. */
enum rc run_report_open(const struct cli *cli, struct logbook **ret, struct err *err) MUST_CHECK;

/* run: its number, NULL the latest sweep. Figures that do not agree are refused (RC_SAYS_NO, *ret_cause "implausible"),
 * unless a person accepted them before or accept says why now (then the logbook keeps it); what was accepted stands
 * first among the remarks. *ret given to the caller, *ret_cause untouched otherwise. */
enum rc run_report_of(const struct cli *cli, struct logbook *lb, const char *run, const char *accept,
		      struct report **ret, const char **ret_cause, struct err *err) MUST_CHECK;

/* The same of a sweep or of a procedure (report->procedure.kind), for the commands that publish both. */
enum rc run_result_of(const struct cli *cli, struct logbook *lb, const char *run, const char *accept,
		      struct report **ret, const char **ret_cause, struct err *err) MUST_CHECK;

/* The same of an extract (logbook/extract.h): nothing is accepted but what the extract holds as accepted. */
enum rc run_report_again(struct logbook *lb, int64_t run_id, struct report **ret, struct err *err) MUST_CHECK;

#endif
