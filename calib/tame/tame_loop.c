/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_loop.h"

#include <gsl/gsl_poly.h>
#include <math.h>
#include <stddef.h>
#include <string.h>

#define TERMS 16 /* of a polynomial, lowest power first */
#define PADE 4
#define NOTHING 1e-9 /* growth below that share of the fastest root is none */

double tame_limited(double limit, double amplitude)
{
	double r = limit / amplitude;

	return r < 1 ? 2 / M_PI * (asin(r) + r * sqrt(1 - r * r)) : 1;
}

double tame_flank(double play_rad, double amplitude_rad)
{
	return play_rad > 0 ? 1 - tame_limited(play_rad / 2, amplitude_rad) : 1;
}

double tame_rubbed(double dry, double amplitude)
{
	return dry > 0 ? 4 * dry / (M_PI * amplitude) : 0;
}

static double reduced_kgm2(const struct tame_joint *j)
{
	return j->rotor_kgm2 * j->arm_kgm2 / (j->rotor_kgm2 + j->arm_kgm2);
}

double tame_resonance(const struct tame_joint *j)
{
	return j->arm_kgm2 > 0 ? sqrt(j->stiffness_Nm_per_rad / reduced_kgm2(j)) : 0;
}

double tame_antiresonance(const struct tame_joint *j)
{
	return j->arm_kgm2 > 0 ? sqrt(j->stiffness_Nm_per_rad / j->arm_kgm2) : 0;
}

struct tame_answer tame_answer(const struct tame_joint *j, const struct tame_quasi *q, double omega)
{
	double complex s = omega * I;
	double complex rotor = s * (j->rotor_kgm2 * s + j->rotor_viscous_Nms + q->rotor_Nms);
	double complex arm = s * (j->arm_kgm2 * s + j->arm_viscous_Nms + q->arm_Nms);
	double complex spring = q->flank * (j->stiffness_Nm_per_rad + j->damping_Nms * s);

	if (!(j->arm_kgm2 > 0))
		return (struct tame_answer){ 1 / rotor, 1 / rotor };
	double complex whole = rotor * arm + spring * (rotor + arm);
	return (struct tame_answer){ (arm + spring) / whole, spring / whole };
}

double complex tame_open(const struct tame_loop *l, const struct tame_quasi *q, double omega)
{
	const struct tame_drive *d = &l->drive;
	double complex s = omega * I;
	struct tame_answer a = tame_answer(&l->joint, q, omega);
	double complex speed = s * (d->speed_at_arm ? a.arm : a.rotor);
	double complex angle = d->position_at_arm ? a.arm : a.rotor;
	double complex controller = d->gains.speed_Nms + q->gain * d->gains.integral_Nm_per_rad / s;

	return q->gain * d->torque_scale * controller * (speed + d->gains.position_per_s * angle) *
	       cexp(-s * d->delay_s) / (1 + s * d->torque_lag_s);
}

struct poly {
	double c[TERMS];
	int degree;
};

static struct poly times(const struct poly *a, const struct poly *b)
{
	struct poly ret = { .degree = a->degree + b->degree };

	for (int i = 0; i <= a->degree; i++)
		for (int k = 0; k <= b->degree; k++)
			ret.c[i + k] += a->c[i] * b->c[k];
	return ret;
}

static struct poly plus(const struct poly *a, const struct poly *b)
{
	struct poly ret = { .degree = a->degree > b->degree ? a->degree : b->degree };

	for (int i = 0; i <= ret.degree; i++)
		ret.c[i] = a->c[i] + b->c[i];
	return ret;
}

static struct poly line(double c0, double c1)
{
	return (struct poly){ { c0, c1 }, 1 };
}

/* e^(-s delay) = pade(-delay)/pade(delay). */
static struct poly pade(double delay_s)
{
	struct poly ret = { .degree = PADE };
	double term = 1;

	for (int k = 0; k <= PADE; k++) {
		ret.c[k] = term;
		term *= delay_s * (PADE - k) / ((2.0 * PADE - k) * (k + 1));
	}
	return ret;
}

