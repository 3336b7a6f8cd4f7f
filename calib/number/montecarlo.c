/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/montecarlo.h"
#include "calib/number/montecarlo_private.h"

#include <math.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* A chunk of columns stays in the first cache; a group is the M of the adaptive procedure. */
#define CHUNK 256
#define GROUP 10000u
#define MAX_THREADS 64
#define LANES 4
/* Groups whose own results tell the scatter of a fixed run. */
#define SCATTER_GROUPS 32

/* Results of one group: y, u, low, high (JCGM 101, 7.9.4 e). */
enum stat { STAT_MEAN, STAT_U, STAT_LOW, STAT_HIGH, STATS };
struct group_stats {
	double value[STATS];
};

struct run {
	const struct mc_model *model;
	const struct mc_options *options;
	struct mc_plan plan;
	unsigned threads;
	size_t group_size;
	uint64_t trials, capacity; /* draws wanted, draws that the columns can hold */
	double *column[MC_MAX_OUTPUTS];
	struct group_stats *stats; /* n_outputs for each group */
	size_t stats_groups;
	/* The work that is handed out: groups next..end. */
	atomic_size_t next;
	size_t end, with_stats;
	atomic_int failed; /* an enum rc */
};

struct worker {
	struct run *run;
	struct mc_rng rng;
	void *handle;
	double *memory;
	double *x[MC_MAX_INPUTS], *scratch[MC_MAX_INPUTS], *sorted;
	bool ready;
};

/* ---- one thread ---- */

static bool worker_init(struct worker *w, struct run *run)
{
	const struct mc_model *m = run->model;
	size_t columns = m->n_inputs + run->plan.n_correlated;

	*w = (struct worker){ .run = run };
	w->memory = malloc((columns * CHUNK + run->group_size) * sizeof *w->memory);
	w->handle = m->open ? m->open(m->ctx) : m->ctx;
	if (!w->memory || (m->open && !w->handle))
		return false;
	for (size_t i = 0; i < columns; i++)
		*(i < m->n_inputs ? &w->x[i] : &w->scratch[i - m->n_inputs]) = w->memory + i * CHUNK;
	w->sorted = w->memory + columns * CHUNK;
	w->ready = true;
	return true;
}

static void worker_free(struct worker *w)
{
	if (w->handle && w->run->model->open && w->run->model->close)
		w->run->model->close(w->handle);
	free(w->memory);
}

static bool finite_column(const double *y, size_t n)
{
	/* x - x is 0 for finite x only, and sums of zeros need no branch. */
	double sum = 0;

	for (size_t i = 0; i < n; i++)
		sum += y[i] - y[i];
	return fpclassify(sum) == FP_ZERO;
}

static enum rc draw_chunk(struct worker *w, uint64_t at, size_t n)
{
	const struct mc_model *m = w->run->model;
	double *y[MC_MAX_OUTPUTS];

	mc_draw(&w->run->plan, &w->rng, w->x, w->scratch, n);
	for (size_t j = 0; j < m->n_outputs; j++)
		y[j] = w->run->column[j] + at;
	if (m->eval(w->handle, (const double *const *)w->x, y, n) != 0)
		return RC_ARG;
	for (size_t j = 0; j < m->n_outputs; j++)
		if (!finite_column(y[j], n))
			return RC_RANGE;
	return RC_OK;
}

/* Four sums side by side: a single one would wait for each addition to end. */
static double sum_above(const double *y, double shift, size_t n)
{
	double sum[LANES] = { 0 };
	size_t i = 0;

	for (; i + LANES <= n; i += LANES)
		for (size_t k = 0; k < LANES; k++)
			sum[k] += y[i + k] - shift;
	for (; i < n; i++)
		sum[0] += y[i] - shift;
	return (sum[0] + sum[1]) + (sum[2] + sum[3]);
}

static double sum_of_products(const double *a, double mean_a, const double *b, double mean_b, size_t n)
{
	double sum[LANES] = { 0 };
	size_t i = 0;

	for (; i + LANES <= n; i += LANES)
		for (size_t k = 0; k < LANES; k++)
			sum[k] += (a[i + k] - mean_a) * (b[i + k] - mean_b);
	for (; i < n; i++)
		sum[0] += (a[i] - mean_a) * (b[i] - mean_b);
	return (sum[0] + sum[1]) + (sum[2] + sum[3]);
}

/* Two passes: a mean square less a squared mean would cancel (note to JCGM 101, 7.6). */
static void mean_and_u(const double *y, size_t n, double *ret_mean, double *ret_u)
{
	double mean = y[0] + sum_above(y, y[0], n) / (double)n;

	*ret_mean = mean;
	*ret_u = n > 1 ? sqrt(sum_of_products(y, mean, y, mean, n) / (double)(n - 1)) : 0;
}

