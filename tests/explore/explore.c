/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Walks every state of the guard that can be reached, breadth first, over the compiled guard_step, and checks the
 * rules of docs/invariants.md on every step (rules.c). Prints the number of states and the shortest path to each
 * cause.
 *
 *     explore [RIG ...]        some kinds of rig; none: all
 *
 * What is read and wanted on a tick, and why nothing that matters is left out (space.h has the grid):
 * - The wishes are those that any phase of any sequence has (nothing, power, drive, drive and brake, brake, current)
 *   and some that none may have. Any of them may follow any other, so every order of phases of every sequence is in
 *   it.
 * - While the guard runs: any wish with everything good, and with each one or two things wrong. The watches read few
 *   fields each and do not read one another, and the first cause ends this phase: three things wrong at once show what
 *   two of them show. Things follow one another freely from tick to tick. Two at once only where no watch's time runs,
 *   and in the first of the states that differ in what no watch reads; elsewhere one, with two of the wishes.
 * - In a stop: every combination of what a stop reads, and any one thing else. Without fast data nothing else of that
 *   tick is believed, on old slow data neither lines nor drive nor temperature are: there they are not varied.
 * - Beside the walk a million steps with any value of every field at once.
 * Not here: the count of swings (test_oscillation), the filters shorter than a tick (test_watch), and the 0.4 s in
 * which
 * a node that went safe has not said why (test_guard: nothing_drives_while…).
 *
 * red.py breaks the line of the guard that keeps a rule and wants the rule named, on demand. */
#include "tests/explore/rules.h"
#include "tests/explore/space.h"

#include <stdio.h>
#include <stdlib.h>

#define SLOTS (1u << 22)
#define RANDOM_STEPS 1000000
#define WALK_TICKS 60
#define RULES_MOST 48
#define COUNT(list) (sizeof(list) / sizeof(list)[0])

struct place {
	struct key key;
	uint32_t from;
	struct input in;
};

struct walk {
	const char *rig;
	struct guard_limits limits;
	struct place *place;
	uint32_t n, capacity, *slot;
	unsigned long steps;
	uint32_t cause_at[CAUSE_COUNT]; /* place before it, + 1 */
	struct input cause_in[CAUSE_COUNT];
	struct key watched[1 << 16];
	bool is_watched[1 << 16];
	uint64_t random;
	bool failed, broken[RULES_MOST];
};

static uint32_t hash(const struct key *k)
{
	const uint8_t *byte = (const uint8_t *)k;
	uint64_t h = 1469598103934665603u; /* FNV-1a */

	for (size_t i = 0; i < sizeof *k; i++)
		h = (h ^ byte[i]) * 1099511628211u;
	return (uint32_t)(h ^ h >> 29);
}

static void add(struct walk *w, const struct key *key, uint32_t from, const struct input *in)
{
	uint32_t at = hash(key) % SLOTS;

	while (w->slot[at] && memcmp(&w->place[w->slot[at] - 1].key, key, sizeof *key) != 0)
		at = (at + 1) % SLOTS;
	if (w->slot[at])
		return;
	if (w->n == w->capacity) {
		w->capacity = w->capacity ? 2 * w->capacity : 1024;
		w->place = realloc(w->place, w->capacity * sizeof *w->place);
	}
	if (!w->place || w->n > SLOTS / 2) {
		fprintf(stderr, "explore: more states than there is room for\n");
		exit(1);
	}
	w->place[w->n++] = (struct place){ *key, from, *in };
	w->slot[at] = w->n;
}

static void print_input(const struct input *in)
{
	bool any = false;

	for (int f = 0; f < FIELDS; f++)
		if (in->at[f]) {
			printf("%s%s: %s", any ? ", " : "", space_field[f].name, space_field[f].value[in->at[f]]);
			any = true;
		}
	printf("%s", any ? "" : "all good, nothing wanted");
}

/* The inputs that lead to a place, equal ones counted. */
static unsigned print_path(const struct walk *w, uint32_t at, const struct input *last)
{
	struct input path[64];
	unsigned n = 0, times = 1;

	path[n++] = *last;
	for (uint32_t p = at; w->place[p].from != p && n < 64; p = w->place[p].from)
		path[n++] = w->place[p].in;
	for (unsigned i = n; i-- > 0; times++) {
		if (i > 0 && memcmp(&path[i], &path[i - 1], sizeof path[i]) == 0)
			continue;
		printf("    %u x [", times);
		print_input(&path[i]);
		printf("]\n");
		times = 0;
	}
	return n;
}

