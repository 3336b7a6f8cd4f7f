/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A made-up sweep in a real logbook, with its truth known: errors of the rig are drawn from a seed within what the
 * profile states, samples are what a node would have sent. For tests of the reduction only. */
#ifndef BRIDLE_TESTS_MADE_RUN_H
#define BRIDLE_TESTS_MADE_RUN_H

#include "calib/cell/cellcal.h"
#include "calib/number/units.h"
#include "logbook/logbook.h"
#include "logbook/record.h"
#include "profile/profile.h"
#include "channel/event.h"
#include "channel/rigio.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define MADE_POINTS_MAX 40
#define MADE_RATE_Hz 100
#define MADE_COUNT_PER_Nm 100000.0
#define MADE_U_ARM 0.0004 /* relative, the calibration's one common source */

static const char made_rig[] =
	"[rig]\nname = Made rig\nlatitude = 52 deg ± 0.1 deg\nheight = 10 m ± 5 m\n"
	"[tether]\nlink = unix:t.sock\nclock = ± 50 ppm\n"
	"[cell]\nfull_scale = 60 N.m\nmounting = cradle\nzero_drift = 0 N.m/K ± 0.004 N.m/K normal\n"
	"gain_drift = 0 1/K ± 20 ppm/K\ncreep = 0 % ± 0.02 %\n"
	"[arm]\nlength = 500.0 mm ± 0.4 mm k=2\n"
	"[brake]\nkind = powder\ncurrent = 1.2 A\ntorque = 50 N.m\nslip_power = 500 W\nslip_power_short = 1.2 kW\n"
	"slip_energy = 120 kJ\ntemperature = 110 degC\nmin_slip = 5 rpm\n"
	"[supply]\nvoltage = 48 V\ncurrent_limit = 12 A\nvoltage_min = 36 V\nvoltage_max = 56 V\n"
	"[meter]\nplane = actuator\nvoltage_gain = 1 ± 0.2 % k=2\nvoltage_offset = 0 mV ± 20 mV\n"
	"current_gain = 1 ± 0.2 % k=2\ncurrent_offset = 0 mA ± 10 mA\n"
	"[pickup]\npulses = 2400\n"
	"[limits]\ntorque = 55 N.m\nspeed = 150 rpm\ncoupling = 60 N.m\n";
static const char made_actuator[] =
	"[actuator]\nname = made winder\nratio = 36\n"
	"[limits]\ntorque = 50 N.m\nspeed = 150 rpm\ncurrent = 20 A\ncase = 80 degC\nwinding = 120 degC\n"
	"[drive]\ndropout = 36 V\nspeed = 85 rpm\n"
	"[claims]\nrated_torque = 20 N.m @ 80 rpm\npeak_torque = 60 N.m\n";
static const char made_plan[] = "[plan]\nactuator = made-winder\nload = torque\ndrive = speed\nspeed = 85 rpm\n"
				"[steps]\ntorque = 5, 10, 20, 30 N.m\ndown = no\nrepeat_first = no\n"
				"[steady]\ndwell = 4 s\nwindow = 2 s\ntimeout = 15 s\n";

