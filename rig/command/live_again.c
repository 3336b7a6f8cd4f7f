/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/live_procedure.h"

#include "calib/number/number_json.h"
#include "logbook/record.h"
#include "reports/reduce/run_profiles.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define EDGE_AGE_MOST_S 0.999999 /* docs/tether.md */

/* --- into the record --- */
static json_t *rests_on(const struct live_procedure *p, const struct live_procedure_parts *parts, const void *ctx)
{
	json_t *o = json_object(), *given = json_object();

	json_object_set_new(o, "begin_ns", json_integer(p->first.ns));
	json_object_set_new(o, "end_ns", json_integer(p->last.ns));
	json_object_set_new(o, "zero_before", number_json(p->before.count, p->before.u_count, 0));
	json_object_set_new(o, "zero_after", number_json(p->after.count, p->after.u_count, 0));
	for (size_t i = 0; i < parts->n_keys; i++) {
		double value;
		memcpy(&value, (const char *)ctx + parts->key[i].at, sizeof value);
		json_object_set_new(given, parts->key[i].name, cli_real(value));
	}
	json_object_set_new(o, "given", given);
	if (parts->keep)
		parts->keep(ctx, o);
	return o;
}

json_t *live_procedure_document(const struct live_procedure *p, const struct live_procedure_parts *parts,
				const void *ctx)
{
	json_t *doc = parts->document(ctx);

	if (!doc)
		return NULL;
	json_object_set_new(doc, "actuator", cli_text(p->s.actuator.name));
	json_object_set_new(doc, "calibration_id", json_integer(p->s.calibration_id));
	json_object_set_new(doc, "run_id", json_integer(p->run_id));
	if (p->zero_rc != RC_OK)
		json_object_set_new(doc, "zero_failed", json_string(p->zero_err.what));
	live_procedure_put_budget(p, doc);
	json_object_set_new(doc, "rests_on", rests_on(p, parts, ctx));
	return doc;
}

/* --- and back --- */
struct search {
	int64_t run_id;
	json_t *record;
};

static bool is_it(void *ctx, const struct record_info *record)
{
	struct search *s = ctx;

	if (record->run_id != s->run_id)
		return true;
	json_decref(s->record);
	s->record = json_loads(record->json, 0, NULL);
	return true;
}

static enum rc find_record(struct logbook *lb, const char *kind, const struct run_info *run, json_t **ret,
			   struct err *err)
{
	struct search s = { run->id, NULL };
	enum rc rc = logbook_each_record(lb, kind, RECORD_ANY, is_it, &s, err);

	if (rc == RC_OK && !s.record)
		rc = err_set(err, RC_SAYS_NO, 0,
			     "run %lld (%s) has no result: it %s (%s%s%.200s). Nothing of it is published; its "
			     "samples stay in the logbook",
			     (long long)run->id, kind, run->ended ? "was cut short" : "has not ended",
			     run->ended ? run->outcome : "", run->ended && run->message[0] ? ": " : "", run->message);
	if (rc == RC_OK && !json_is_object(json_object_get(s.record, "rests_on")))
		rc = err_set(err, RC_ARG, 0,
			     "run %lld (%s) was kept by a program that did not tell what the result rests on; measure "
			     "again",
			     (long long)run->id, kind);
	if (rc == RC_OK)
		*ret = s.record;
	else
		json_decref(s.record);
	return rc;
}