static void group_results(struct worker *w, size_t group, uint64_t at, size_t n)
{
	struct run *run = w->run;

	for (size_t j = 0; j < run->model->n_outputs; j++) {
		struct group_stats *s = &run->stats[group * run->model->n_outputs + j];
		double symmetric[2] = { NAN, NAN }, shortest[2];
		mean_and_u(run->column[j] + at, n, &s->value[STAT_MEAN], &s->value[STAT_U]);
		memcpy(w->sorted, run->column[j] + at, n * sizeof *w->sorted);
		montecarlo_intervals(w->sorted, n, run->options->coverage, symmetric, shortest);
		s->value[STAT_LOW] = symmetric[0];
		s->value[STAT_HIGH] = symmetric[1];
	}
}

static enum rc draw_group(struct worker *w, size_t group)
{
	struct run *run = w->run;
	uint64_t start = (uint64_t)group * run->group_size, end = start + run->group_size;

	if (end > run->trials)
		end = run->trials;
	mc_rng_seed(&w->rng, run->options->seed, group);
	for (uint64_t at = start; at < end;) {
		size_t n = end - at < CHUNK ? (size_t)(end - at) : CHUNK;
		enum rc rc = draw_chunk(w, at, n);
		if (rc)
			return rc;
		at += n;
	}
	if (group < run->with_stats)
		group_results(w, group, start, (size_t)(end - start));
	return RC_OK;
}

static void *work(void *arg)
{
	struct worker *w = arg;
	struct run *run = w->run;

	for (;;) {
		size_t group = atomic_fetch_add(&run->next, 1);
		if (group >= run->end || atomic_load(&run->failed))
			return NULL;
		enum rc rc = draw_group(w, group);
		if (rc)
			atomic_store(&run->failed, (int)rc);
	}
}

/* ---- all threads ---- */

static void draw_groups(struct run *run, struct worker *workers, size_t from, size_t end)
{
	pthread_t thread[MAX_THREADS];
	bool started[MAX_THREADS] = { false };

	atomic_store(&run->next, from);
	run->end = end;
	for (unsigned i = 1; i < run->threads && i < end - from; i++)
		started[i] = workers[i].ready && pthread_create(&thread[i], NULL, work, &workers[i]) == 0;
	work(&workers[0]);
	for (unsigned i = 1; i < run->threads; i++)
		if (started[i])
			pthread_join(thread[i], NULL);
}

static bool reserve(struct run *run, uint64_t trials, size_t groups_with_stats)
{
	size_t n = run->model->n_outputs;

	if (trials > run->capacity) {
		for (size_t j = 0; j < n; j++) {
			double *column = realloc(run->column[j], trials * sizeof *column);
			if (!column)
				return false;
			run->column[j] = column;
		}
		run->capacity = trials;
	}
	if (groups_with_stats > run->stats_groups) {
		struct group_stats *stats = realloc(run->stats, groups_with_stats * n * sizeof *stats);
		if (!stats)
			return false;
		run->stats = stats;
		run->stats_groups = groups_with_stats;
	}
	return true;
}

/* Standard deviation of the mean of h groups' results. */
static double scatter(const struct run *run, size_t output, enum stat stat, size_t h)
{
	double mean = 0, squares = 0;

	for (size_t g = 0; g < h; g++)
		mean += run->stats[g * run->model->n_outputs + output].value[stat] / (double)h;
	for (size_t g = 0; g < h; g++) {
		double d = run->stats[g * run->model->n_outputs + output].value[stat] - mean;
		squares += d * d;
	}
	return h > 1 ? sqrt(squares / ((double)h * (double)(h - 1))) : INFINITY;
}

/* u of all values of h groups, from the groups' own (exact, by the sums of squares within and between). */
static double pooled_u(const struct run *run, size_t output, size_t h)
{
	double m = (double)run->group_size, between = h > 1 ? scatter(run, output, STAT_MEAN, h) : 0, within = 0;

	for (size_t g = 0; g < h; g++) {
		double u = run->stats[g * run->model->n_outputs + output].value[STAT_U];
		within += u * u * (m - 1.0);
	}
	return sqrt((within + between * between * (double)h * (double)(h - 1) * m) / (m * (double)h - 1.0));
}

/* Tolerance delta/5 as JCGM 101, 8.2 asks for a comparison with the linear law. */
static bool stable(const struct run *run, size_t h)
{
	for (size_t j = 0; j < run->model->n_outputs; j++) {
		double delta = montecarlo_tolerance(pooled_u(run, j, h), run->options->digits) / 5.0;
		for (int s = STAT_MEAN; s < STATS; s++)
			if (!(2.0 * scatter(run, j, (enum stat)s, h) <= delta))
				return false;
	}
	return true;
}

