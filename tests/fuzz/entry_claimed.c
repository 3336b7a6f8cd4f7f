/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as the table of a data sheet's curve ([claims] curve). Never a crash; a refusal has a sentence and leaves
 * the result alone; a curve that is taken rises in torque and is within the ranges that its header tells. */
#include "profile/claimed_csv.h"

#include "tests/fuzz/bytes_as_file.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static bool is_within(const double *value, size_t n, double most)
{
	for (size_t i = 0; i < n; i++)
		if (!(value[i] >= 0 && value[i] <= most))
			return false;
	return true;
}

static bool is_curve(const struct claimed_curve *c)
{
	if (c->n < 2 || c->n > CLAIMED_POINTS)
		return false;
	for (size_t i = 1; i < c->n; i++)
		if (!(c->torque_Nm[i] > c->torque_Nm[i - 1]))
			return false;
	return is_within(c->torque_Nm, c->n, 1e5) && is_within(c->speed_rpm, c->n, 1e5) &&
	       (!c->has_efficiency || is_within(c->efficiency, c->n, 1)) &&
	       (!c->has_current || is_within(c->current_A, c->n, 1e4));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	static struct claimed_curve curve, before;
	struct bytes_file file;
	struct mistakes m = { 0 };
	struct err err = { 0 };

	if (!bytes_as_file(data, n, &file))
		return 0;
	memset(&before, 0xA5, sizeof before);
	memcpy(&curve, &before, sizeof curve);
	enum rc rc = claimed_csv_read(file.path, &curve, &m, &err);
	if (rc == RC_OK ? !is_curve(&curve) : !err.what[0] || memcmp(&curve, &before, sizeof curve) != 0)
		abort();
	close(file.fd);
	return 0;
}
