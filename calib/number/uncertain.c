/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/uncertain.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BLOCK_PARTS 4096

struct source {
	char name[64];
	enum dist dist;
	double dof;
	uint32_t pool; /* the first source of the same estimate of variance; itself mostly */
};

/* Parts of all numbers of a context: given out once, freed together. */
struct block {
	struct block *next;
	size_t used, size;
	struct unc_part part[];
};

struct unc_ctx {
	struct source *source;
	size_t n, capacity;
	struct block *block;
	/* Scratch of unc_combine, indexed by source. */
	double *sum;
	bool *touched;
	uint32_t *list;
	size_t scratch;
	bool failed;
};

struct unc_ctx *unc_ctx_new(void)
{
	return calloc(1, sizeof(struct unc_ctx));
}

void unc_ctx_free(struct unc_ctx *ctx)
{
	if (!ctx)
		return;
	for (struct block *b = ctx->block, *next; b; b = next) {
		next = b->next;
		free(b);
	}
	free(ctx->source);
	free(ctx->sum);
	free(ctx->touched);
	free(ctx->list);
	free(ctx);
}

bool unc_failed(const struct unc_ctx *ctx)
{
	return ctx->failed;
}

static struct unc failed(struct unc_ctx *ctx)
{
	ctx->failed = true;
	return (struct unc){ .value = NAN };
}

static bool grow_sources(struct unc_ctx *ctx)
{
	size_t capacity = ctx->capacity ? 2 * ctx->capacity : 64;
	struct source *source = realloc(ctx->source, capacity * sizeof *source);

	if (!source)
		return false;
	ctx->source = source;
	ctx->capacity = capacity;
	return true;
}

uint32_t unc_source(struct unc_ctx *ctx, const char *name, enum dist dist, double dof)
{
	if (ctx->n == ctx->capacity && !grow_sources(ctx)) {
		ctx->failed = true;
		return 0;
	}
	struct source *s = &ctx->source[ctx->n];
	*s = (struct source){ .dist = dist, .dof = dof, .pool = (uint32_t)ctx->n };
	snprintf(s->name, sizeof s->name, "%s", name);
	return (uint32_t)ctx->n++;
}

uint32_t unc_source_pooled(struct unc_ctx *ctx, const char *name, enum dist dist, uint32_t with)
{
	uint32_t source = unc_source(ctx, name, dist, unc_source_dof(ctx, with));

	if (!ctx->failed && with < source)
		ctx->source[source].pool = ctx->source[with].pool;
	return source;
}

size_t unc_source_count(const struct unc_ctx *ctx)
{
	return ctx->n;
}

const char *unc_source_name(const struct unc_ctx *ctx, uint32_t source)
{
	return source < ctx->n ? ctx->source[source].name : "";
}

double unc_source_dof(const struct unc_ctx *ctx, uint32_t source)
{
	return source < ctx->n ? ctx->source[source].dof : NAN;
}

enum dist unc_source_dist(const struct unc_ctx *ctx, uint32_t source)
{
	return source < ctx->n ? ctx->source[source].dist : DIST_NORMAL;
}

static struct unc_part *parts_new(struct unc_ctx *ctx, size_t n)
{
	struct block *b = ctx->block;

	if (!b || b->size - b->used < n) {
		size_t size = n > BLOCK_PARTS ? n : BLOCK_PARTS;
		b = malloc(sizeof *b + size * sizeof b->part[0]);
		if (!b)
			return NULL;
		*b = (struct block){ .next = ctx->block, .size = size };
		ctx->block = b;
	}
	struct unc_part *part = b->part + b->used;
	b->used += n;
	return part;
}

/* Give back what a sum did not need; only right after parts_new. */
static void parts_trim(struct unc_ctx *ctx, size_t unused)
{
	ctx->block->used -= unused;
}

static bool is_zero(double x)
{
	return fpclassify(x) == FP_ZERO;
}

struct unc unc_exact(double value)
{
	return (struct unc){ .value = value };
}

struct unc unc_from(struct unc_ctx *ctx, double value, uint32_t source, double u)
{
	if (source >= ctx->n)
		return failed(ctx);
	if (is_zero(u))
		return unc_exact(value);
	struct unc_part *part = parts_new(ctx, 1);
	if (!part)
		return failed(ctx);
	*part = (struct unc_part){ source, u };
	return (struct unc){ value, part, 1 };
}

