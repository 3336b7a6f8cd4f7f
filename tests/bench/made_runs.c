/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A logbook with many runs of one plan, made without a bench: for what takes many of them (bridle share, bridle study).
 * usage: made_runs FILE RUNS WINDOW_S GROUPS
 * Run i belongs to group i modulo GROUPS, and in each group the ammeter has another gain (1 %, standard deviation). */
#include "tests/unit/reports/made_run.h"

#include <errno.h>

#define STEPS 4
#define BETWEEN 0.01
#define GROUPS_MAX 100
#define HOUR_NS 3600000000000

static void begin(struct made *m, size_t i, double amp_gain)
{
	struct run_head head = { .kind = "sweep",
				 .rig_text = made_rig,
				 .actuator_text = made_actuator,
				 .plan_text = made_plan,
				 .actuator_name = "made-winder",
				 .plan_name = "made",
				 .mono_ns = 1,
				 .wall_ns = 1773480360000000000 + (int64_t)i * HOUR_NS,
				 .calibration_id = m->calibration_id };
	struct err err = { 0 };

	m->amp_gain = amp_gain;
	m->t_s = m->angle_rev = m->edge_s = 0;
	m->pulses = 0;
	m->conversions = m->sample_no = 0;
	made_check(logbook_run_begin(m->lb, &head, &err), &err);
	m->run_id = head.id;
}

static void one_more(struct made *m, size_t i, double amp_gain)
{
	struct err err = { 0 };

	made_check(logbook_begin(m->lb, &err), &err);
	begin(m, i, amp_gain);
	made_tare(m);
	for (size_t k = 0; k < m->n_steps; k++) {
		made_stretch(m, &m->step[k], 1, NULL);
		double begin_s = m->t_s;
		made_stretch(m, &m->step[k], m->window_s, NULL);
		made_point(m, (int)k, 0, m->step[k].torque_Nm, begin_s);
	}
	made_tare(m);
	made_check(logbook_run_end(m->lb, m->run_id, ns_from_s(m->t_s), "done", "", "", &err), &err);
	made_check(logbook_commit(m->lb, &err), &err);
}

int main(int argc, char **argv)
{
	struct made m = { .seed = 7, .n_steps = STEPS, .ripple_Nm = 0.05, .node_ripple_W = NAN };
	struct err err = { 0 };
	double gain[GROUPS_MAX];

	if (argc != 5 || atoi(argv[4]) < 1 || atoi(argv[4]) > GROUPS_MAX) {
		fprintf(stderr, "usage: made_runs FILE RUNS WINDOW_S GROUPS (1 to %d)\n", GROUPS_MAX);
		return 2;
	}
	size_t runs = (size_t)atol(argv[2]), groups = (size_t)atol(argv[4]);
	m.window_s = atof(argv[3]);
	for (size_t k = 0; k < STEPS; k++)
		m.step[k] = (struct made_step){ 5 + 8.0 * (double)k, 85, 48, 1.85 + 2.16 * (double)k, 0.1, 1, false };
	made_run(&m);
	for (size_t g = 0; g < groups; g++)
		gain[g] = g == 0 ? m.amp_gain : m.amp_gain * (1 + gsl_ran_gaussian(m.rng, BETWEEN));
	logbook_close(m.lb);
	made_check(logbook_open(m.path, &m.lb, &err), &err);
	for (size_t i = 1; i < runs; i++)
		one_more(&m, i, gain[i % groups]);
	logbook_close(m.lb);
	m.lb = NULL;
	if (rename(m.path, argv[1]) != 0) {
		fprintf(stderr, "%s: %s\n", argv[1], strerror(errno));
		return 1;
	}
	made_free(&m);
	return 0;
}
