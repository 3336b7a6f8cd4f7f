/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/thermal/thermal_model_private.h"

#include <math.h>

double thermal_loss_W(const struct thermal_loss *loss, double torque_Nm, double winding_degC)
{
	return loss->fixed_W +
	       loss->per_Nm2_W * torque_Nm * torque_Nm * (1 + loss->per_K * (winding_degC - loss->at_degC));
}

static struct thermal_step one_store(const struct thermal_model *m, double dt_s, double loss_W, double feedback,
				     double ambient)
{
	struct thermal_step s = { { 0 }, { { 0 } } };
	double R = m->resistance_K_per_W[0], stiffness = 1 - R * feedback;

	s.steady[0] = (R * loss_W + ambient) / stiffness;
	s.decay[0][0] = exp(-stiffness * dt_s / m->tau_s[0]);
	return s;
}

/* exp(A dt) by its two real eigenvalues (Sylvester's formula), A = [a b; c d] with b c > 0. */
static void exponential(double a, double b, double c, double d, double dt_s, double ret[2][2])
{
	double half = (a + d) / 2, root = sqrt((a - d) * (a - d) / 4 + b * c);
	double e1 = exp((half + root) * dt_s), e2 = exp((half - root) * dt_s);
	double l1 = half + root, l2 = half - root, width = 2 * root;

	ret[0][0] = (e1 * (a - l2) - e2 * (a - l1)) / width;
	ret[0][1] = (e1 - e2) * b / width;
	ret[1][0] = (e1 - e2) * c / width;
	ret[1][1] = (e1 * (d - l2) - e2 * (d - l1)) / width;
}

struct thermal_step thermal_step(const struct thermal_model *m, double dt_s, double loss_W, double feedback_W_per_K,
				 double ambient_degC)
{
	if (!m->two)
		return one_store(m, dt_s, loss_W, feedback_W_per_K, ambient_degC);
	struct thermal_step s;
	double Rw = m->resistance_K_per_W[0], r = m->resistance_K_per_W[1] / Rw;
	double a = (Rw * feedback_W_per_K - 1) / m->tau_s[0], b = 1 / m->tau_s[0];
	double c = r / m->tau_s[1], d = -(1 + r) / m->tau_s[1];
	double in_w = Rw * loss_W / m->tau_s[0], in_c = ambient_degC / m->tau_s[1], det = a * d - b * c;

	s.steady[0] = (b * in_c - d * in_w) / det;
	s.steady[1] = (c * in_w - a * in_c) / det;
	exponential(a, b, c, d, dt_s, s.decay);
	return s;
}

struct thermal_step thermal_step_at(const struct thermal_model *m, const struct thermal_loss *loss, double torque_Nm,
				    double dt_s, double ambient_degC)
{
	double copper = loss->per_Nm2_W * torque_Nm * torque_Nm, feedback = copper * loss->per_K;

	return thermal_step(m, dt_s, loss->fixed_W + copper - feedback * loss->at_degC, feedback, ambient_degC);
}

void thermal_advance(const struct thermal_step *s, double *temp_degC)
{
	double w = temp_degC[0] - s->steady[0], c = temp_degC[1] - s->steady[1];

	temp_degC[0] = s->steady[0] + s->decay[0][0] * w + s->decay[0][1] * c;
	temp_degC[1] = s->steady[1] + s->decay[1][0] * w + s->decay[1][1] * c;
}

static double to_air(const struct thermal_model *m)
{
	return m->resistance_K_per_W[0] + (m->two ? m->resistance_K_per_W[1] : 0);
}

double thermal_steady_degC(const struct thermal_model *m, const struct thermal_loss *loss, double torque_Nm,
			   double ambient_degC)
{
	double copper = loss->per_Nm2_W * torque_Nm * torque_Nm, R = to_air(m),
	       stiffness = 1 - R * copper * loss->per_K;

	if (!(stiffness > 0))
		return INFINITY;
	return (ambient_degC + R * (loss->fixed_W + copper * (1 - loss->per_K * loss->at_degC))) / stiffness;
}

static double winding_after(const struct thermal_model *m, const struct thermal_loss *loss, double torque_Nm,
			    const double *start, double ambient, double t_s)
{
	double temp[2] = { start[0], m->two ? start[1] : 0 };
	struct thermal_step s = thermal_step_at(m, loss, torque_Nm, t_s, ambient);

	thermal_advance(&s, temp);
	return temp[0];
}

