/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How long a report of a run of a million samples takes, without figures: by the clock, and in processor time
 * of its two threads. Aim: under 1 s by the clock, on a machine with nothing else to do.
 * usage: report_million [SAMPLES]   (prints seconds; exits 1 when the aim is missed) */
#include "reports/page/report_write.h"

#include "tests/unit/reports/made_run.h"

#include <sys/resource.h>
#include <time.h>

static double now_s(clockid_t clock)
{
	struct timespec t;

	clock_gettime(clock, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

int main(int argc, char **argv)
{
	double samples = argc > 1 ? atof(argv[1]) : 1e6;
	struct made m = { .seed = 1, .n_steps = 36, .ripple_Nm = 0.1 };
	struct report *r = NULL;
	struct err err = { 0 };
	char dir[100], command[160];

	for (size_t i = 0; i < m.n_steps; i++) {
		double torque = 1.0 * (double)(i + 1);
		m.step[i] = (struct made_step){ torque, 85, 48, 0.5 + 0.27 * torque, 0.02 * torque, 1, false };
	}
	m.window_s = samples / MADE_RATE_Hz / (double)m.n_steps - 1.2;
	made_run(&m);
	snprintf(dir, sizeof dir, "/tmp/bridle-speed-%d", (int)getpid());
	double begin = now_s(CLOCK_PROCESS_CPUTIME_ID), wall = now_s(CLOCK_MONOTONIC);
	enum rc rc = report_of_run(m.lb, m.run_id, &r, &err);
	double reduced = now_s(CLOCK_PROCESS_CPUTIME_ID);
	if (rc == RC_OK)
		rc = report_write(r, dir, false, &err);
	double end = now_s(CLOCK_PROCESS_CPUTIME_ID);
	wall = now_s(CLOCK_MONOTONIC) - wall;
	if (rc != RC_OK) {
		fprintf(stderr, "%s\n", err.what);
		return 3;
	}
	struct rusage use;
	getrusage(RUSAGE_SELF, &use);
	printf("%lld samples, %zu points: %.2f s by the clock (aim 1 s); of processor time reduced in %.2f s, written "
	       "in %.2f "
	       "s; largest resident memory %.1f MiB\n",
	       (long long)r->run.samples, r->curve->n, wall, reduced - begin, end - reduced,
	       (double)use.ru_maxrss / 1024);
	report_free(r);
	made_free(&m);
	snprintf(command, sizeof command, "rm -rf %s", dir);
	return system(command) != 0 ? 3 : wall < 1 ? 0 : 1;
}
