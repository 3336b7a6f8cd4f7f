/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "calc/calc_option.h"

#include "calib/number/number.h"
#include "calib/number/uncertain.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum rc calc_option(const char *name, const char *text, const char *unit, bool bare, struct quantity *ret,
		    struct err *err)
{
	double value;

	if (!text)
		return err_set(err, RC_ARG, 0, "--%s is missing; give it with a unit such as %s", name,
			       strcmp(unit, "1") == 0 ? "%" : unit);
	if (bare && number_parse(text, &value, NULL) == RC_OK) {
		*ret = (struct quantity){ .value = value, .dof = INFINITY };
		return RC_OK;
	}
	enum rc rc = quantity_parse(text, unit, ret, err);
	if (rc)
		err_prefix(err, "--%s \"%.60s\": ", name, text);
	return rc;
}

json_t *calc_json(double value, double u, const char *unit)
{
	json_t *out = json_object();

	number_json_into(out, value, u, NAN);
	json_object_set_new(out, "unit", cli_text(unit));
	return out;
}

void calc_print(const char *name, double value, double u, double k, const char *unit)
{
	char text[200];

	quantity_format(text, sizeof text, value, u, k, 0.95, unit);
	printf("%-12s %s\n", name, text);
}