double thermal_time_to_s(const struct thermal_model *m, const struct thermal_loss *loss, double torque_Nm,
			 const double *start_degC, double ambient_degC, double limit_degC)
{
	double fast = m->two ? fmin(m->tau_s[0], m->tau_s[1]) : m->tau_s[0];
	double slow = m->two ? fmax(m->tau_s[0], m->tau_s[1]) + m->tau_s[0] + m->tau_s[1] : m->tau_s[0];
	double low = 0, high = fast / 1000;

	if (start_degC[0] >= limit_degC)
		return 0;
	while (!(winding_after(m, loss, torque_Nm, start_degC, ambient_degC, high) >= limit_degC)) {
		low = high;
		high *= 1.25;
		if (!(high < 2000 * slow))
			return INFINITY;
	}
	for (int i = 0; i < 80 && high - low > 1e-13 * high; i++) {
		double middle = (low + high) / 2;
		if (winding_after(m, loss, torque_Nm, start_degC, ambient_degC, middle) >= limit_degC)
			high = middle;
		else
			low = middle;
	}
	return high;
}

double thermal_continuous_Nm(const struct thermal_model *m, const struct thermal_loss *loss, double ambient_degC,
			     double limit_degC)
{
	double room_W = (limit_degC - ambient_degC) / to_air(m) - loss->fixed_W;
	double each_W = loss->per_Nm2_W * (1 + loss->per_K * (limit_degC - loss->at_degC));

	if (!(room_W > 0))
		return 0;
	return each_W > 0 ? sqrt(room_W / each_W) : INFINITY;
}

double thermal_s3_peak_degC(const struct thermal_model *m, const struct thermal_loss *loss, double torque_Nm,
			    double cycle_s, double duty, double ambient_degC)
{
	struct thermal_step on = thermal_step_at(m, loss, torque_Nm, duty * cycle_s, ambient_degC);
	struct thermal_step off = thermal_step(m, (1 - duty) * cycle_s, 0, 0, ambient_degC);
	double end[3][2] = { { 0, 0 }, { 1, 0 }, { 0, 1 } }, state[2] = { 0, 0 };

	if (!isfinite(on.decay[0][0]))
		return INFINITY;
	for (int i = 0; i < 3; i++) {
		thermal_advance(&off, end[i]);
		thermal_advance(&on, end[i]);
	}
	/* From the end of the load on, where the winding is at its warmest. */
	return thermal_fixed_point(end[0], end[1], end[2], m->two, state) ? state[0] : INFINITY;
}

bool thermal_fixed_point(const double *from_zero, const double *from_first, const double *from_second, bool two,
			 double *ret_degC)
{
	double a = from_first[0] - from_zero[0], c = two ? from_first[1] - from_zero[1] : 0;
	double b = two ? from_second[0] - from_zero[0] : 0, d = two ? from_second[1] - from_zero[1] : 0;
	double det = (1 - a) * (1 - d) - b * c;

	/* Both eigenvalues inside (-1, 1): Jury's conditions. */
	if (!(det > 0 && fabs(a * d - b * c) < 1 && fabs(a + d) < 1 + a * d - b * c))
		return false;
	ret_degC[0] = ((1 - d) * from_zero[0] + b * from_zero[1]) / det;
	ret_degC[1] = two ? (c * from_zero[0] + (1 - a) * from_zero[1]) / det : 0;
	return true;
}

/* The torque at which a rising function of it meets the limit, from the continuous torque upwards. */
struct sought {
	const struct thermal_model *m;
	const struct thermal_loss *loss;
	double time_s, duty, ambient, limit; /* duty 0: once, from cold */
};

static double warmest(const struct sought *s, double torque_Nm)
{
	double cold[2] = { s->ambient, s->ambient };

	return s->duty > 0 ? thermal_s3_peak_degC(s->m, s->loss, torque_Nm, s->time_s, s->duty, s->ambient)
			   : winding_after(s->m, s->loss, torque_Nm, cold, s->ambient, s->time_s);
}

static double torque_for(const struct sought *s)
{
	double low = 0, high = thermal_continuous_Nm(s->m, s->loss, s->ambient, s->limit);

	if (!isfinite(high) || !(s->loss->per_Nm2_W > 0))
		return INFINITY;
	if (warmest(s, 0) >= s->limit)
		return 0;
	for (high = fmax(high, 1e-9); warmest(s, high) < s->limit; high *= 2) {
		if (!(high < 1e15))
			return INFINITY;
		low = high;
	}
	for (int i = 0; i < 100 && high - low > 1e-13 * high; i++) {
		double middle = (low + high) / 2;
		if (warmest(s, middle) < s->limit)
			low = middle;
		else
			high = middle;
	}
	return low;
}

double thermal_s2_Nm(const struct thermal_model *m, const struct thermal_loss *loss, double time_s, double ambient_degC,
		     double limit_degC)
{
	return torque_for(&(struct sought){ m, loss, time_s, 0, ambient_degC, limit_degC });
}

double thermal_s3_Nm(const struct thermal_model *m, const struct thermal_loss *loss, double cycle_s, double duty,
		     double ambient_degC, double limit_degC)
{
	return torque_for(&(struct sought){ m, loss, cycle_s, duty, ambient_degC, limit_degC });
}

double thermal_by_resistance_degC(double ohm, double cold_ohm, double cold_degC, double k)
{
	return (cold_degC + k) * (ohm / cold_ohm) - k;
}
