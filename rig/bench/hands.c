/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/hands.h"
#include "calib/number/units.h"
#include "node/tether.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

double hands_number(const char *text)
{
	char *end;
	double value;

	if (strspn(text, "+-.0123456789") != strlen(text))
		return NAN;
	value = strtod(text, &end); /* the program never leaves the C locale */
	return *end == '\0' && end != text ? value : NAN;
}

static bool anything_hangs(const struct world *w)
{
	for (size_t i = 0; i < w->truth.n_pieces; i++)
		if (w->hands.hung[i])
			return true;
	return false;
}

static bool other_hangs(const struct world *w, int except)
{
	for (size_t i = 0; i < w->truth.n_pieces; i++)
		if (w->hands.hung[i] && (int)i != except)
			return true;
	return false;
}

static const char *hang(struct world *w, const char *name)
{
	int piece = profile_piece(&w->config.weights, name), hanger = w->config.weights.hanger;

	if (piece < 0)
		return "such piece in weights.ini";
	if (!w->hands.arm_on)
		return "arm to hang it on";
	if (w->hands.hung[piece])
		return "second piece of that name: it hangs already";
	if (hanger >= 0 && piece != hanger && !w->hands.hung[hanger])
		return "hanger on the arm yet";
	w->hands.hung[piece] = true;
	world_weigh(w);
	return NULL;
}

static const char *unhang(struct world *w, const char *name)
{
	int piece = profile_piece(&w->config.weights, name);

	if (strcmp(name, "all") == 0) {
		memset(w->hands.hung, 0, sizeof w->hands.hung);
		world_weigh(w);
		return NULL;
	}
	if (piece < 0)
		return "such piece in weights.ini";
	if (!w->hands.hung[piece])
		return "such piece on the arm";
	if (piece == w->config.weights.hanger && other_hangs(w, piece))
		return "taking the hanger while pieces hang on it";
	w->hands.hung[piece] = false;
	world_weigh(w);
	return NULL;
}

static const char *arm(struct world *w, const char *word)
{
	if (strcmp(word, "on") != 0 && strcmp(word, "off") != 0)
		return "args";
	if (word[1] == 'f' && anything_hangs(w))
		return "taking the arm off while weights hang on it";
	w->hands.arm_on = word[1] == 'n';
	world_weigh(w);
	return NULL;
}

static const char *couple(struct world *w, bool on)
{
	if (on && !w->hands.coupled)
		w->actuator.twist_rad = 0;
	w->hands.coupled = on;
	return NULL;
}

static const char *turn(struct world *w, const char *word)
{
	double speed_rpm = hands_number(word);

	if (!(fabs(speed_rpm) <= 1000))
		return "range";
	w->hands.turning = speed_rpm < 0 || speed_rpm > 0;
	w->hands.turn_rad_per_s = rad_per_s_from_rpm(speed_rpm);
	return NULL;
}

static const char *estop(struct world *w, const char *word)
{
	if (strcmp(word, "pull") != 0 && strcmp(word, "release") != 0)
		return "args";
	w->contactor.estop_ok = word[0] == 'r';
	return NULL;
}

static const char *cage(struct world *w, const char *word)
{
	if (strcmp(word, "open") != 0 && strcmp(word, "close") != 0)
		return "args";
	w->contactor.cage_closed = word[0] == 'c';
	return NULL;
}

static const char *panel(struct world *w, const char *word)
{
	double speed_rpm = hands_number(word);

	if (!(fabs(speed_rpm) <= 1000))
		return "range";
	return world_set_panel(w, speed_rpm) ? NULL : "panel: rig.ini has no hand-drive";
}

static const char *drive(struct world *w, const char *word)
{
	if (strcmp(word, "restart") != 0)
		return "args";
	drive_restart(&w->drive);
	return NULL;
}

const char *hands_do(struct world *w, char **token, size_t n)
{
	static const struct {
		const char *word;
		const char *(*act)(struct world *w, const char *word);
	} with_word[] = {
		{ "hang", hang },   { "unhang", unhang }, { "arm", arm },     { "turn", turn },
		{ "estop", estop }, { "guard", cage },    { "drive", drive }, { "panel", panel },
	};

	for (size_t i = 0; n > 0 && i < sizeof with_word / sizeof with_word[0]; i++)
		if (strcmp(token[0], with_word[i].word) == 0)
			return n == 2 ? with_word[i].act(w, token[1]) : "args";
	if (n > 0 && strcmp(token[0], "fault") == 0)
		return faults_begin(w, token + 1, n - 1);
	if (n != 1)
		return n == 0 ? "args" : "such act";
	if (strcmp(token[0], "couple") == 0 || strcmp(token[0], "uncouple") == 0)
		return couple(w, token[0][0] == 'c');
	if (strcmp(token[0], "remount") == 0)
		cell_remount(&w->cell);
	else if (strcmp(token[0], "mend") == 0)
		faults_mend(w);
	else
		return "such act";
	return NULL;
}

void hands_act(struct world *w, const struct agenda_item *item)
{
	char act[AGENDA_TEXT], *token[TETHER_TOKENS];
	const char *refusal;

	snprintf(act, sizeof act, "%s", item->act);
	refusal = hands_do(w, token, tether_split(act, token));
	if (refusal)
		fprintf(stderr, "bridle: --at: \"%s\" at %.3f s: no %s\n", item->act, (double)item->t_us * 1e-6,
			refusal);
}