static enum rc draw_fixed(struct run *run, struct worker *workers, struct err *err)
{
	size_t groups = (size_t)((run->options->trials + run->group_size - 1) / run->group_size);
	size_t whole = (size_t)(run->options->trials / run->group_size);

	run->trials = run->options->trials;
	run->with_stats = whole < SCATTER_GROUPS ? whole : SCATTER_GROUPS;
	if (!reserve(run, run->trials, run->with_stats ? run->with_stats : 1))
		return err_set(err, RC_NOMEM, 0, "out of memory for %llu draws", (unsigned long long)run->trials);
	draw_groups(run, workers, 0, groups);
	return RC_OK;
}

/* Batches grow, but the stop is looked for group by group, so that it depends on the draws alone. */
static enum rc draw_adaptive(struct run *run, struct worker *workers, bool *ret_stable, struct err *err)
{
	size_t limit = MC_MAX_TRIALS / run->group_size, done = 0, h = 2;

	*ret_stable = false;
	for (size_t batch = 16; done < limit; batch = done / 2) {
		size_t end = done + batch < limit ? done + batch : limit;
		run->trials = (uint64_t)end * run->group_size;
		run->with_stats = end;
		if (!reserve(run, run->trials, end))
			return err_set(err, RC_NOMEM, 0,
				       "out of memory after %zu draws; ask for a fixed number of trials",
				       done * run->group_size);
		draw_groups(run, workers, done, end);
		if (atomic_load(&run->failed))
			return RC_OK;
		for (done = end; h <= done; h++) {
			if (stable(run, h)) {
				*ret_stable = true;
				run->trials = (uint64_t)h * run->group_size;
				return RC_OK;
			}
		}
	}
	return RC_OK;
}

/* ---- summing up ---- */

/* Work on whole columns, one thread a job. */
struct column_jobs {
	struct run *run;
	struct mc_result *ret;
	void (*one)(struct run *run, struct mc_result *ret, size_t j);
	size_t n;
	atomic_size_t next;
};

static void *take_jobs(void *arg)
{
	struct column_jobs *jobs = arg;

	for (;;) {
		size_t j = atomic_fetch_add(&jobs->next, 1);
		if (j >= jobs->n)
			return NULL;
		jobs->one(jobs->run, jobs->ret, j);
	}
}

static void share_out(struct run *run, struct mc_result *ret, size_t n,
		      void (*one)(struct run *run, struct mc_result *ret, size_t j))
{
	struct column_jobs jobs = { .run = run, .ret = ret, .one = one, .n = n };
	pthread_t thread[MAX_THREADS];
	unsigned started = 0;

	while (started + 1 < run->threads && started + 1 < n &&
	       pthread_create(&thread[started], NULL, take_jobs, &jobs) == 0)
		started++;
	take_jobs(&jobs);
	while (started > 0)
		pthread_join(thread[--started], NULL);
}

static void one_mean(struct run *run, struct mc_result *ret, size_t j)
{
	struct mc_output *out = &ret->output[j];

	mean_and_u(run->column[j], run->trials, &out->mean, &out->u);
	out->delta = montecarlo_tolerance(out->u, run->options->digits);
}

static void one_interval(struct run *run, struct mc_result *ret, size_t j)
{
	montecarlo_intervals(run->column[j], run->trials, run->options->coverage, ret->output[j].symmetric,
			     ret->output[j].shortest);
}

/* Scatter of the final results: that of the groups that were kept, scaled to all draws. */
static void result_scatter(struct run *run, struct mc_result *ret)
{
	size_t whole = (size_t)(run->trials / run->group_size), h = run->with_stats < whole ? run->with_stats : whole;
	double scale = h > 1 ? sqrt((double)h * (double)run->group_size / (double)run->trials) : 1.0;

	ret->stabilised = true;
	for (size_t j = 0; j < run->model->n_outputs; j++) {
		struct mc_output *o = &ret->output[j];
		double *s[STATS] = { &o->s_mean, &o->s_u, &o->s_low, &o->s_high };
		for (int i = STAT_MEAN; i < STATS; i++) {
			*s[i] = h > 1 ? scale * scatter(run, j, (enum stat)i, h) : NAN;
			if (!(2.0 * *s[i] <= o->delta / 5.0))
				ret->stabilised = false;
		}
	}
}

static void one_correlation_row(struct run *run, struct mc_result *ret, size_t a)
{
	for (size_t b = 0; b <= a; b++) {
		const struct mc_output *oa = &ret->output[a], *ob = &ret->output[b];
		double r = NAN;
		if (oa->u > 0 && ob->u > 0)
			r = a == b ? 1
				   : sum_of_products(run->column[a], oa->mean, run->column[b], ob->mean, run->trials) /
					     (double)(run->trials - 1) / oa->u / ob->u;
		ret->correlation[a][b] = ret->correlation[b][a] = r;
	}
}

