/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/scpi_output.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define AGREES_FRAC 2e-3 /* of what was set: steps of a supply's own converter (common practice, no source) */
#define AGREES_LEAST 0.02
#define COIL_STEP_A 5e-5 /* half of the last digit that is sent */

bool scpi_output_want(struct scpi_output *o, bool on)
{
	bool turned_off = o->sets && o->want && !on;

	o->want = o->sets && on;
	o->again |= turned_off;
	return turned_off;
}

bool scpi_output_want_coil(struct scpi_output *o, const struct wish *allowed)
{
	double most_A = o->setup.most_A, want_A = allowed->brake_A;

	o->want_A = want_A > 0 ? fmin(want_A, most_A) : 0;
	return scpi_output_want(o, allowed->power || o->want_A > 0);
}

bool scpi_output_differs(const struct scpi_output *o)
{
	return o->sets && (o->again || o->want != o->told || (o->want && fabs(o->want_A - o->told_A) > COIL_STEP_A));
}

size_t scpi_output_put(struct scpi_output *o, char *buf)
{
	if (o->open || !scpi_output_differs(o))
		return 0;
	o->open = true;
	o->again = false;
	o->asked = o->want;
	o->asked_A = o->want_A;
	if (o->setup.coil && o->want)
		return scpi_put_coil(&o->setup, o->want_A, buf);
	return scpi_put_output(&o->setup, o->want, buf);
}

void scpi_output_lost(struct scpi_output *o)
{
	o->again |= o->open;
	o->open = false;
}

bool scpi_output_take(struct scpi_output *o, const char *line)
{
	char text[SCPI_TEXT];
	long number;

	if (!o->open || !scpi_error(line, &number, text))
		return false;
	o->open = false;
	o->told = o->asked;
	o->told_A = o->asked_A;
	if (number != 0 && o->error[0] == '\0' && o->setup.coil && o->asked)
		snprintf(o->error, sizeof o->error, "it answered error %ld (%s) to %s %.4f", number, text,
			 o->setup.current, o->asked_A);
	else if (number != 0 && o->error[0] == '\0')
		snprintf(o->error, sizeof o->error, "it answered error %ld (%s) to %s %s", number, text,
			 o->setup.output, o->asked ? "ON" : "OFF");
	return true;
}

static bool has_bits(double status, unsigned bits)
{
	return status >= 0 && status < 65536 && ((unsigned)lround(status) & bits) != 0;
}

void scpi_output_status(struct scpi_output *o, double latched, double now)
{
	o->limited = has_bits(latched, o->setup.limited_bits) || has_bits(now, o->setup.limited_bits);
}

static bool agrees(double found, double set)
{
	return fabs(found - set) <= fmax(AGREES_LEAST, AGREES_FRAC * set);
}

const char *scpi_output_check(const struct scpi_output *o, const char *line, char *buf)
{
	double v[3];

	if (!scpi_numbers(line, 3, v))
		snprintf(buf, SCPI_TEXT, "it answers \"%.60s\", expected voltage, current limit and output", line);
	else if (!agrees(v[0], o->setup.set_V))
		snprintf(buf, SCPI_TEXT, "set to %.4g V, it reads back %.4g V", o->setup.set_V, v[0]);
	else if (!agrees(v[1], o->setup.set_A))
		snprintf(buf, SCPI_TEXT, "its limit set to %.4g A, it reads back %.4g A", o->setup.set_A, v[1]);
	else if (v[2] > 0)
		snprintf(buf, SCPI_TEXT, "commanded off, its output is on");
	else
		return NULL;
	return buf;
}
