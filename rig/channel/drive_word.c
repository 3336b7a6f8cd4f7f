/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/drive_word.h"

#include "channel/rigio.h"

#include <string.h>

static const struct {
	const char *name;
	unsigned flag;
} words[DRIVE_WORDS] = {
	[DRIVE_WORD_SPEED] = { "speed", 0 },
	[DRIVE_WORD_CURRENT] = { "current", 0 },
	[DRIVE_WORD_TEMPERATURE] = { "temperature", 0 },
	[DRIVE_WORD_ENABLED] = { "enabled", DRIVE_ENABLED },
	[DRIVE_WORD_FAULT] = { "fault", DRIVE_FAULT },
	[DRIVE_WORD_UNDERVOLTAGE] = { "undervoltage", DRIVE_UNDERVOLTAGE },
	[DRIVE_WORD_OVERSPEED] = { "overspeed", DRIVE_OVERSPEED },
	[DRIVE_WORD_LIMITED] = { "limited", DRIVE_CURRENT_LIMITED },
	[DRIVE_WORD_DERATING] = { "derating", DRIVE_DERATING },
	[DRIVE_WORD_ANGLE] = { "angle", 0 },
};

const char *drive_word_name(enum drive_word word)
{
	return words[word].name;
}

int drive_word_of(const char *name)
{
	for (int i = 0; i < DRIVE_WORDS; i++)
		if (strcmp(words[i].name, name) == 0)
			return i;
	return -1;
}

unsigned drive_word_flag(enum drive_word word)
{
	return words[word].flag;
}
