/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/guard.h"

#include "calib/number/units.h"
#include "guard/guard_private.h"

#include <math.h>
#include <string.h>

/* Common practice, no source. */
#define READY_S 1.5
#define STANDING_S 0.3
#define HOLD_DEFAULT_S 10.0 /* the node's own longest hold, when the limit is not a number */
#define SLOW_TIMES 3.0      /* times the standstill speed: pulses that end below that ended with the turning */
#define NOISE_FRAC 0.02     /* of a speed: no slowing down is believed within it */
#define QUIET_TIMES 1.5     /* a shaft may slow down less quickly than it was seen to */
#define TOLD_S 2.0          /* the drive says that its rotor stands; without power it may say so of one that turns */
#define SEEN_S 0.15         /* a cable that tears looks like a shaft that slows down, but for less long */
#define LATELY_S 0.5        /* a cable that tears may do so a little before the stop */
#define OPENED_S 0.1        /* a contact that was about to close has done so, and opened again */
#define AGREES_FRAC 0.5     /* of the larger of rotor and shaft: the drive's word is up to a slow sample old */

static bool is_loading(const struct wish *w)
{
	return w->mode != DRIVE_OFF || !(w->brake_A <= 0);
}

static bool is_energising(const struct wish *w)
{
	return w->power || is_loading(w);
}

static bool senses_contactor(const struct guard_limits *l)
{
	return l->expect_lines & LINE_CONTACTOR;
}

static bool is_closed(const struct guard_limits *l, const struct snapshot *snap)
{
	return !senses_contactor(l) || (is_told(snap, CHANNEL_CONTACTOR) && snap->contactor_closed);
}

static struct wish clamp_wish(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
			      const struct wish *want)
{
	struct wish ret = { .power = want->power, .brake_A = clamp(want->brake_A, 0, l->brake_A) };

	if (ret.power && is_closed(l, snap))
		modes_clamp(g, l, snap, want, &ret);
	return ret;
}

/* The stop. */

static bool has_data(const struct guard_limits *l, const struct snapshot *snap)
{
	return !snap->node_lost && !snap->node_reset && snap->sample_age_s <= l->silent_s;
}

/* By its own age and, where the node tells it, by the node's: another instrument's silence says nothing of it. */
static bool is_young(const struct guard_limits *l, const struct snapshot *snap, int channel)
{
	const struct channel *c = &snap->channel[channel], *node = &snap->channel[CHANNEL_STATE];
	bool node_young = has_data(l, snap) && node->age_s <= l->stale_s[CHANNEL_STATE];

	return c->age_s <= l->stale_s[channel] && (node_young || c->instrument != node->instrument);
}

/* A reading from before the contact had its command to close is young, and says nothing: once it was seen closed, or
 * was read again a while after the command to open, it does. */
static bool is_open(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double read_s = mono_diff_s(snap->now, g->cause_at) - snap->channel[CHANNEL_CONTACTOR].age_s;
	bool anew = g->phase == GUARD_RUN || !g->energised || g->seen_closed || read_s >= OPENED_S;

	return is_told(snap, CHANNEL_CONTACTOR) && is_young(l, snap, CHANNEL_CONTACTOR) && !snap->contactor_closed &&
	       anew;
}

/* By no power, or by its own word. */
static bool drive_is_off(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	bool told = is_young(l, snap, CHANNEL_DRIVE);

	if (senses_contactor(l) && is_open(g, l, snap))
		return true;
	told = told && !(snap->drive_flags & DRIVE_UNHEARD);
	return told ? !(snap->drive_flags & DRIVE_ENABLED) : !g->drove;
}

/* The drive's rotor turns while no pulses come. A drive without power may go on saying what it said last: not heard. */
static bool drive_contradicts(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	bool without_power = g->rotor_same && senses_contactor(l) && is_open(g, l, snap);

	return is_young(l, snap, CHANNEL_DRIVE) && !without_power && watch_pick_contradicted(l, snap);
}

