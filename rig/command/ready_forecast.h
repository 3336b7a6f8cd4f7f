/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The forecast as text and JSON. */
#ifndef BRIDLE_COMMAND_READY_FORECAST_H
#define BRIDLE_COMMAND_READY_FORECAST_H

#include "terminal/cli.h"
#include "run/forecast.h"
#include "run/session.h"

void ready_forecast_make(const struct session *s, struct forecast *ret);
json_t *ready_forecast_json(const struct forecast *f);
void ready_forecast_print(const struct forecast *f, const struct session *s);

#endif
