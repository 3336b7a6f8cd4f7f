/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang_loads.h"

#include "calib/mass/weights.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define DENSITY_SOURCE "density of the weights"

struct hang_place hang_place_of(const struct rig_profile *rig)
{
	return (struct hang_place){
		.arm_m = rig->arm_m,
		.gravity_m_per_s2 = profile_gravity(rig),
		.air_kg_per_m3 = rig->air_density_kg_per_m3,
		.level_deg = rig->arm_level_deg,
		.one_sided = rig->one_sided,
	};
}

/* The uncertain numbers that all loads share. */
struct shared {
	struct unc_ctx *ctx;
	struct unc arm, gravity, air, level, lean;
};

static enum rc share(const struct hang_place *place, struct shared *ret, struct err *err)
{
	enum rc rc = weight_arm_check(place->arm_m.value, err);

	if (rc != RC_OK)
		return rc;
	if (!(place->gravity_m_per_s2.value > 0))
		return err_set(err, RC_ARG, 0, "gravity %g m/s2: expected a positive value",
			       place->gravity_m_per_s2.value);
	ret->ctx = unc_ctx_new();
	if (!ret->ctx)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	ret->arm = unc_of_quantity(ret->ctx, "calibration arm", place->arm_m);
	ret->gravity = unc_of_quantity(ret->ctx, "gravity", place->gravity_m_per_s2);
	ret->air = unc_of_quantity(ret->ctx, "air density", place->air_kg_per_m3);
	ret->level = unc_of_quantity(ret->ctx, "arm off level", place->level_deg);
	ret->lean = unc_add(ret->ctx, unc_exact(1),
			    unc_of_quantity(ret->ctx, "weights pull on one side", place->one_sided));
	return RC_OK;
}

/* Largest share of each source over all loads. */
static double largest_part(const struct unc *torque, size_t n, uint32_t source)
{
	double most = 0;

	for (size_t i = 0; i < n; i++)
		most = fmax(most, fabs(unc_part_of(torque[i], source)));
	return most;
}

/* The heaviest sources keep their names; when there are more than fit, the rest goes into the last one. */
static size_t choose_sources(const struct unc_ctx *ctx, const struct unc *torque, size_t n,
			     uint32_t chosen[CELLCAL_SOURCES], bool *ret_rest)
{
	size_t count = unc_source_count(ctx), kept = 0, present = 0;

	for (uint32_t s = 0; s < count; s++)
		present += largest_part(torque, n, s) > 0;
	*ret_rest = present > CELLCAL_SOURCES;
	size_t room = *ret_rest ? CELLCAL_SOURCES - 1 : CELLCAL_SOURCES;
	while (kept < room && kept < present) {
		double most = 0;
		uint32_t best = 0;
		for (uint32_t s = 0; s < count; s++) {
			bool taken = false;
			for (size_t k = 0; k < kept; k++)
				taken = taken || chosen[k] == s;
			double part = taken ? 0 : largest_part(torque, n, s);
			if (part > most) {
				most = part;
				best = s;
			}
		}
		chosen[kept++] = best;
	}
	return kept;
}

static void to_loads(const struct unc_ctx *ctx, const struct unc *torque, size_t n, struct cellcal_load *load,
		     struct cellcal_source source[CELLCAL_SOURCES], size_t *ret_n_sources)
{
	uint32_t chosen[CELLCAL_SOURCES];
	bool rest;
	size_t kept = choose_sources(ctx, torque, n, chosen, &rest);

	for (size_t k = 0; k < kept; k++) {
		snprintf(source[k].name, sizeof source[k].name, "%.47s", unc_source_name(ctx, chosen[k]));
		source[k].dof = unc_source_dof(ctx, chosen[k]);
		source[k].dist = unc_source_dist(ctx, chosen[k]);
	}
	if (rest)
		source[kept] = (struct cellcal_source){ .name = "further small sources",
							.dof = INFINITY,
							.dist = DIST_NORMAL };
	for (size_t i = 0; i < n; i++) {
		double left = unc_u(torque[i]) * unc_u(torque[i]);
		load[i] = (struct cellcal_load){ .torque_Nm = torque[i].value };
		for (size_t k = 0; k < kept; k++) {
			load[i].shift_Nm[k] = unc_part_of(torque[i], chosen[k]);
			left -= load[i].shift_Nm[k] * load[i].shift_Nm[k];
		}
		if (rest)
			load[i].shift_Nm[kept] = sqrt(fmax(left, 0));
	}
	*ret_n_sources = kept + (rest ? 1 : 0);
}