static double longest_hold_s(const struct guard_limits *l)
{
	return isnan(l->stop_hold_s) ? HOLD_DEFAULT_S : l->stop_hold_s;
}

static double rotor_stands_rpm(const struct guard_limits *l)
{
	return l->standstill_rpm * fmax(1, l->gear_ratio);
}

/* For how long no pulse must have come: a shaft that slows down as slowly as it was seen to takes so long. Where it
 * was not seen to slow down (its pulses ended with the stop: a cable that broke?) the drive's word has to do, where
 * that is worth something; INFINITY: nothing shows that the shaft stands. */
static double seen_quiet_s(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double slow_rpm = SLOW_TIMES * l->standstill_rpm;
	double seen_s = mono_diff_s(g->turned_at, g->cause_at);
	double slowed_rpm = g->stop_rpm - g->turned_rpm - NOISE_FRAC * g->stop_rpm;
	bool told = g->drove && g->rotor_true && g->rotor_anew && is_young(l, snap, CHANNEL_DRIVE) &&
		    fabs(snap->drive_rotor_rpm) < rotor_stands_rpm(l);
	double unseen_s = told ? TOLD_S : INFINITY;

	if (!g->loaded || (g->was_slow && !(g->turned_rpm > slow_rpm)))
		return 0;
	if (!(seen_s >= SEEN_S))
		return unseen_s;
	if (!(g->turned_rpm > slow_rpm))
		return 0;
	return slowed_rpm > 0 ? fmin(QUIET_TIMES * g->turned_rpm / slowed_rpm * seen_s, unseen_s) : unseen_s;
}

/* No sooner than the largest torque stops the least inertia. What was seen asks for no more than the longest hold. */
static double quiet_s(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double soonest_s = l->inertia_kgm2 * rad_per_s_from_rpm(g->turned_rpm) / l->torque_Nm;
	double seen_s = fmax(seen_quiet_s(g, l, snap), soonest_s); /* fmax passes over a NaN */

	return fmax(STANDING_S, isinf(seen_s) ? seen_s : fmin(seen_s, longest_hold_s(l)));
}

static bool is_standing(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	return l->expect_pick && !g->pick_doubted && has_data(l, snap) && fabs(snap->speed_rpm) < l->standstill_rpm &&
	       !drive_contradicts(g, l, snap);
}

/* No pulse for long enough; or for nearly the whole of the longest hold, with the brake's current seen and a drive that
 * does not say that its rotor turns: what was held for so long has stopped. */
static bool is_quiet(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double quiet_since_s = mono_diff_s(snap->now, g->turned_at) + 1e-9;
	bool held = mono_diff_s(snap->now, g->cause_at) >= longest_hold_s(l) && snap->brake_A >= 0.5 * g->held_brake_A;
	bool says_turns = is_young(l, snap, CHANNEL_DRIVE) && fabs(snap->drive_rotor_rpm) >= rotor_stands_rpm(l);

	return quiet_since_s >= quiet_s(g, l, snap) || (quiet_since_s >= STANDING_S && held && !says_turns);
}

static bool lasts(bool *was, struct mono *since, bool is, struct mono now)
{
	if (is && !*was)
		*since = now;
	*was = is;
	return is && mono_diff_s(now, *since) >= STANDING_S;
}

static unsigned missing_now(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
			    bool stands)
{
	bool turns = has_data(l, snap) && fabs(snap->speed_rpm) >= l->standstill_rpm;
	bool closed =
		senses_contactor(l) &&
		(g->energised ? !is_open(g, l, snap) : is_told(snap, CHANNEL_CONTACTOR) && snap->contactor_closed);
	bool active = g->cause == CAUSE_NOT_AT_REST && watch_is_active(l, snap);
	bool driven = active || !drive_is_off(g, l, snap);
	unsigned missing = (closed ? GUARD_CONTACTOR : 0) | (driven ? GUARD_DRIVE : 0);

	if (g->energised && !has_data(l, snap))
		missing |= GUARD_NO_DATA;
	if ((g->energised || missing) && turns)
		missing |= GUARD_TURNS;
	else if (g->loaded && !stands)
		missing |= GUARD_STANDSTILL;
	return missing;
}

