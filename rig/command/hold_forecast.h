/* SPDX-License-Identifier: GPL-3.0-or-later */
/* When a hold will end, by the model of an earlier hold of the same actuator in the logbook. */
#ifndef BRIDLE_COMMAND_HOLD_FORECAST_H
#define BRIDLE_COMMAND_HOLD_FORECAST_H

#include "run/seq_hold.h"
#include "run/session.h"

struct hold_forecast {
	int64_t run_id;    /* of the earlier hold; 0: there is none */
	enum hold_end end; /* what is expected to end it */
	double time_s;     /* and when */
	double steady_degC;
};

/* winding_degC, case_degC, ambient_degC: as they are now; a case that is NaN has the winding's. Without an earlier
 * hold run_id 0, time_s NaN. */
enum rc hold_forecast(struct session *s, const struct hold_config *config, double winding_degC, double case_degC,
		      double ambient_degC, struct hold_forecast *ret, struct err *err) MUST_CHECK;

#endif
