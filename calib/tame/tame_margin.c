/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_margin.h"

#include <math.h>
#include <stddef.h>

#define PER_DECADE 120
#define BESIDE 14 /* points on each side of a resonance */
#define POINTS 2400
#define HALVINGS 48
#define DELAYS 60 /* omega delay at which the sweep ends: there the torque follows no more */

struct sweep {
	const struct tame_loop *loop;
	const struct tame_quasi *quasi;
	double omega[POINTS];
	size_t n;
};

static double complex open_at(const struct sweep *s, double omega)
{
	return tame_open(s->loop, s->quasi, omega);
}

static void add_sorted(struct sweep *s, double omega)
{
	size_t i = s->n;

	if (s->n == POINTS || !(omega > s->omega[0]) || !(omega < s->omega[s->n - 1]))
		return;
	for (; i > 0 && s->omega[i - 1] > omega; i--)
		s->omega[i] = s->omega[i - 1];
	s->omega[i] = omega;
	s->n++;
}

static void add_resonance(struct sweep *s, double omega)
{
	for (int i = 0; i < BESIDE && omega > 0; i++) {
		double off = pow(10, -0.9 - 0.35 * i);
		add_sorted(s, omega * (1 - off));
		add_sorted(s, omega * (1 + off));
	}
}

static void spread(double *low, double *high, double omega)
{
	if (!(omega > 0) || !isfinite(omega))
		return;
	*low = fmin(*low, omega);
	*high = fmax(*high, omega);
}

static void place(struct sweep *s)
{
	const struct tame_joint *j = &s->loop->joint;
	const struct tame_drive *d = &s->loop->drive;
	const struct tame_gains *g = &d->gains;
	double all = j->rotor_kgm2 + j->arm_kgm2, low = INFINITY, high = 0, root = sqrt(s->quasi->flank);
	double own[] = { root * tame_resonance(j),
			 root * tame_antiresonance(j),
			 g->speed_Nms / all,
			 g->speed_Nms / j->rotor_kgm2,
			 sqrt(g->integral_Nm_per_rad / all),
			 g->speed_Nms > 0 ? g->integral_Nm_per_rad / g->speed_Nms : 0,
			 g->position_per_s,
			 1 / d->torque_lag_s,
			 1 / d->delay_s };

	for (size_t i = 0; i < sizeof own / sizeof own[0]; i++)
		spread(&low, &high, own[i]);
	if (!(high > 0))
		low = high = 1;
	low *= 1e-2;
	high *= 1e2;
	if (d->delay_s > 0)
		high = fmin(high, DELAYS / d->delay_s);
	double points = fmin(ceil(PER_DECADE * log10(high / low)), POINTS - 8.0 * BESIDE);
	for (s->n = 0; (double)s->n <= points; s->n++)
		s->omega[s->n] = low * pow(high / low, (double)s->n / points);
	add_resonance(s, own[0]);
	add_resonance(s, own[1]);
}

/* Where part(L) - level changes its sign between two frequencies. */
static double crossing(const struct sweep *s, double from, double to, double (*part)(double complex), double level)
{
	bool above = part(open_at(s, from)) > level;

	for (int i = 0; i < HALVINGS; i++) {
		double middle = sqrt(from * to);
		if ((part(open_at(s, middle)) > level) == above)
			from = middle;
		else
			to = middle;
	}
	return sqrt(from * to);
}

static void note_gain(struct tame_margins *m, double dB, double omega)
{
	bool nearer = m->stable ? dB >= 0 && dB < m->gain_dB : dB < 0 && !(dB >= m->gain_dB);

	if (m->stable && dB < 0)
		m->lower_dB = fmax(m->lower_dB, dB);
	if (!nearer)
		return;
	m->gain_dB = dB;
	m->gain_rad_per_s = omega;
}

static void note_phase(struct tame_margins *m, double deg, double omega)
{
	bool worse = m->stable ? fabs(deg) < m->phase_deg : deg < m->phase_deg;

	if (!worse)
		return;
	m->phase_deg = m->stable ? fabs(deg) : deg;
	m->phase_rad_per_s = omega;
}

struct tame_margins tame_margins(const struct tame_loop *loop, const struct tame_quasi *quasi)
{
	struct sweep s = { .loop = loop, .quasi = quasi };
	double omega;
	bool stable = tame_growth(loop, quasi, &omega) < 0;
	struct tame_margins m = { .stable = stable,
				  .gain_dB = stable ? INFINITY : NAN,
				  .gain_rad_per_s = NAN,
				  .phase_deg = INFINITY,
				  .phase_rad_per_s = NAN,
				  .lower_dB = -INFINITY };

	place(&s);
	double complex before = open_at(&s, s.omega[0]);
	for (size_t i = 1; i < s.n; i++) {
		double complex now = open_at(&s, s.omega[i]);
		m.peak = fmax(m.peak, 1 / cabs(1 + now));
		if ((cimag(before) > 0) != (cimag(now) > 0)) {
			double at = crossing(&s, s.omega[i - 1], s.omega[i], cimag, 0);
			double complex there = open_at(&s, at);
			if (creal(there) < 0)
				note_gain(&m, -20 * log10(cabs(there)), at);
		}
		if ((cabs(before) > 1) != (cabs(now) > 1)) {
			double at = crossing(&s, s.omega[i - 1], s.omega[i], cabs, 1);
			note_phase(&m, carg(-open_at(&s, at)) * 180 / M_PI, at);
		}
		before = now;
	}
	return m;
}