static struct step judge(struct walk *w, const struct guard *g, const struct input *in)
{
	struct step s = { .limits = &w->limits, .before = *g, .snap = space_snapshot(g, in), .want = space_wish(in) };

	s.after = guard_step(*g, &w->limits, &s.snap, &s.want, &s.v);
	w->steps++;
	return s;
}

static void print_broken(const struct walk *w, const struct step *s, uint32_t from, const struct input *in)
{
	printf("NOT KEPT on rig \"%s\". The way there:\n", w->rig);
	print_path(w, from, in);
	printf("    -> cause %s, drive mode %d, power %d, brake %g A, missing %#x, release %d, held for %g s\n",
	       cause_word(s->v.cause), s->v.allowed.mode, s->v.allowed.power, s->v.allowed.brake_A, s->v.missing,
	       s->v.release, s->v.held_s);
	fflush(stdout);
}

/* Each rule's first failure is told: it has the shortest way. */
static void check(struct walk *w, const struct step *s, uint32_t from, const struct input *in)
{
	bool told = false;

	for (size_t i = 0; i < n_rules; i++) {
		if (w->broken[i] || rules[i].holds(s))
			continue;
		printf("not ok %s: %s\n", rules[i].number, rules[i].says);
		w->broken[i] = w->failed = told = true;
	}
	if (told)
		print_broken(w, s, from, in);
}

/* What was told once is never untold: counts of readings only grow. */
static bool can_be(const struct guard *g, const struct input *in)
{
	return !(g->energised && (in->at[F_DATA] == 4 || in->at[F_SLOW] == 2)) && !(g->loaded && in->at[F_CELL] == 4);
}

static void go(struct walk *w, uint32_t from, const struct guard *g, const struct input *in)
{
	if (!can_be(g, in))
		return;
	struct step s = judge(w, g, in);

	check(w, &s, from, in);
	if (s.v.newly && !w->cause_at[s.v.cause]) {
		w->cause_at[s.v.cause] = from + 1;
		w->cause_in[s.v.cause] = *in;
	}
	struct key key = space_key(&s.after);
	add(w, &key, from, in);
}

/* Each value of one field but the first. */
static void one_wrong(struct walk *w, uint32_t from, const struct guard *g, struct input in, enum field f)
{
	for (unsigned i = 1; i < space_values(f); i++) {
		in.at[f] = (uint8_t)i;
		go(w, from, g, &in);
	}
}

static void two_wrong(struct walk *w, uint32_t from, const struct guard *g, struct input in)
{
	for (enum field a = F_WISH + 1; a < F_TIME; a++) {
		for (unsigned i = 1; i < space_values(a); i++) {
			in.at[a] = (uint8_t)i;
			for (enum field b = a + 1; b < F_TIME; b++)
				one_wrong(w, from, g, in, b);
		}
		in.at[a] = 0;
	}
}

/* The first of the states that differ in nothing a watch reads: only in what a stop will ask about the shaft. */
static bool is_first(struct walk *w, struct key key)
{
	uint32_t at;

	key.turned = key.turned_age = key.rotor = key.rotor_same = key.rotor_true = 0;
	at = hash(&key) % COUNT(w->watched);
	while (w->is_watched[at] && memcmp(&w->watched[at], &key, sizeof key) != 0)
		at = (at + 1) % COUNT(w->watched);
	if (w->is_watched[at])
		return false;
	w->watched[at] = key;
	w->is_watched[at] = true;
	return true;
}

static bool is_timed(const struct key *k)
{
	return k->contactor || k->low || k->stall || k->no_pulse || k->slip || k->unrest || k->wrong || k->against ||
	       k->late || k->temp_gone[0] || k->temp_gone[1] || k->temp_gone[2];
}

static void run_on(struct walk *w, uint32_t from, const struct guard *g)
{
	const struct key key = w->place[from].key;
	bool first = is_first(w, key);

	for (unsigned wish = 0; wish < space_values(F_WISH); wish++) {
		struct input in = { { 0 } };

		in.at[F_WISH] = (uint8_t)wish;
		if (!first && wish != 0 && wish != 3)
			continue;
		go(w, from, g, &in);
		for (enum field f = F_WISH + 1; f < F_TIME; f++)
			one_wrong(w, from, g, in, f);
		if (first && !is_timed(&key))
			two_wrong(w, from, g, in);
	}
}

