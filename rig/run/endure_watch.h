/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What an endurance plan looks at after each cycle, the rules that stop it, and a cycle as one line of the logbook.
 *
 * Drift of the current without load: against the mean of the first cycles (reference), either way. Droop: by how much
 * slower the shaft turns under the plan's heaviest load than without load, as a share of the speed without load. Rise:
 * case above ambient at the end of the load. Drift of the play: lost motion against the first one that was measured. A
 * rule whose number could not be measured stops: nobody is there to see.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_ENDURE_WATCH_H
#define BRIDLE_RUN_ENDURE_WATCH_H

#include <stdbool.h>
#include <stddef.h>

/* One cycle; what was not measured is NaN. Speeds and torque without sign: a mean over all ways of turning. */
struct endure_cycle {
	long number; /* from 1 on */
	double no_load_A, no_load_rpm;
	double load_Nm, load_rpm; /* at the heaviest load */
	double case_degC, ambient_degC;
};

/* The gear at the locked brake after so many cycles; u standard uncertainties. NaN: not measured. */
struct endure_play {
	long number; /* of the cycle before it; 0: before the first */
	double lost_arcmin, u_lost_arcmin, stiffness_Nm_per_arcmin, u_stiffness;
};

enum endure_rule { ENDURE_NONE, ENDURE_CURRENT, ENDURE_DROOP, ENDURE_RISE, ENDURE_CASE, ENDURE_PLAY, ENDURE_RULES };

struct endure_limits {
	double limit[ENDURE_RULES]; /* shares, K, degC and arcmin, above 0; 0: no such rule */
	double tell_frac;           /* share of the limit at which a drift is told, once for each rule */
	long reference;             /* cycles that the current's drift counts from */
};

struct endure_watch {
	struct endure_limits limits;
	double sum_A;
	long n;                  /* of the reference so far */
	bool has_play;           /* one was measured */
	double first_arcmin;     /* its lost motion */
	bool told[ENDURE_RULES]; /* a drift */
};

struct endure_found {
	enum endure_rule stop, tell; /* the first that is met; ENDURE_NONE */
	double value, limit;         /* of stop, else of tell; value NaN: it could not be measured */
};

struct endure_watch endure_watch_begin(const struct endure_limits *limits);
/* Cycles come in order, each once; those of the run that is continued first. */
struct endure_found endure_watch_add(struct endure_watch *w, const struct endure_cycle *cycle);
/* The same of a play; only its own rule is looked at. */
struct endure_found endure_watch_play(struct endure_watch *w, const struct endure_play *play);
/* At any moment: is the case too hot? A temperature that nobody tells is left to the end of the cycle. */
bool endure_case_is_hot(const struct endure_limits *limits, double case_degC);

const char *endure_rule_word(enum endure_rule rule); /* "current_drift"; "" */
/* "the current without load changed by 21.3 %, limit 20 %": for people. */
void endure_rule_text(const struct endure_found *found, enum endure_rule rule, char *buf, size_t size);

/* "cycle 12; no_load_A 0.4123; ..." and back. What was not measured is not in it. False: that is no cycle. */
void endure_cycle_text(const struct endure_cycle *cycle, char *buf, size_t size);
bool endure_cycle_parse(const char *text, struct endure_cycle *ret);
/* "play 100; lost_arcmin 9.8; ..." in the same way. */
void endure_play_text(const struct endure_play *play, char *buf, size_t size);
bool endure_play_parse(const char *text, struct endure_play *ret);

#endif
