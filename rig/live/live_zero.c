/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "live/live_zero.h"

#include <math.h>

#define LEAST_PULSES_PER_S \
	4.0 /* at half of that the pick-up takes a slow shaft for one that stands (instrument/turn.h) */

static enum rc zero_at_rest(struct live *live, bool set, bool silent, struct live_zero *ret, struct err *err)
{
	struct cell_reading_config config = live_reading_config(live);
	struct cell_reading reading;
	const struct sequence sequence = { cell_reading_step, &reading };

	config.set_tare = set;
	config.silent = silent;
	config.flags = POINT_TARE;
	cell_reading_begin(&reading, &config);
	enum rc rc = live_run(live, &sequence, err);
	struct stats_mean mean = stats_run_result(&reading.raw);
	*ret = (struct live_zero){ .count = mean.mean,
				   .u_count = mean.u_mean,
				   .drag_count = NAN,
				   .ambient_degC = reading.temp_degC[TEMP_AMBIENT] };
	return rc;
}

/* By hand the zero tells the way by notes; here they become what the hands do. */
static void turn_for_zero(void *ctx, const struct snapshot *snap, const struct seq_out *out)
{
	struct live *live = ctx;
	const struct seq_zero *zero = live->zero;

	(void)snap;
	if (!live->by_hand || out->event.kind != SEQ_EVENT_NOTE)
		return;
	live_turn(live, zero->phase == ZERO_COAST ? 0 : seq_zero_way(zero) * zero->config.speed_rpm);
}

static void on_note(void *ctx, const struct seq_event *event)
{
	struct live *live = ctx;

	/* by hand the ways are told by live_turn */
	if (event->kind == SEQ_EVENT_NOTE && !live->by_hand)
		live_note(live, "%s", event->text);
}

static struct zero_config turning(const struct live *live, double speed_rpm, double most_Nm)
{
	const struct session *s = live->s;
	const struct actuator_profile *actuator = s->has_actuator && !live->by_hand ? &s->actuator : NULL;
	double clear_A = s->rig.brake_kind != BRAKE_HYSTERESIS
				 ? 0
				 : pole_clear_peak_A(&s->rig, actuator, s->map_id ? &s->map : NULL, speed_rpm, most_Nm);

	return (struct zero_config){ .speed_rpm = speed_rpm,
				     .slew_rpm_per_s = 2 * speed_rpm,
				     .settle_turns = 1,
				     .drag_ratio = s->rig.drag_ratio.value,
				     .u_drag_ratio = s->rig.drag_ratio.u,
				     .average_turns = 2,
				     .least_s = 2,
				     .sign = s->rig.cell_sign,
				     .clear_A = clear_A,
				     .no_direction = !session_pick_has_direction(s),
				     .by_hand = live->by_hand };
}

static enum rc run_turning(struct live *live, const struct zero_config *config, struct seq_zero *zero, struct err *err)
{
	const struct sequence sequence = { seq_zero_step, zero };
	int direction = live->limits.expect_direction;

	seq_zero_begin(zero, config);
	live->limits.expect_direction = 0;
	live->zero = zero;
	live->tick = turn_for_zero;
	live->event = on_note;
	live->ctx = live;
	live->guess_s = live_zero_s(config->speed_rpm);
	enum rc rc = live_run(live, &sequence, err);
	live->guess_s = 0;
	live->limits.expect_direction = direction;
	live->zero = NULL;
	live->tick = NULL;
	live->event = NULL;
	return rc;
}

static enum rc zero_both_ways(struct live *live, const struct zero_config *config, struct live_zero *ret,
			      struct err *err)
{
	struct seq_zero zero;
	enum rc rc = run_turning(live, config, &zero, err);

	*ret = (struct live_zero){ .both_ways = zero.reversed,
				   .fades = zero.fades,
				   .count = zero.zero_count,
				   .u_count = zero.u_zero_count,
				   .drag_count = zero.drag_count,
				   .ambient_degC = zero.ambient_degC };
	return rc;
}

/* A coarse pick-up has to see the shaft turn. */
double live_zero_rpm(const struct live *live, double speed_rpm)
{
	return fmax(speed_rpm, LEAST_PULSES_PER_S * 60 / live->s->rig.pulses_per_rev);
}

bool live_can_turn(const struct live *live, double speed_rpm)
{
	bool turns = live->by_hand || (live->s->has_actuator && session_drive_knows(live->s, DRIVE_SPEED));

	return speed_rpm > 0 && turns && session_fills(live->s, ROLE_PICK) &&
	       live_zero_rpm(live, speed_rpm) <= live->limits.speed_rpm;
}

bool live_can_turn_back(const struct live *live, double speed_rpm)
{
	const struct instrument_person *person = session_person_sets(live->s);

	return live_can_turn(live, speed_rpm) && (live->by_hand || person == NULL || person->reverses);
}

/* The guard wants a torque before anything turns: a provisional zero for the first time. */
static enum rc provisional(struct live *live, struct live_zero *ret, struct err *err)
{
	return isfinite(live->s->tare_count) ? RC_OK : zero_at_rest(live, true, true, ret, err);
}

enum rc live_rough_zero(struct live *live, struct err *err)
{
	struct live_zero ignored;

	return provisional(live, &ignored, err);
}

enum rc live_zero(struct live *live, double speed_rpm, double most_Nm, bool set, struct live_zero *ret, struct err *err)
{
	double from = live->frac_from, to = live->frac_to;

	if (!live_can_turn_back(live, speed_rpm))
		return zero_at_rest(live, set, false, ret, err);
	struct zero_config config = turning(live, live_zero_rpm(live, speed_rpm), most_Nm);
	config.set_tare = set;
	live->frac_to = from + 0.2 * (to - from);
	enum rc rc = provisional(live, ret, err);
	live->frac_from = live->frac_to;
	live->frac_to = to;
	if (rc == RC_OK)
		rc = zero_both_ways(live, &config, ret, err);
	if (rc != RC_OK || ret->both_ways)
		return rc;
	live_note(live, "zero: the shaft did not turn backwards, so the zero is read at standstill");
	return zero_at_rest(live, set, false, ret, err);
}

bool live_can_clear(const struct live *live, double speed_rpm)
{
	return live->s->rig.brake_kind == BRAKE_HYSTERESIS && !live->by_hand && live_can_turn(live, speed_rpm);
}

enum rc live_clear_brake(struct live *live, double speed_rpm, double most_Nm, struct err *err)
{
	struct zero_config config = turning(live, live_zero_rpm(live, speed_rpm), most_Nm);
	struct live_zero ignored;
	struct seq_zero zero;
	enum rc rc = provisional(live, &ignored, err);

	config.clear_only = true;
	return rc == RC_OK && config.clear_A > 0 ? run_turning(live, &config, &zero, err) : rc;
}
