/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "command/offline.h"
#include "command/ripple_find.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

json_t *ripple_json(const struct ripple_found *f)
{
	json_t *list = json_array();

	for (size_t i = 0; i < f->s.n_waves; i++) {
		const struct order_wave *v = &f->s.wave[i];
		const char *name = ripple_name_of(f, v->order);
		bool seen = v->order < f->cell_order;
		json_array_append_new(
			list, json_pack("{s:o, s:o, s:o, s:b, s:b, s:o}", "order", cli_real(v->order), "amplitude_Nm",
					seen ? number_json(v->amplitude_Nm, v->u_Nm, v->dof) : json_null(), "name",
					cli_text(name), "stands_out", seen && v->stands_out, "visible", seen,
					"speed_at_most_rpm", cli_real(ripple_slow_enough_rpm(f, v->order))));
	}
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "orders", list, "turns",
			 cli_real(f->s.turns), "highest_order", cli_real(f->cell_order), "mean_Nm",
			 cli_real(f->s.mean_Nm), "rms_Nm", number_json(f->s.rms_Nm, f->s.u_rms_Nm, 0),
			 "peak_to_peak_Nm", number_json(f->s.peak_to_peak_Nm, f->s.u_peak_to_peak_Nm, 0), "noise_Nm",
			 cli_real(f->s.noise_Nm), "speed_rpm", cli_real(f->speed_rpm), "lag_s",
			 isnan(f->late_s) ? json_null() : number_json(f->late_s, f->late_limit_s / sqrt(3), 0),
			 "friction_Nm", f->both ? number_json(f->friction_Nm, f->u_friction_Nm, 0) : json_null());
}

static void print_lag(const struct ripple_found *f)
{
	if (isnan(f->late_s))
		return;
	printf("A torque is told %.3g ms late, give or take %.3g ms; that is corrected. What is left of it is in u: up "
	       "to %.2g %% of a wave of order %.4g, %.2g %% at %.4g.\n",
	       1000 * f->late_s, 1000 * f->late_limit_s, 100 * ripple_late_share(f, f->cell_order / 4),
	       f->cell_order / 4, 100 * ripple_late_share(f, f->cell_order), f->cell_order);
}

void ripple_print(const struct ripple_found *f)
{
	printf("%g whole turns%s, mean torque %.5g N\u00b7m, noise %.2g N\u00b7m\n", f->s.turns,
	       f->both ? ", both ways" : "", f->s.mean_Nm, f->s.noise_Nm);
	offline_line("ripple, RMS", f->s.rms_Nm, f->s.u_rms_Nm, INFINITY, "N·m");
	offline_line("ripple, peak to peak", f->s.peak_to_peak_Nm, f->s.u_peak_to_peak_Nm, INFINITY, "N·m");
	if (f->both)
		offline_line("friction", f->friction_Nm, f->u_friction_Nm, INFINITY, "N·m");
	printf("\n  %10s %14s %12s  %s\n", "order", "amplitude, N\u00b7m", "u", "");
	for (size_t i = 0; i < f->s.n_waves; i++) {
		const struct order_wave *v = &f->s.wave[i];
		const char *name = ripple_name_of(f, v->order);
		if (v->order < f->cell_order)
			printf("  %10.5g %14.4g %12.2g  %s%s\n", v->order, v->amplitude_Nm, v->u_Nm, name ? name : "",
			       v->stands_out ? ""
			       : v->beside   ? " (not told apart from a larger wave beside it; more turns do)"
					     : " (in the noise)");
		else if (isfinite(f->rate_Hz))
			printf("  %10.5g %14s %12s  %s: not seen at %.3g rpm; turn at %.3g rpm or slower\n", v->order,
			       "-", "-", name ? name : "", f->speed_rpm, ripple_slow_enough_rpm(f, v->order));
		else
			printf("  %10.5g %14s %12s  %s: not seen, too few readings a turn\n", v->order, "-", "-",
			       name ? name : "");
	}
	printf("\nOrders above %.4g are not seen: they have fewer than %.2g readings to a wave. A wave above half of "
	       "the readings a turn appears as a lower order.\n",
	       f->cell_order, f->readings_of_wave);
	print_lag(f);
}