struct unc unc_of_quantity(struct unc_ctx *ctx, const char *name, struct quantity q)
{
	if (is_zero(q.u))
		return unc_exact(q.value);
	return unc_from(ctx, q.value, unc_source(ctx, name, q.dist, q.dof), q.u);
}

/* value + da parts(a) + db parts(b): the two lists are sorted by source, so they merge. */
static struct unc merge(struct unc_ctx *ctx, double value, struct unc a, double da, struct unc b, double db)
{
	size_t i = 0, j = 0, n = 0;

	if (a.n + b.n == 0)
		return unc_exact(value);
	struct unc_part *part = parts_new(ctx, a.n + b.n);
	if (!part)
		return failed(ctx);
	while (i < a.n || j < b.n) {
		uint32_t sa = i < a.n ? a.part[i].source : UINT32_MAX, sb = j < b.n ? b.part[j].source : UINT32_MAX;
		uint32_t source = sa < sb ? sa : sb;
		double u = 0;
		if (sa == source)
			u += da * a.part[i++].u;
		if (sb == source)
			u += db * b.part[j++].u;
		if (!is_zero(u))
			part[n++] = (struct unc_part){ source, u };
	}
	parts_trim(ctx, a.n + b.n - n);
	return (struct unc){ value, part, n };
}

struct unc unc_add(struct unc_ctx *ctx, struct unc a, struct unc b)
{
	return merge(ctx, a.value + b.value, a, 1.0, b, 1.0);
}

struct unc unc_sub(struct unc_ctx *ctx, struct unc a, struct unc b)
{
	return merge(ctx, a.value - b.value, a, 1.0, b, -1.0);
}

struct unc unc_mul(struct unc_ctx *ctx, struct unc a, struct unc b)
{
	return merge(ctx, a.value * b.value, a, b.value, b, a.value);
}

struct unc unc_div(struct unc_ctx *ctx, struct unc a, struct unc b)
{
	double ratio = a.value / b.value;

	return merge(ctx, ratio, a, 1.0 / b.value, b, -ratio / b.value);
}

struct unc unc_scale(struct unc_ctx *ctx, struct unc a, double factor)
{
	return unc_apply(ctx, a, a.value * factor, factor);
}

struct unc unc_apply(struct unc_ctx *ctx, struct unc a, double value, double derivative)
{
	return merge(ctx, value, a, derivative, unc_exact(0), 0.0);
}

struct unc unc_with(struct unc_ctx *ctx, struct unc a, uint32_t source, double u)
{
	return unc_add(ctx, a, unc_from(ctx, 0.0, source, u));
}

static bool grow_scratch(struct unc_ctx *ctx)
{
	if (ctx->scratch >= ctx->n)
		return true;
	size_t size = ctx->capacity;
	double *sum = realloc(ctx->sum, size * sizeof *sum);
	if (sum)
		ctx->sum = sum;
	bool *touched = realloc(ctx->touched, size * sizeof *touched);
	if (touched)
		ctx->touched = touched;
	uint32_t *list = realloc(ctx->list, size * sizeof *list);
	if (list)
		ctx->list = list;
	if (!sum || !touched || !list)
		return false;
	memset(touched, 0, size * sizeof *touched);
	ctx->scratch = size;
	return true;
}

static int by_number(const void *a, const void *b)
{
	uint32_t x = *(const uint32_t *)a, y = *(const uint32_t *)b;

	return (x > y) - (x < y);
}

/* Adds into the scratch; returns how many sources are touched. */
static size_t accumulate(struct unc_ctx *ctx, const struct unc *x, const double *derivative, size_t n)
{
	size_t used = 0;

	for (size_t i = 0; i < n; i++) {
		for (size_t j = 0; j < x[i].n; j++) {
			uint32_t s = x[i].part[j].source;
			if (!ctx->touched[s]) {
				ctx->touched[s] = true;
				ctx->sum[s] = 0;
				ctx->list[used++] = s;
			}
			ctx->sum[s] += derivative[i] * x[i].part[j].u;
		}
	}
	return used;
}