static double real_of(const json_t *o, const char *key)
{
	const json_t *value = json_object_get(o, key);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static struct live_zero zero_of(const json_t *o)
{
	return (struct live_zero){ .count = real_of(o, "value"), .u_count = real_of(o, "u") };
}

static enum rc record_text(struct logbook *lb, int64_t id, int64_t *ret_wall_ns, char **ret, struct err *err)
{
	char *kind = NULL;
	enum rc rc = logbook_record_by_id(lb, id, &kind, ret_wall_ns, ret, err);

	free(kind);
	return rc;
}

static enum rc load_session(struct session *s, struct logbook *lb, const struct run_info *run, struct err *err)
{
	char *calibration = NULL, *map = NULL;
	int64_t unused;
	enum rc rc = run_profiles(lb, run->id, &s->rig, &s->actuator, NULL, err);

	s->logbook = lb;
	s->calibration_id = run->calibration_id;
	s->map_id = run->map_id;
	if (rc == RC_OK)
		rc = record_text(lb, run->calibration_id, &s->calibration_wall_ns, &calibration, err);
	if (rc == RC_OK)
		rc = record_to_cellcal(calibration, &s->calibration, err);
	if (rc == RC_OK && run->map_id)
		rc = record_text(lb, run->map_id, &unused, &map, err);
	if (rc == RC_OK && map)
		rc = record_to_brakemap(map, &s->map, err);
	free(calibration);
	free(map);
	return rc;
}

static void recall_frame(struct live_procedure *p, const struct live_procedure_parts *parts, void *ctx,
			 const json_t *record)
{
	const json_t *o = json_object_get(record, "rests_on"), *given = json_object_get(o, "given");
	const char *failed = json_string_value(json_object_get(record, "zero_failed"));

	p->first.ns = json_integer_value(json_object_get(o, "begin_ns"));
	p->last.ns = json_integer_value(json_object_get(o, "end_ns"));
	p->before = zero_of(json_object_get(o, "zero_before"));
	p->after = zero_of(json_object_get(o, "zero_after"));
	if (failed)
		p->zero_rc = err_set(&p->zero_err, RC_SAYS_NO, 0, "%s", failed);
	for (size_t i = 0; i < parts->n_keys; i++) {
		double value = real_of(given, parts->key[i].name);
		memcpy((char *)ctx + parts->key[i].at, &value, sizeof value);
	}
}

/* --- the sequence over the samples --- */
struct replay {
	const struct live_procedure_parts *parts;
	void *ctx;
	struct sequence sequence;
	double pulses_per_rev;
	uint32_t fresh[CHANNEL_COUNT];
	bool done;
};

/* As the loop saw it (run/loop.c, log_sample), as far as a sequence looks at it. */
static struct snapshot snapshot_of(struct replay *r, const struct sample *s)
{
	struct snapshot snap = snapshot_blank();

	for (unsigned i = 0; i < CHANNEL_COUNT; i++) {
		r->fresh[i] += !(s->repeats & 1u << i);
		snap.channel[i].fresh = r->fresh[i];
	}
	snap.channel[CHANNEL_CELL].fresh = s->cell_conversions;
	snap.now.ns = s->mono_ns;
	snap.node_us = s->node_us;
	snap.cell_count = s->cell_count;
	snap.torque_Nm = s->torque_Nm;
	snap.pulses = s->pulses;
	snap.angle_rev = (double)s->pulses / r->pulses_per_rev;
	snap.edge_time_s = s->edge_time_s;
	snap.edge_age_s = fmin((double)s->node_us * 1e-6 - s->edge_time_s, EDGE_AGE_MOST_S);
	snap.speed_rpm = s->speed_rpm;
	snap.brake_A = s->brake_A;
	snap.voltage_V = s->voltage_V;
	snap.current_A = s->current_A;
	snap.ripple_W = s->ripple_W;
	snap.drive_flags = s->drive_flags;
	snap.drive_rotor_rpm = s->drive_rotor_rpm;
	snap.drive_A = s->drive_A;
	snap.estop_ok = s->lines & 1u;
	snap.cage_closed = s->lines & 2u;
	snap.contactor_closed = s->lines & 4u;
	memcpy(snap.temp_degC, s->temp_degC, sizeof snap.temp_degC);
	return snap;
}

static bool take(void *ctx, const struct sample *sample)
{
	struct replay *r = ctx;
	struct snapshot snap = snapshot_of(r, sample);
	struct seq_out out = { 0 };

	if (r->parts->feed)
		r->parts->feed(r->ctx, &snap);
	r->sequence.step(r->sequence.state, &snap, &out);
	r->done = out.done;
	return true;
}

static enum rc replay(struct live_procedure *p, const struct live_procedure_parts *parts, void *ctx, struct err *err)
{
	struct replay r = {
		.parts = parts, .ctx = ctx, .sequence = parts->begin(ctx), .pulses_per_rev = p->s.rig.pulses_per_rev
	};
	enum rc rc = logbook_each_sample(p->s.logbook, p->run_id, p->first.ns, p->last.ns + 1, take, &r, err);

	if (rc == RC_OK && !r.done)
		rc = err_set(
			err, RC_SAYS_NO, 0,
			"the samples of run %lld do not give the whole of its %s: rows are missing or were changed",
			(long long)p->run_id, parts->kind);
	return rc;
}

static enum rc find_again(struct live_procedure *p, const struct live_procedure_parts *parts, struct logbook *lb,
			  const struct run_info *run, const json_t *record, struct err *err)
{
	enum rc rc = load_session(&p->s, lb, run, err);

	p->run_id = run->id;
	recall_frame(p, parts, p, record);
	if (rc == RC_OK && parts->recall)
		rc = parts->recall(p, record, err);
	if (rc == RC_OK)
		rc = replay(p, parts, p, err);
	return rc == RC_OK ? parts->evaluate(p, err) : rc;
}

static enum rc tell_again(struct live_procedure *p, const struct live_procedure_parts *parts, struct procedure *ret,
			  struct err *err)
{
	p->result.kind = procedure_kind(parts->kind);
	p->result.doc = live_procedure_document(p, parts, p);
	if (!p->result.doc)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	*ret = p->result;
	p->result = (struct procedure){ 0 };
	return RC_OK;
}

enum rc live_procedure_again(const struct live_procedure_parts *parts, struct logbook *lb, int64_t run_id,
			     struct procedure *ret, struct err *err)
{
	struct live_procedure *p = live_procedure_new(parts, NULL);
	struct run_info run;
	json_t *record = NULL;
	enum rc rc = p ? logbook_run_info(lb, run_id, &run, err) : err_set(err, RC_NOMEM, 0, "out of memory");

	if (rc == RC_OK)
		rc = find_record(lb, parts->kind, &run, &record, err);
	if (rc == RC_OK)
		rc = find_again(p, parts, lb, &run, record, err);
	if (rc == RC_OK)
		rc = tell_again(p, parts, ret, err);
	json_decref(record);
	if (p)
		procedure_clear(&p->result);
	live_procedure_end(p, parts);
	return rc;
}
