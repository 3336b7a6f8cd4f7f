/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The one shape of a number with its uncertainty in JSON, for every document: {"value", "u", "dof"}. docs/json.md has
 * the documents. */
#ifndef BRIDLE_CALIB_NUMBER_NUMBER_JSON_H
#define BRIDLE_CALIB_NUMBER_NUMBER_JSON_H

#include <jansson.h>

/* u: standard uncertainty, null when not known (NaN). dof: left out when not known (NaN, 0) or without end. null in
 * place of the object when value is not finite. Given to the caller. */
json_t *number_json(double value, double u, double dof);

/* The same three keys into an object that has more; value null when not finite. */
void number_json_into(json_t *object, double value, double u, double dof);

#endif
