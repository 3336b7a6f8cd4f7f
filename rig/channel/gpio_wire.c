/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/gpio_wire.h"

#include <stdlib.h>
#include <string.h>

#define OFFSET_DIGITS 4

static bool take_line(const char *word, size_t n, struct gpio_wire *ret)
{
	if (n >= sizeof ret->name)
		return false;
	memcpy(ret->name, word, n);
	ret->wired = true;
	if (strspn(ret->name, "0123456789") != n)
		return true;
	if (n > OFFSET_DIGITS)
		return false;
	ret->offset = atoi(ret->name);
	ret->name[0] = '\0';
	return true;
}

static bool take_option(const char *word, size_t n, struct gpio_wire *ret)
{
	bool low = n == 3 && strncmp(word, "low", n) == 0, up = n == 7 && strncmp(word, "pull-up", n) == 0;
	bool down = n == 9 && strncmp(word, "pull-down", n) == 0;
	bool twice = (low && ret->low) || ((up || down) && ret->bias != GPIO_AS_IS);

	ret->low |= low;
	ret->bias = up ? GPIO_PULL_UP : down ? GPIO_PULL_DOWN : ret->bias;
	return (low || up || down) && !twice;
}

bool gpio_wire_read(const char *text, struct gpio_wire *ret)
{
	struct gpio_wire wire = { .offset = -1 };
	bool good = true;

	*ret = wire;
	for (const char *word = text + strspn(text, " \t"); good && *word; word += strspn(word, " \t")) {
		size_t n = strcspn(word, " \t");
		good = wire.wired ? take_option(word, n, &wire) : take_line(word, n, &wire);
		word += n;
	}
	if (good)
		*ret = wire;
	return good;
}

bool gpio_wire_same(const struct gpio_wire *a, const struct gpio_wire *b)
{
	return a->wired && b->wired && a->offset == b->offset && strcmp(a->name, b->name) == 0;
}

const char *gpio_use_word(enum gpio_use use)
{
	static const char *const word[GPIO_USES] = { "estop", "guard", "contactor", "pulse_a", "pulse_b", "switch" };

	return word[use];
}