struct unc unc_combine(struct unc_ctx *ctx, double value, const struct unc *x, const double *derivative, size_t n)
{
	if (!grow_scratch(ctx))
		return failed(ctx);
	size_t used = accumulate(ctx, x, derivative, n), kept = 0;
	struct unc_part *part = used ? parts_new(ctx, used) : NULL;
	for (size_t i = 0; i < used; i++)
		ctx->touched[ctx->list[i]] = false;
	if (!used)
		return unc_exact(value);
	if (!part)
		return failed(ctx);
	qsort(ctx->list, used, sizeof ctx->list[0], by_number);
	for (size_t i = 0; i < used; i++)
		if (!is_zero(ctx->sum[ctx->list[i]]))
			part[kept++] = (struct unc_part){ ctx->list[i], ctx->sum[ctx->list[i]] };
	parts_trim(ctx, used - kept);
	return (struct unc){ value, part, kept };
}

/* Scaled by the largest part, or squares of tiny and huge ones would leave the range of a double. */
static double largest_part(struct unc a)
{
	double largest = 0;

	for (size_t i = 0; i < a.n; i++)
		if (!(fabs(a.part[i].u) <= largest))
			largest = fabs(a.part[i].u);
	return largest;
}

double unc_u(struct unc a)
{
	double scale = largest_part(a), sum = 0;

	if (is_zero(scale) || !isfinite(scale))
		return scale;
	for (size_t i = 0; i < a.n; i++)
		sum += (a.part[i].u / scale) * (a.part[i].u / scale);
	return scale * sqrt(sum);
}

double unc_part_of(struct unc a, uint32_t source)
{
	for (size_t i = 0; i < a.n; i++)
		if (a.part[i].source == source)
			return a.part[i].u;
	return 0;
}

/* Sum of squares of a's parts of one pool, if part i is the first of them; 0 otherwise. */
static double pool_square(const struct unc_ctx *ctx, struct unc a, size_t i)
{
	uint32_t pool = ctx->source[a.part[i].source].pool;
	double sum = 0;

	for (size_t j = 0; j < a.n; j++) {
		if (ctx->source[a.part[j].source].pool != pool)
			continue;
		if (j < i)
			return 0;
		sum += a.part[j].u * a.part[j].u;
	}
	return sum;
}

double unc_dof(const struct unc_ctx *ctx, struct unc a)
{
	double u = unc_u(a), sum = 0;

	if (!(u > 0))
		return INFINITY;
	for (size_t i = 0; i < a.n; i++) {
		double dof = unc_source_dof(ctx, a.part[i].source);
		if (!isinf(dof))
			sum += pow(pool_square(ctx, a, i) / (u * u), 2) / dof;
	}
	return is_zero(sum) ? INFINITY : 1.0 / sum;
}

double unc_coverage_factor(double dof, double coverage)
{
	if (!(coverage > 0 && coverage < 1) || !(dof >= 1))
		return NAN;
	/* The upper tail keeps its digits near full coverage. From 1e9 on t differs from normal by less than 1e-9. */
	double tail = 0.5 * (1.0 - coverage);
	return dof > 1e9 ? gsl_cdf_ugaussian_Qinv(tail) : gsl_cdf_tdist_Qinv(tail, dof);
}

static int by_share(const void *a, const void *b)
{
	double x = ((const struct unc_budget_row *)a)->share, y = ((const struct unc_budget_row *)b)->share;

	return (x < y) - (x > y);
}

size_t unc_budget(struct unc a, struct unc_budget_row *ret_rows, size_t size)
{
	double u = unc_u(a);
	struct unc_budget_row *rows = a.n ? malloc(a.n * sizeof *rows) : NULL;

	if (!rows)
		return 0;
	for (size_t i = 0; i < a.n; i++) {
		double part = a.part[i].u / u;
		rows[i] = (struct unc_budget_row){ a.part[i].source, a.part[i].u, part * part };
	}
	qsort(rows, a.n, sizeof *rows, by_share);
	size_t n = a.n < size ? a.n : size;
	memcpy(ret_rows, rows, n * sizeof *rows);
	free(rows);
	return n;
}