struct some {
	enum field field;
	unsigned values; /* a bit each */
};

/* Every combination of these values of these fields. */
static void all_of(struct walk *w, uint32_t from, const struct guard *g, struct input in, const struct some *list,
		   size_t n)
{
	if (n == 0) {
		go(w, from, g, &in);
		return;
	}
	for (unsigned i = 0; i < FIELD_MOST; i++)
		if (list->values >> i & 1) {
			in.at[list->field] = (uint8_t)i;
			all_of(w, from, g, in, list + 1, n - 1);
		}
}

/* Motion: stands, turns, turns slowly, unknown, creeps, pulses to and fro. Drive: enabled, off, unheard. Rotor: all but
 * "as the shaft". */
static void stop_on(struct walk *w, uint32_t from, const struct guard *g)
{
	static const struct some shaft[] = {
		{ F_CONTACTOR, 0x3 }, { F_DRIVE, 0xe }, { F_MOTION, 0x1ce }, { F_ROTOR, 0x1e }
	};
	static const struct some silent[] = {
		{ F_DATA, 0x2 }, { F_MOTION, 0xce }, { F_ROTOR, 0x1e }, { F_STATE, 0x5 }
	};
	static const struct some old[] = { { F_SLOW, 0x2 }, { F_MOTION, 0xce }, { F_ROTOR, 0x10 }, { F_STATE, 0x5 } };
	static const struct some heat[] = { { F_TEMP, 0x13 },  { F_CELL, 0x3 },      { F_STATE, 0x5 }, { F_TIME, 0x3 },
					    { F_TORQUE, 0xb }, { F_CONTACTOR, 0x3 }, { F_MOTION, 0x6 } };
	bool long_held = mono_diff_s(g->last_now, g->cause_at) > SPACE_HOLD_S - 1.5 * SPACE_TICK_S;
	struct input in = { { 0 } };

	go(w, from, g, &in);
	for (enum field f = F_WISH; f < FIELDS; f++)
		one_wrong(w, from, g, in, f);
	all_of(w, from, g, in, shaft, COUNT(shaft));
	all_of(w, from, g, in, silent, COUNT(silent));
	all_of(w, from, g, in, old, COUNT(old));
	if (long_held)
		all_of(w, from, g, in, heat, COUNT(heat));
}

/* What a stopped guard does hangs on nothing. */
static void stopped_on(struct walk *w, uint32_t from, const struct guard *g)
{
	struct input in = { { 0 } };

	in.at[F_WISH] = 3;
	go(w, from, g, &in);
	for (enum field f = F_WISH + 1; f < F_TIME; f++)
		one_wrong(w, from, g, in, f);
}

static uint32_t dice(struct walk *w, uint32_t n)
{
	w->random = w->random * 6364136223846793005u + 1442695040888963407u;
	return (uint32_t)((w->random >> 33) % n);
}

/* Mostly good; sometimes any value of any field. */
static struct input any_input(struct walk *w, const struct guard *g)
{
	struct input in = { { 0 } };
	unsigned wrong = dice(w, 4) ? dice(w, 2) : FIELDS;

	in.at[F_WISH] = (uint8_t)dice(w, space_values(F_WISH));
	for (unsigned i = 0; i < wrong; i++) {
		enum field f = (enum field)(wrong == FIELDS ? i : dice(w, FIELDS));
		in.at[f] = (uint8_t)dice(w, space_values(f));
	}
	if (g->phase != GUARD_STOP_HOLD)
		in.at[F_TIME] = 0;
	return can_be(g, &in) ? in : (struct input){ { 0 } };
}

/* How much a stop holds is no part of the key. */
static bool same_out(const struct guard_verdict *a, const struct guard_verdict *b)
{
	bool brake = a->cause != CAUSE_NONE && !a->newly ? (a->allowed.brake_A > 0) == (b->allowed.brake_A > 0)
							 : fabs(a->allowed.brake_A - b->allowed.brake_A) < 1e-9;

	return a->allowed.mode == b->allowed.mode && a->allowed.power == b->allowed.power && brake &&
	       a->stopped == b->stopped && a->missing == b->missing && a->release == b->release &&
	       a->newly == b->newly && (!a->newly || a->cause == b->cause);
}

