/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is wrong or doubtful in a bench folder, as far as its files and its logbook tell: figures that do not agree, a
 * check weight that is not there, a forecast beyond a limit. For `bridle check`, offline, and for `bridle ready`. Pure:
 * reads what the session holds, no I/O, no allocation. */
#ifndef BRIDLE_RUN_DOUBTS_H
#define BRIDLE_RUN_DOUBTS_H

#include "profile/plausible.h"
#include "run/forecast.h"
#include "run/session.h"

#define DOUBTS_MOST 24 /* more than there are questions */

struct doubt {
	bool refuses;    /* else it is only worth a look */
	bool acceptable; /* two figures that a person may accept on purpose: logbook/accepted.h by word, found, expected
			  */
	char word[32];   /* "check_weight", "brake_torque", ... */
	double found, expected; /* NaN where no two figures are at stake */
	char text[500];         /* without a full stop */
};
struct doubts {
	size_t n;
	struct doubt list[DOUBTS_MOST];
};

/* f: forecast of the session's plan, NULL: none is made here. ret: written whole. */
void doubts_find(const struct session *s, const struct forecast *f, struct doubts *ret);

#endif