struct made_step {
	double torque_Nm, speed_rpm, volt, amp, brake_A;
	unsigned drive_flags;
	bool saturated;
};
struct made {
	/* in */
	unsigned long seed;
	size_t n_steps;
	struct made_step step[MADE_POINTS_MAX];
	unsigned flags[MADE_POINTS_MAX]; /* POINT_... of each step */
	double window_s;
	double ripple_Nm; /* slow true fluctuation of the torque */
	bool perfect;     /* no errors, no noise */
	double loop_Nm; /* of the cell at the calibration: falling readings lie so much above rising ones in the middle
			 */
	double known_gain_V, known_gain_A, known_offset_V, known_offset_A; /* of the meters, on top; gains less 1 */
	double node_ripple_W;                                              /* what the node tells; NaN: it does not */
	const char *cause;                                                 /* of the run's end, NULL = done */
	const struct made_step *tail;                                      /* samples after the last point, NULL none */
	const char *rig_text, *actuator_text, *plan_text; /* NULL: made_rig, made_actuator, made_plan */
	/* out */
	char path[200];
	struct logbook *lb; /* open for reading */
	int64_t run_id, calibration_id;
	struct made_truth {
		double torque_Nm, speed_rpm, volt, amp, watt;
	} truth[MADE_POINTS_MAX];
	double arm_error; /* relative, of this rig */
	/* at work */
	gsl_rng *rng;
	double t_s, angle_rev, zero_count, ripple, clock_ppm, volt_gain, amp_gain, volt_offset, amp_offset;
	uint32_t conversions, sample_no;
	int32_t count;
	double edge_s;
	int64_t pulses;
};

static double made_draw(struct made *m, double u, enum dist dist)
{
	if (m->perfect || u <= 0)
		return 0;
	if (dist == DIST_RECT)
		return gsl_ran_flat(m->rng, -u * sqrt(3), u * sqrt(3));
	return gsl_ran_gaussian(m->rng, u);
}

static double made_noise(struct made *m, double sd)
{
	return m->perfect ? 0 : gsl_ran_gaussian(m->rng, sd);
}

/* Dead weights on an arm that is longer than believed by arm_error. */
static void made_calibration(struct made *m, struct cellcal *ret)
{
	static const double load_Nm[] = { 0, 10, 20, 30, 40, 50, 40, 30, 20, 10, 0 };
	struct cellcal_reading reading[33];
	const struct cellcal_source source[] = { { .name = "arm length", .dof = INFINITY, .dist = DIST_NORMAL } };
	struct cellcal_input in = {
		.readings = reading, .n = 33, .sources = source, .n_sources = 1, .model = CELLCAL_LINE
	};
	struct err err = { 0 };

	for (int i = 0; i < 33; i++) {
		double believed = load_Nm[i % 11], x = believed / 50,
		       above = i % 11 > 5 ? 4 * x * (1 - x) * m->loop_Nm : 0;
		reading[i] = (struct cellcal_reading){
			.series = i / 11 + 1,
			.position = 1,
			.direction = i % 11 > 5 ? CELLCAL_DOWN : CELLCAL_UP,
			.load = { .torque_Nm = believed, .shift_Nm = { believed * MADE_U_ARM } },
			.indication =
				MADE_COUNT_PER_Nm * (believed * (1 + m->arm_error) + above + made_noise(m, 0.001)) +
				1234,
			.u_indication = 10,
		};
	}
	if (cellcal_fit(&in, ret, NULL, &err) != RC_OK) {
		fprintf(stderr, "made calibration: %s\n", err.what);
		abort();
	}
}

static void made_check(enum rc rc, const struct err *err)
{
	if (rc != RC_OK) {
		fprintf(stderr, "made run: %s\n", err->what);
		abort();
	}
}

/* One hundredth of a second of the rig, and its sample. Sums go into truth. */
static struct sample made_sample(struct made *m, const struct made_step *s, double torque_extra,
				 struct made_truth *truth)
{
	const double dt = 1.0 / MADE_RATE_Hz;
	double keep = exp(-dt / 0.1), true_Nm, per_s = s->speed_rpm / 60;