static void sum_up(struct run *run, struct mc_result *ret)
{
	size_t n = run->model->n_outputs;

	ret->trials = run->trials;
	share_out(run, ret, n, one_mean);
	result_scatter(run, ret);
	share_out(run, ret, n, one_correlation_row);
	share_out(run, ret, n, one_interval); /* last: it may change the order of the draws */
}

/* ---- the whole ---- */

static enum rc check(const struct mc_model *m, const struct mc_options *o, struct err *err)
{
	if (m->n_inputs < 1 || m->n_inputs > MC_MAX_INPUTS || m->n_outputs < 1 || m->n_outputs > MC_MAX_OUTPUTS)
		return err_set(err, RC_ARG, 0, "a model needs 1 to %d inputs and 1 to %d outputs; it has %zu and %zu",
			       MC_MAX_INPUTS, MC_MAX_OUTPUTS, m->n_inputs, m->n_outputs);
	if (!(o->coverage > 0 && o->coverage < 1))
		return err_set(err, RC_ARG, 0, "the coverage %g must lie between 0 and 1", o->coverage);
	if (o->digits < 1 || o->digits > 4)
		return err_set(err, RC_ARG, 0, "%d significant digits of the uncertainty; expected 1 to 4, usually 2",
			       o->digits);
	if (o->trials > MC_MAX_TRIALS)
		return err_set(err, RC_ARG, 0, "%llu trials are more than the %u that fit",
			       (unsigned long long)o->trials, MC_MAX_TRIALS);
	double least = ceil(100.0 / (1.0 - o->coverage) - 1e-9);
	if (least > MC_MAX_TRIALS / 100)
		return err_set(err, RC_ARG, 0, "a coverage of %.17g needs more draws than fit", o->coverage);
	if (o->trials && (double)o->trials < least)
		return err_set(err, RC_ARG, 0,
			       "%llu trials are too few for a coverage of %g; expected %.0f or more "
			       "(100/(1 - coverage)), better 1e6",
			       (unsigned long long)o->trials, o->coverage, least);
	return RC_OK;
}

static unsigned thread_count(const struct mc_options *o)
{
	long cores = o->threads ? (long)o->threads : sysconf(_SC_NPROCESSORS_ONLN);

	return cores < 1 ? 1 : cores > MAX_THREADS ? MAX_THREADS : (unsigned)cores;
}

static enum rc model_failure(enum rc rc, struct err *err)
{
	if (rc == RC_RANGE)
		return err_set(err, RC_RANGE, 0,
			       "the model gave a number that is not finite for some draw (a root or "
			       "logarithm of a negative number, a division by zero); the inputs reach too far for it");
	return err_set(err, rc, 0, "the model could not be evaluated");
}

static enum rc run_with_workers(struct run *run, struct worker *workers, struct mc_result *ret, struct err *err)
{
	bool adaptive_stable = true;
	enum rc rc = run->options->trials ? draw_fixed(run, workers, err)
					  : draw_adaptive(run, workers, &adaptive_stable, err);

	if (rc)
		return rc;
	if (atomic_load(&run->failed))
		return model_failure((enum rc)atomic_load(&run->failed), err);
	struct mc_result *out = calloc(1, sizeof *out);
	if (!out)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	sum_up(run, out);
	if (!run->options->trials)
		out->stabilised = adaptive_stable;
	*ret = *out;
	free(out);
	return RC_OK;
}

enum rc montecarlo_run(const struct mc_model *model, const struct mc_options *options, struct mc_result *ret,
		       struct err *err)
{
	struct run run = { .model = model, .options = options };
	struct worker *workers = NULL;
	enum rc rc = check(model, options, err);

	if (rc)
		return rc;
	double least = ceil(100.0 / (1.0 - options->coverage) - 1e-9);
	run.group_size = least > GROUP ? (size_t)least : GROUP;
	run.threads = thread_count(options);
	rc = mc_plan_init(&run.plan, model, err);
	if (!rc)
		workers = calloc(run.threads, sizeof *workers);
	if (!rc && !workers)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	for (unsigned i = 0; !rc && i < run.threads; i++)
		if (!worker_init(&workers[i], &run) && i == 0)
			rc = err_set(err, RC_NOMEM, 0, "out of memory");
	if (!rc)
		rc = run_with_workers(&run, workers, ret, err);
	for (unsigned i = 0; workers && i < run.threads; i++)
		worker_free(&workers[i]);
	free(workers);
	for (size_t j = 0; j < MC_MAX_OUTPUTS; j++)
		free(run.column[j]);
	free(run.stats);
	mc_plan_free(&run.plan);
	return rc;
}
