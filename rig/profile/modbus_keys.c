/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/modbus_keys.h"

#include "calib/number/quantity.h"
#include "channel/channel.h"
#include "profile/instrument_mistake.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define EXAMPLE "such as: input 0 u16 0.01"
#define UNIT_MOST 247

static const struct {
	const char *key, *unit;
	unsigned role;
} words[MODBUS_WORDS] = {
	[MODBUS_VOLTAGE] = { "read_voltage", "V", ROLE_VOLTAGE },
	[MODBUS_CURRENT] = { "read_current", "A", ROLE_CURRENT },
	[(int)MODBUS_TEMP + TEMP_BRAKE] = { "read_brake", "K", ROLE_TEMP },
	[(int)MODBUS_TEMP + TEMP_CASE] = { "read_case", "K", ROLE_TEMP },
	[(int)MODBUS_TEMP + TEMP_WINDING] = { "read_winding", "K", ROLE_TEMP },
	[(int)MODBUS_TEMP + TEMP_AMBIENT] = { "read_ambient", "K", ROLE_TEMP },
	[(int)MODBUS_TEMP + TEMP_CELL] = { "read_cell", "K", ROLE_TEMP },
};

/* Place of the word in the list, -1. */
static int one_of(const char *word, const char *const *list, size_t n)
{
	for (size_t i = 0; word && i < n; i++)
		if (strcmp(list[i], word) == 0)
			return (int)i;
	return -1;
}

static bool read_address(const char *text, uint16_t *ret)
{
	char *end = NULL;
	unsigned long value = text && text[0] >= '0' && text[0] <= '9' ? strtoul(text, &end, 0) : 65536;

	if (end == NULL || *end || value > 65535)
		return false;
	*ret = (uint16_t)value;
	return true;
}

/* "0.01 V", or "0.01" in the key's own unit. */
static bool read_step(const char *text, const char *unit, double *ret)
{
	struct quantity q;
	bool plain = quantity_parse(text, "1", &q, NULL) == RC_OK;

	if (!plain && quantity_parse(text, unit, &q, NULL) != RC_OK)
		return false;
	*ret = q.value;
	return isfinite(q.value) && fabs(q.value) > 0 && !q.has_u;
}

static void read_word(struct inifile *r, const char *key, const char *unit, const char *text,
		      struct modbus_register *ret)
{
	static const char *const tables[] = { "holding", "input" };
	static const char *const types[] = { "u16", "s16", "u32", "s32", "f32" };
	static const char *const orders[] = { "high-first", "low-first" };
	char copy[PROFILE_WORD * 2], *rest = copy;

	snprintf(copy, sizeof copy, "%s", text);
	const char *table = strsep(&rest, " "), *address = strsep(&rest, " "), *type = strsep(&rest, " ");
	int t = one_of(table, tables, 2), k = one_of(type, types, 5);

	if (t < 0)
		instrument_mistake(r, key, "found \"%.20s\", expected holding or input first, " EXAMPLE, table);
	else if (!read_address(address, &ret->address))
		instrument_mistake(r, key, "found the register \"%.20s\", expected 0 to 65535, " EXAMPLE,
				   address ? address : "");
	else if (k < 0)
		instrument_mistake(r, key, "found the type \"%.20s\", expected u16, s16, u32, s32 or f32, " EXAMPLE,
				   type ? type : "");
	if (t < 0 || k < 0)
		return;
	ret->table = t == 0 ? MODBUS_HOLDING : MODBUS_INPUT;
	ret->type = (enum modbus_type)k;
	if (modbus_registers(ret->type) == 2) {
		const char *order = strsep(&rest, " ");
		int o = one_of(order, orders, 2);

		if (o < 0) {
			instrument_mistake(
				r, key,
				"found the word order \"%.20s\", expected high-first or low-first after %s: which "
				"register "
				"has the upper half",
				order ? order : "", type);
			return;
		}
		ret->low_first = o == 1;
		if (ret->address == 65535)
			instrument_mistake(r, key,
					   "found register 65535 for 32 bits, which take two; expected at most 65534");
	}
	if (rest == NULL || !read_step(rest, unit, &ret->step))
		instrument_mistake(r, key, "found the step \"%.20s\", expected what 1 of it is, such as 0.01 %s",
				   rest ? rest : "", unit);
	else
		ret->given = true;
}

static bool share_registers(const struct modbus_register *a, const struct modbus_register *b)
{
	return a->table == b->table && a->address < b->address + modbus_registers(b->type) &&
	       b->address < a->address + modbus_registers(a->type);
}

static void check_overlaps(struct inifile *r, const struct instrument_profile *p)
{
	for (int b = 0; b < MODBUS_WORDS; b++)
		for (int a = 0; a < b; a++)
			if (p->modbus[a].given && p->modbus[b].given && share_registers(&p->modbus[a], &p->modbus[b]))
				instrument_mistake(r, words[b].key, "lies on registers of %s; give each its own",
						   words[a].key);
}

/* A hole in the map: what a role needs is not in it. */
static void check_roles(struct inifile *r, const struct instrument_profile *p)
{
	bool any_temp = false;

	for (int w = 0; w < MODBUS_WORDS; w++) {
		bool has = p->register_text[w][0] != '\0', temp = words[w].role == ROLE_TEMP;

		any_temp |= has && temp;
		if (!has && !temp && p->roles & words[w].role)
			instrument_mistake(r, words[w].key, "is missing; the roles need that register");
		if (has && !(p->roles & words[w].role))
			instrument_mistake(r, words[w].key, "is given, but the roles do not name what it tells");
	}
	if (p->roles & ROLE_TEMP && !any_temp)
		instrument_mistake(r, "read_case", "is missing; the role temperatures needs one register at least");
}

void modbus_check(struct inifile *r, struct instrument_profile *p)
{
	if (strcmp(p->kind, "modbus") != 0)
		return;
	if (!(p->address >= 1 && p->address <= UNIT_MOST))
		instrument_mistake(r, "address", "found %d, expected the device's own number, 1 to %d", p->address,
				   UNIT_MOST);
	for (int w = 0; w < MODBUS_WORDS; w++)
		if (p->register_text[w][0])
			read_word(r, words[w].key, words[w].unit, p->register_text[w], &p->modbus[w]);
	check_overlaps(r, p);
	check_roles(r, p);
}