/* A guard that forgets nothing beside one that goes through its key on every tick: the same goes out. */
static void key_loses_nothing(struct walk *w)
{
	for (unsigned left = RANDOM_STEPS; left > 0 && !w->failed; left -= WALK_TICKS < left ? WALK_TICKS : left) {
		struct guard whole = { 0 };

		whole.last_now.ns = SPACE_NOW_NS;
		whole.drive_fresh = SPACE_FRESH;
		for (unsigned i = 0; i < WALK_TICKS && !w->failed; i++) {
			struct key key = space_key(&whole);
			struct guard lean = space_guard(&key);
			struct input in = any_input(w, &whole);
			struct step a = judge(w, &whole, &in), b = judge(w, &lean, &in);

			check(w, &a, 0, &in);
			if (!w->failed && !same_out(&a.v, &b.v)) {
				w->failed = true;
				printf("not ok the key, rig \"%s\": it forgets something that matters: [", w->rig);
				print_input(&in);
				printf("]: %s or %s, brake %g or %g A, release %d or %d, missing %#x or %#x\n",
				       cause_word(a.v.cause), cause_word(b.v.cause), a.v.allowed.brake_A,
				       b.v.allowed.brake_A, a.v.release, b.v.release, a.v.missing, b.v.missing);
			}
			whole = a.after;
			whole.pulses = 0; /* the next snapshot counts from here */
			whole.drive_fresh = SPACE_FRESH;
		}
	}
}

static void print_causes(const struct walk *w, bool paths)
{
	unsigned found = 0;

	if (paths)
		printf("The shortest way to each cause, from a fresh guard:\n");
	for (unsigned c = CAUSE_NONE + 1; c < CAUSE_COUNT; c++) {
		found += w->cause_at[c] > 0;
		if (w->cause_at[c] && paths) {
			printf("  %s:\n", cause_word((enum cause)c));
			print_path(w, w->cause_at[c] - 1, &w->cause_in[c]);
		}
	}
	printf("%s: %u states, %lu steps, %u causes, %zu rules: %s\n", w->rig, w->n, w->steps, found, n_rules,
	       w->failed ? "NOT kept" : "kept");
}

static bool explore(const char *rig, const struct guard_limits *limits, bool paths)
{
	static uint32_t slot[SLOTS];
	static struct walk w;
	w = (struct walk){ .rig = rig, .limits = *limits, .slot = slot, .random = 20261126 };
	const struct input none = { { 0 } };
	struct guard fresh = { .last_now = { SPACE_NOW_NS } },
		     warm = guard_warm(2 * SPACE_HEAT_J, (struct mono){ SPACE_NOW_NS });
	struct key key;

	memset(slot, 0, sizeof slot);
	key = space_key(&fresh);
	add(&w, &key, 0, &none);
	key = space_key(&warm);
	add(&w, &key, 1, &none);
	for (uint32_t at = 0; at < w.n; at++) {
		struct guard g = space_guard(&w.place[at].key);

		switch (g.phase) {
		case GUARD_RUN: run_on(&w, at, &g); break;
		case GUARD_STOP_HOLD: stop_on(&w, at, &g); break;
		case GUARD_STOPPED: stopped_on(&w, at, &g); break;
		}
	}
	key_loses_nothing(&w);
	print_causes(&w, paths);
	free(w.place);
	return !w.failed;
}

int main(int argc, char **argv)
{
	struct guard_limits usual = space_limits(), free_way = usual, blind = usual, at_rest = usual, bare = usual;
	bool good = true;

	free_way.expect_direction = 0;
	free_way.pick_no_direction = true;
	blind.expect_lines = 0;
	bare.expect_pick = bare.expect_cell = bare.expect_meter = false;
	at_rest.at_rest = true;
	at_rest.expect_direction = 0;
	const struct {
		const char *name;
		const struct guard_limits *limits;
	} rigs[] = { { "usual", &usual },
		     { "either way", &free_way },
		     { "no lines", &blind },
		     { "no cell, pick-up, meter", &bare },
		     { "person at the shaft", &at_rest } };
	for (size_t i = 0; i < COUNT(rigs); i++) {
		bool chosen = argc < 2;

		for (int a = 1; a < argc; a++)
			chosen |= strcmp(argv[a], rigs[i].name) == 0;
		if (chosen)
			good = explore(rigs[i].name, rigs[i].limits, i == 0) && good;
	}
	return good ? 0 : 1;
}
