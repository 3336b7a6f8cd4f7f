/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A virtual bench inside a unit test: profiles from text, and a host that speaks whole lines. */
#ifndef BRIDLE_TESTS_WORLD_KIT_H
#define BRIDLE_TESTS_WORLD_KIT_H

#include "bench/hands.h"
#include "bench/world.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"
#include "profile/profile.h"

static const char kit_rig[] =
	"[rig]\nname = kit\ngravity = 9.8125 m/s2 ± 0.0002 m/s2\nair_density = 1.2 kg/m3 ± 0.06 kg/m3 rect\n"
	"[tether]\nlink = unix:run/tether.sock\n[virtual]\ncontrol = unix:run/control.sock\n"
	"[cell]\nfull_scale = 60 N.m\nmounting = cradle\nzero_drift = 0 N.m/K ± 0.004 N.m/K normal\n"
	"gain_drift = 0 1/K ± 20 ppm/K\ncreep = 0 % ± 0.02 %\n"
	"[arm]\nlength = 500.0 mm ± 0.4 mm k=2\nlevel = 0 deg ± 0.5 deg rect\n"
	"[brake]\nkind = powder\ncurrent = 1.2 A\ntorque = 50 N.m\nslip_power = 500 W\nslip_power_short = 1.2 kW\n"
	"slip_energy = 120 kJ\ntemperature = 110 degC\n"
	"[supply]\nvoltage = 48 V\ncurrent_limit = 12 A\nvoltage_min = 36 V\nvoltage_max = 56 V\n"
	"[meter]\nplane = actuator\ncable = 0.08 ohm ± 0.005 ohm\nvoltage_gain = 1 ± 0.2 % k=2\nvoltage_offset = 0 mV "
	"± 20 mV\n"
	"current_gain = 1 ± 0.2 % k=2\ncurrent_offset = 0 mA ± 10 mA\n"
	"[pickup]\npulses = 2400\n[limits]\ntorque = 52 N.m\nspeed = 150 rpm\ncoupling = 60 N.m\n"
	"[check]\nweight = w1\n";

static const char kit_weights[] =
	"[hanger]\nmass = 0.512 kg ± 0.5 g\n[w1]\nnominal = 1 kg\nclass = M1\n[w2]\nnominal = 2 kg\nclass = M1\n";

/* Profiles and default physics of a seed; the caller may change the copy before kit_world. */
static inline struct world_config kit_config(uint64_t seed)
{
	struct world_config config = { .seed = seed, .step_us = WORLD_STEP_US };
	struct mistakes m = { 0 };
	struct err err = { 0 };

	if (profile_parse_rig(kit_rig, "rig.ini", &config.rig, &m, &err) != RC_OK ||
	    profile_parse_weights(kit_weights, "weights.ini", &config.weights, &m, &err) != RC_OK ||
	    physics_read("/nonexistent/virtual.ini", seed, &config.physics, &m, &err) != RC_OK ||
	    stated_parse(kit_rig, kit_weights, &config.stated, &err) != RC_OK)
		fail_msg("%s: %s", err.what, m.n > 0 ? m.line[0] : "");
	return config;
}

/* Without the strays that no profile states, for tests that reckon to the last digit. */
static inline void kit_without_strays(struct physics *p)
{
	p->lever.stiction_Nm = p->lever.cable_Nm = p->lever.one_sided_frac = p->lever.seat_m = p->lever.hand_frac = 0;
	p->coupling.bearing_Nm = p->coupling.once_Nm = p->cell.emf_Nm_per_K = p->supply.breath_frac =
		p->drive.ripple_frac = 0;
}

static inline struct world *kit_world(const struct world_config *config)
{
	struct world *world = NULL;
	struct err err = { 0 };

	if (world_new(config, &world, &err) != RC_OK)
		fail_msg("%s", err.what);
	return world;
}

static uint8_t kit_seq; /* a test that compares bytes sets it back */

static inline void kit_send(struct world *w, const char *body)
{
	struct tether_writer t;

	tether_begin_seq(&t, '?', ++kit_seq);
	tether_put_words(&t, body);
	world_receive(w, t.line, tether_end(&t));
}

/* Go on, throwing away what the node says. */
static inline void kit_go(struct world *w, double s)
{
	char buf[512];

	world_advance(w, w->now_us + (int64_t)(s * 1e6 + 0.5));
	while (world_take(w, buf, sizeof buf) > 0) {
	}
}

/* Go on with a set-point kept alive. */
static inline void kit_drive(struct world *w, double s, const char *set)
{
	char body[80];

	snprintf(body, sizeof body, "set 1000 %s", set);
	for (; s > 0; s -= 0.5) {
		kit_send(w, body);
		kit_go(w, s < 0.5 ? s : 0.5);
	}
}

static inline void kit_power(struct world *w)
{
	kit_send(w, "power on");
	kit_go(w, 0.2);
}

/* "hang w1" and so on, as on the control line. NULL, or the reason. */
static inline const char *kit_hand(struct world *w, const char *act)
{
	char text[100], *token[TETHER_TOKENS];
	size_t n;

	snprintf(text, sizeof text, "%s", act);
	n = tether_split(text, token);
	return hands_do(w, token, n);
}

#endif
