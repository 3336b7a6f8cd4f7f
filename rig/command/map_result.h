/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A finished brake map: the fit over the readings, their whole uncertainty, text and JSON. */
#ifndef BRIDLE_COMMAND_MAP_RESULT_H
#define BRIDLE_COMMAND_MAP_RESULT_H

#include "calib/cell/cellcal.h"
#include "live/live_zero.h"
#include "run/seq_map.h"

struct map_result {
	struct brakemap map;
	double u_torque_Nm[MAP_READINGS]; /* noise, calibration and zero drift together, of each reading */
	double drift_Nm, u_zero_Nm;       /* of the zero over the run; uncertainty of one zero */
	int lag_steps;                    /* how many steps the lag rests on */
	int64_t run_id, record_id, calibration_id;
};

enum rc map_result_make(const struct seq_map *seq, const struct cellcal *cal, const struct live_zero *before,
			const struct live_zero *after, struct map_result *ret, struct err *err) MUST_CHECK;
json_t *map_result_json(const struct seq_map *seq, const struct map_result *r);
int map_result_print(const struct seq_map *seq, const struct map_result *r);

#endif
