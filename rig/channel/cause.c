/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/cause.h"

#include <string.h>

/* What the columns of the table may say: another word, or a word in another's column, does not compile. */
enum { KIND_RESULT, KIND_FAULT };
enum { LEAVES_NOTHING, LEAVES_POINT };
enum { MORE_HOLDS, MORE_WORSENS };
#define CHANNEL_NOBODY (-1)

#define ROW(NAME, word, noun, unit, sentence, ended, limit, kind, leaves, more, channel) \
	[CAUSE_##NAME] = { #word,       noun, \
			   unit,        sentence, \
			   ended,       LIMIT_##limit, \
			   KIND_##kind, LEAVES_##leaves, \
			   MORE_##more, CHANNEL_##channel },

/* Versions of clang-format draw braces in a macro differently. */
/* clang-format off */
#define NO_CAUSE(word, sentence, limit, kind) \
	{ word, NULL, "", sentence, NULL, limit, kind, LEAVES_NOTHING, MORE_HOLDS, CHANNEL_NOBODY }
/* clang-format on */

static const struct cause_row rows[CAUSE_COUNT] = {
	[CAUSE_NONE] = NO_CAUSE("none", "nothing stopped the run", LIMIT_NONE, KIND_RESULT), CAUSES(ROW)
};
static const struct cause_row unknown =
	NO_CAUSE("unknown", "the guard stopped for a cause that this program does not know", LIMIT_GUARD, KIND_FAULT);

const struct cause_row *cause_row(enum cause cause)
{
	return (unsigned)cause < CAUSE_COUNT ? &rows[cause] : &unknown;
}

enum cause cause_of_word(const char *word)
{
	for (int cause = CAUSE_NONE + 1; cause < CAUSE_COUNT; cause++)
		if (strcmp(word, rows[cause].word) == 0)
			return (enum cause)cause;
	return CAUSE_COUNT;
}
