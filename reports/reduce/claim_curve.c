/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/claim_curve.h"

#include "calib/fit/monotone.h"
#include "calib/number/units.h"
#include "channel/event.h"

#include <math.h>

/* Common practice, no source, all of them. */
#define MODEL_FRAC 0.1      /* of a correction for voltage */
#define SPREAD_MORE 0.25    /* of what the ways to go between points disagree by, on either side */
#define CHORD_FRAC 0.05     /* of the step, at mid-chord, where there are two free points only */
#define CARRIED_FRAC 0.3    /* of the distance that a line through two free points is carried */
#define CARRIED_STEPS 1.5   /* no line is carried further, in steps */
#define STEEP 10.0          /* a natural curve loses torque at most this many times faster than constant power */
#define AT_SPEED_FRAC 0.005 /* of a speed: the point ran at it */
#define GRID 200

/* Claims are read forward, at the highest speed that was commanded: what slower speeds were held at bounds nothing. */
static double judged_rpm(const struct curve *c)
{
	double top_rpm = NAN;

	for (size_t i = 0; i < c->n; i++)
		top_rpm = fmax(top_rpm, c->points[i].setpoint_rpm);
	return top_rpm;
}

static bool at_judged_speed(const struct curve_point *p, double judged)
{
	return isnan(judged) || (judged > 0 && fabs(p->setpoint_rpm - judged) < 1e-6);
}

static bool counts(const struct curve_point *p, bool falling)
{
	return (p->direction < 0) == falling && p->settled && !(p->flags & POINT_REPEAT) && !p->impossible &&
	       !p->outlier && isfinite(p->torque_Nm.value) && isfinite(p->speed_rpm.value);
}

static double lean(const struct place *a, const struct place *b)
{
	return (a->p->speed_rpm.value - b->p->speed_rpm.value) / (b->p->torque_Nm.value - a->p->torque_Nm.value);
}

/* Speed without load by the two lightest free points, as measured. */
static double no_load_of(const struct claim_branch *b)
{
	const struct place *first = NULL;

	for (size_t i = 0; i < b->n; i++) {
		if (!b->at[i].free)
			continue;
		if (first)
			return first->p->speed_rpm.value + fmax(lean(first, &b->at[i]), 0) * first->p->torque_Nm.value;
		first = &b->at[i];
	}
	return first ? first->p->speed_rpm.value : NAN;
}

static void to_voltage(struct claim_branch *b, double volt, uint32_t model)
{
	for (size_t i = 0; i < b->n; i++) {
		struct place *at = &b->at[i];
		const struct unc V = at->p->voltage_V;
		double n0 = isfinite(b->no_load_rpm) ? b->no_load_rpm : 1.25 * fabs(at->p->speed_rpm.value);
		if (!(volt > 0) || !(V.value > 0))
			continue;
		struct unc off = unc_apply(b->ctx, V, volt / V.value - 1, -volt / (V.value * V.value));
		b->worst_off_frac = fmax(b->worst_off_frac, fabs(V.value / volt - 1));
		if (!at->free && off.value > 2 * unc_u(off))
			continue;
		if (!at->free && off.value > 0)
			off.value = 0;
		struct unc change = unc_scale(b->ctx, off, n0);
		change = unc_with(b->ctx, change, model, MODEL_FRAC * change.value / sqrt(3));
		at->speed_rpm = unc_add(b->ctx, at->speed_rpm, change);
	}
}

void claim_branch_of(const struct curve *curve, bool falling, double volt, struct claim_branch *ret)
{
	double judged = judged_rpm(curve);

	*ret = (struct claim_branch){ .ctx = curve->ctx };
	for (size_t i = 0; i < curve->n && ret->n < PLACES_MAX; i++) {
		const struct curve_point *p = &curve->points[i];
		if (!counts(p, falling) || !at_judged_speed(p, judged))
			continue;
		size_t at = ret->n++;
		for (; at > 0 && ret->at[at - 1].p->torque_Nm.value > p->torque_Nm.value; at--)
			ret->at[at] = ret->at[at - 1];
		ret->at[at] = (struct place){ .p = p, .speed_rpm = p->speed_rpm, .free = p->free_running };
	}
	ret->no_load_rpm = no_load_of(ret);
	to_voltage(ret, volt, unc_source(ret->ctx, "model of the speed with voltage", DIST_RECT, INFINITY));
}

static struct unc with_scatter(struct unc_ctx *ctx, struct unc x, double scatter)
{
	return scatter > 0 ? unc_with(ctx, x, unc_source(ctx, "another window", DIST_NORMAL, INFINITY), scatter) : x;
}

