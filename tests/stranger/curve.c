/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The actuator's true curve at the edge of what it can do: all of the voltage, up to the drive's current limit. */
#include "stranger.h"

#include <math.h>

#define PI 3.14159265358979323846

void rig_curve(const struct rig *r, double volts, double winding, FILE *out)
{
	double N = r->p.ratio, ohm = r->resistance * (1 + 0.00393 * (winding - 20));
	bool begun = false;

	fprintf(out, "[");
	for (int n = 0; n <= 2000; n++) {
		double i = r->drive_limit * n / 2000,
		       kt = r->kt * (1 - r->kt_fall * (winding - 20)) / (1 + r->kt_bow * i * i);
		double rotor = (r->modulation * volts - ohm * i) / kt, w = rotor / N, torque, power;

		torque = (N * (kt * i - r->iron - r->iron_speed * rotor) - r->gear_dry - r->gear_viscous * w) /
			 (1 + r->gear_load);
		power = i * (ohm * i + kt * rotor) + i * r->drop + i * i * r->switch_r + r->standby;
		if (w <= 0)
			break;
		fprintf(out, "%s[%.6f,%.6f,%.6f]", begun ? ",\n" : "", torque, w * 30 / PI, power);
		begun = true;
	}
	fprintf(out, "]\n");
}
