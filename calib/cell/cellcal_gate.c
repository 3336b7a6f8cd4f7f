/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cellcal_gate.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

/* One vector over the readings with its line taken off. */
struct leftover {
	double *e;
	double slope, square;
};

struct gating {
	const struct cellcal_gate_input *g;
	size_t n;
	double *buffer, *t, *z; /* t: torque less its mean */
	struct leftover y, try;
	double t_square, most_Nm;
};

static const struct cellcal_reading *reading(const struct gating *w, size_t i)
{
	return &w->g->in->readings[i];
}

static size_t zero_of(const struct gating *w, size_t i, bool last)
{
	size_t found = w->n;

	for (size_t j = 0; j < w->n; j++)
		if (reading(w, j)->series == reading(w, i)->series && !(fabs(reading(w, j)->load.torque_Nm) > 0) &&
		    (last || found == w->n))
			found = j;
	return found;
}

static double tared(const struct gating *w, size_t i)
{
	size_t zero = zero_of(w, i, false);

	return reading(w, i)->indication - (zero < w->n ? reading(w, zero)->indication : 0);
}

/* Mean and line in torque taken off. */
static void take_line_off(const struct gating *w, const double *v, struct leftover *ret)
{
	double mean = 0, cross = 0;

	for (size_t i = 0; i < w->n; i++)
		mean += v[i] / (double)w->n;
	for (size_t i = 0; i < w->n; i++)
		cross += (v[i] - mean) * w->t[i];
	ret->slope = cross / w->t_square;
	ret->square = 0;
	for (size_t i = 0; i < w->n; i++) {
		ret->e[i] = v[i] - mean - ret->slope * w->t[i];
		ret->square += ret->e[i] * ret->e[i];
	}
}

static enum rc open(const struct cellcal_gate_input *g, struct gating *w, struct err *err)
{
	double mean = 0;

	*w = (struct gating){ .g = g, .n = g->in->n };
	w->buffer = calloc(4 * w->n, sizeof *w->buffer);
	if (!w->buffer)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu readings", w->n);
	w->t = w->buffer;
	w->z = w->t + w->n;
	w->y.e = w->z + w->n;
	w->try.e = w->y.e + w->n;
	for (size_t i = 0; i < w->n; i++) {
		mean += reading(w, i)->load.torque_Nm / (double)w->n;
		w->most_Nm = fmax(w->most_Nm, fabs(reading(w, i)->load.torque_Nm));
	}
	for (size_t i = 0; i < w->n; i++) {
		w->t[i] = reading(w, i)->load.torque_Nm - mean;
		w->t_square += w->t[i] * w->t[i];
		w->z[i] = tared(w, i);
	}
	if (!(w->t_square > 0)) {
		free(w->buffer);
		return err_set(err, RC_SINGULAR, 0,
			       "every reading has the same load; a calibration needs different ones");
	}
	take_line_off(w, w->z, &w->y);
	return RC_OK;
}

static void fail(struct cellcal_gate *ret, enum gate_check check, double value, double limit)
{
	ret->finding[ret->n++] = (struct gate_finding){ check, value, limit };
	ret->usable = false;
}

/* --- one load that does not belong --- */

struct guess {
	size_t reading;
	int piece, series;
};

static bool concerns(const struct gating *w, const struct guess *guess, size_t i)
{
	if (guess->piece < 0)
		return i == guess->reading;
	return (w->g->pieces[i] >> guess->piece & 1) && (guess->series == 0 || reading(w, i)->series == guess->series);
}

/* How much of what departs from the line goes when this load may be another; the slip itself into ret. */
static double explained(struct gating *w, const struct guess *guess, struct gate_slip *ret)
{
	double along = 0;
	size_t count = 0;

	for (size_t i = 0; i < w->n; i++) {
		w->z[i] = concerns(w, guess, i);
		if (w->z[i] > 0 && count++ == 0)
			ret->reading = i;
	}
	take_line_off(w, w->z, &w->try);
	if (count == 0 || !(w->try.square > 1e-6 * (double)count))
		return 0;
	for (size_t i = 0; i < w->n; i++)
		along += w->try.e[i] * w->y.e[i];
	double shift = along / w->try.square, slope = w->y.slope - shift * w->try.slope;
	ret->n_readings = count;
	ret->series = guess->series;
	ret->piece = guess->piece;
	ret->stated_Nm = guess->piece < 0 ? reading(w, guess->reading)->load.torque_Nm : w->g->piece_Nm[guess->piece];
	ret->fits_Nm = ret->stated_Nm + shift / slope;
	return along * shift / w->y.square;
}

