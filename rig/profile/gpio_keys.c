/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/gpio_keys.h"

#include "channel/channel.h"
#include "profile/instrument_mistake.h"

#include <string.h>

#define SCHEME "gpio:"
#define CLOSE "1"
#define OPEN "0"

static bool is_gpio(const struct instrument_profile *p)
{
	return strcmp(p->kind, "gpio") == 0;
}

static void mistake(struct inifile *r, enum gpio_use use, const char *found, const char *what)
{
	const char *key = gpio_use_word(use);

	instrument_mistake(r, key, "found \"%.40s\"%s", found, what);
}

static void read_wire(struct inifile *r, struct instrument_profile *p, enum gpio_use use)
{
	if (!gpio_wire_read(p->wire_text[use], &p->wire[use]))
		mistake(r, use, p->wire_text[use],
			", expected the name of a line or its offset, then low, pull-up or pull-down");
	for (unsigned other = 0; other < use; other++)
		if (gpio_wire_same(&p->wire[other], &p->wire[use]))
			mistake(r, use, p->wire_text[use],
				", which another key of this section has; wire each to its own");
	if (use == GPIO_SWITCH && p->wire[use].bias != GPIO_AS_IS)
		mistake(r, use, p->wire_text[use], ", but an output has no pull-up or pull-down");
}

/* A line and the role that it belongs to: neither without the other. */
static void check_role(struct inifile *r, const struct instrument_profile *p, enum gpio_use use, unsigned role,
		       bool needed)
{
	const char *key = gpio_use_word(use);
	const char *word = role == ROLE_LINES ? "lines" : role == ROLE_PICK ? "pickup" : "power";

	if (p->roles & role && needed && !p->wire_text[use][0])
		inifile_mistake(r, p->roles_line, r->section_name, key, "is missing; the role %s needs it", word);
	else if (!(p->roles & role) && p->wire_text[use][0])
		instrument_mistake(r, key, "needs the role %s; add it to roles, or leave the line out", word);
}

static void set_orders(struct instrument_profile *p)
{
	p->close = (struct profile_bytes){ .n = strlen(CLOSE) };
	memcpy(p->close.byte, CLOSE, strlen(CLOSE));
	p->open = (struct profile_bytes){ .n = strlen(OPEN) };
	memcpy(p->open.byte, OPEN, strlen(OPEN));
}

void gpio_check(struct inifile *r, struct instrument_profile *p)
{
	if (!is_gpio(p))
		return;
	for (unsigned use = 0; use < GPIO_USES; use++)
		read_wire(r, p, (enum gpio_use)use);
	check_role(r, p, GPIO_ESTOP, ROLE_LINES, true);
	check_role(r, p, GPIO_CAGE, ROLE_LINES, false);
	check_role(r, p, GPIO_CONTACTOR, ROLE_LINES, true);
	check_role(r, p, GPIO_PULSE_A, ROLE_PICK, true);
	check_role(r, p, GPIO_PULSE_B, ROLE_PICK, false);
	check_role(r, p, GPIO_SWITCH, ROLE_POWER, true);
	if (p->roles & ROLE_POWER)
		set_orders(p);
}

void gpio_check_link(struct inifile *r, const struct rig_profile *rig, const struct instrument_profile *p,
		     const char *section)
{
	bool on_chip = strncmp(p->link, SCHEME, strlen(SCHEME)) == 0;

	if (on_chip && !is_gpio(p))
		inifile_mistake(r, p->roles_line, section, "link", "found \"%.60s\", but a %s is not on a GPIO chip",
				p->link, p->kind);
	else if (on_chip && rig->is_virtual)
		inifile_mistake(r, p->roles_line, section, "link",
				"found \"%.60s\", but a virtual bench has no chip; expected a socket such as "
				"unix:run/pins.sock",
				p->link);
	else if (is_gpio(p) && (on_chip ? p->link[strlen(SCHEME)] == '\0' : !rig->is_virtual))
		inifile_mistake(r, p->roles_line, section, "link",
				"found \"%.60s\", expected the chip such as gpio:/dev/gpiochip0", p->link);
}
