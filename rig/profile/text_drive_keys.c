/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/text_drive_keys.h"

#include "channel/drive_word.h"
#include "channel/text_pattern.h"
#include "profile/instrument_mistake.h"

#include <stdio.h>
#include <string.h>

#define PERIOD_MOST_S 0.2 /* a drive is watched; common practice, no source */

static void check_given(struct inifile *r, const char *key, const char *text)
{
	if (!*text)
		instrument_mistake(r, key, "is missing; a text-drive needs it");
}

static bool has_number(const struct text_pattern *p, const char *field)
{
	int at = text_pattern_field(p, field);

	return at >= 0 && text_pattern_words(p, at) == 0;
}

/* A line that is sent with exactly these fields; limit: NULL, it has none. */
static void check_sent(struct inifile *r, const char *key, const char *text, const char *field, const char *limit)
{
	struct text_pattern p;
	char why[TEXT_PATTERN_WHY];

	if (!*text)
		return;
	if (!text_pattern_read(text, &p, why))
		instrument_mistake(r, key, "\"%.60s\" %s", text, why);
	else if (p.n_fields != (limit ? 2u : 1u) || !has_number(&p, field) || (limit && !has_number(&p, limit)))
		instrument_mistake(r, key, "found \"%.60s\", expected a line with %s {%s}%s", text,
				   limit ? "the values" : "the one value", field,
				   limit ? " and {limit}, the most speed that it may turn" : "");
}

/* The warden has to know it by heart. */
static void check_off(struct inifile *r, const char *text)
{
	check_given(r, "send_off", text);
	instrument_check_line(r, "send_off", text);
	if (strlen(text) >= PROFILE_BYTES)
		instrument_mistake(r, "send_off", "found %zu characters, expected at most %d", strlen(text),
				   PROFILE_BYTES - 1);
}

/* The words that it tells; 0 when it is not right. */
static unsigned check_told(struct inifile *r, const char *key, const char *text, const char *example)
{
	double value[TEXT_PATTERN_FIELDS];
	struct text_pattern p;
	char why[TEXT_PATTERN_WHY];
	unsigned words = 0;

	if (!text_pattern_read(text, &p, why)) {
		instrument_mistake(r, key, "\"%.60s\" %s", text, why);
		return 0;
	}
	for (size_t i = 0; i < p.n_fields; i++) {
		int word = drive_word_of(p.field[i]);

		if (word < 0) {
			instrument_mistake(
				r, key,
				"found {%s}, expected speed, current, temperature, enabled, fault, undervoltage, "
				"overspeed, limited, derating or angle",
				p.field[i]);
			return 0;
		}
		words |= 1u << word;
	}
	if (words == 0)
		instrument_mistake(r, key, "found \"%.60s\", expected at least one value such as {speed}", text);
	else if (!*example)
		instrument_mistake(r, key, "has no example; give %s_example a line as the drive sends it", key);
	else if (!text_pattern_match(&p, example, value))
		instrument_mistake(
			r, key, "\"%.50s\" does not fit its example \"%.50s\"; compare them with a line of the drive",
			text, example);
	return words;
}

static void check_all_told(struct inifile *r, const struct instrument_profile *p)
{
	static const char *const keys[PROFILE_TELLS] = { "tell", "tell_2", "tell_3" };
	unsigned words = 0;
	bool all_read = true;

	if (!p->tell[0][0])
		instrument_mistake(r, "tell", "is missing; a text-drive needs the form of the lines that it sends");
	for (size_t i = 0; i < PROFILE_TELLS; i++) {
		if (!p->tell[i][0])
			continue;
		unsigned these = check_told(r, keys[i], p->tell[i], p->tell_example[i]);
		all_read &= these != 0;
		words |= these;
	}
	for (int w = 0; w < DRIVE_WORDS && p->tell[0][0] && all_read; w++)
		if (DRIVE_WORDS_NEEDED >> w & 1 && !(words >> w & 1))
			instrument_mistake(r, "tell",
					   "nothing tells {%s}; the guard has to see that the drive stands and is off",
					   drive_word_name((enum drive_word)w));
}

void text_drive_check(struct inifile *r, const struct instrument_profile *p)
{
	if (strcmp(p->kind, "text-drive") != 0)
		return;
	if (!p->send_current[0])
		check_given(r, "send_speed", p->send_speed);
	check_sent(r, "send_speed", p->send_speed, "speed", NULL);
	check_sent(r, "send_current", p->send_current, "current", NULL);
	check_sent(r, "send_torque", p->send_torque, "torque", "limit");
	check_sent(r, "send_position", p->send_position, "angle", "limit");
	check_off(r, p->send_off);
	instrument_check_line(r, "ask", p->ask);
	check_all_told(r, p);
	if (!(p->period_s <= PERIOD_MOST_S))
		instrument_mistake(r, "period", "found %g s, expected at most %g s for a drive", p->period_s,
				   PERIOD_MOST_S);
}