/* --- between points --- */
struct band {
	double value, low, high;
};

static void widen(struct band *b, double y)
{
	b->low = fmin(b->low, y);
	b->high = fmax(b->high, y);
}

static double parabola(const double *x, const double *y, double at)
{
	double a = (at - x[1]) * (at - x[2]) / ((x[0] - x[1]) * (x[0] - x[2]));
	double b = (at - x[0]) * (at - x[2]) / ((x[1] - x[0]) * (x[1] - x[2]));
	double c = (at - x[0]) * (at - x[1]) / ((x[2] - x[0]) * (x[2] - x[1]));

	return a * y[0] + b * y[1] + c * y[2];
}

/* Between x[i] and x[i + 1]; x rises. */
static struct band between(const double *x, const double *y, size_t n, size_t i, double at)
{
	double slope[PLACES_MAX], share = (at - x[i]) / (x[i + 1] - x[i]), chord = y[i] + share * (y[i + 1] - y[i]);
	struct band b = { chord, chord, chord };

	if (n < 3) {
		double bend = CHORD_FRAC * fabs(y[i + 1] - y[i]) * 4 * share * (1 - share);
		return (struct band){ chord, chord - bend, chord + bend };
	}
	monotone_slopes(x, y, n, slope);
	b.value = monotone_value(x, y, slope, n, at);
	widen(&b, b.value);
	if (i > 0)
		widen(&b, parabola(x + i - 1, y + i - 1, at));
	if (i + 2 < n)
		widen(&b, parabola(x + i, y + i, at));
	double more = SPREAD_MORE * (b.high - b.low);
	b.low -= more;
	b.high += more;
	return b;
}

/* Before x[0], by the line through the first two and the parabola through three. */
static struct band carried(const double *x, const double *y, size_t n, double at)
{
	double line = y[0] + (at - x[0]) * (y[1] - y[0]) / (x[1] - x[0]), far = fabs(line - y[0]);
	struct band b = { line, line, line };

	if (n < 3)
		return (struct band){ line, line - CARRIED_FRAC * far, line + CARRIED_FRAC * far };
	double curved = parabola(x, y, at);
	b.value = (line + curved) / 2;
	widen(&b, curved);
	double more = SPREAD_MORE * (b.high - b.low) + CARRIED_FRAC / 3 * far;
	b.low -= more;
	b.high += more;
	return b;
}

/* Torque where the chord through two places passes a speed, with the uncertainty of its ends. */
static struct unc chord_at(struct unc_ctx *ctx, const struct place *a, const struct place *b, double rpm)
{
	struct unc from = unc_sub(ctx, a->speed_rpm, unc_exact(rpm)), over = unc_sub(ctx, a->speed_rpm, b->speed_rpm);
	struct unc share = unc_div(ctx, from, over);

	return unc_add(ctx, a->p->torque_Nm, unc_mul(ctx, share, unc_sub(ctx, b->p->torque_Nm, a->p->torque_Nm)));
}

/* Free places from first on, as torque against falling speed. They end at the first that is not slower than the one
 * before. */
static size_t free_run(const struct claim_branch *b, size_t first, const struct place **ret)
{
	size_t n = 0;

	for (size_t i = first; i < b->n && b->at[i].free; i++) {
		if (n > 0 && !(b->at[i].speed_rpm.value < ret[n - 1]->speed_rpm.value))
			break;
		ret[n++] = &b->at[i];
	}
	return n;
}

static void set_band(struct answer *a, struct unc chord, struct band band)
{
	a->known = KNOWN_VALUE;
	a->value = chord;
	a->value.value = band.value;
	a->below = fmax(band.value - band.low, 0);
	a->above = fmax(band.high - band.value, 0);
}

static struct answer nothing(void)
{
	return (struct answer){
		.known = KNOWN_NOTHING, .value = { .value = NAN }, .add_from_Nm = NAN, .add_to_Nm = NAN
	};
}

/* --- torque at a speed --- */
/* How fast the curve loses torque there at most: its own slope where it is known. */
static double steepness(const struct claim_branch *b, const struct place *at)
{
	const struct place *run[PLACES_MAX];

	for (size_t i = 0; i + 1 < b->n; i++)
		if (b->at[i].free && free_run(b, i, run) > 1)
			return 1.5 / lean(run[0], run[1]);
	return STEEP * at->p->torque_Nm.value / fmax(at->p->speed_rpm.value, 1e-9);
}