/* The larger of what the coil has, what was asked, and half of what a stop may hold while the shaft turns or nobody
 * knows: half, as the node does it (docs/tether.md). Never more than the stop may hold. */
static double hold_current_A(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double present_A = fmax(g->last.brake_A, isnan(snap->brake_A) ? 0 : snap->brake_A);
	double most_A = fmin(l->hold_brake_A, l->brake_A); /* fmin passes over a NaN */
	double speed_rpm = fabs(snap->speed_rpm);
	/* Unknown counts as turning once something could have made it turn. From before a silence it is unknown. */
	bool stands = speed_rpm < l->standstill_rpm && has_data(l, snap);
	bool turns = g->loaded ? !stands : speed_rpm >= l->standstill_rpm;

	turns |= watch_pick_contradicted(l, snap);

	if (!g->energised)
		return 0;
	if (!(most_A >= 0))
		return g->last.brake_A;
	bool unloaded = present_A <= WATCH_LOADED_FRAC * l->brake_A;
	if (turns && (unloaded || !cause_row(g->cause)->brake_worsens))
		present_A = fmax(present_A, 0.5 * most_A);
	return clamp(present_A, 0, most_A);
}

static void begin_stop(struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
		       const struct finding *f)
{
	g->phase = GUARD_STOP_HOLD;
	g->cause = f->cause;
	g->found = f->value;
	g->allowed_value = f->limit;
	g->channel = f->channel;
	g->cause_at = snap->now;
	g->standing = g->clear = false;
	/* Judged once: a drive without power may go on saying what it said last. */
	g->pick_doubted = watch_pick_contradicted(l, snap);
	g->stop_rpm = g->turned_rpm;
	g->was_slow = !(g->lately_rpm > SLOW_TIMES * l->standstill_rpm);
	g->held_brake_A = hold_current_A(g, l, snap);
}

/* The heat of a stop counts as any other. Unknown only where neither slip nor temperature is known. */
static enum guard_release heat_allows(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double slip_W = fabs(shaft_power_W(snap->torque_Nm, snap->speed_rpm)), hot_degC = snap->temp_degC[TEMP_BRAKE];
	bool slip_known = has_data(l, snap) && isfinite(slip_W) &&
			  snap->channel[CHANNEL_CELL].quality != QUALITY_SATURATED && !g->pick_doubted;
	const struct channel *hot = &snap->channel[CHANNEL_TEMP + (int)TEMP_BRAKE];
	bool young = hot->age_s <= l->stale_s[CHANNEL_TEMP + (int)TEMP_BRAKE];
	bool temp_known = has_data(l, snap) && watch_slow_fresh(l, snap) && young && isfinite(hot_degC);
	bool stored = l->slip_energy_J > 0 && isfinite(l->slip_energy_J);

	if (temp_known && !(hot_degC <= l->brake_hot_degC))
		return GUARD_HEAT;
	if (slip_known && !(stored ? g->energy_J <= l->slip_energy_J : slip_W <= l->slip_power_W))
		return GUARD_HEAT;
	return slip_known || temp_known ? GUARD_HOLDS : GUARD_HEAT_UNKNOWN;
}

/* GUARD_HOLDS while the brake stays on. Beyond stop_hold_s it stays on only against a shaft that turns or may be
 * driven. */
static enum guard_release release_now(struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double held_s = mono_diff_s(snap->now, g->cause_at);
	bool stands = lasts(&g->standing, &g->stand_at, is_standing(g, l, snap), snap->now) && is_quiet(g, l, snap);

	g->missing = missing_now(g, l, snap, stands);
	bool open = !(missing_now(g, l, snap, true) & ~(unsigned)GUARD_TURNS);
	bool in_order = lasts(&g->clear, &g->clear_at, open && g->standing, snap->now);
	if (!g->energised || (stands && in_order))
		return GUARD_IN_ORDER;
	if (held_s < longest_hold_s(l))
		return GUARD_HOLDS;
	if (g->loaded && !g->missing)
		return GUARD_IN_ORDER;
	if (snap->node_state == NODE_SAFE && !l->expect_brake) /* a coil of its own does not follow the node */
		return GUARD_NODE;
	if (!(g->missing & (GUARD_TURNS | GUARD_DRIVE)))
		return GUARD_TIME;
	return held_s < GUARD_HOLD_MOST_S ? heat_allows(g, l, snap) : GUARD_TOO_LONG;
}

