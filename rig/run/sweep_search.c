/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/sweep_search.h"

#include "channel/limit_found.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Common practice, no source. */
#define SPEED_SHORT 0.01 /* of the speed commanded: it is not held */
#define SUPPLY_SHARE 0.9 /* of the supply's limit */
#define HEAT_ROOM_K 5.0  /* below a stated temperature */

static bool same_rpm(double a, double b)
{
	return fabs(a - b) < 1e-9;
}

static struct sweep_search *search_at(struct seq_sweep *s, double rpm)
{
	for (size_t k = 0; k < s->config.search.n; k++)
		if (same_rpm(s->search[k].limit.rpm, rpm))
			return &s->search[k];
	return NULL;
}

/* What a run that this one resumes has seen of its loads, currents and tries is not known here: where it took one, no
 * limit is told. It may also have come past the way up, or have found the limit. */
static void take_over(struct sweep_search *k, const struct sweep_item *it)
{
	if (!it->done || it->repeat)
		return;
	if (it->direction > 0 && !it->is_limit && !k->limit.over)
		limit_search_end(&k->limit, "a resumed sweep does not take the search up again; start a new one");
	else if (it->direction <= 0 || it->is_limit)
		k->told = k->limit.over = true;
}

void sweep_search_begin(struct seq_sweep *s)
{
	const struct sweep_search_config *c = &s->config.search;

	for (size_t k = 0; k < c->n; k++)
		s->search[k] = (struct sweep_search){ .limit = { .rpm = c->at[k].rpm,
								 .step = c->step,
								 .fine = c->fine,
								 .ceiling = c->at[k].ceiling,
								 .ceiling_why = c->at[k].ceiling_why,
								 .held = NAN,
								 .failed = NAN },
						      .lightest = NAN,
						      .held_A = NAN };
	for (size_t i = 0; i < s->n; i++) {
		struct sweep_search *k = search_at(s, s->item[i].rpm);
		if (k)
			take_over(k, &s->item[i]);
	}
}

void sweep_search_failed(struct seq_sweep *s, const struct sweep_item *it, const char *why)
{
	struct sweep_search *k = search_at(s, it->rpm);

	if (k && it->direction > 0)
		limit_search_tell(&k->limit, it->set, false, why);
}

bool sweep_search_point(struct seq_sweep *s, const struct sweep_item *it, bool reached)
{
	struct sweep_search *k = search_at(s, it->rpm);
	bool slow = !(stats_run_result(&s->speed).mean >= (1 - SPEED_SHORT) * s->want_rpm);

	if (!k || it->direction <= 0)
		return false;
	if (!(it->set >= k->lightest)) {
		k->lightest = it->set;
		k->slow = slow;
	}
	bool held = reached && (!slow || k->slow);
	limit_search_tell(&k->limit, it->set, held, reached ? "the speed was not held" : "the torque was not reached");
	if (held && it->set >= k->limit.held)
		k->held_A = stats_run_result(&s->ampere).mean;
	if (held && it->is_limit)
		limit_search_found(&k->limit);
	return held && it->is_limit;
}

static bool way_up_ended(const struct seq_sweep *s, const struct sweep_search *k)
{
	bool any = false;

	for (size_t i = 0; i < s->n; i++) {
		const struct sweep_item *it = &s->item[i];
		if (it->direction <= 0 || it->repeat || !same_rpm(it->rpm, k->limit.rpm))
			continue;
		if (!it->done)
			return false;
		any = true;
	}
	return any;
}

static void put(struct seq_sweep *s, size_t at, struct sweep_item item)
{
	if (s->n >= SWEEP_ITEMS)
		return;
	memmove(s->item + at + 1, s->item + at, (s->n - at) * sizeof s->item[0]);
	s->item[at] = item;
	s->n++;
}

/* What forbids it, or NULL. */
static const char *too_near(const struct seq_sweep *s, const struct sweep_search *k, double set)
{
	const struct sweep_search_config *c = &s->config.search;
	double up = k->limit.held > 0 ? set / k->limit.held : 1;

	/* As the guard has it: a place that never had a value has no sensor; one that had and lost it may be hot. */
	for (int i = 0; i < TEMP_COUNT; i++)
		if (isfinite(c->hot_degC[i]) && s->temp_seen[i] && !(s->temp_degC[i] < c->hot_degC[i] - HEAT_ROOM_K))
			return isnan(s->temp_degC[i]) ? "a temperature is no longer measured"
						      : "a temperature is near its limit";
	if (c->supply_A > 0 && !(k->held_A * up * up <= SUPPLY_SHARE * c->supply_A))
		return isfinite(k->held_A) ? "90 % of the supply's current" : "the supply's current is not measured";
	return NULL;
}

static void put_try(struct seq_sweep *s, struct sweep_search *k)
{
	const struct limit_try next = limit_search_next(&k->limit);
	const char *forbids = isnan(next.set) ? NULL : too_near(s, k, next.set);

	if (forbids)
		limit_search_end(&k->limit, forbids);
	if (k->limit.over)
		return;
	put(s, s->at,
	    (struct sweep_item){ .step = s->config.search.first_step + k->limit.tries - 1,
				 .direction = 1,
				 .set = next.set,
				 .rpm = k->limit.rpm,
				 .search = true,
				 .repeat = !(next.set > k->limit.held),
				 .is_limit = next.is_limit });
}

static bool falls_already(const struct seq_sweep *s, const struct sweep_item *up)
{
	for (size_t i = 0; i < s->n; i++)
		if (s->item[i].direction < 0 && !s->item[i].done && same_rpm(s->item[i].rpm, up->rpm) &&
		    fabs(s->item[i].set - up->set) < 1e-9)
			return true;
	return false;
}

/* What held, but for the heaviest, and lies above the plan's next falling load: each once more, the heaviest first. */
static void put_way_down(struct seq_sweep *s, const struct sweep_search *k)
{
	size_t at = s->at;

	for (double below = k->limit.held;;) {
		const struct sweep_item *next = NULL;
		for (size_t i = 0; i < s->at; i++) {
			const struct sweep_item *it = &s->item[i];
			if (it->direction > 0 && same_rpm(it->rpm, k->limit.rpm) && it->set < below - 1e-9 &&
			    (!next || it->set > next->set))
				next = it;
		}
		if (!next || falls_already(s, next))
			return;
		struct sweep_item down = *next;
		below = down.set;
		down.direction = -1;
		down.done = down.is_limit = false;
		put(s, at++, down);
	}
}

static void tell(struct seq_sweep *s, struct sweep_search *k)
{
	const struct limit_search *l = &k->limit;
	const struct limit_found found = { .rpm = l->rpm, .held = l->held, .failed = l->found ? l->failed : NAN };

	k->told = true;
	limit_found_write(&found, s->config.load == LOAD_TORQUE ? "N\u00b7m" : "A", l->why, s->found_text,
			  sizeof s->found_text);
	if (s->config.search.down && isfinite(l->held))
		put_way_down(s, k);
}

void sweep_search_go_on(struct seq_sweep *s)
{
	for (size_t k = 0; k < s->config.search.n; k++) {
		struct sweep_search *search = &s->search[k];
		if (search->told || !way_up_ended(s, search))
			continue;
		if (!search->limit.over)
			put_try(s, search);
		if (search->limit.over)
			tell(s, search);
		return;
	}
}