static bool reaches(const struct place *at, double rpm)
{
	return at->speed_rpm.value >= rpm || (!at->free && at->speed_rpm.value + 2 * unc_u(at->speed_rpm) >= rpm &&
					      at->speed_rpm.value >= (1 - AT_SPEED_FRAC) * rpm);
}

/* What a point that is not free proves at a speed: its torque, and where it ran hardly faster, that much less. */
static struct unc proven_torque(const struct claim_branch *b, const struct place *at, double rpm)
{
	struct unc ahead = unc_sub(b->ctx, at->speed_rpm, unc_exact(rpm)), torque = at->p->torque_Nm;

	if (ahead.value < 2 * unc_u(ahead)) {
		ahead.value = fmin(ahead.value, 0);
		torque = unc_add(b->ctx, torque, unc_scale(b->ctx, ahead, steepness(b, at)));
	}
	return with_scatter(b->ctx, torque, at->p->scatter_Nm);
}

/* Place j, free, is slower than the speed, the one before it is faster (and may be missing or not free). */
static struct answer torque_along(const struct claim_branch *b, size_t j, double rpm)
{
	const struct place *run[PLACES_MAX];
	double x[PLACES_MAX], y[PLACES_MAX];
	bool inside = j > 0 && b->at[j - 1].free;
	size_t first = j;
	struct answer a = { .at = b->at[j].p,
			    .add_from_Nm = j > 0 ? b->at[j - 1].p->torque_Nm.value : 0,
			    .add_to_Nm = b->at[j].p->torque_Nm.value };

	while (inside && first > 0 && b->at[first - 1].free &&
	       b->at[first - 1].speed_rpm.value > b->at[first].speed_rpm.value)
		first--;
	size_t n = free_run(b, first, run);
	/* by torque against how far the speed has fallen, which rises */
	for (size_t i = 0; i < n; i++) {
		x[i] = -run[i]->speed_rpm.value;
		y[i] = run[i]->p->torque_Nm.value;
	}
	double from_Nm = a.add_from_Nm, to_Nm = a.add_to_Nm;
	if (inside && first < j) {
		size_t i = j - first - 1;
		set_band(&a, chord_at(b->ctx, run[i], run[i + 1], rpm), between(x, y, n, i, -rpm));
	} else {
		struct band band = { (from_Nm + to_Nm) / 2, from_Nm, to_Nm };
		struct unc chord = b->at[j].p->torque_Nm;
		if (n > 1) {
			struct band line = carried(x, y, n, -rpm);
			bool near = fabs(line.value - y[0]) <= CARRIED_STEPS * (y[1] - y[0]);
			double low = j > 0 ? fmax(line.low, from_Nm) : line.low, high = fmin(line.high, to_Nm);
			if (near && low < high) {
				band = (struct band){ fmin(fmax(line.value, low), high), low, high };
				chord = chord_at(b->ctx, run[0], run[1], rpm);
			}
		}
		set_band(&a, chord, band);
	}
	a.value = with_scatter(b->ctx, a.value, b->at[j].p->scatter_Nm);
	return a;
}

struct answer claim_torque_at(const struct claim_branch *b, double rpm)
{
	size_t j = 0;
	struct answer a = nothing();

	while (j < b->n && reaches(&b->at[j], rpm))
		j++;
	if (j < b->n && b->at[j].free)
		return torque_along(b, j, rpm);
	if (j == 0)
		return a;
	a.known = KNOWN_LEAST;
	a.at = b->at[j - 1].p;
	a.value = proven_torque(b, &b->at[j - 1], rpm);
	a.above = INFINITY;
	a.lost = j < b->n ? b->at[j].p : NULL;
	a.add_from_Nm = a.at->torque_Nm.value;
	return a;
}

struct answer claim_most_torque(const struct claim_branch *b)
{
	struct answer a = nothing();

	if (b->n == 0)
		return a;
	a.known = KNOWN_LEAST;
	a.at = b->at[b->n - 1].p;
	a.value = with_scatter(b->ctx, a.at->torque_Nm, a.at->scatter_Nm);
	a.above = INFINITY;
	a.add_from_Nm = a.at->torque_Nm.value;
	return a;
}

/* --- speed without load --- */
static struct unc line_to_zero(struct unc_ctx *ctx, const struct place *a, const struct place *b)
{
	struct unc over = unc_sub(ctx, b->p->torque_Nm, a->p->torque_Nm);
	struct unc slope = unc_div(ctx, unc_sub(ctx, a->speed_rpm, b->speed_rpm), over);

