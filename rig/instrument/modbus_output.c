/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/modbus_output.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define HALF_STEP 0.501

static const struct {
	const char *key, *unit;
} names[MODBUS_SETS] = { [MODBUS_SET_OUTPUT] = { "write_output", "" },
			 [MODBUS_SET_VOLTAGE] = { "write_voltage", " V" },
			 [MODBUS_SET_CURRENT] = { "write_current", " A" } };

const char *modbus_output_init(struct modbus_output *o, const struct modbus_register set[MODBUS_SETS], double set_V,
			       double set_A, char *buf)
{
	*o = (struct modbus_output){ .value = { [MODBUS_SET_VOLTAGE] = set_V, [MODBUS_SET_CURRENT] = set_A } };
	memcpy(o->set, set, sizeof o->set);
	for (int i = 0; i < MODBUS_SETS; i++) {
		const double value = i == MODBUS_SET_OUTPUT ? 1 : o->value[i];
		uint8_t bytes[4];

		modbus_put_value(&o->set[i], value, bytes);
		double back = modbus_value(&o->set[i], bytes);
		double most = HALF_STEP * fabs(o->set[i].step) + 1e-6 * fabs(value);
		if (fabs(back - value) <= most && back > 0)
			continue;
		snprintf(buf, MODBUS_WHY, "%s: its register holds %.6g%s where %.6g%s is to be set", names[i].key, back,
			 names[i].unit, value, names[i].unit);
		return buf;
	}
	return NULL;
}

bool modbus_output_want(struct modbus_output *o, bool on)
{
	bool turned_off = o->want && !on;

	o->want = on;
	o->again |= turned_off;
	return turned_off;
}

static bool output_differs(const struct modbus_output *o)
{
	return o->again || o->want != o->told || !o->is_set[MODBUS_SET_OUTPUT];
}

bool modbus_output_due(const struct modbus_output *o)
{
	if (o->error[0] != '\0')
		return !o->want && (o->step != MODBUS_RESTS || output_differs(o));
	return o->step != MODBUS_RESTS || output_differs(o) || !o->is_set[MODBUS_SET_VOLTAGE] ||
	       !o->is_set[MODBUS_SET_CURRENT];
}

/* Off comes first, and nothing is switched on before all the rest is set. */
static enum modbus_set next_item(const struct modbus_output *o)
{
	bool is_off = o->is_set[MODBUS_SET_OUTPUT] && !o->again && !(o->told && !o->want);

	for (int i = MODBUS_SET_VOLTAGE; is_off && o->error[0] == '\0' && i < MODBUS_SETS; i++)
		if (!o->is_set[i])
			return (enum modbus_set)i;
	return MODBUS_SET_OUTPUT;
}

static void begin_item(struct modbus_output *o)
{
	o->step = MODBUS_WRITES;
	o->item = next_item(o);
	o->asked = o->item == MODBUS_SET_OUTPUT && o->want && o->is_set[MODBUS_SET_OUTPUT];
	if (o->item == MODBUS_SET_OUTPUT)
		o->again = false;
	modbus_put_value(&o->set[o->item], o->item == MODBUS_SET_OUTPUT ? o->asked : o->value[o->item], o->bytes);
}

size_t modbus_output_put(struct modbus_output *o, const struct modbus_line *line, uint16_t transaction,
			 uint8_t buf[MODBUS_FRAME])
{
	if (o->step == MODBUS_RESTS || o->again)
		begin_item(o);
	const struct modbus_register *r = &o->set[o->item];
	if (o->step == MODBUS_WRITES)
		return modbus_put_write(line, transaction, r, o->bytes, buf);
	return modbus_put_read(line, transaction, r->table, r->address, modbus_registers(r->type), buf);
}

static double commanded(const struct modbus_output *o)
{
	return o->item == MODBUS_SET_OUTPUT ? o->asked : o->value[o->item];
}

/* The first of them tells most. */
static void fail(struct modbus_output *o, const char *what)
{
	if (o->error[0] == '\0')
		snprintf(o->error, sizeof o->error, "%s %.6g%s: %s", names[o->item].key, commanded(o),
			 names[o->item].unit, what);
	o->step = MODBUS_RESTS;
	o->tries = 0;
	o->again |= o->item == MODBUS_SET_OUTPUT;
}

static void try_again(struct modbus_output *o, const char *what)
{
	if (++o->tries >= MODBUS_TRIES)
		fail(o, what);
	o->step = MODBUS_RESTS;
	o->again |= o->item == MODBUS_SET_OUTPUT;
}

void modbus_output_lost(struct modbus_output *o)
{
	if (o->step == MODBUS_WRITES)
		try_again(o, "it does not acknowledge that. Check its cable, address and baud");
	else if (o->step == MODBUS_READS_BACK)
		try_again(o, "it does not tell that register when it is read back");
}

static void take_back(struct modbus_output *o, const uint8_t *data)
{
	const struct modbus_register *r = &o->set[o->item];
	char what[80];

	if (memcmp(data, o->bytes, 2 * modbus_registers(r->type)) != 0) {
		snprintf(what, sizeof what, "it reads back %.6g%s. Check its range, its keys and [supply]",
			 modbus_value(r, data), names[o->item].unit);
		try_again(o, what);
		return;
	}
	o->step = MODBUS_RESTS;
	o->tries = 0;
	o->is_set[o->item] = true;
	if (o->item == MODBUS_SET_OUTPUT)
		o->told = o->asked;
}

bool modbus_output_take(struct modbus_output *o, const struct modbus_line *line, uint16_t transaction,
			const uint8_t *bytes, size_t n)
{
	const struct modbus_register *r = &o->set[o->item];
	const uint8_t *data = NULL;
	char what[80];
	uint8_t code = 0;
	enum modbus_found found =
		o->step == MODBUS_WRITES
			? modbus_find_written(line, transaction, r, o->bytes, bytes, n, &code)
			: modbus_find(line, transaction, r->table, modbus_registers(r->type), bytes, n, &data, &code);

	if (found == MODBUS_NOTHING)
		return false;
	if (found == MODBUS_REFUSED) {
		snprintf(what, sizeof what, "it %s (exception %u)", modbus_exception(code), code);
		fail(o, what);
	} else if (o->step == MODBUS_WRITES) {
		o->step = MODBUS_READS_BACK;
	} else {
		take_back(o, data);
	}
	return true;
}

size_t modbus_output_put_off(const struct modbus_register *output, const struct modbus_line *line, uint16_t transaction,
			     uint8_t buf[MODBUS_FRAME])
{
	uint8_t off[4];

	modbus_put_value(output, 0, off);
	return modbus_put_write(line, transaction, output, off, buf);
}
