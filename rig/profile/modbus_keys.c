/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/modbus_keys.h"

#include "calib/number/quantity.h"
#include "channel/channel.h"
#include "profile/instrument_mistake.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define EXAMPLE "such as: input 0 u16 0.01 %s"
#define UNIT_MOST 247

static const struct {
	const char *key, *unit;
	unsigned role;
} words[MODBUS_WORDS] = {
	[MODBUS_VOLTAGE] = { "read_voltage", "V", ROLE_VOLTAGE },
	[MODBUS_CURRENT] = { "read_current", "A", ROLE_CURRENT },
	[MODBUS_LIMITED] = { "read_limited", "1", ROLE_METER },
	[(int)MODBUS_TEMP + TEMP_BRAKE] = { "read_brake", "K", ROLE_TEMP },
	[(int)MODBUS_TEMP + TEMP_CASE] = { "read_case", "K", ROLE_TEMP },
	[(int)MODBUS_TEMP + TEMP_WINDING] = { "read_winding", "K", ROLE_TEMP },
	[(int)MODBUS_TEMP + TEMP_AMBIENT] = { "read_ambient", "K", ROLE_TEMP },
	[(int)MODBUS_TEMP + TEMP_CELL] = { "read_cell", "K", ROLE_TEMP },
};

static const struct {
	const char *key, *unit;
} sets[MODBUS_SETS] = { [MODBUS_SET_OUTPUT] = { "write_output", "1" },
			[MODBUS_SET_VOLTAGE] = { "write_voltage", "V" },
			[MODBUS_SET_CURRENT] = { "write_current", "A" } };

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
		instrument_mistake(r, key, "found \"%.20s\", expected holding or input first, " EXAMPLE, table, unit);
	else if (!read_address(address, &ret->address))
		instrument_mistake(r, key, "found the register \"%.20s\", expected 0 to 65535, " EXAMPLE,
				   address ? address : "", unit);
	else if (k < 0)
		instrument_mistake(r, key, "found the type \"%.20s\", expected u16, s16, u32, s32 or f32, " EXAMPLE,
				   type ? type : "", unit);
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

/* What is read, then what is written. */
static const struct modbus_register *nth(const struct instrument_profile *p, int i, const char **ret_key)
{
	*ret_key = i < MODBUS_WORDS ? words[i].key : sets[i - MODBUS_WORDS].key;
	return i < MODBUS_WORDS ? &p->modbus[i] : &p->modbus_set[i - MODBUS_WORDS];
}

static void check_overlaps(struct inifile *r, const struct instrument_profile *p)
{
	const char *key_a, *key_b;

	for (int j = 0; j < (int)MODBUS_WORDS + (int)MODBUS_SETS; j++)
		for (int i = 0; i < j; i++) {
			const struct modbus_register *a = nth(p, i, &key_a), *b = nth(p, j, &key_b);

			if (a->given && b->given && share_registers(a, b))
				instrument_mistake(r, key_b, "lies on registers of %s; give each its own", key_a);
		}
}

static void read_sets(struct inifile *r, struct instrument_profile *p)
{
	for (int i = 0; i < MODBUS_SETS; i++) {
		const bool has = p->write_text[i][0] != '\0', sets_it = p->roles & (ROLE_POWER | ROLE_CUT);

		if (has && sets_it)
			read_word(r, sets[i].key, sets[i].unit, p->write_text[i], &p->modbus_set[i]);
		if (p->modbus_set[i].given && p->modbus_set[i].table != MODBUS_HOLDING)
			instrument_mistake(r, sets[i].key,
					   "found an input register, which is only read; expected holding");
		if (has && !sets_it)
			instrument_mistake(
				r, sets[i].key,
				"is given, but the roles have neither power nor cut, so that nothing is set");
		if (!has && sets_it)
			instrument_mistake(r, sets[i].key, "is missing; a supply that is set needs that register");
	}
}

/* A hole in the map: what a role needs is not in it. */
static void check_roles(struct inifile *r, const struct instrument_profile *p)
{
	bool any_temp = false;

	for (int w = 0; w < MODBUS_WORDS; w++) {
		bool has = p->register_text[w][0] != '\0', temp = words[w].role == ROLE_TEMP;

		any_temp |= has && temp;
		if (!has && !temp && w != MODBUS_LIMITED && p->roles & words[w].role)
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
	if (p->address < 1)
		instrument_mistake(r, "address", "found %d, expected the device's own number, 1 to %d", p->address,
				   UNIT_MOST);
	for (int w = 0; w < MODBUS_WORDS; w++)
		if (p->register_text[w][0])
			read_word(r, words[w].key, words[w].unit, p->register_text[w], &p->modbus[w]);
	read_sets(r, p);
	check_overlaps(r, p);
	check_roles(r, p);
}
