/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang.h"
#include "command/hang_from.h"
#include "command/type_table.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum rc keep_table(const struct cli *cli, struct hang_result *r, struct err *err)
{
	const struct session_want want = { .bench = cli->bench, .logbook_write = true };
	struct mistakes m = { 0 };
	struct session s;
	enum rc rc = session_open(&want, &s, &m, err);

	if (rc != RC_OK)
		return rc;
	s.clock = clock_machine();
	rc = session_run_begin(&s, "hang", 0, err);
	if (rc == RC_OK) {
		r->run_id = s.run_id;
		rc = hang_store(s.logbook, s.run_id, s.clock.wall(s.clock.ctx).ns, r, err);
		struct err end_err, why = { .what = "readings taken by hand" };
		bool usable = hang_verdict(r, &why) == RC_OK;
		enum rc end_rc = session_run_end(&s,
						 rc != RC_OK ? "failed"
						 : usable    ? "done"
							     : "refused",
						 usable ? "" : HANG_NOT_USABLE, why.what, rc ? &end_err : err);
		rc = rc ? rc : end_rc;
	}
	session_close(&s);
	return rc;
}

/* The bench folder's arm and gravity, when there is a bench folder; options go before. */
static enum rc place_for_table(const struct cli *cli, const struct hang_options *o, struct hang_place *place,
			       bool *ret_known, bool *ret_bench, struct rig_profile *ret_rig, struct mistakes *m,
			       struct err *err)
{
	const struct session_want want = { .bench = cli->bench };
	struct session s;
	struct err none = { 0 };
	char path[PROFILE_PATH * 2];
	enum rc rc = cli_path(cli, "rig.ini", path, sizeof path, err);

	if (rc != RC_OK)
		return rc;
	FILE *there = fopen(path, "r");
	*ret_bench = there != NULL;
	*place = (struct hang_place){ .air_kg_per_m3 = { 1.2, 0.06, INFINITY, DIST_RECT, true, 0 },
				      .level_deg = { .dof = INFINITY },
				      .one_sided = { .dof = INFINITY } };
	if (there) {
		fclose(there);
		rc = session_open(&want, &s, m, err);
		if (rc != RC_OK)
			return rc;
		*place = hang_place_of(&s.rig);
		*ret_rig = s.rig;
		session_close(&s);
	}
	(void)none;
	*ret_known = *ret_bench || (o->arm && o->gravity);
	return hang_place_options(o, place, err);
}

/* Only counts of this rig's own converter can calibrate its readings. */
static bool of_converter(const struct hang_table *table)
{
	return strncmp(table->unit, "count", 5) == 0;
}

static enum rc evaluate(const struct hang_options *o, const struct hang_table *table, const struct rig_profile *rig,
			struct hang_result *r, struct cellcal_point **points, struct err *err)
{
	const struct cellcal_input in = { .readings = table->reading,
					  .n = table->n,
					  .sources = table->source,
					  .n_sources = table->n_sources,
					  .model = o->fit,
					  .resolution = o->resolution_read,
					  .table = &o->table };
	const struct hang_gate_source from = { .rig = rig,
					       .counts = of_converter(table),
					       .Nm_per_kg = table->Nm_per_kg };
	enum rc rc = hang_fit(&in, r, points, err);

	if (rc == RC_OK)
		rc = hang_evaluate(&in, r, err);
	return rc == RC_OK ? hang_gate_judge(&in, &from, &r->gate, err) : rc;
}

int hang_by_table(const struct cli *cli, const struct hang_options *o)
{
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct hang_place place;
	struct rig_profile rig;
	struct hang_table table = { 0 };
	struct hang_result r = { .dry_run = o->dry_run, .ambient_degC = NAN, .cell_degC = NAN };
	struct cellcal_point *points = NULL;
	bool known = false, bench = false;
	int status = 0;
	enum rc rc = place_for_table(cli, o, &place, &known, &bench, &rig, &m, &err);

	if (rc == RC_OK && o->type)
		rc = type_table(o->from, o->type, &err);
	if (rc == RC_OK)
		rc = hang_table_read(o->from, known ? &place : NULL, &table, &m, &err);
	if (rc == RC_OK)
		rc = evaluate(o, &table, bench ? &rig : NULL, &r, &points, &err);
	r.unit = table.unit;
	if (known && isfinite(table.Nm_per_kg)) {
		r.arm_m = place.arm_m.value;
		r.gravity_m_per_s2 = place.gravity_m_per_s2.value;
	}
	if (rc == RC_OK && bench && of_converter(&table) && !o->dry_run)
		rc = keep_table(cli, &r, &err);
	if (rc != RC_OK)
		status = cli_fail(cli, &err, NULL, &m);
	else
		status = hang_show(cli, &r);
	if (rc == RC_OK && !cli->json && !r.record_id && !o->dry_run && r.gate.found.usable)
		printf("Not kept: %s.\n",
		       bench ? "the indication's unit is not count, so it is not this rig's converter"
			     : "there is no bench folder here");
	free(points);
	hang_table_free(&table);
	return status;
}
