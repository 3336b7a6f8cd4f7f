/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Runs and records copied into a PostgreSQL database that many rigs share (schema.sql, docs/share.md). Every row is
 * written in one statement with its key: what is interrupted goes on where it was, and nothing stands there twice. */
#ifndef BRIDLE_REPORTS_SHARE_SHARE_H
#define BRIDLE_REPORTS_SHARE_SHARE_H

#include "reports/reduce/report.h"

struct share;

/* Connects as libpq reads where ("service=...", "host=... dbname=...", "postgresql://..."; empty: PGHOST and the like)
 * and makes the schema where it is missing or older than this program's, in one transaction. A database that does not
 * answer within 10 s is away, unless where or PGCONNECT_TIMEOUT says otherwise. *ret given to the caller. RC_ARG: where
 * (or PGHOST and the like) is not valid; RC_IO: away, or it refused */
enum rc share_open(const char *where, struct share **ret, struct err *err) MUST_CHECK;
void share_close(struct share *s); /* NULL is fine */

/* The views in the database are older than this program, and this user may not make them anew. */
bool share_views_old(const struct share *s);

/* Which run or record: the rig's name, its moment, its number. */
struct share_key {
	const char *rig;
	int64_t wall_ns, id;
};

/* The digest with which it stands there already, reduced by this version; *ret_known false: it does not. RC_IO */
enum rc share_digest_of(struct share *s, const struct share_key *key, char ret[LOGBOOK_DIGEST_TEXT], bool *ret_known,
			struct err *err) MUST_CHECK;

/* Writes it, in the place of what stands there under that key. RC_IO, RC_NOMEM */
enum rc share_run(struct share *s, const struct report *report, struct err *err) MUST_CHECK;

/* A record is never changed: what stands there already stays. *ret_new: it did not. RC_IO */
enum rc share_record(struct share *s, const struct share_key *key, const char *kind, const char *json, bool *ret_new,
		     struct err *err) MUST_CHECK;

#endif
