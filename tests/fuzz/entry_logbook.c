/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as a logbook from somebody else: never a crash, a refusal has a sentence, and what opens can be walked. */
#include "logbook/logbook.h"

#include <stdint.h>
#include <stdlib.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void walk(struct logbook *lb)
{
	struct err err = { 0 };
	int64_t *runs = NULL;
	size_t n = 0;

	if (logbook_verify(lb, &err) != RC_OK && !err.what[0])
		abort();
	if (logbook_runs(lb, NULL, &runs, &n, &err) != RC_OK)
		return;
	for (size_t i = 0; i < n; i++) {
		struct run_info info;
		struct seq_point *points = NULL;
		int64_t *run_of = NULL;
		size_t n_points = 0;

		if (logbook_run_info(lb, runs[i], &info, &err) == RC_OK &&
		    logbook_points(lb, runs[i], &points, &run_of, &n_points, &err) == RC_OK) {
			free(points);
			free(run_of);
		}
	}
	free(runs);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	char path[] = "/tmp/bridle-entry-XXXXXX";
	int fd = mkstemp(path);
	struct logbook *lb = NULL;
	struct err err = { 0 };

	if (fd < 0)
		return 0;
	if (write(fd, data, n) == (ssize_t)n) {
		if (logbook_open_read(path, &lb, &err) == RC_OK) {
			walk(lb);
			logbook_close(lb);
		} else if (!err.what[0]) {
			abort();
		}
	}
	close(fd);
	unlink(path);
	return 0;
}
