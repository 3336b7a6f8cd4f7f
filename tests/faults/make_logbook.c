/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Writes a logbook with every kind of row for digest.py: two runs and some records. Prints the runs' digests. */
#include "tests/unit/logbook/logbook_scene.h"

static int fill(struct logbook *lb, int run, struct err *err)
{
	struct run_head head = { .kind = "sweep",
				 .rig_text = run ? NULL : "[rig]\n",
				 .actuator_name = "paddle winder",
				 .wall_ns = 5 + run,
				 .mono_ns = -7,
				 .calibration_id = run,
				 .resumes_run_id = run };
	char digest[LOGBOOK_DIGEST_TEXT];

	if (logbook_record(lb, run, 11, "note",
			   "{\"text\": \"Wehr \xc3\xbc"
			   "berspr\xc3\xbcht\"}",
			   NULL, err) != RC_OK ||
	    logbook_run_begin(lb, &head, err) != RC_OK)
		return 1;
	for (int i = 0; i < 500; i++) {
		struct sample s = sample_number(i * (run + 1));
		struct seq_point p = point_number(i);
		if (logbook_samples(lb, head.id, &s, 1, err) != RC_OK)
			return 1;
		if (i % 50 == 0 && (logbook_point(lb, head.id, &p, err) != RC_OK ||
				    logbook_event(lb, head.id, i, "step", i ? "gate" : "", err) != RC_OK))
			return 1;
	}
	if (logbook_run_end(lb, head.id, 99, "stopped", "estop", "the emergency stop is pressed", err) != RC_OK ||
	    logbook_run_digest(lb, head.id, digest, err) != RC_OK)
		return 1;
	puts(digest);
	return 0;
}

int main(int argc, char **argv)
{
	struct logbook *lb = NULL;
	struct err err = { 0 };

	if (argc != 2 || logbook_open(argv[1], &lb, &err) != RC_OK || fill(lb, 0, &err) || fill(lb, 1, &err)) {
		fprintf(stderr, "%s\n", err.what);
		return 3;
	}
	logbook_close(lb);
	return 0;
}