/* A drive that says the same for ever, or that its rotor stands while the shaft turns, is no witness. Nor is one that
 * turns the other way; where the gear ratio is not known, neither is the gear's sense. */
static bool rotor_agrees(const struct guard_limits *l, const struct snapshot *snap)
{
	if (!(l->gear_ratio > 0))
		return fabs(snap->drive_rotor_rpm) >= l->standstill_rpm;
	return watch_rotor_differs_frac(l, snap) <= AGREES_FRAC;
}

static void note_rotor(struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double speed_rpm = fabs(snap->speed_rpm);

	if (snap->channel[CHANNEL_DRIVE].fresh == g->drive_fresh)
		return;
	g->rotor_same = snap->drive_rotor_rpm <= g->rotor_rpm && snap->drive_rotor_rpm >= g->rotor_rpm;
	g->rotor_rpm = snap->drive_rotor_rpm;
	g->drive_fresh = snap->channel[CHANNEL_DRIVE].fresh;
	g->rotor_anew = g->phase != GUARD_RUN;
	if (g->phase == GUARD_RUN && speed_rpm > SLOW_TIMES * l->standstill_rpm)
		g->rotor_true = rotor_agrees(l, snap);
}

/* Whatever the phase: when pulses came, how fast. Those that go to and fro are pulses, and so are those of a speed that
 * nobody knows. */
static void note_turning(struct guard *g, const struct snapshot *snap, double dt_s)
{
	bool came = snap->pulses != g->pulses || snap->edge_time_s > g->edge_time_s;

	if (came)
		g->turned_at = snap->now;
	if (came && isfinite(snap->edge_rpm))
		g->turned_rpm = fabs(snap->edge_rpm);
	g->lately_rpm *= fmax(0, 1 - dt_s / LATELY_S);
	if (came)
		g->lately_rpm = fmax(g->lately_rpm, g->turned_rpm);
	g->pulses = snap->pulses;
	g->edge_time_s = snap->edge_time_s;
}

/* The newest command to close is not answered yet by what was seen before it. */
static void note_contact(struct guard *g, const struct snapshot *snap, bool power)
{
	if (power && !g->last.power)
		g->seen_closed = false;
	else if (is_told(snap, CHANNEL_CONTACTOR) && snap->contactor_closed)
		g->seen_closed = true;
}

/* Steps. */

/* After a reset the brake has cooled over the time that passed; the other watches begin anew. */
static void cool_down(struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double rest_s = mono_diff_s(snap->now, g->last_now);

	if (!g->started && g->energy_J > 0 && rest_s > 0)
		g->energy_J = fmax(0, g->energy_J - l->slip_power_W * rest_s);
}

static double step_time_s(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double dt_s = g->started ? mono_diff_s(snap->now, g->last_now) : l->tick_s;

	return dt_s > 0 ? dt_s : 0;
}

static struct look look_at(struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
			   const struct wish *want)
{
	struct look look = { .limits = l, .snap = snap, .dt_s = step_time_s(g, l, snap) };
	bool wants = is_energising(want), loads = is_loading(want);
	bool power_ready = watch_power_ready(l, snap), load_ready = watch_load_ready(l, snap);
	bool blocked = (wants && !g->energised && !power_ready) || (loads && !g->loaded && !load_ready);

	g->run_s += look.dt_s;
	g->blocked_s = blocked ? g->blocked_s + look.dt_s : 0;
	bool overdue = g->blocked_s > READY_S;
	look.live = wants || g->energised;
	look.armed = g->energised || (wants && (power_ready || overdue));
	look.loaded = g->loaded || (loads && (load_ready || overdue));
	look.driven = g->last.mode != DRIVE_OFF;
	return look;
}

