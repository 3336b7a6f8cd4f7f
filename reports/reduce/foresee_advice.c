/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/foresee_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define COUNTS 0.05    /* of the variance: less of it changes the second digit of U by nothing that counts */
#define HALVED 0.5     /* of the variance of a mean: what twice the dwell leaves of it */
#define QUARTERED 0.25 /* of the variance of a source that is half as large */
#define PER_CENT 0.1   /* of the torque: a larger U is told in N·m */
#define AS_STATED 0.2  /* the calibration's source and what rig.ini states now may be so far apart */

/* Where what rig.ini states enters: at each point, or with the weights by the calibration, as a length whose relative u
 * is the torque's, or as a share of it. */
enum rests { ON_NOTHING, ON_POINT, ON_LENGTH, ON_SHARE };

struct cure {
	const char *source, *told; /* how its names begin; NULL: told as that */
	const char *advice;
	size_t at; /* in struct rig_profile, what states it */
	double scale;
	const char *unit;
	enum rests rests;
};
#define STATED(field) offsetof(struct rig_profile, field)

static const struct cure cures[] = {
	{ "torque noise", NULL, "Let each step dwell longer", 0, 0, "", ON_NOTHING },
	{ "zero reading", NULL, "Free what makes the drag uneven, or turn slower: the zero scatters", 0, 0, "",
	  ON_NOTHING },
	{ "calibration arm", NULL, "Measure the arm's length", STATED(arm_m), 1e3, "mm", ON_LENGTH },
	{ "curve of the calibration", NULL, "Take more series with bridle hang", 0, 0, "", ON_NOTHING },
	{ "mounting of the cell", NULL, "Mount the cell again for more series of bridle hang", 0, 0, "", ON_NOTHING },
	{ "cell repeatability", NULL, "Find what makes the cell scatter: free its cradle and its cable", 0, 0, "",
	  ON_NOTHING },
	{ "weights pull on one side", NULL, "Find [arm] one_sided by weights on either side", STATED(one_sided), 1e2,
	  "%", ON_SHARE },
	{ "drag unlike both ways at zero", NULL, "Find [brake] drag_ratio by turning the brake both ways",
	  STATED(drag_ratio), 1e2, "%", ON_POINT },
	{ "drag of the bearing outside", NULL, "Measure [brake] outside_drag", STATED(outside_drag_Nm), 1, "N·m",
	  ON_POINT },
	{ "cell turned backward", NULL, "Find [cell] backward by weights on either side", STATED(backward), 1e2, "%",
	  ON_POINT },
	{ "cell creep", NULL, "Find [cell] creep by a test", STATED(creep_frac), 1e2, "%", ON_POINT },
	{ "drag fading", "drag that fades", "Clear the brake before the zero", 0, 0, "", ON_NOTHING },
	{ "friction locked in", NULL, "Read the zero by turning both ways", 0, 0, "", ON_NOTHING },
	{ "friction of the cradle", NULL, "Free the bearing of the cradle", 0, 0, "", ON_NOTHING },
	{ "reversibility", NULL, "Calibrate with rising and falling loads to the heaviest", 0, 0, "", ON_NOTHING },
	{ "loop of the cell", NULL, "Plan the same heaviest load as the calibration's", 0, 0, "", ON_NOTHING },
	{ "zero drift", NULL, "Shorten the sweep, so that the zero is read sooner", 0, 0, "", ON_NOTHING },
	{ "mass of", "mass of the weights", "Use weights of a better class, or have them weighed", 0, 0, "",
	  ON_NOTHING },
	{ "gravity", NULL, "State [rig] gravity of the place", 0, 0, "", ON_NOTHING },
	{ "cell gain with temperature", NULL, "Calibrate at the temperature of the run", 0, 0, "", ON_NOTHING },
};
static const struct cure other = { "", NULL, "State this source more closely", 0, 0, "", ON_NOTHING };

static bool begins(const char *text, const char *with)
{
	return strncmp(text, with, strlen(with)) == 0;
}

static const struct cure *cure_of(const char *source)
{
	for (size_t i = 0; i < sizeof cures / sizeof cures[0]; i++)
		if (begins(source, cures[i].source))
			return &cures[i];
	return &other;
}

