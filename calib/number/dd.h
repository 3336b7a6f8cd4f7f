/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Double-double arithmetic: a number as the unevaluated sum of two doubles, some
 * 31 decimal digits, so that a fit loses nothing but the last bit of its answer.
 * Dekker, Numer. Math. 18 (1971) 224; Knuth, TAOCP 2, 4.2.2. Needs -ffp-contract=off
 * and no -ffast-math. Magnitudes must stay below 1e290 (Dekker's split). */
#ifndef BRIDLE_CALIB_NUMBER_DD_H
#define BRIDLE_CALIB_NUMBER_DD_H

#include <math.h>
#include <stdbool.h>

struct dd {
	double hi, lo;
};

static inline struct dd dd_of(double a)
{
	return (struct dd){ a, 0 };
}
static inline double dd_to(struct dd a)
{
	return a.hi + a.lo;
}
static inline struct dd dd_neg(struct dd a)
{
	return (struct dd){ -a.hi, -a.lo };
}
static inline bool dd_is_zero(struct dd a)
{
	return !(fabs(a.hi) > 0);
}

/* Exact for |a| >= |b|. */
static inline struct dd dd_quick_sum(double a, double b)
{
	double s = a + b;

	return (struct dd){ s, b - (s - a) };
}

static inline struct dd dd_two_sum(double a, double b)
{
	double s = a + b, bb = s - a;

	return (struct dd){ s, (a - (s - bb)) + (b - bb) };
}

static inline struct dd dd_two_product(double a, double b)
{
	const double split = 134217729.0; /* 2^27 + 1 */
	double p = a * b;
	double ta = split * a, ah = ta - (ta - a), al = a - ah;
	double tb = split * b, bh = tb - (tb - b), bl = b - bh;

	return (struct dd){ p, ((ah * bh - p) + ah * bl + al * bh) + al * bl };
}

static inline struct dd dd_add(struct dd a, struct dd b)
{
	struct dd s = dd_two_sum(a.hi, b.hi), t = dd_two_sum(a.lo, b.lo);

	s = dd_quick_sum(s.hi, s.lo + t.hi);
	return dd_quick_sum(s.hi, s.lo + t.lo);
}

static inline struct dd dd_sub(struct dd a, struct dd b)
{
	return dd_add(a, dd_neg(b));
}

static inline struct dd dd_mul(struct dd a, struct dd b)
{
	struct dd p = dd_two_product(a.hi, b.hi);

	return dd_quick_sum(p.hi, p.lo + (a.hi * b.lo + a.lo * b.hi));
}

static inline struct dd dd_div(struct dd a, struct dd b)
{
	double q1 = a.hi / b.hi;
	struct dd r = dd_sub(a, dd_mul(b, dd_of(q1)));
	double q2 = r.hi / b.hi;

	r = dd_sub(r, dd_mul(b, dd_of(q2)));
	return dd_add(dd_quick_sum(q1, q2), dd_of(r.hi / b.hi));
}

/* 0 for anything not positive. */
static inline struct dd dd_sqrt(struct dd a)
{
	if (!(a.hi > 0))
		return dd_of(0);

	double x = sqrt(a.hi);
	struct dd rest = dd_sub(a, dd_two_product(x, x));

	return dd_quick_sum(x, rest.hi / (2 * x));
}

#endif
