/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/uncertain.h"
#include "terminal/cli.h"

#include <stdio.h>

void cli_set_unc(json_t *object, const char *key, struct unc value)
{
	char u_key[80];

	snprintf(u_key, sizeof u_key, "u_%s", key);
	json_object_set_new(object, key, cli_real(value.value));
	json_object_set_new(object, u_key, cli_real(unc_u(value)));
}