/* A source without a cure stands for itself. */
static bool alike(const char *a, const char *b)
{
	return cure_of(a) == &other ? strcmp(a, b) == 0 : cure_of(a) == cure_of(b);
}

static double share_of(const struct budget_row *row, size_t n, const char *name)
{
	double share = 0;

	for (size_t i = 0; i < n; i++)
		if (alike(row[i].name, name))
			share += row[i].share_frac;
	return share;
}

static const char *largest(const struct budget_row *row, size_t n)
{
	const char *name = row[0].name;

	for (size_t i = 1; i < n; i++)
		if (row[i].joined == 0 && share_of(row, n, row[i].name) > share_of(row, n, name))
			name = row[i].name;
	return name;
}

/* "0.24 %" of the torque, or "0.012 N·m". */
static const char *amount(double x_Nm, double U_Nm, double torque_Nm, char buf[32])
{
	if (U_Nm < PER_CENT * torque_Nm)
		snprintf(buf, 32, "%.2g %%", 100 * x_Nm / torque_Nm);
	else
		snprintf(buf, 32, "%.2g N·m", x_Nm);
	return buf;
}

/* " to ± 0.2 mm": half of what rig.ini states, as it is stated there. "" where it states none, or another one than the
 * calibration was made with. */
static const char *half_of_it(const struct cure *cure, const struct rig_profile *rig, double u_frac, char buf[40])
{
	const struct quantity *q = (const struct quantity *)((const char *)rig + cure->at);

	buf[0] = '\0';
	if (cure->rests == ON_NOTHING || !(q->u > 0))
		return buf;
	double stated_frac = cure->rests == ON_LENGTH ? q->u / q->value : q->u;
	if (cure->rests != ON_POINT && !(fabs(u_frac / stated_frac - 1) < AS_STATED))
		return buf;
	double limit = dist_half_width(q->dist, q->u, q->beta);
	snprintf(buf, 40, " to ± %.2g %s", cure->scale * (isfinite(limit) ? limit : 2 * q->u) / 2, cure->unit);
	return buf;
}

/* What a longer dwell would do about it. */
static void tell_dwell(const struct foreseen *seen, double noise_share, double torque_Nm, char *buf, size_t size)
{
	char would[32];

	if (noise_share < COUNTS)
		snprintf(buf, size, "Twice the dwell would change nothing");
	else
		snprintf(buf, size, "Twice the dwell would give ± %s",
			 amount(seen->U_torque_Nm * sqrt(1 - HALVED * noise_share), seen->U_torque_Nm, torque_Nm,
				would));
}

void foresee_advise(const struct rig_profile *rig, const struct budget_row *row, size_t n, double torque_Nm,
		    struct foreseen *ret)
{
	const char *name = largest(row, n);
	const struct cure *cure = cure_of(name);
	double noise = share_of(row, n, "torque noise"), U = ret->U_torque_Nm;
	char all[32], part[32], halved[32], to[40], dwell[80];

	/* The name without the place: "cell repeatability, step 3". */
	snprintf(ret->source, sizeof ret->source, "%.*s", (int)strcspn(name, ","), name);
	if (cure != &other)
		snprintf(ret->source, sizeof ret->source, "%s", cure->told ? cure->told : cure->source);
	ret->share = share_of(row, n, name);
	ret->U_part_Nm = U * sqrt(ret->share);
	ret->U_halved_Nm = U * sqrt(1 - (1 - QUARTERED) * ret->share);
	ret->U_common_Nm = U * sqrt(fmax(0, 1 - noise));
	tell_dwell(ret, noise, torque_Nm, dwell, sizeof dwell);
	half_of_it(cure, rig, torque_Nm > 0 ? ret->u_torque_Nm * sqrt(ret->share) / torque_Nm : NAN, to);
	snprintf(ret->advice, sizeof ret->advice, "± %s at %.4g N·m, of which %s %s. %s%s: %s± %s. %s.",
		 amount(U, U, torque_Nm, all), torque_Nm, ret->source, amount(ret->U_part_Nm, U, torque_Nm, part),
		 cure->advice, to, to[0] ? "it would be " : "half of it would give ",
		 amount(ret->U_halved_Nm, U, torque_Nm, halved), dwell);
}
