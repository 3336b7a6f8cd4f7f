/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the owners of the two rigs believe and write into their profiles. */
#include "stranger.h"

#include <string.h>
#include <sys/stat.h>

struct papers papers_of(bool hysteresis, bool single)
{
	struct papers p = {
		.name = "Mill Race",
		.full_scale = 60,
		.brake_torque = 50,
		.brake_current = 1.0,
		.arm = 0.5,
		.weight_limit = 60,
		.volts = 48,
		.amps = 25,
		.dropout = 34,
		.cable = 0.030,
		.ratio = 30,
		.pulses = 2400,
		.torque_limit = 52,
		.speed_limit = 140,
		.zero_drift = 0.004,
		.gain_drift = 20e-6,
		.creep = 0.0002,
		.meter_gain = 0.002,
		.meter_volt = 0.02,
		.meter_amp = 0.01,
		.clock = 50e-6,
	};

	if (hysteresis) {
		p.name = "Wind Pump";
		p.full_scale = 30;
		p.brake_torque = 26;
		p.brake_current = 1.2;
		p.arm = 0.3;
		p.volts = 24;
		p.amps = 20;
		p.dropout = 17;
		p.cable = 0.012;
		p.ratio = 50;
		p.torque_limit = 28;
		p.speed_limit = 110;
		p.zero_drift = 0.002;
		p.meter_volt = 0.01;
	}
	p.hysteresis = hysteresis;
	p.single = single;
	if (single)
		p.pulses = 60;
	return p;
}

static FILE *new_file(const char *folder, const char *name)
{
	char path[500];
	snprintf(path, sizeof path, "%s/%s", folder, name);
	return fopen(path, "w");
}

static void write_rig(const struct papers *p, FILE *f)
{
	fprintf(f, "[rig]\nname = %s\n", p->name);
	if (p->hysteresis)
		fprintf(f, "gravity = 9.8112 m/s2 ± 0.0004 m/s2 rect\n");
	else
		fprintf(f, "latitude = 47.6 deg ± 0.05 deg rect\nheight = 420 m ± 20 m rect\n");
	fprintf(f,
		"\n[tether]\nlink = unix:tether.sock\nbaud = 115200\nrate = 100 Hz\nlease = 0.3 s\nclock = ± %g ppm\n",
		p->clock * 1e6);
	fprintf(f, "\n[virtual]\ncontrol = unix:control.sock\n");
	fprintf(f,
		"\n[cell]\nname = single point, 24 bits\nfull_scale = %g N.m\nmounting = cradle\nsaturation = "
		"8388607\n",
		p->full_scale);
	fprintf(f, "zero_drift = 0 N.m/K ± %g N.m/K normal\ngain_drift = 0 1/K ± %g ppm/K\ncreep = 0 %% ± %g %%\n",
		p->zero_drift, p->gain_drift * 1e6, p->creep * 100);
	fprintf(f, "\n[arm]\nlength = %g mm ± %s\nlevel = 0 deg ± 0.5 deg rect\n", p->arm * 1000,
		p->hysteresis ? "0.3 mm rect" : "0.4 mm k=2");
	fprintf(f, "\n[brake]\nkind = %s\ncurrent = %g A\ntorque = %g N.m\n", p->hysteresis ? "hysteresis" : "powder",
		p->brake_current, p->brake_torque);
	fprintf(f,
		"slip_power = %d W\nslip_power_short = %d W\nslip_energy = %d kJ\ntemperature = 120 degC\nmin_slip = "
		"%d rpm\n",
		p->hysteresis ? 220 : 450, p->hysteresis ? 600 : 1200, p->hysteresis ? 60 : 150, p->hysteresis ? 2 : 5);
	fprintf(f, "drag_ratio = 1 ± 2 %% rect\n");
	fprintf(f, "outside_drag = 0.023 N.m ± 0.007 N.m rect\n");
	fprintf(f, "\n[supply]\nvoltage = %g V\ncurrent_limit = %g A\nvoltage_min = %g V\nvoltage_max = %g V\n",
		p->volts, p->amps, p->dropout, p->volts * 1.2);
	fprintf(f,
		"\n[meter]\nplane = actuator\nvoltage_gain = 1 ± 0.2 %% k=2\nvoltage_offset = 0 mV ± %g "
		"mV\ncurrent_gain = 1 ± 0.2 %% k=2\n"
		"current_offset = 0 mA ± %g mA\n",
		p->meter_volt * 1000, p->meter_amp * 1000);
	fprintf(f, "\n[pickup]\npulses = %g\n", p->pulses);
	fprintf(f, "\n[limits]\ntorque = %g N.m\nspeed = %g rpm\ncoupling = %g N.m\nstall = 2 s\n", p->torque_limit,
		p->speed_limit, p->torque_limit * 1.15);
	fprintf(f, "\n[check]\nweight = 1kg\nlimit = 0.3 %%\n");
}

static void write_plans(const struct papers *p, FILE *f, const char *steps)
{
	fprintf(f,
		"[plan]\nactuator = turner\nload = torque\ndrive = speed\nspeed = %d rpm\n\n[steps]\ntorque = %s "
		"N.m\ndown = yes\n"
		"repeat_first = yes\n\n[steady]\ndwell = 3 s\nwindow = 3 s\ntimeout = 20 s\n",
		p->hysteresis ? 68 : 85, steps);
}

bool papers_write(const struct papers *p, const char *folder)
{
	char path[500];
	FILE *f;

	mkdir(folder, 0777);
	snprintf(path, sizeof path, "%s/rig.ini", folder);
	if ((f = fopen(path, "r"))) { /* a person's own papers stay */
		fclose(f);
		return true;
	}
	snprintf(path, sizeof path, "%s/actuators", folder);
	mkdir(path, 0777);
	snprintf(path, sizeof path, "%s/plans", folder);
	mkdir(path, 0777);
	if (!(f = new_file(folder, "rig.ini")))
		return false;
	write_rig(p, f);
	fclose(f);
	if (!(f = new_file(folder, "weights.ini")))
		return false;
	fprintf(f, "[hanger]\nmass = %s\n", p->hysteresis ? "0.4021 kg ± 0.2 g rect" : "0.5087 kg ± 0.4 g rect");
	for (int i = 0; i < (p->hysteresis ? 4 : 5); i++)
		fprintf(f, "\n[2kg-%c]\nnominal = 2 kg\nclass = M1\n", 'a' + i);
	fprintf(f, "\n[1kg]\nnominal = 1 kg\nclass = M1\n");
	fclose(f);
	if (!(f = new_file(folder, "actuators/turner.ini")))
		return false;
	fprintf(f,
		"[actuator]\nname = turner\nratio = %g\n\n[limits]\ntorque = %g N.m\nspeed = %g rpm\ncurrent = 30 "
		"A\ncase = 90 degC\n"
		"winding = 130 degC\n\n[drive]\ndropout = %g V\n\n[forecast]\nefficiency = 58 %%\nno_load_power = 15 "
		"W\n",
		p->ratio, p->torque_limit * 0.95, p->speed_limit, p->dropout);
	fclose(f);
	if (!(f = new_file(folder, "plans/twelve.ini")))
		return false;
	write_plans(p, f, p->hysteresis ? "2, 6, 10, 14, 18, 22" : "3, 10, 17, 24, 31, 38");
	fclose(f);
	return true;
}