/* The mechanics by speeds: s times rotor and arm of tame_answer are fractions over the same whole. */
struct mechanics {
	struct poly whole, rotor, arm; /* s times angle for 1 N.m: rotor/whole */
};

static struct mechanics mechanics(const struct tame_joint *j, const struct tame_quasi *q)
{
	struct poly rotor = line(j->rotor_viscous_Nms + q->rotor_Nms, j->rotor_kgm2);
	struct poly arm = line(j->arm_viscous_Nms + q->arm_Nms, j->arm_kgm2);
	struct poly spring = line(q->flank * j->stiffness_Nm_per_rad, q->flank * j->damping_Nms);
	struct poly s = line(0, 1), one = { { 1 }, 0 };

	if (!(j->arm_kgm2 > 0))
		return (struct mechanics){ rotor, one, one };
	struct poly product = times(&rotor, &arm), free_arm = times(&s, &arm), sum = plus(&rotor, &arm);
	struct poly swinging = times(&s, &product), joined = times(&spring, &sum);
	return (struct mechanics){ plus(&swinging, &joined), plus(&free_arm, &spring), spring };
}

/* s^2 (1 + s lag) whole pade(delay) + gain (K_p s + K_i)(s speed + K_x angle) pade(-delay) */
static struct poly characteristic(const struct tame_loop *l, const struct tame_quasi *q)
{
	const struct tame_drive *d = &l->drive;
	struct mechanics m = mechanics(&l->joint, q);
	struct poly s = line(0, 1), s2 = times(&s, &s), lag = line(1, d->torque_lag_s);
	struct poly late = pade(d->delay_s), early = pade(-d->delay_s), kx = { { d->gains.position_per_s }, 0 };
	double gain = q->gain * d->torque_scale;
	struct poly pi = line(q->gain * gain * d->gains.integral_Nm_per_rad, gain * d->gains.speed_Nms);
	struct poly speed = times(&s, d->speed_at_arm ? &m.arm : &m.rotor);
	struct poly angle = times(&kx, d->position_at_arm ? &m.arm : &m.rotor);
	struct poly a = times(&s2, &lag), b = times(&a, &m.whole), c = times(&b, &late);
	struct poly both = plus(&speed, &angle), e = times(&pi, &both), f = times(&e, &early);

	return plus(&c, &f);
}

/* Powers without a coefficient go at both ends; then time is counted so that the roots lie about 1. */
static double strip(struct poly *p)
{
	int low = 0;

	while (p->degree > 0 && !(fabs(p->c[p->degree]) > 0))
		p->degree--;
	while (low < p->degree && !(fabs(p->c[low]) > 0))
		low++;
	memmove(p->c, p->c + low, (size_t)(p->degree - low + 1) * sizeof p->c[0]);
	p->degree -= low;
	if (p->degree == 0)
		return 1;
	double unit = pow(fabs(p->c[0] / p->c[p->degree]), 1.0 / p->degree), power = 1;
	for (int i = 0; i <= p->degree; i++, power *= unit)
		p->c[i] *= power;
	return unit;
}

double tame_growth(const struct tame_loop *l, const struct tame_quasi *q, double *ret_omega)
{
	struct poly p = characteristic(l, q);
	double unit = strip(&p), root[2 * TERMS], most = -INFINITY, largest = 0;

	*ret_omega = 0;
	if (p.degree == 0)
		return -INFINITY;
	gsl_poly_complex_workspace *w = gsl_poly_complex_workspace_alloc((size_t)p.degree + 1);
	int failed = w ? gsl_poly_complex_solve(p.c, (size_t)p.degree + 1, w, root) : 1;
	if (w)
		gsl_poly_complex_workspace_free(w);
	if (failed)
		return NAN;
	for (int i = 0; i < 2 * p.degree; i++)
		largest = fmax(largest, fabs(root[i]));
	for (int i = 0; i < p.degree; i++)
		if (root[2 * i] * unit > most) {
			most = root[2 * i] * unit;
			*ret_omega = fabs(root[2 * i + 1]) * unit;
		}
	return fabs(most) > NOTHING * largest * unit ? most : 0;
}