static int piece_like(const struct gating *w, double difference_Nm)
{
	int best = -1;
	double nearest = INFINITY;

	for (size_t p = 0; w->g->pieces && p < w->g->n_pieces; p++) {
		double off = fabs(fabs(difference_Nm) - w->g->piece_Nm[p]);
		if (off < GATE_PIECE_FRAC * w->g->piece_Nm[p] && off < nearest) {
			nearest = off;
			best = (int)p;
		}
	}
	return best;
}

static int last_series(const struct gating *w)
{
	int last = 0;

	for (size_t i = 0; i < w->n; i++)
		last = reading(w, i)->series > last ? reading(w, i)->series : last;
	return last;
}

/* A guess counts when it is no chance; one about a piece must explain nearly all: a mounting that differs is no wrong
 * piece. */
static bool stands(const struct gating *w, const struct gate_slip *slip, double share, double tries, double least_frac)
{
	double dof = (double)w->n - 3;

	if (!(dof >= 1) || !(share > (slip->piece >= 0 ? GATE_SLIP_EXPLAINS : 0)))
		return false;
	double f = share * dof / fmax(1 - share, 1e-12);
	double off_Nm = fabs(slip->fits_Nm - slip->stated_Nm);
	return gsl_cdf_fdist_Q(f, 1, dof) < GATE_SLIP_P / tries &&
	       (off_Nm > least_frac * w->most_Nm || slip->like_piece >= 0);
}

struct search {
	double tries, least_frac, best;
	struct gate_slip *ret;
};

static void consider(struct gating *w, const struct guess *guess, struct search *search)
{
	struct gate_slip slip = { .found = true };
	double share = explained(w, guess, &slip);

	slip.like_piece = piece_like(w, slip.fits_Nm - slip.stated_Nm);
	/* a later guess that says the same says it no better */
	if (!(share > search->best * (1 + 1e-9)) || !stands(w, &slip, share, search->tries, search->least_frac))
		return;
	search->best = share;
	*search->ret = slip;
}

static void look_for_slip(struct gating *w, double least_frac, struct gate_slip *ret)
{
	int series = last_series(w);
	size_t n_pieces = w->g->pieces ? w->g->n_pieces : 0;
	struct search search = { .tries = (double)(w->n + n_pieces * ((size_t)series + 1)),
				 .least_frac = least_frac,
				 .ret = ret };

	if (!(w->y.square > 0))
		return;
	for (size_t i = 0; i < w->n; i++)
		if (fabs(reading(w, i)->load.torque_Nm) > 0)
			consider(w, &(struct guess){ i, -1, reading(w, i)->series }, &search);
	for (size_t p = 0; p < n_pieces; p++)
		for (int s = 0; s <= series; s++)
			consider(w, &(struct guess){ 0, (int)p, s }, &search);
}

/* --- the checks --- */

static void check_range(const struct gating *w, struct cellcal_gate *ret)
{
	double most = 0;

	for (size_t i = 0; i < w->n; i++)
		most = fmax(most, fabs(reading(w, i)->indication));
	if (!isnan(w->g->most_count) && !(most < w->g->most_count))
		fail(ret, GATE_RANGE, most, w->g->most_count);
}

static double sensitivity_frac(const struct gating *w)
{
	double dof = (double)w->n - 2;

	if (!(dof >= 1))
		return 0;
	double u = sqrt(w->y.square / dof / w->t_square);
	return fabs(w->y.slope) > 0 ? gsl_cdf_tdist_Pinv(0.975, dof) * u / fabs(w->y.slope) : INFINITY;
}

static double zero_return_Nm(const struct gating *w, double per_Nm)
{
	double worst = 0;

	for (size_t i = 0; i < w->n; i++) {
		size_t zero = zero_of(w, i, true);
		if (zero < w->n)
			worst = fmax(worst, fabs(tared(w, zero) / per_Nm));
	}
	return worst;
}

