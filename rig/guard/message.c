/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/guard.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Appends; what does not fit is cut. */
static void add(char *buf, size_t size, const char *text)
{
	size_t used = strlen(buf);

	if (used < size)
		snprintf(buf + used, size - used, "%s", text);
}

static void add_missing(unsigned missing, char *buf, size_t size)
{
	static const struct {
		unsigned bit;
		const char *words;
	} known[] = {
		{ GUARD_TURNS, "shaft still turns" },      { GUARD_CONTACTOR, "contactor was not seen open" },
		{ GUARD_DRIVE, "drive was not seen off" }, { GUARD_STANDSTILL, "shaft was not seen to stand" },
		{ GUARD_NO_DATA, "node sends no data" },
	};
	const char *gap = "the ";

	for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
		if (missing & known[i].bit) {
			add(buf, size, gap);
			add(buf, size, known[i].words);
			gap = ". The ";
		}
}

static const char *release_words(enum guard_release release)
{
	switch (release) {
	case GUARD_HOLDS:
	case GUARD_IN_ORDER: break;
	case GUARD_TIME: return " The brake was released when its longest hold was over.";
	case GUARD_NODE: return " The node has released the brake by itself.";
	case GUARD_HEAT:
		return " The brake was released because it can take no more heat. The shaft may now be driven without "
		       "a load.";
	case GUARD_HEAT_UNKNOWN:
		return " The brake was released because its heat is not known. The shaft may now be driven without a "
		       "load.";
	case GUARD_TOO_LONG: return " The brake was released after 10 min. The shaft may now be driven without a load.";
	}
	return "";
}

void guard_end_message(const struct guard_verdict *v, char *buf, size_t size)
{
	buf[0] = '\0';
	if (!v->missing) {
		/* A shaft that nothing loaded need not have been seen to stand, so it is not said of it. */
		bool stood = v->release == GUARD_IN_ORDER;
		bool not_by_us = !v->energised && (v->cause == CAUSE_NOT_AT_REST || v->cause == CAUSE_CONTACTOR);
		add(buf, size,
		    not_by_us
			    ? "This program energised nothing; something else did. Find it before you touch the shaft."
		    : !v->energised ? "Nothing was energised."
		    : !stood        ? "Drive off. Nothing loaded the shaft; it was not seen to stand."
		    : v->sensed     ? "Drive off, contactor open, shaft standing, brake released."
				    : "Drive off, shaft standing, brake released.");
		if (v->energised && !v->sensed)
			add(buf, size, " This node does not sense the contactor.");
		return;
	}
	add(buf, size, "NOT SAFE: ");
	add_missing(v->missing, buf, size);
	add(buf, size, ". KEEP AWAY. Press the emergency stop. Switch the supply off at the wall.");
	add(buf, size, release_words(v->release));
}

void guard_hold_message(const struct guard_verdict *v, char *buf, size_t size)
{
	snprintf(buf, size, "NOT SAFE: ");
	add_missing(v->missing, buf, size);
	add(buf, size,
	    ". KEEP AWAY. Press the emergency stop. Switch the supply off at the wall. The brake is held against the "
	    "shaft.");
}

void guard_message(const struct guard_verdict *v, char *buf, size_t size)
{
	const char *noun = cause_row(v->cause)->noun, *unit = cause_row(v->cause)->unit;
	const char *gap = *unit ? " " : "";

	if (noun && isfinite(v->value) && isfinite(v->limit))
		snprintf(buf, size, "%s %.4g%s%s, limit %.4g%s%s: %s", noun, v->value, gap, unit, v->limit, gap, unit,
			 cause_sentence(v->cause));
	else if (noun && isfinite(v->value))
		snprintf(buf, size, "%s %.4g%s%s: %s", noun, v->value, gap, unit, cause_sentence(v->cause));
	else
		snprintf(buf, size, "%s", cause_sentence(v->cause));
}
