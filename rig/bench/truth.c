/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/truth.h"

#include "bench/actuator.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <string.h>
#include <unistd.h>

/* Standard normal by the name. */
static double normal(uint64_t seed, const char *name)
{
	return stated_draw(seed, name, "0 ± 1 normal", "1");
}

void true_rig_draw(uint64_t seed, const struct stated *stated, const struct physics *physics, struct true_rig *t)
{
	static const char *const place[] = { "temp.brake", "temp.case", "temp.winding", "temp.ambient", "temp.cell" };

	memset(t, 0, sizeof *t);
	t->gravity_m_per_s2 = stated_gravity(seed, stated, physics->room.anomaly_m_per_s2);
	t->air_density_kg_per_m3 = stated_draw_key(seed, stated, STATED_AIR_DENSITY);
	t->arm_m = stated_draw_key(seed, stated, STATED_ARM);
	if (physics->arm.length_m > 0)
		t->arm_m *= physics->arm.length_m / stated_value_key(stated, STATED_ARM);
	t->arm_level_deg = stated_draw_key(seed, stated, STATED_LEVEL);
	t->cable_ohm = fmax(stated_draw_key(seed, stated, STATED_CABLE), 0);
	t->volt_gain = stated_draw_key(seed, stated, STATED_VOLT_GAIN);
	t->amp_gain = stated_draw_key(seed, stated, STATED_AMP_GAIN);
	t->volt_offset_V = stated_draw_key(seed, stated, STATED_VOLT_OFFSET);
	t->amp_offset_A = stated_draw_key(seed, stated, STATED_AMP_OFFSET);
	t->zero_drift_Nm_per_K = stated_draw_key(seed, stated, STATED_ZERO_DRIFT);
	t->gain_drift_per_K = stated_draw_key(seed, stated, STATED_GAIN_DRIFT);
	t->creep_frac = stated_draw_key(seed, stated, STATED_CREEP);
	t->drag_ratio = stated_draw_key(seed, stated, STATED_DRAG_RATIO);
	t->node_clock_ppm = 1e6 * stated_draw_key(seed, stated, STATED_CLOCK);
	t->n_pieces = stated->n;
	for (size_t i = 0; i < t->n_pieces; i++)
		t->mass_kg[i] = stated_mass_kg(seed, stated, i, &t->density_kg_per_m3[i]);
	for (int i = 0; i < 5; i++)
		t->temp_error_K[i] = physics->node.temp_error_K * normal(seed, place[i]);
}

static json_t *rig_json(const struct true_rig *t)
{
	return json_pack("{s:f,s:f,s:f,s:f,s:f,s:f,s:f,s:f,s:f,s:f,s:f,s:f,s:f,s:f}", "gravity_m_per_s2",
			 t->gravity_m_per_s2, "air_density_kg_per_m3", t->air_density_kg_per_m3, "arm_m", t->arm_m,
			 "arm_level_deg", t->arm_level_deg, "cable_ohm", t->cable_ohm, "volt_gain", t->volt_gain,
			 "amp_gain", t->amp_gain, "volt_offset_V", t->volt_offset_V, "amp_offset_A", t->amp_offset_A,
			 "zero_drift_Nm_per_K", t->zero_drift_Nm_per_K, "gain_drift_per_K", t->gain_drift_per_K,
			 "creep_frac", t->creep_frac, "node_clock_ppm", t->node_clock_ppm, "drag_ratio", t->drag_ratio);
}

static json_t *weights_json(const struct true_rig *t, const struct weights_profile *weights)
{
	json_t *doc = json_object();

	for (size_t i = 0; i < t->n_pieces; i++)
		json_object_set_new(
			doc, weights->piece[i].name,
			json_pack("{s:f,s:f}", "mass_kg", t->mass_kg[i], "density_kg_per_m3", t->density_kg_per_m3[i]));
	return doc;
}

/* Never through a link: the folder may be shared. */
static FILE *create(const char *path)
{
	int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0640);
	FILE *f = fd >= 0 ? fdopen(fd, "w") : NULL;

	if (fd >= 0 && f == NULL)
		close(fd);
	return f;
}

static enum rc write_json(const char *path, uint64_t seed, const struct physics *physics, const struct true_rig *t,
			  const struct weights_profile *weights, struct err *err)
{
	json_t *doc = json_pack("{s:I,s:o,s:o,s:o,s:{s:f,s:f}}", "seed", (json_int_t)seed, "rig", rig_json(t),
				"weights", weights_json(t, weights), "virtual", physics_json(physics), "orders",
				"cogging", actuator_cogging_order(physics), "mesh", physics->gear.teeth);
	FILE *f = doc != NULL ? create(path) : NULL;
	bool failed = f == NULL || json_dumpf(doc, f, JSON_INDENT(2) | JSON_REAL_PRECISION(17)) != 0;

	failed = (f != NULL && fclose(f) != 0) || failed;
	json_decref(doc);
	return failed ? err_set(err, RC_IO, errno, "%s: cannot be written%s", path,
				errno == ELOOP ? ": it is a link" : "")
		      : RC_OK;
}

enum rc truth_open(const char *folder, uint64_t seed, const struct physics *physics, const struct true_rig *truth,
		   const struct weights_profile *weights, FILE **ret, struct err *err)
{
	char path[PROFILE_PATH + 40];
	enum rc rc;
	FILE *csv;

	snprintf(path, sizeof path, "%s/truth.json", folder);
	rc = write_json(path, seed, physics, truth, weights, err);
	if (rc != RC_OK)
		return rc;
	snprintf(path, sizeof path, "%s/truth.csv", folder);
	csv = create(path);
	if (csv == NULL)
		return err_set(err, RC_IO, errno, "%s: cannot be written: %s", path, strerror(errno));
	fputs("t_s,int_torque_Nms,int_speed_rad,int_work_J,int_voltage_Vs,int_current_As,int_electric_J,int_brake_Nms,"
	      "int_brake_work_J,"
	      "node,drive_on,contactor,brake_A,speed_rad_per_s,torque_Nm,bus_V,winding_degC,case_degC,brake_rotor_degC,"
	      "brake_housing_degC,drive_flags,supply_limiting,peak_torque_Nm,peak_rad_per_s\n",
	      csv);
	fflush(csv);
	*ret = csv;
	return RC_OK;
}

void truth_row(FILE *csv, int64_t t_us, const struct truth_sums *sums, const struct truth_state *state)
{
	fprintf(csv,
		"%.6f,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%.12g,%s,%d,%d,%.6f,%.6f,%.6f,%.4f,%.3f,%.3f,%.3f,%.3f,"
		"%u,%d,%.4f,%.5f\n",
		(double)t_us * 1e-6, sums->torque_Nms, sums->angle_rad, sums->work_J, sums->volt_Vs, sums->ampere_As,
		sums->electric_J, sums->brake_Nms, sums->brake_work_J, state->node, state->drive_on, state->contactor,
		state->brake_A, state->speed_rad_per_s, state->torque_Nm, state->bus_V, state->winding_degC,
		state->case_degC, state->brake_rotor_degC, state->brake_housing_degC, state->drive_flags,
		state->supply_limiting, state->peak_Nm, state->peak_rad_per_s);
	fflush(csv);
}