static void find_worst(const struct gating *w, struct cellcal_gate *ret)
{
	for (size_t i = 0; i < w->n; i++)
		if (fabs(w->y.e[i]) > fabs(w->y.e[ret->worst]))
			ret->worst = i;
	ret->worst_Nm = w->y.e[ret->worst] / w->y.slope;
}

static void check_span(const struct gating *w, struct cellcal_gate *ret)
{
	double per_Nm = fabs(w->y.slope), span = per_Nm * w->g->full_scale_Nm / w->g->most_count;

	if (isnan(w->g->most_count))
		return;
	if (!(per_Nm * w->most_Nm >= GATE_LEAST_COUNTS))
		fail(ret, GATE_COUNTS, per_Nm * w->most_Nm, GATE_LEAST_COUNTS);
	if (isnan(w->g->full_scale_Nm))
		return;
	if (!(span <= GATE_SPAN_MOST))
		fail(ret, GATE_SPAN, span, GATE_SPAN_MOST);
	else if (!(span >= GATE_SPAN_LEAST))
		fail(ret, GATE_SPAN, span, GATE_SPAN_LEAST);
}

static void check_agreement(const struct gating *w, struct cellcal_gate *ret)
{
	double found = fabs(w->y.slope) * w->g->full_scale_Nm, stated = w->g->full_scale_count;

	if (!isnan(stated) && !isnan(found) &&
	    !(found <= GATE_AGREE_FACTOR * stated && stated <= GATE_AGREE_FACTOR * found))
		fail(ret, GATE_AGREE, found, stated);
}

static void check_fit(struct gating *w, struct cellcal_gate *ret)
{
	find_worst(w, ret);
	look_for_slip(w, GATE_SLIP_FRAC, &ret->slip);
	if (!ret->slip.found)
		look_for_slip(w, GATE_DOUBT_FRAC, &ret->doubt);
	if (ret->slip.found)
		fail(ret, GATE_SLIP, fabs(ret->slip.fits_Nm - ret->slip.stated_Nm) / w->most_Nm, GATE_SLIP_FRAC);
	if (!(fabs(ret->worst_Nm) <= GATE_RESIDUAL_FRAC * w->most_Nm))
		fail(ret, GATE_RESIDUAL, fabs(ret->worst_Nm) / w->most_Nm, GATE_RESIDUAL_FRAC);
	double zero = zero_return_Nm(w, w->y.slope) / w->most_Nm;
	if (!(zero <= GATE_ZERO_FRAC))
		fail(ret, GATE_ZERO, zero, GATE_ZERO_FRAC);
}

static void check_line(struct gating *w, struct cellcal_gate *ret)
{
	if (w->g->must_rise && !(ret->sensitivity > 0))
		fail(ret, GATE_SIGN, ret->sensitivity, 0);
	check_fit(w, ret);
	check_span(w, ret);
	check_agreement(w, ret);
}

enum rc cellcal_gate(const struct cellcal_gate_input *g, struct cellcal_gate *ret, struct err *err)
{
	struct gating w;
	enum rc rc = open(g, &w, err);

	if (rc != RC_OK)
		return rc;
	*ret = (struct cellcal_gate){ .usable = true,
				      .sensitivity = w.y.slope,
				      .sensitivity_frac = sensitivity_frac(&w) };
	check_range(&w, ret);
	/* without a sensitivity nothing else has a meaning in N·m */
	if (!(ret->sensitivity_frac <= GATE_SENSITIVITY_FRAC))
		fail(ret, GATE_SENSITIVITY, ret->sensitivity_frac, GATE_SENSITIVITY_FRAC);
	else
		check_line(&w, ret);
	if (!isnan(g->full_scale_Nm) && !(w.most_Nm <= g->full_scale_Nm))
		fail(ret, GATE_OVERLOAD, w.most_Nm, g->full_scale_Nm);
	free(w.buffer);
	return RC_OK;
}

const char *gate_word(enum gate_check check)
{
	static const char *const words[] = { "range",       "sensitivity", "sign", "wrong_load", "residual",
					     "zero_return", "counts",      "span", "agreement",  "overload" };

	return words[check];
}
