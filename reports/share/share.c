/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/share/share.h"
#include "reports/page/report_write.h"
#include "reports/reduce/budget.h"

#include <inttypes.h>
#include <libpq-fe.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define SOURCES_SHOWN 60

#define SCHEMA_VERSION 2 /* as schema.sql says at its end */
#define INVALID_TABLE_DEFINITION "42P16"
#define DROP_VIEWS \
	"DROP VIEW IF EXISTS bridle.point, bridle.verdict, bridle.source, bridle.result, bridle.calibration, " \
	"bridle.check_weight;"

extern const char share_schema[];

struct share {
	PGconn *conn;
	bool views_old;
};

void share_close(struct share *s)
{
	if (s == NULL)
		return;
	PQfinish(s->conn);
	free(s);
}

/* libpq's sentences end with a line feed and may have several lines, some of them indented by a tab. */
static enum rc fail_by(PGconn *conn, enum rc rc, const char *what, struct err *err)
{
	char why[300] = "";
	size_t n = 0;

	for (const char *c = PQerrorMessage(conn); *c && n + 3 < sizeof why; c++)
		if (*c == '\n' && c[1])
			n += (size_t)snprintf(why + n, sizeof why - n, "; ");
		else if (*c != '\n' && *c != '\t')
			n += (size_t)snprintf(why + n, sizeof why - n, "%c", *c);
	return err_set(err, rc, 0, "%s: %s", what, why);
}

static enum rc fail(PGconn *conn, const char *what, struct err *err)
{
	return fail_by(conn, RC_IO, what, err);
}

static void silent(void *ctx, const char *message)
{
	(void)ctx;
	(void)message;
}

/* What the database has, 0 for none and for the first, which did not say. */
static int schema_version(struct share *s)
{
	PGresult *r = PQexec(s->conn, "SELECT substring(obj_description(to_regnamespace('bridle'), 'pg_namespace') "
				      "from 'version ([0-9]+)')");
	int version = PQresultStatus(r) == PGRES_TUPLES_OK && PQntuples(r) == 1 ? atoi(PQgetvalue(r, 0, 0)) : 0;

	PQclear(r);
	return version;
}

/* All of it or nothing: several statements in one call are one transaction. */
static bool run_schema(struct share *s, const char *before, bool *ret_other_columns)
{
	char *sql = malloc(strlen(before) + strlen(share_schema) + 1);

	if (sql == NULL)
		return false;
	strcpy(sql, before);
	strcat(sql, share_schema);
	PGresult *r = PQexec(s->conn, sql);
	free(sql);
	const char *state = PQresultErrorField(r, PG_DIAG_SQLSTATE);
	bool made = PQresultStatus(r) == PGRES_COMMAND_OK;

	*ret_other_columns = state && strcmp(state, INVALID_TABLE_DEFINITION) == 0;
	PQclear(r);
	return made;
}

/* A view whose columns changed cannot be replaced: all views are made anew then. What a newer program made is left. */
static enum rc make_schema(struct share *s, struct err *err)
{
	bool other_columns = false, made = schema_version(s) >= SCHEMA_VERSION;

	if (!made)
		made = run_schema(s, "", &other_columns) ||
		       (other_columns && run_schema(s, DROP_VIEWS, &other_columns));
	if (made)
		return RC_OK;
	enum rc rc = fail(s->conn, "the tables cannot be made in this database", err);
	/* Who may only write rows uses what somebody else made. */
	PGresult *r = PQexec(s->conn, "SELECT report FROM bridle.run WHERE false");
	s->views_old = PQresultStatus(r) == PGRES_TUPLES_OK;
	PQclear(r);
	return s->views_old ? RC_OK : rc;
}

bool share_views_old(const struct share *s)
{
	return s->views_old;
}

/* libpq reads these two only as it goes to a host, and tells them as if the host did not answer. A list has one for
 * each host. */
static bool has_wrong_number(PGconn *conn)
{
	PQconninfoOption *options = PQconninfo(conn);
	bool wrong = false;

	for (const PQconninfoOption *o = options; o != NULL && o->keyword != NULL; o++) {
		bool port = strcmp(o->keyword, "port") == 0;
		if (o->val == NULL || !(port || strcmp(o->keyword, "connect_timeout") == 0))
			continue;
		for (const char *c = o->val; c != NULL; c = strchr(c, ',') ? strchr(c, ',') + 1 : NULL) {
			char *end = NULL;
			long v = strtol(c, &end, 10);
			end += strspn(end, " ");
			wrong |= (*end != '\0' && *end != ',') || (port && end != c && !(v >= 1 && v <= 65535));
		}
	}
	PQconninfoFree(options);
	return wrong;
}

/* Why there is no connection. libpq tells it by a second try alone, which has 2 s, the least that libpq waits. */
static enum rc no_connection(PGconn *conn, const char *const *keys, const char **values, struct err *err)
{
	values[0] = "2";
	PGPing answer = PQpingParams(keys, values, 1);

	if (answer == PQPING_NO_ATTEMPT || has_wrong_number(conn))
		return fail_by(conn, RC_ARG, "DATABASE, or PGHOST and the like, is not valid; correct it", err);
	return fail(conn, answer == PQPING_OK ? "the database refused" : "the database is away", err);
}

enum rc share_open(const char *where, struct share **ret, struct err *err)
{
	const char *const keys[] = { "connect_timeout", "dbname", "client_encoding", "fallback_application_name",
				     NULL };
	const char *values[] = { getenv("PGCONNECT_TIMEOUT") ? NULL : "10", where, "UTF8", "bridle", NULL };
	struct share *s = calloc(1, sizeof *s);

