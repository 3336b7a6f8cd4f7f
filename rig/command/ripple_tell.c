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
					seen ? number_json(v->amplitude_Nm, v->u_Nm, 0) : json_null(), "name",
					cli_text(name), "stands_out", seen && v->stands_out, "visible", seen,
					"speed_at_most_rpm", cli_real(ripple_slow_enough_rpm(f, v->order))));
	}
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "orders", list, "turns", cli_real(f->s.turns),
			 "highest_order", cli_real(f->cell_order), "mean_Nm", cli_real(f->s.mean_Nm), "rms_Nm",
			 cli_real(f->s.rms_Nm), "peak_to_peak_Nm", cli_real(f->s.peak_to_peak_Nm), "speed_rpm",
			 cli_real(f->speed_rpm), "friction_Nm",
			 f->both ? number_json(f->friction_Nm, f->u_friction_Nm, 0) : json_null());
}

void ripple_print(const struct ripple_found *f)
{
	printf("%g whole turns%s; what varies: RMS %.4g N\u00b7m, peak to peak %.4g N\u00b7m about %.5g N\u00b7m\n",
	       f->s.turns, f->both ? ", both ways" : "", f->s.rms_Nm, f->s.peak_to_peak_Nm, f->s.mean_Nm);
	if (f->both)
		offline_line("friction", f->friction_Nm, f->u_friction_Nm, INFINITY, "N·m");
	printf("\n  %10s %14s %12s  %s\n", "order", "amplitude, N\u00b7m", "u", "");
	for (size_t i = 0; i < f->s.n_waves; i++) {
		const struct order_wave *v = &f->s.wave[i];
		const char *name = ripple_name_of(f, v->order);
		if (v->order < f->cell_order)
			printf("  %10.5g %14.4g %12.2g  %s%s\n", v->order, v->amplitude_Nm, v->u_Nm, name ? name : "",
			       v->stands_out ? "" : " (in the noise)");
		else if (isfinite(f->rate_Hz))
			printf("  %10.5g %14s %12s  %s: not seen at %.3g rpm; turn at %.3g rpm or slower\n", v->order,
			       "-", "-", name ? name : "", f->speed_rpm, ripple_slow_enough_rpm(f, v->order));
		else
			printf("  %10.5g %14s %12s  %s: not seen, too few readings a turn\n", v->order, "-", "-",
			       name ? name : "");
	}
	printf("\nOrders above %.4g are not seen: that is half of the readings a turn. A wave above it appears as a "
	       "lower "
	       "order.\n",
	       f->cell_order);
}
