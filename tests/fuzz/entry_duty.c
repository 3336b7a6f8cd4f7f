/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as a duty of `suit`; the first byte says which (t: a table, else the description of an arm). Never a crash;
 * a refusal has a sentence; a duty that is taken is a cycle of finite numbers whose times rise. */
#include "command/suit.h"

#include "tests/fuzz/bytes_as_file.h"

#include <math.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static bool is_duty(const struct joint_duty *d)
{
	for (size_t i = 0; i < d->n; i++)
		if (!isfinite(d->time_s[i]) || !isfinite(d->speed_rpm[i]) || !isfinite(d->torque_Nm[i]) ||
		    (i > 0 && !(d->time_s[i] > d->time_s[i - 1])))
			return false;
	return d->n >= 3;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	struct joint_duty duty = { 0 };
	struct bytes_file file;
	struct mistakes m = { 0 };
	struct err err = { 0 };

	if (n == 0 || !bytes_as_file(data + 1, n - 1, &file))
		return 0;
	const struct suit_wanted w = { .from = data[0] == 't' ? file.path : NULL,
				       .arm = data[0] == 't' ? NULL : file.path,
				       .ratio_1 = 1 };
	enum rc rc = suit_duty(&w, &duty, &m, &err);
	if (rc == RC_OK ? !is_duty(&duty) : !err.what[0])
		abort();
	suit_duty_free(&duty);
	close(file.fd);
	return 0;
}