	return unc_add(ctx, a->speed_rpm, unc_mul(ctx, slope, a->p->torque_Nm));
}

struct answer claim_no_load(const struct claim_branch *b)
{
	const struct place *run[PLACES_MAX];
	double x[3], y[3];
	struct answer a = nothing();

	if (b->n == 0)
		return a;
	a.at = b->at[0].p;
	size_t n = b->at[0].free ? free_run(b, 0, run) : 0;
	bool near = n > 1 && run[0]->p->torque_Nm.value <=
				     CARRIED_STEPS * (run[1]->p->torque_Nm.value - run[0]->p->torque_Nm.value);
	if (!near) {
		a.known = KNOWN_LEAST;
		a.value = b->at[0].speed_rpm;
		a.above = INFINITY;
		a.add_from_Nm = 0;
		a.add_to_Nm = a.at->torque_Nm.value;
		return a;
	}
	for (size_t i = 0; i < 3 && i < n; i++) {
		x[i] = run[i]->p->torque_Nm.value;
		y[i] = run[i]->speed_rpm.value;
	}
	set_band(&a, line_to_zero(b->ctx, run[0], run[1]), carried(x, y, n < 3 ? n : 3, 0));
	return a;
}

/* --- peaks --- */
/* Torque against speed and input power are smooth where efficiency is skew: so these are carried between the points,
 * and the peak is looked for in what they make. */
struct shape {
	size_t n;
	double torque[PLACES_MAX], speed[PLACES_MAX], input[PLACES_MAX];
	bool efficiency;
};

static double made_of(const struct shape *s, size_t first, double at)
{
	double out = at * rad_per_s_from_rpm(parabola(s->torque + first, s->speed + first, at));

	return s->efficiency ? out / parabola(s->torque + first, s->input + first, at) : out;
}

static double top_of(const struct shape *s, size_t first, double from, double to)
{
	double top = -INFINITY;

	for (int i = 0; i <= GRID; i++)
		top = fmax(top, made_of(s, first, from + (to - from) * i / GRID));
	return top;
}

static struct unc quantity(const struct claim_branch *b, const struct place *at, bool efficiency)
{
	if (efficiency)
		return at->p->efficiency_valid ? at->p->efficiency : (struct unc){ .value = -INFINITY };
	return unc_scale(b->ctx, unc_mul(b->ctx, at->p->torque_Nm, at->speed_rpm), rad_per_s_from_rpm(1));
}

static bool surely_lower(const struct claim_branch *b, const struct place *at, const struct place *best,
			 bool efficiency)
{
	struct unc y = quantity(b, at, efficiency);

	if (!isfinite(y.value))
		return true; /* a power lost in its uncertainty is far from a peak */
	struct unc less = unc_sub(b->ctx, quantity(b, best, efficiency), y);
	return less.value > 2 * unc_u(less);
}

/* The peak between place j and k (best between them), through the three points about it and the triples beside those.
 */
static void peak_band(const struct claim_branch *b, const size_t *of, size_t n, size_t best, bool efficiency,
		      struct answer *a)
{
	struct shape s = { .efficiency = efficiency };
	size_t centre = 0;

	for (size_t i = 0; i < n; i++) {
		const struct place *at = &b->at[of[i]];
		centre = of[i] == best ? s.n : centre;
		s.torque[s.n] = at->p->torque_Nm.value;
		s.speed[s.n] = at->speed_rpm.value;
		s.input[s.n++] = at->p->input_power_W.value;
	}
	double from = s.torque[centre - 1], to = s.torque[centre + 1], floor = a->value.value;
	double middle = top_of(&s, centre - 1, from, to);
	struct band band = { fmax(middle, floor), floor, fmax(middle, floor) };
	if (centre > 1)
		widen(&band, top_of(&s, centre - 2, from, s.torque[centre]));
	if (centre + 2 < s.n)
		widen(&band, top_of(&s, centre, s.torque[centre], to));
	band.high += 2 * SPREAD_MORE * (band.high - floor);
	set_band(a, a->value, (struct band){ band.value, floor, band.high });
}

/* Every place of which takes part: free ones, or those at a speed. */
static struct answer peak_among(const struct claim_branch *b, const bool *part, bool efficiency)
{
	size_t of[PLACES_MAX], n = 0, best = 0, best_at = 0;
	double top = -INFINITY;
	struct answer a = nothing();

