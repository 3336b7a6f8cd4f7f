/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Uncertain numbers by source: a value and a sparse list of signed standard
 * uncertainties, one for each independent source. Equal sources add with sign,
 * so what two numbers share cancels in their ratio and never averages away,
 * while what each has alone does average. JCGM 100:2008, 5.1 and 5.2: with
 * contributions c_i u(x_i) by independent source, u(y)^2 = sum (c_i u_i)^2 and
 * cov(y, z) = sum c_yi u_i c_zi u_i.
 *
 * Numbers are immutable and live in the context that made them. A context is
 * not shared between threads. Memory failure is sticky: the result is NaN and
 * unc_failed() says so; check once at the end. */
#ifndef BRIDLE_CALIB_NUMBER_UNCERTAIN_H
#define BRIDLE_CALIB_NUMBER_UNCERTAIN_H

#include "calib/number/err.h"
#include "calib/number/quantity.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct unc_ctx;

struct unc_part {
	uint32_t source; /* index into the context's sources; parts are sorted by it */
	double u;        /* signed: sensitivity times standard uncertainty, in the number's unit */
};

struct unc {
	double value;
	const struct unc_part *part; /* borrowed from the context */
	size_t n;
};

struct unc_ctx *unc_ctx_new(void);      /* NULL when out of memory */
void unc_ctx_free(struct unc_ctx *ctx); /* NULL is fine; all numbers of it end */
bool unc_failed(const struct unc_ctx *ctx);

/* A new independent source. name is copied (63 bytes kept). dof INFINITY when well known. */
uint32_t unc_source(struct unc_ctx *ctx, const char *name, enum dist dist, double dof);
/* The same with the u of another source's estimate of variance (two coefficients of one fit): still independent, but
 * they share their degrees of freedom, so unc_dof counts them as one. */
uint32_t unc_source_pooled(struct unc_ctx *ctx, const char *name, enum dist dist, uint32_t with);
size_t unc_source_count(const struct unc_ctx *ctx);
const char *unc_source_name(const struct unc_ctx *ctx, uint32_t source);
double unc_source_dof(const struct unc_ctx *ctx, uint32_t source);
enum dist unc_source_dist(const struct unc_ctx *ctx, uint32_t source);

struct unc unc_exact(double value);
/* value with standard uncertainty u from that source (u may be signed). */
struct unc unc_from(struct unc_ctx *ctx, double value, uint32_t source, double u);
/* A fresh source of that name for a quantity as written; exact when q.u is 0. */
struct unc unc_of_quantity(struct unc_ctx *ctx, const char *name, struct quantity q);

struct unc unc_add(struct unc_ctx *ctx, struct unc a, struct unc b);
struct unc unc_sub(struct unc_ctx *ctx, struct unc a, struct unc b);
struct unc unc_mul(struct unc_ctx *ctx, struct unc a, struct unc b);
struct unc unc_div(struct unc_ctx *ctx, struct unc a, struct unc b);
struct unc unc_scale(struct unc_ctx *ctx, struct unc a, double factor);
/* f(a) given f's value and derivative at a.value. */
struct unc unc_apply(struct unc_ctx *ctx, struct unc a, double value, double derivative);
/* value + sum derivative[i] * (parts of x[i]): any function of n numbers. */
struct unc unc_combine(struct unc_ctx *ctx, double value, const struct unc *x, const double *derivative, size_t n);
/* a with one more part of the given source. */
struct unc unc_with(struct unc_ctx *ctx, struct unc a, uint32_t source, double u);

double unc_u(struct unc a);                        /* combined standard uncertainty */
double unc_part_of(struct unc a, uint32_t source); /* 0 when absent */
/* Welch-Satterthwaite, JCGM 100:2008 G.2b; INFINITY when every part is well known. */
double unc_dof(const struct unc_ctx *ctx, struct unc a);

/* Budget: the parts of a number, the largest first. share = (part/u)^2, the shares add to 1. */
struct unc_budget_row {
	uint32_t source;
	double u; /* signed, in the number's unit */
	double share;
};
/* Fills at most size rows and returns how many; 0 for an exact number or when out of memory. */
size_t unc_budget(struct unc a, struct unc_budget_row *ret_rows, size_t size);

/* Two-sided coverage factor from Student's t; dof may be fractional or INFINITY.
 * NaN for coverage outside (0, 1) or dof < 1. */
double unc_coverage_factor(double dof, double coverage);

#endif
