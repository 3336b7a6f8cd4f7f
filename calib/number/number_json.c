/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"

#include <math.h>

static json_t *real(double x)
{
	return isfinite(x) ? json_real(x) : json_null();
}

void number_json_into(json_t *object, double value, double u, double dof)
{
	json_object_set_new(object, "value", real(value));
	json_object_set_new(object, "u", real(u));
	if (isfinite(u) && isfinite(dof) && dof > 0)
		json_object_set_new(object, "dof", real(dof));
}

json_t *number_json(double value, double u, double dof)
{
	if (!isfinite(value))
		return json_null();
	json_t *o = json_object();
	number_json_into(o, value, u, dof);
	return o;
}
