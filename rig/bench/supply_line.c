/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/supply_line.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define READING_US 200000
#define NAME "Invented,bench supply,0,1"

void supply_line_init(struct supply_line *line, int baud)
{
	memset(line, 0, sizeof *line);
	line->baud = baud;
	line->reading_us = READING_US;
}

void supply_line_add(struct supply_line *line, int address, struct meter *meter)
{
	line->output[line->n_outputs++] =
		(struct supply_output){ .address = address, .meter = meter, .measured_us = -READING_US };
}

void supply_line_silence(struct supply_line *line, int address)
{
	line->silent |= address == 0;
	for (size_t i = 0; i < line->n_outputs; i++)
		line->output[i].silent |= address != 0 && line->output[i].address == address;
}

void supply_line_mend(struct supply_line *line)
{
	line->silent = false;
	for (size_t i = 0; i < line->n_outputs; i++)
		line->output[i].silent = false;
}

static void say(struct supply_line *l, const char *text)
{
	size_t room = sizeof l->out - l->out_n;
	int n = snprintf(l->out + l->out_n, room, "%s%s", l->out_n > 0 ? ";" : "", text);

	if (n > 0 && (size_t)n < room)
		l->out_n += (size_t)n;
}

/* False: there is no such output. */
static bool select_output(struct supply_line *l, const char *number)
{
	for (size_t i = 0; i < l->n_outputs; i++)
		if (l->output[i].address == atoi(number)) {
			l->selected = i;
			return true;
		}
	return false;
}

static void say_selected(struct supply_line *l)
{
	char text[16];

	snprintf(text, sizeof text, "%d", l->output[l->selected].address);
	say(l, text);
}

/* A word after ";" without a colon stays where the one before it was: under MEASure or INSTrument. */
static void obey(struct supply_line *l, const char *word)
{
	static const struct {
		const char *word;
		int what;
	} known[] = {
		{ "MEAS:VOLT?", 1 }, { "MEAS:CURR?", 2 }, { "*IDN?", 3 },
		{ "SYST:ERR?", 4 },  { "INST:NSEL?", 5 }, { "NSEL?", 5 },
	};
	bool from_root = *word == ':' || !l->measures;
	char text[40];
	int what = 0;

	word += *word == ':';
	for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
		if (strcasecmp(word, known[i].word) == 0)
			what = known[i].what;
	if (!from_root && strcasecmp(word, "VOLT?") == 0)
		what = 1;
	if (!from_root && strcasecmp(word, "CURR?") == 0)
		what = 2;
	if (strncasecmp(word, "INST:NSEL ", 10) == 0 && select_output(l, word + 10))
		what = 6;
	if (what == 5)
		say_selected(l);
	l->measures = what == 1 || what == 2;
	if (what == 0 && supply_orders_obey(&l->orders, word, text, sizeof text)) {
		size_t n = strlen(l->status);
		if (l->volt || l->amp)
			snprintf(l->status + n, sizeof l->status - n, "%s%s", n > 0 ? ";" : "", text);
		else if (text[0])
			say(l, text);
		return;
	}
	l->volt |= what == 1;
	l->amp |= what == 2;
	if (what == 3)
		say(l, NAME);
	if (what == 4) {
		say(l, l->error                 ? "-113,\"Undefined header\""
		       : l->orders.out_of_range ? "-222,\"Data out of range\""
						: "0,\"No error\"");
		l->error = l->orders.out_of_range = false;
	}
	l->error |= what == 0;
}

static void take_message(struct supply_line *l)
{
	char *rest = l->in;

	l->in[l->n] = '\0';
	if (l->n > 0 && l->in[l->n - 1] == '\r')
		l->in[l->n - 1] = '\0';
	l->out_n = 0;
	l->volt = l->amp = l->measures = false;
	l->status[0] = '\0';
	l->error |= l->too_long;
	for (char *word; !l->too_long && (word = strsep(&rest, ";")) != NULL;)
		if (*word != '\0')
			obey(l, word);
	l->open = !l->output[l->selected].silent && (l->volt || l->amp || l->out_n > 0);
	l->n = 0;
	l->too_long = false;
}

void supply_line_receive(struct supply_line *l, const char *bytes, size_t n)
{
	for (size_t i = 0; i < n && !l->silent; i++) {
		if (bytes[i] == '\n')
			take_message(l);
		else if (l->n < sizeof l->in - 1)
			l->in[l->n++] = bytes[i];
		else
			l->too_long = true;
	}
}

static void measure(struct supply_line *l, struct supply_output *output, int64_t t_us)
{
	double volt, ampere, ripple_W;
	char text[40];

	meter_read(output->meter, &volt, &ampere, &ripple_W);
	output->measured_us = t_us;
	if (l->volt) {
		snprintf(text, sizeof text, "%.4f", volt);
		say(l, text);
	}
	if (l->amp) {
		snprintf(text, sizeof text, "%.5f", ampere);
		say(l, text);
	}
	if (l->status[0])
		say(l, l->status);
	l->volt = l->amp = false;
	l->out_us = t_us + (int64_t)(l->out_n + 1) * 10 * 1000000 / l->baud;
}

size_t supply_line_take(struct supply_line *l, int64_t t_us, char *buf, size_t size)
{
	struct supply_output *output = &l->output[l->selected];

	if (l->silent || !l->open)
		return 0;
	if ((l->volt || l->amp) && t_us >= output->measured_us + l->reading_us)
		measure(l, output, t_us);
	if (l->volt || l->amp || t_us < l->out_us || l->out_n + 1 > size)
		return 0;
	size_t n = l->out_n + 1;
	memcpy(buf, l->out, l->out_n);
	buf[l->out_n] = '\n';
	l->open = false;
	l->out_n = 0;
	return n;
}
