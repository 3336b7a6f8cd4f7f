/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How long the pack of a run of a million samples takes to make and, by `bridle verify`, to recompute. Aim: verified
 * under 3 s. usage: pack_million [SAMPLES]   (prints seconds; exits 1 when the aim is missed) */
#include "reports/pack/pack_run.h"

#include "tests/unit/reports/made_run.h"

#include <sys/resource.h>
#include <sys/stat.h>
#include <time.h>

static double now_s(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static double children_s(void)
{
	struct rusage use;

	getrusage(RUSAGE_CHILDREN, &use);
	return (double)use.ru_utime.tv_sec + (double)use.ru_stime.tv_sec +
	       1e-6 * (double)(use.ru_utime.tv_usec + use.ru_stime.tv_usec);
}

int main(int argc, char **argv)
{
	double samples = argc > 1 ? atof(argv[1]) : 1e6;
	const char *program = getenv("BRIDLE");
	struct made m = { .seed = 1, .n_steps = 36, .ripple_Nm = 0.1 };
	struct report *r = NULL;
	struct pack *p = pack_new();
	json_t *head = NULL;
	struct err err = { 0 };
	struct stat st;
	char path[100], command[400];

	for (size_t i = 0; i < m.n_steps; i++) {
		double torque = 1.0 * (double)(i + 1);
		m.step[i] = (struct made_step){ torque, 85, 48, 0.5 + 0.27 * torque, 0.02 * torque, 1, false };
	}
	m.window_s = samples / MADE_RATE_Hz / (double)m.n_steps - 1.2;
	made_run(&m);
	snprintf(path, sizeof path, "/tmp/bridle-pack-%d.tar.zst", (int)getpid());
	double begin = now_s();
	enum rc rc = report_of_run(m.lb, m.run_id, &r, &err);
	if (rc == RC_OK)
		rc = pack_run(m.lb, r, p, &head, &err);
	if (rc == RC_OK)
		rc = pack_write(p, head, 0, path, &err);
	if (rc != RC_OK || stat(path, &st) != 0) {
		fprintf(stderr, "%s\n", err.what);
		return 3;
	}
	double packed = now_s(), before = children_s();
	snprintf(command, sizeof command, "%s verify %s", program ? program : "bridle", path);
	int status = system(command);
	double verified = now_s();
	printf("%lld samples: packed in %.2f s, %.0f MB; verified in %.2f s, %.2f s of processor time (aim 3 s)\n",
	       (long long)r->run.samples, packed - begin, 1e-6 * (double)st.st_size, verified - packed,
	       children_s() - before);
	unlink(path);
	json_decref(head);
	report_free(r);
	pack_free(p);
	made_free(&m);
	return status != 0 ? 3 : verified - packed < 3 ? 0 : 1;
}