	for (size_t i = 0; i < b->n; i++) {
		if (!part[i])
			continue;
		double y = quantity(b, &b->at[i], efficiency).value;
		if (y > top) {
			top = y;
			best = i;
			best_at = n;
		}
		of[n++] = i;
	}
	if (!isfinite(top))
		return a;
	a.known = KNOWN_LEAST;
	a.at = b->at[best].p;
	a.value = quantity(b, &b->at[best], efficiency);
	a.above = INFINITY;
	a.add_from_Nm = best_at > 0 ? b->at[of[best_at - 1]].p->torque_Nm.value : 0;
	a.add_to_Nm = best_at + 1 < n ? b->at[of[best_at + 1]].p->torque_Nm.value : NAN;
	bool light = false, heavy = false;
	for (size_t i = 0; i < n; i++) {
		light |= i < best_at && surely_lower(b, &b->at[of[i]], &b->at[best], efficiency);
		heavy |= i > best_at && surely_lower(b, &b->at[of[i]], &b->at[best], efficiency);
	}
	/* Left out on the way would be a kink. */
	for (size_t i = 0; i + 1 < n; i++)
		heavy &= of[i + 1] == of[i] + 1;
	if (light && heavy)
		peak_band(b, of, n, best, efficiency, &a);
	return a;
}

/* More volts make speed: less copper and more friction for the same torque. No more than the loss itself can change by
 * it. */
static void efficiency_with_voltage(const struct claim_branch *b, struct answer *a)
{
	double less = (1 - a->value.value) * b->worst_off_frac;

	a->below += less;
	a->above += less;
}

/* What is held at a speed is there at any voltage that carries it. */
static bool ran_at(const struct place *at, double rpm)
{
	double speed = at->free ? at->speed_rpm.value : at->p->speed_rpm.value;

	return speed >= (1 - AT_SPEED_FRAC) * rpm && speed <= (1 + AT_SPEED_FRAC) * rpm;
}

struct answer claim_peak_efficiency(const struct claim_branch *b, double at_rpm)
{
	bool part[PLACES_MAX];
	size_t n = 0;
	struct answer a = nothing();

	for (size_t i = 0; i < b->n; i++)
		n += part[i] = isfinite(at_rpm) ? ran_at(&b->at[i], at_rpm) : b->at[i].free;
	if (n > 0)
		a = peak_among(b, part, true);
	if (a.known != KNOWN_VALUE && !isfinite(at_rpm)) {
		for (size_t i = 0; i < b->n; i++)
			part[i] = true;
		a = peak_among(b, part, true);
		if (a.known == KNOWN_VALUE) { /* at the speed of the plan; another may do better */
			a.value.value -= a.below;
			a.known = KNOWN_LEAST;
			a.below = 0;
			a.above = INFINITY;
		}
	}
	if (a.known != KNOWN_NOTHING)
		efficiency_with_voltage(b, &a);
	return a;
}

struct answer claim_peak_power(const struct claim_branch *b)
{
	bool part[PLACES_MAX];
	struct answer a = nothing(), least;

	for (size_t i = 0; i < b->n; i++)
		part[i] = b->at[i].free;
	a = peak_among(b, part, false);
	for (size_t i = 0; i < b->n; i++)
		part[i] = true;
	least = peak_among(b, part, false);
	if (a.known != KNOWN_VALUE && least.known != KNOWN_NOTHING) {
		a = least;
		if (a.known == KNOWN_VALUE) {
			a.value.value -= a.below;
			a.known = KNOWN_LEAST;
			a.below = 0;
			a.above = INFINITY;
		}
	}
	if (a.known != KNOWN_NOTHING)
		a.value = with_scatter(b->ctx, a.value, a.at->scatter_Nm * rad_per_s_from_rpm(a.at->speed_rpm.value));
	return a;
}

struct answer claim_join(struct answer rising, struct answer falling)
{
	if (falling.known == KNOWN_NOTHING || (rising.known == KNOWN_VALUE && falling.known == KNOWN_LEAST))
		return rising;
	if (rising.known == KNOWN_NOTHING || (falling.known == KNOWN_VALUE && rising.known == KNOWN_LEAST))
		return falling;
	if (rising.known == KNOWN_LEAST)
		return rising.value.value >= falling.value.value ? rising : falling;
	double low = fmin(rising.value.value - rising.below, falling.value.value - falling.below);
	double high = fmax(rising.value.value + rising.above, falling.value.value + falling.above);
	rising.below = rising.value.value - low;
	rising.above = high - rising.value.value;
	return rising;
}