static struct wish allow(const struct guard *g, const struct look *look, const struct wish *want)
{
	struct wish off = { 0 };

	if (!look->armed || look->limits->at_rest)
		return off;
	if (!look->loaded) {
		off.power = want->power;
		return off;
	}
	return clamp_wish(g, look->limits, look->snap, want);
}

static void step_run(struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
		     const struct wish *want, struct guard_verdict *ret)
{
	struct look look = look_at(g, l, snap, want);
	struct finding f = watch_all(g, &look);

	if (f.cause != CAUSE_NONE) {
		begin_stop(g, l, snap, &f);
		ret->newly = true;
		return;
	}
	if (look.armed && watch_node_is_safe(snap)) {
		/* It has stopped already and is about to say why: do as in a stop. */
		ret->allowed.brake_A = hold_current_A(g, l, snap);
		return;
	}
	ret->allowed = allow(g, &look, want);
	g->energised |= is_energising(&ret->allowed);
	g->loaded |= is_loading(&ret->allowed);
	g->drove |= ret->allowed.mode != DRIVE_OFF;
}

static void step_stop(struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
		      struct guard_verdict *ret)
{
	if (!ret->newly)
		g->energy_J = guard_heat_J(g->energy_J, snap->torque_Nm, snap->speed_rpm, step_time_s(g, l, snap),
					   l->slip_power_W);
	if (g->phase == GUARD_STOP_HOLD)
		g->release = release_now(g, l, snap);
	if (g->release != GUARD_HOLDS)
		g->phase = GUARD_STOPPED;
	if (g->phase == GUARD_STOP_HOLD)
		ret->allowed.brake_A = g->held_brake_A;
	else
		g->held_brake_A = 0;
	ret->missing = g->missing;
	ret->energised = g->energised;
	ret->sensed = senses_contactor(l);
	ret->release = g->release;
	ret->held_brake_A = g->held_brake_A;
	ret->held_s = mono_diff_s(snap->now, g->cause_at);
	ret->holds_on = g->phase == GUARD_STOP_HOLD && ret->held_s >= longest_hold_s(l);
}

struct guard guard_step(struct guard g, const struct guard_limits *limits, const struct snapshot *snap,
			const struct wish *want, struct guard_verdict *ret)
{
	*ret = (struct guard_verdict){ 0 }; /* everything off unless shown otherwise */

	cool_down(&g, limits, snap);
	note_turning(&g, snap, step_time_s(&g, limits, snap));
	note_rotor(&g, limits, snap);
	if (g.phase == GUARD_RUN)
		step_run(&g, limits, snap, want, ret);
	if (g.phase != GUARD_RUN)
		step_stop(&g, limits, snap, ret);
	modes_note(&g, snap, &ret->allowed);
	note_contact(&g, snap, ret->allowed.power);
	g.last = ret->allowed;
	g.last_now = snap->now;
	g.started = true;

	ret->cause = g.cause;
	ret->clamped = modes_was_cut(want, &ret->allowed);
	ret->stopped = g.phase == GUARD_STOPPED;
	ret->value = g.phase == GUARD_RUN ? NAN : g.found;
	ret->limit = g.phase == GUARD_RUN ? NAN : g.allowed_value;
	ret->channel = g.phase == GUARD_RUN ? -1 : g.channel;
	return g;
}

double guard_heat_J(double energy_J, double torque_Nm, double speed_rpm, double dt_s, double slip_power_W)
{
	double slip_W = fabs(shaft_power_W(torque_Nm, speed_rpm));

	if (isnan(slip_W))
		slip_W = 0; /* where torque and speed are expected, their own watches stop the run */
	return fmax(0, energy_J + slip_W * fmin(dt_s, 1) - slip_power_W * dt_s);
}

struct guard guard_warm(double energy_J, struct mono at)
{
	return (struct guard){ .energy_J = energy_J, .last_now = at };
}
