/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hold_meter.h"

#include "calib/number/units.h"

#include <math.h>

/* What the heat of the cable grows by under load, for each ohm: squares of the currents. */
static double square_A2(const struct rig_profile *rig, double net_W, double idle_W)
{
	double V = rig->supply_V, loaded_A = (net_W + idle_W) / V, idle_A = idle_W / V;

	return rig->plane == PLANE_SUPPLY ? loaded_A * loaded_A - idle_A * idle_A : 0;
}

struct hold_meter hold_meter(const struct rig_profile *rig, double speed_rpm, double idle_W, bool product,
			     const double *torque_Nm, double *loss_W, size_t n)
{
	double gain = rig->volt_gain.value * rig->amp_gain.value, V = rig->supply_V, ohm = rig->cable_ohm.value;
	double net_W = 0, square = 0;
	struct hold_meter ret = { 0, 0, 0, { { NULL, 0 } } };
	size_t loaded = 0;

	if (!product)
		gain *= 1 - rig->meter_ripple.value;
	for (size_t i = 0; i < n; i++) {
		if (!(fabs(torque_Nm[i]) > 0))
			continue;
		double shaft_W = shaft_power_W(torque_Nm[i], speed_rpm);
		double net = (loss_W[i] + shaft_W) * gain * (1 - rig->volt_offset_V.value / V);
		double A2 = square_A2(rig, net, idle_W);
		loss_W[i] = net - ohm * A2 - shaft_W;
		double share = 1 / (double)++loaded;
		net_W += (net - net_W) * share;
		square += (A2 - square) * share;
		ret.loss_W += (loss_W[i] - ret.loss_W) * share;
		ret.torque_Nm += (torque_Nm[i] - ret.torque_Nm) * share;
	}
	ret.n = HOLD_METER_PARTS;
	ret.part[0].source = "voltmeter gain";
	ret.part[0].u_W = net_W * rig->volt_gain.u / rig->volt_gain.value;
	ret.part[1].source = "ammeter gain";
	ret.part[1].u_W = net_W * rig->amp_gain.u / rig->amp_gain.value;
	ret.part[2].source = "voltmeter offset";
	ret.part[2].u_W = -net_W * rig->volt_offset_V.u / V;
	ret.part[3].source = "ripple inside the meter's averages";
	ret.part[3].u_W = product ? 0 : -net_W * rig->meter_ripple.u;
	ret.part[4].source = "cable resistance";
	ret.part[4].u_W = -square * rig->cable_ohm.u;
	return ret;
}
