/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/limit_search.h"

#include <math.h>
#include <stdio.h>

#define SAME 1e-9

void limit_search_tell(struct limit_search *s, double set, bool held, const char *why)
{
	if (held && (isnan(s->failed) || set < s->failed)) {
		if (!(set <= s->held)) {
			if (!isnan(s->held) && s->n_below < (int)(sizeof s->below / sizeof s->below[0]))
				s->below[s->n_below++] = s->held;
			s->held = set;
		}
		return;
	}
	if (held || set >= s->failed)
		return;
	s->failed = set;
	snprintf(s->why, sizeof s->why, "%s", why);
	while (set <= s->held + SAME)
		s->held = s->n_below > 0 ? s->below[--s->n_below] : NAN;
}

void limit_search_end(struct limit_search *s, const char *why)
{
	s->over = true;
	snprintf(s->why, sizeof s->why, "%s", why);
}

void limit_search_found(struct limit_search *s)
{
	s->over = s->found = true;
}

static struct limit_try none(struct limit_search *s, const char *why)
{
	limit_search_end(s, why);
	return (struct limit_try){ .set = NAN };
}

static struct limit_try upward(struct limit_search *s)
{
	double set = s->held + s->step / 2;

	if (set > s->ceiling + SAME && s->ceiling > s->held + s->fine)
		set = s->ceiling;
	return set <= s->ceiling + SAME ? (struct limit_try){ .set = set } : none(s, s->ceiling_why);
}

static struct limit_try between(struct limit_search *s)
{
	double gap = s->failed - s->held;

	if (gap > s->fine + SAME && s->held + gap / 2 > s->ceiling + SAME)
		return none(s, s->ceiling_why);
	if (gap <= s->fine + SAME)
		return (struct limit_try){ .set = s->held, .is_limit = true };
	return (struct limit_try){ .set = s->held + gap / 2, .is_limit = gap / 2 <= s->fine + SAME };
}

struct limit_try limit_search_next(struct limit_search *s)
{
	if (s->over)
		return (struct limit_try){ .set = NAN };
	if (isnan(s->held))
		return none(s, isnan(s->failed) ? "no load was taken at this speed" : "no load held");
	if (s->tries >= LIMIT_SEARCH_TRIES)
		return none(s, "the limit was not found in 10 tries");
	s->tries++;
	return isnan(s->failed) ? upward(s) : between(s);
}
