/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How fast the logbook is: a million samples written, read and verified; what a commit costs; what the tick thread
 * pays. Usage: logbook FILE (which must not be there). */
#include "tests/unit/logbook/logbook_scene.h"

#include "logbook/ring.h"

#include <stdarg.h>
#include <sys/resource.h>
#include <time.h>

#define N 1000000

static double seconds(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Of this process: what a machine busy with other things does not blur. */
static double cpu_seconds(void)
{
	struct timespec t;

	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void must(enum rc rc, const struct err *err)
{
	if (rc == RC_OK)
		return;
	fprintf(stderr, "%s\n", err->what);
	exit(3);
}

static bool add_up(void *ctx, const struct sample *sample)
{
	double *sum = ctx;

	*sum += sample->torque_Nm;
	return true;
}

static long resident_KiB(void)
{
	struct rusage usage;

	getrusage(RUSAGE_SELF, &usage);
	return usage.ru_maxrss;
}

static int64_t write_million(struct logbook *lb, struct err *err)
{
	struct run_head head = { .kind = "sweep" };
	struct sample rows[1000];

	must(logbook_run_begin(lb, &head, err), err);
	double from = seconds(), cpu = cpu_seconds();
	for (int64_t i = 0; i < N; i += 1000) {
		for (int64_t j = 0; j < 1000; j++)
			rows[j] = sample_number(i + j);
		must(logbook_samples(lb, head.id, rows, 1000, err), err);
	}
	printf("write    %d samples: %.2f s (%.2f s of processor)\n", N, seconds() - from, cpu_seconds() - cpu);
	must(logbook_run_end(lb, head.id, 0, "done", "", "", err), err);
	return head.id;
}

static void read_million(struct logbook *lb, int64_t run_id, struct err *err)
{
	double sum = 0, from = seconds(), cpu = cpu_seconds();

	must(logbook_each_sample(lb, run_id, INT64_MIN, INT64_MAX, add_up, &sum, err), err);
	printf("read     %d samples: %.2f s (%.2f s of processor)\n", N, seconds() - from, cpu_seconds() - cpu);
	from = seconds();
	for (int i = 0; i < 1000; i++) {
		int64_t begin_ns = sample_number(i * 900).mono_ns;
		must(logbook_each_sample(lb, run_id, begin_ns, begin_ns + 1, add_up, &sum, err), err);
	}
	printf("find     a moment among them: %.1f us\n", 1e3 * (seconds() - from));
	from = seconds();
	cpu = cpu_seconds();
	must(logbook_verify(lb, err), err);
	printf("verify   all of it: %.2f s (%.2f s of processor)\n", seconds() - from, cpu_seconds() - cpu);
}

static void commits(struct logbook *lb, struct err *err)
{
	struct run_head head = { .kind = "sweep" };

	must(logbook_run_begin(lb, &head, err), err);
	double from = seconds();
	for (int i = 0; i < 200; i++)
		must(logbook_event(lb, head.id, i, "step", "text", err), err);
	printf("commit   of one row: %.2f ms\n", 1e3 * (seconds() - from) / 200);
}

static void through_the_ring(struct logbook *lb, struct err *err)
{
	struct run_head head = { .kind = "sweep" };
	struct log_ring *ring = NULL;
	double worst = 0, in_put = 0;

	must(logbook_run_begin(lb, &head, err), err);
	must(log_ring_start(lb, head.id, &ring, err), err);
	double from = seconds();
	for (int64_t i = 0; i < N / 4; i++) {
		struct sample s = sample_number(i);
		log_ring_make_room(ring);
		double before = seconds();
		log_ring_sample(ring, &s);
		double took = seconds() - before;
		in_put += took;
		worst = took > worst ? took : worst;
		if (i % 500 == 0) { /* a point every 5 s of a 100 Hz run */
			struct seq_point p = point_number((int)i);
			log_ring_point(ring, &p);
		}
	}
	must(log_ring_stop(ring, err), err);
	double took = seconds() - from;
	printf("ring     %d samples with a point in each 500: %.2f s, %.0f times real time at 100 Hz\n", N / 4, took,
	       N / 4 / took / 100);
	printf("put      of a sample: %.0f ns in the mean, %.0f us at worst\n", 1e9 * in_put / (N / 4), 1e6 * worst);
}

int main(int argc, char **argv)
{
	struct logbook *lb = NULL;
	struct err err = { 0 };

	if (argc != 2 || access(argv[1], F_OK) == 0) {
		fprintf(stderr, "usage: logbook FILE (which must not be there)\n");
		return 2;
	}
	must(logbook_open(argv[1], &lb, &err), &err);
	int64_t run_id = write_million(lb, &err);
	read_million(lb, run_id, &err);
	commits(lb, &err);
	printf("resident %ld KiB at most so far\n", resident_KiB());
	through_the_ring(lb, &err);
	printf("resident %ld KiB at most, the ring's 3.7 MiB in it\n", resident_KiB());
	logbook_close(lb);
	return 0;
}
