/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/agenda.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum rc parse_item(char *text, struct agenda *a, struct err *err)
{
	char *end;
	double t_s = strtod(text, &end);

	if (end == text || *end != ' ' || !(t_s >= 0 && t_s < 1e6) || strlen(end + 1) >= AGENDA_TEXT || end[1] == '\0')
		return err_set(err, RC_ARG, 0,
			       "--at: found \"%s\", expected a bench time in s and an act of the hands, such as "
			       "\"40 fault estop\"",
			       text);
	if (a->n == AGENDA_ACTS)
		return err_set(err, RC_ARG, 0, "--at: more than %d acts", AGENDA_ACTS);
	a->item[a->n].t_us = (int64_t)(t_s * 1e6);
	if (a->n > 0 && a->item[a->n].t_us < a->item[a->n - 1].t_us)
		return err_set(err, RC_ARG, 0, "--at: \"%s\" comes before the act in front of it", text);
	snprintf(a->item[a->n].act, AGENDA_TEXT, "%s", end + 1);
	a->n++;
	return RC_OK;
}

enum rc agenda_parse(const char *text, struct agenda *ret, struct err *err)
{
	struct agenda a = { 0 };
	char copy[1024], *rest = NULL;
	enum rc rc = RC_OK;

	if (strlen(text) >= sizeof copy)
		return err_set(err, RC_ARG, 0, "--at: longer than %zu characters", sizeof copy - 1);
	snprintf(copy, sizeof copy, "%s", text);
	for (char *item = strtok_r(copy, ";", &rest); item && rc == RC_OK; item = strtok_r(NULL, ";", &rest))
		rc = parse_item(item + strspn(item, " "), &a, err);
	if (rc == RC_OK)
		*ret = a;
	return rc;
}

const struct agenda_item *agenda_due(struct agenda *agenda, int64_t t_us)
{
	if (agenda->done >= agenda->n || agenda->item[agenda->done].t_us > t_us)
		return NULL;
	return &agenda->item[agenda->done++];
}
