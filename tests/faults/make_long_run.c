/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Writes a logbook with one run of so many samples, 100 a second, that ended a moment ago on a real rig and heated the
 * brake. Its end says nothing of the heat, as in logbooks of older programs. Usage: make_long_run FILE SAMPLES */
#include "tests/unit/logbook/logbook_scene.h"

#include <time.h>

static int fill(struct logbook *lb, long samples, struct err *err)
{
	int64_t wall_ns = (int64_t)time(NULL) * 1000000000;
	struct run_head head = {
		.kind = "sweep", .rig_text = "[rig]\n", .mono_ns = 0, .wall_ns = wall_ns - samples * 10000000
	};

	if (logbook_run_begin(lb, &head, err) != RC_OK || logbook_begin(lb, err) != RC_OK)
		return 1;
	for (long i = 0; i < samples; i++) {
		struct sample s = sample_number(i);
		s.torque_Nm = 50;
		s.speed_rpm = 100;
		if (logbook_samples(lb, head.id, &s, 1, err) != RC_OK)
			return 1;
	}
	return logbook_commit(lb, err) != RC_OK ||
	       logbook_run_end(lb, head.id, samples * 10000000, "done", "", "", err) != RC_OK;
}

int main(int argc, char **argv)
{
	struct logbook *lb = NULL;
	struct err err = { 0 };

	if (argc != 3 || logbook_open(argv[1], &lb, &err) != RC_OK || fill(lb, strtol(argv[2], NULL, 10), &err)) {
		fprintf(stderr, "%s\n", err.what);
		return 3;
	}
	logbook_close(lb);
	return 0;
}