/* Standard uncertainty of a load from its sources, all independent. */
static double hang_load_u_Nm(const struct cellcal_load *load, size_t n_sources)
{
	double sum = 0;

	for (size_t i = 0; i < n_sources; i++)
		sum += load->shift_Nm[i] * load->shift_Nm[i];
	return sqrt(sum);
}

static enum rc choose_steps(const struct weights_profile *weights, size_t steps, struct hang_loads *ret,
			    struct err *err)
{
	size_t plain = weights->n - (weights->hanger >= 0 ? 1 : 0), first = 0;

	*ret = (struct hang_loads){ 0 };
	if (plain == 0)
		return err_set(err, RC_ARG, 0,
			       "weights.ini: found no weight to hang, expected a section for each piece");
	if (steps > plain)
		return err_set(err, RC_ARG, 0, "--steps: found %zu, but weights.ini has %zu pieces beside the hanger",
			       steps, plain);
	if (weights->hanger >= 0)
		ret->order[ret->n_pieces++] = (size_t)weights->hanger;
	first = ret->n_pieces;
	for (size_t i = 0; i < weights->n; i++)
		if ((int)i != weights->hanger)
			ret->order[ret->n_pieces++] = i;
	ret->n = steps > 0 ? steps : plain;
	for (size_t k = 1; k <= ret->n; k++)
		ret->upto[k] = first + (k * plain + ret->n / 2) / ret->n;
	return RC_OK;
}

enum rc hang_loads_make(const struct hang_place *place, const struct weights_profile *weights, size_t steps,
			struct hang_loads *ret, struct err *err)
{
	struct shared shared;
	struct unc force[PROFILE_PIECES], torque[HANG_LOADS + 1];
	enum rc rc = choose_steps(weights, steps, ret, err);

	if (rc == RC_OK)
		rc = share(place, &shared, err);
	if (rc != RC_OK)
		return rc;
	for (size_t i = 0; i < ret->n_pieces; i++) {
		const struct weight_piece *p = &weights->piece[ret->order[i]];
		char name[PROFILE_WORD + 16];
		snprintf(name, sizeof name, "mass of %s", p->name);
		struct unc mass = unc_of_quantity(shared.ctx, name, p->mass_kg);
		struct unc density = unc_of_quantity(shared.ctx, DENSITY_SOURCE,
						     (struct quantity){ .value = p->density_kg_per_m3,
									.u = p->u_density_kg_per_m3,
									.dof = INFINITY,
									.dist = DIST_NORMAL });
		force[i] = weight_force_N(shared.ctx, mass, shared.gravity, shared.air, density);
	}
	torque[0] = unc_exact(0);
	for (size_t k = 1; k <= ret->n; k++) {
		torque[k] = unc_mul(shared.ctx, shared.lean,
				    weight_stack_torque_Nm(shared.ctx, force, ret->upto[k], shared.arm, shared.level));
		for (size_t i = 0; i < ret->upto[k]; i++)
			ret->mass_kg[k] += weights->piece[ret->order[i]].mass_kg.value;
	}
	to_loads(shared.ctx, torque, ret->n + 1, ret->load, ret->source, &ret->n_sources);
	for (size_t k = 0; k <= ret->n; k++)
		ret->u_Nm[k] = hang_load_u_Nm(&ret->load[k], ret->n_sources);
	if (unc_failed(shared.ctx))
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	unc_ctx_free(shared.ctx);
	return rc;
}

enum rc hang_masses_make(const struct hang_place *place, const double *mass_kg, size_t n, struct cellcal_load *ret_load,
			 struct cellcal_source ret_source[CELLCAL_SOURCES], size_t *ret_n_sources, struct err *err)
{
	struct shared shared;
	enum rc rc = share(place, &shared, err);

	if (rc != RC_OK)
		return rc;
	struct unc *torque = n ? calloc(n, sizeof *torque) : NULL;
	if (!torque) {
		unc_ctx_free(shared.ctx);
		return err_set(err, RC_NOMEM, 0, "out of memory");
	}
	for (size_t i = 0; i < n; i++) {
		struct unc force =
			weight_force_N(shared.ctx, unc_exact(mass_kg[i]), shared.gravity, shared.air, unc_exact(7900));
		torque[i] =
			unc_mul(shared.ctx, shared.lean, weight_torque_Nm(shared.ctx, force, shared.arm, shared.level));
	}
	to_loads(shared.ctx, torque, n, ret_load, ret_source, ret_n_sources);
	if (unc_failed(shared.ctx))
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	free(torque);
	unc_ctx_free(shared.ctx);
	return rc;
}