	m->ripple = m->perfect ? 0 : m->ripple * keep + sqrt(1 - keep * keep) * gsl_ran_gaussian(m->rng, m->ripple_Nm);
	true_Nm = s->torque_Nm + (s->torque_Nm > 0 ? m->ripple : 0) + torque_extra;
	double from = m->angle_rev;
	m->angle_rev += per_s * dt;
	m->t_s += dt;
	int64_t pulses = (int64_t)floor(m->angle_rev * 2400);
	if (pulses != m->pulses) {
		double frac = ((double)pulses / 2400 - from) / (m->angle_rev - from);
		double jitter_s = m->perfect ? 0 : 3e-6 * gsl_rng_uniform(m->rng);
		m->edge_s = (m->t_s - dt * (1 - frac) + jitter_s) * (1 + m->clock_ppm * 1e-6);
		m->pulses = pulses;
	}
	uint32_t conversions = (uint32_t)floor(m->t_s * 80);
	if (conversions != m->conversions) {
		m->conversions = conversions;
		m->count = (int32_t)lrint(m->zero_count + MADE_COUNT_PER_Nm * (true_Nm + made_noise(m, 0.004)));
	}
	if (truth) {
		truth->torque_Nm += true_Nm;
		truth->speed_rpm += s->speed_rpm;
		truth->volt += s->volt;
		truth->amp += s->amp;
		truth->watt += s->volt * s->amp;
	}
	return (struct sample){
		.mono_ns = ns_from_s(m->t_s),
		.node_us = (uint64_t)(m->t_s * (1 + m->clock_ppm * 1e-6) * 1e6 + 0.5),
		.sample_no = ++m->sample_no,
		.cell_count = s->saturated ? 8388607 : m->count,
		.cell_conversions = m->conversions,
		.pulses = m->pulses,
		.edge_time_s = m->edge_s,
		.torque_Nm = true_Nm,
		.speed_rpm = s->speed_rpm,
		.brake_set_A = s->brake_A,
		.brake_A = s->brake_A,
		.voltage_V = s->volt / m->volt_gain + m->volt_offset + made_noise(m, 0.004),
		.current_A = s->amp / m->amp_gain + m->amp_offset + made_noise(m, 0.004),
		.ripple_W = m->node_ripple_W,
		.drive_rotor_rpm = 36 * s->speed_rpm,
		.drive_A = s->amp,
		.drive_mode = DRIVE_SPEED,
		.drive_flags = (uint16_t)s->drive_flags,
		.temp_degC = { 40, 35, 45, 21 },
		.lines = 7,
		.step = 0,
	};
}

static void made_stretch(struct made *m, const struct made_step *s, double length_s, struct made_truth *truth)
{
	size_t n = (size_t)lrint(length_s * MADE_RATE_Hz);
	struct sample *rows = calloc(n, sizeof *rows);
	struct err err = { 0 };

	for (size_t i = 0; i < n; i++)
		rows[i] = made_sample(m, s, 0, truth);
	made_check(logbook_samples(m->lb, m->run_id, rows, n, &err), &err);
	if (truth) {
		truth->torque_Nm /= (double)n;
		truth->speed_rpm /= (double)n;
		truth->volt /= (double)n;
		truth->amp /= (double)n;
		truth->watt /= (double)n;
	}
	free(rows);
}

static void made_point(struct made *m, int step, unsigned flags, double setpoint_Nm, double begin_s)
{
	struct err err = { 0 };
	/* A sample is taken at the end of its hundredth: the window holds those after its begin. */
	struct seq_point p = {
		.step = step,
		.direction = flags & POINT_TARE ? 0 : 1,
		.flags = flags,
		.setpoint_Nm = setpoint_Nm,
		.setpoint_A = NAN,
		.setpoint_rpm = 85,
		.begin = { ns_from_s(begin_s + 0.005) },
		.end = { ns_from_s(m->t_s + 0.005) },
	};

	made_check(logbook_point(m->lb, m->run_id, &p, &err), &err);
}

/* One reading of a zero that is turned both ways. */
static void made_half(struct made *m, int direction, double torque_Nm, double length_s)
{
	const struct made_step turning = {
		.torque_Nm = torque_Nm, .speed_rpm = direction * 20, .volt = 48, .amp = 0.2
	};
	struct err err = { 0 };
	struct seq_point p = { .step = 0,
			       .direction = direction,
			       .flags = POINT_TARE,
			       .setpoint_Nm = NAN,
			       .setpoint_A = NAN,
			       .setpoint_rpm = turning.speed_rpm,
			       .begin = { ns_from_s(m->t_s + 0.005) } };

	made_stretch(m, &turning, length_s, NULL);
	p.end.ns = ns_from_s(m->t_s + 0.005);
	made_check(logbook_point(m->lb, m->run_id, &p, &err), &err);
}