	if (s == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	s->conn = PQconnectdbParams(keys, values, 1);
	enum rc rc = PQstatus(s->conn) == CONNECTION_OK ? RC_OK : no_connection(s->conn, keys, values, err);
	if (rc == RC_OK) {
		PQsetNoticeProcessor(s->conn, silent, NULL);
		rc = make_schema(s, err);
	}
	if (rc != RC_OK) {
		share_close(s);
		return rc;
	}
	*ret = s;
	return RC_OK;
}

#define ID_ROOM 24
struct key_text {
	char seconds[40], id[ID_ROOM];
};

/* to_timestamp takes seconds; microseconds are kept. */
static struct key_text key_text(const struct share_key *key)
{
	struct key_text ret;

	snprintf(ret.seconds, sizeof ret.seconds, "%" PRId64 ".%06" PRId64, key->wall_ns / 1000000000,
		 key->wall_ns % 1000000000 / 1000);
	snprintf(ret.id, sizeof ret.id, "%" PRId64, key->id);
	return ret;
}

/* first: of the first row, first column, where there is one; NULL: nobody asks. */
static enum rc ask(struct share *s, const char *sql, int n, const char *const *values, int *ret_rows, char *first,
		   size_t first_size, struct err *err)
{
	PGresult *r = PQexecParams(s->conn, sql, n, NULL, values, NULL, NULL, 0);
	ExecStatusType status = PQresultStatus(r);

	*ret_rows = status == PGRES_TUPLES_OK ? PQntuples(r) : 0;
	if (first && *ret_rows > 0)
		snprintf(first, first_size, "%s", PQgetvalue(r, 0, 0));
	PQclear(r);
	return status == PGRES_TUPLES_OK || status == PGRES_COMMAND_OK
		       ? RC_OK
		       : fail(s->conn, "the database did not take it", err);
}

enum rc share_digest_of(struct share *s, const struct share_key *key, char ret[LOGBOOK_DIGEST_TEXT], bool *ret_known,
			struct err *err)
{
	struct key_text k = key_text(key);
	const char *const values[] = { key->rig, k.seconds, k.id, BRIDLE_VERSION };
	int rows = 0;
	enum rc rc = ask(s,
			 "SELECT digest FROM bridle.run WHERE rig = $1 AND begun = to_timestamp($2::numeric) AND run = "
			 "$3::bigint AND program = $4",
			 4, values, &rows, ret, LOGBOOK_DIGEST_TEXT, err);

	*ret_known = rows > 0;
	return rc;
}

static json_t *sources_of(const struct curve *c, struct unc x)
{
	struct budget_row row[SOURCES_SHOWN];
	size_t n = budget_of(c->ctx, x, row, SOURCES_SHOWN);
	json_t *list = json_array();

	for (size_t i = 0; i < n; i++)
		json_array_append_new(list, json_pack("{s:s, s:f}", "name", row[i].name, "u", row[i].u));
	return list;
}

static void add_sources(const struct curve *c, json_t *points)
{
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		json_t *o = json_object();
		json_object_set_new(o, "torque_Nm", sources_of(c, p->torque_Nm));
		json_object_set_new(o, "speed_rpm", sources_of(c, p->speed_rpm));
		json_object_set_new(o, "input_power_W", sources_of(c, p->input_power_W));
		if (p->efficiency_valid)
			json_object_set_new(o, "efficiency", sources_of(c, p->efficiency));
		json_object_set_new(json_array_get(points, i), "sources", o);
	}
}

enum rc share_run(struct share *s, const struct report *report, struct err *err)
{
	const struct run_info *run = &report->run;
	struct key_text k = key_text(&(struct share_key){ report->rig.name, run->wall_ns, run->id });
	char calibration[ID_ROOM];
	json_t *doc = report_to_json(report);

	snprintf(calibration, sizeof calibration, "%" PRId64, run->calibration_id);
	if (report->curve)
		add_sources(report->curve, json_object_get(doc, "points"));
	char *text = json_dumps(doc, JSON_COMPACT | JSON_REAL_PRECISION(17));
	json_decref(doc);
	if (text == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	const char *const values[] = { report->rig.name,
				       k.seconds,
				       k.id,
				       report->actuator.name,
				       run->plan,
				       run->on_bench ? "true" : "false",
				       run->ended ? run->outcome : "killed",
				       report->digest,
				       BRIDLE_VERSION,
				       calibration,
				       text };
	int rows;
	enum rc rc = ask(
		s,
		"INSERT INTO bridle.run VALUES ($1, to_timestamp($2::numeric), $3::bigint, $4, $5, $6::boolean, $7, "
		"$8, $9, $10::bigint, $11::jsonb) ON CONFLICT (rig, begun, run) DO UPDATE SET actuator = "
		"excluded.actuator, plan = excluded.plan, outcome = excluded.outcome, digest = excluded.digest, "
		"program = excluded.program, calibration = excluded.calibration, report = excluded.report",
		11, values, &rows, NULL, 0, err);
	free(text);
	return rc;
}

enum rc share_record(struct share *s, const struct share_key *key, const char *kind, const char *json, bool *ret_new,
		     struct err *err)
{
	struct key_text k = key_text(key);
	const char *const values[] = { key->rig, k.seconds, k.id, kind, json };
	int rows = 0;
	enum rc rc =
		ask(s,
		    "INSERT INTO bridle.record VALUES ($1, to_timestamp($2::numeric), $3::bigint, $4, $5::jsonb) ON "
		    "CONFLICT DO NOTHING RETURNING 1",
		    5, values, &rows, NULL, 0, err);

	*ret_new = rows > 0;
	return rc;
}