/* A shaft without drag, turned forward, back, forward. */
static void made_tare(struct made *m)
{
	made_half(m, +1, 0, 1);
	made_half(m, -1, 0, 2);
	made_half(m, +1, 0, 1);
}

static void made_run(struct made *m)
{
	struct err err = { 0 };
	struct cellcal *cal = calloc(1, sizeof *cal);
	struct run_head head = { .kind = "sweep",
				 .rig_text = m->rig_text ? m->rig_text : made_rig,
				 .actuator_text = m->actuator_text ? m->actuator_text : made_actuator,
				 .plan_text = m->plan_text ? m->plan_text : made_plan,
				 .actuator_name = "made-winder",
				 .plan_name = "made",
				 .mono_ns = 1,
				 .wall_ns = 1773480360000000000 };

	m->rng = gsl_rng_alloc(gsl_rng_mt19937);
	gsl_rng_set(m->rng, m->seed);
	m->arm_error = made_draw(m, MADE_U_ARM, DIST_NORMAL);
	m->clock_ppm = made_draw(m, 50 / sqrt(3), DIST_NORMAL); /* the profile keeps its u alone */
	m->volt_gain = 1 + m->known_gain_V + made_draw(m, 0.001, DIST_NORMAL);
	m->amp_gain = 1 + m->known_gain_A + made_draw(m, 0.001, DIST_NORMAL);
	m->volt_offset = m->known_offset_V + made_draw(m, 0.02 / sqrt(3), DIST_RECT);
	m->amp_offset = m->known_offset_A + made_draw(m, 0.01 / sqrt(3), DIST_RECT);
	m->zero_count = m->perfect ? 5000 : gsl_ran_flat(m->rng, -50000, 50000);
	snprintf(m->path, sizeof m->path, "/tmp/bridle-made-%d-%lu", (int)getpid(), m->seed);
	unlink(m->path);
	made_check(logbook_open(m->path, &m->lb, &err), &err);
	made_check(logbook_begin(m->lb, &err), &err);
	made_calibration(m, cal);
	char *json = record_from_cellcal(cal);
	made_check(logbook_record(m->lb, 0, head.wall_ns, "calibration", json, &m->calibration_id, &err), &err);
	free(json);
	free(cal);
	head.calibration_id = m->calibration_id;
	made_check(logbook_run_begin(m->lb, &head, &err), &err);
	m->run_id = head.id;
	made_tare(m);
	for (size_t i = 0; i < m->n_steps; i++) {
		made_stretch(m, &m->step[i], 1, NULL);
		double begin_s = m->t_s;
		made_stretch(m, &m->step[i], m->window_s, &m->truth[i]);
		made_point(m, (int)i, m->flags[i], m->step[i].torque_Nm, begin_s);
	}
	if (m->tail)
		made_stretch(m, m->tail, 1, NULL);
	else
		made_tare(m);
	made_check(logbook_run_end(m->lb, m->run_id, ns_from_s(m->t_s), m->cause ? "stopped" : "done",
				   m->cause ? m->cause : "", m->cause ? "stopped by the guard" : "", &err),
		   &err);
	made_check(logbook_commit(m->lb, &err), &err);
	logbook_close(m->lb);
	m->lb = NULL;
	made_check(logbook_open_read(m->path, &m->lb, &err), &err);
}

static void made_free(struct made *m)
{
	char name[220];

	logbook_close(m->lb);
	gsl_rng_free(m->rng);
	unlink(m->path);
	snprintf(name, sizeof name, "%s-wal", m->path);
	unlink(name);
	snprintf(name, sizeof name, "%s-shm", m->path);
	unlink(name);
}

#endif
