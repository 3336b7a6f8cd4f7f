/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/instruments.h"

#include "profile/bytes.h"
#include "profile/indicator_keys.h"
#include "profile/instrument_mistake.h"
#include "profile/gpio_keys.h"
#include "profile/can_drive_keys.h"
#include "profile/canopen_keys.h"
#include "profile/modbus_keys.h"
#include "profile/text_drive_keys.h"
#include "channel/channel.h"

#include <stdio.h>
#include <string.h>

#define NAME_LETTERS "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_"
#define NAME_LONGEST 16
#define HOLD_WORDS 50 /* the warden has room for them */

static const struct {
	const char *word;
	unsigned role;
} roles[] = {
	{ "cell", ROLE_CELL },   { "pickup", ROLE_PICK },       { "brake", ROLE_BRAKE },
	{ "meter", ROLE_METER }, { "voltage", ROLE_VOLTAGE },   { "current", ROLE_CURRENT },
	{ "drive", ROLE_DRIVE }, { "temperatures", ROLE_TEMP }, { "lines", ROLE_LINES },
	{ "power", ROLE_POWER }, { "cut", ROLE_CUT },
};

/* What each kind can do. An output without a lease needs the warden. */
static const struct {
	const char *word;
	unsigned can;
} kinds[] = {
	{ "supply", ROLE_METER | ROLE_POWER | ROLE_CUT | ROLE_BRAKE },
	{ "relay", ROLE_POWER },
	{ "text-drive", ROLE_DRIVE },
	{ "indicator", ROLE_CELL },
	{ "gpio", ROLE_LINES | ROLE_PICK | ROLE_POWER },
	{ "can-drive", ROLE_DRIVE },
	{ "canopen-drive", ROLE_DRIVE },
	{ "modbus", ROLE_METER | ROLE_TEMP | ROLE_POWER | ROLE_CUT },
	{ "hand-drive", ROLE_DRIVE },
};

static unsigned role_of(const char *word, size_t n)
{
	for (size_t i = 0; i < sizeof roles / sizeof roles[0]; i++)
		if (strlen(roles[i].word) == n && strncmp(roles[i].word, word, n) == 0)
			return roles[i].role;
	return 0;
}

static void take_role(struct inifile *r, struct instrument_profile *p, const char *word, size_t n, unsigned can)
{
	unsigned role = role_of(word, n);
	int line = inifile_line(r, INSTRUMENT_SECTION, "roles"), shown = (int)(n < 40 ? n : 40);

	if (role == 0)
		inifile_mistake(r, line, r->section_name, "roles",
				"found \"%.*s\", expected cell, pickup, brake, meter, voltage, current, drive, "
				"temperatures, lines or power",
				shown, word);
	else if (!(can & role))
		inifile_mistake(r, line, r->section_name, "roles", "found \"%.*s\", but %s %s cannot do that", shown,
				word, strchr("aeiou", p->kind[0]) ? "an" : "a", p->kind);
	p->roles |= role;
}

static unsigned check_kind(struct inifile *r, const struct instrument_profile *p)
{
	char list[120] = "";
	size_t at = 0;

	for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
		if (strcmp(kinds[i].word, p->kind) == 0)
			return kinds[i].can;
	if (!p->kind[0])
		return 0;
	for (size_t i = 0; i < sizeof kinds / sizeof kinds[0] && at < sizeof list; i++)
		at += (size_t)snprintf(list + at, sizeof list - at, "%s%s",
				       i == 0                                   ? ""
				       : i + 1 < sizeof kinds / sizeof kinds[0] ? ", "
										: " or ",
				       kinds[i].word);
	instrument_mistake(r, "kind", "found \"%.40s\", expected %s", p->kind, list);
	return 0;
}

static void check_taken(struct inifile *r, const struct rig_profile *rig, const struct instrument_profile *p)
{
	for (size_t i = 0; i + 1 < rig->n_instruments; i++) {
		unsigned both = rig->instrument[i].roles & p->roles;
		for (size_t k = 0; k < sizeof roles / sizeof roles[0]; k++) {
			if (!(both & roles[k].role) || (both & roles[k].role) != roles[k].role)
				continue;
			instrument_mistake(r, "roles",
					   "[instrument %s] has the role %s already; leave it to one of the two",
					   rig->instrument[i].name, roles[k].word);
			both &= ~roles[k].role; /* a whole, not its halves once more */
		}
	}
}

bool instruments_set_by_person(const struct instrument_profile *p)
{
	return strcmp(p->kind, "hand-drive") == 0;
}

const struct instrument_profile *profile_hand_drive(const struct rig_profile *rig)
{
	for (size_t i = 0; i < rig->n_instruments; i++)
		if (instruments_set_by_person(&rig->instrument[i]))
			return &rig->instrument[i];
	return NULL;
}

static void check_link(struct inifile *r, const struct instrument_profile *p)
{
	if (instruments_set_by_person(p) && *p->link)
		instrument_mistake(r, "link", "found \"%.40s\", but a hand-drive has no line; leave the link out",
				   p->link);
	else if (!instruments_set_by_person(p) && !*p->link)
		inifile_mistake(r, p->roles_line, r->section_name, "link",
				"is missing; expected where it is, such as serial:/dev/ttyUSB0");
}

static bool can_share(const struct instrument_profile *p)
{
	return strcmp(p->kind, "supply") == 0 || strcmp(p->kind, "modbus") == 0;
}

/* On which line it is, and whether it can be told apart there. */
static void find_line(struct inifile *r, struct rig_profile *rig, struct instrument_profile *p)
{
	int line = inifile_line(r, INSTRUMENT_SECTION, "address");

	if (p->address && p->roles & ROLE_OUTPUTS && strcmp(p->kind, "modbus") != 0)
		inifile_mistake(r, line, r->section_name, "address",
				"does not go with an output, which has a line of its own; leave the address out");
	p->line = instruments_set_by_person(p) ? PROFILE_NO_LINE : rig->n_lines;
	for (size_t i = 0; i + 1 < rig->n_instruments; i++) {
		const struct instrument_profile *other = &rig->instrument[i];
		if (!*p->link || strcmp(other->link, p->link) != 0)
			continue;
		p->line = other->line;
		if (!can_share(p) || strcmp(other->kind, p->kind) != 0 || (p->roles | other->roles) & ROLE_OUTPUTS)
			instrument_mistake(r, "link",
					   "[instrument %s] has the same link, and only supplies that are not set can "
					   "share a line, or modbus devices",
					   other->name);
		else if (!p->address || !other->address || p->address == other->address)
			inifile_mistake(r, line, r->section_name, "address",
					"[instrument %s] has the same link. Give each of the two an address of its "
					"own, from 1 on",
					other->name);
		else if (p->modbus_tcp != other->modbus_tcp || p->characters != other->characters)
			instrument_mistake(r, "link",
					   "[instrument %s] has the same link with another framing or other characters",
					   other->name);
		else if (p->baud != other->baud)
			instrument_mistake(
				r, "baud",
				"found %d, but [instrument %s] on the same link has %d; one line has one speed",
				p->baud, other->name, other->baud);
	}
	if (p->line == rig->n_lines)
		rig->n_lines++;
}

const struct instrument_profile *instruments_line(const struct rig_profile *rig, size_t line)
{
	size_t i = 0;

	while (rig->instrument[i].line != line)
		i++;
	return &rig->instrument[i];
}

bool profile_has_host_edges(const struct rig_profile *rig)
{
	for (size_t i = 0; i < rig->n_instruments; i++)
		if (rig->instrument[i].roles & ROLE_PICK)
			return true;
	return false;
}

static bool is_taken(const struct rig_profile *rig, const char *name)
{
	for (size_t i = 0; i < rig->n_instruments; i++)
		if (strcmp(rig->instrument[i].name, name) == 0)
			return true;
	return false;
}

void instruments_enter(struct inifile *r, const char *section)
{
	struct rig_profile *rig = r->whole;
	const char *name = section + strlen("instrument ");

	r->base = NULL;
	if (!*name || strspn(name, NAME_LETTERS) != strlen(name) || strlen(name) > NAME_LONGEST ||
	    strcmp(name, "tether") == 0) {
		inifile_mistake(r, r->line, section, NULL,
				"expected a name of 1 to %d letters, digits, '-' and '_' after the word instrument",
				NAME_LONGEST);
		return;
	}
	if (is_taken(rig, name)) {
		inifile_mistake(r, r->line, section, NULL, "stands twice; give each instrument a name of its own");
		return;
	}
	if (rig->n_instruments == PROFILE_INSTRUMENTS) {
		inifile_mistake(r, r->line, section, NULL, "found more than %d instruments", PROFILE_INSTRUMENTS);
		return;
	}
	struct instrument_profile *p = &rig->instrument[rig->n_instruments++];
	inifile_section_defaults(r->table, INSTRUMENT_SECTION, p);
	snprintf(p->name, sizeof p->name, "%s", name);
	r->base = p;
}

static void read_bytes(struct inifile *r, const char *key, const char *text, struct profile_bytes *ret)
{
	if (!bytes_read(text, ret))
		instrument_mistake(
			r, key, "found \"%.60s\", expected 1 to %d bytes such as A0 01 01 A2, or text in double quotes",
			text, PROFILE_BYTES);
}

static void check_relay(struct inifile *r, struct instrument_profile *p)
{
	if (strcmp(p->kind, "relay") != 0)
		return;
	read_bytes(r, "close", p->close_text, &p->close);
	read_bytes(r, "open", p->open_text, &p->open);
	if (p->close.n > 0 && p->close.n == p->open.n && memcmp(p->close.byte, p->open.byte, p->close.n) == 0)
		instrument_mistake(r, "open", "is the same as close; expected the bytes that open the contactor");
}

static void check_word(struct inifile *r, const char *key, const char *word, bool question)
{
	size_t n = strlen(word);
	bool asks = n > 0 && word[n - 1] == '?';

	if (n == 0 || asks != question || strcspn(word, " ;\t\"") != n)
		instrument_mistake(r, key, "found \"%s\", expected one header word%s, without blanks and ;", word,
				   question ? " that ends in ?" : " without ?");
}

/* A supply that feeds the coil does nothing else. */
static void check_coil(struct inifile *r, const struct instrument_profile *p)
{
	if (!(p->roles & ROLE_BRAKE))
		return;
	if (p->roles != ROLE_BRAKE)
		inifile_mistake(r, p->roles_line, r->section_name, "roles",
				"found brake and another role; a supply that feeds the coil has the role brake alone");
	if (strlen(p->set_output) + strlen(p->set_current) > HOLD_WORDS)
		instrument_mistake(r, "set_output",
				   "has with set_current more than %d letters; expected shorter header words",
				   HOLD_WORDS);
	if (!(p->coil_V > 0))
		instrument_mistake(r, "coil_voltage",
				   "is missing; expected the most that the coil may get, by its maker");
}

/* What its output does is known by what it measures. */
static void check_settable(struct inifile *r, const struct instrument_profile *p)
{
	bool is_supply = strcmp(p->kind, "supply") == 0, is_modbus = strcmp(p->kind, "modbus") == 0;

	if (!(is_supply || is_modbus) || !(p->roles & ROLE_OUTPUTS))
		return;
	if (p->roles & (ROLE_POWER | ROLE_CUT) && (p->roles & ROLE_METER) != ROLE_METER)
		inifile_mistake(r, p->roles_line, r->section_name, "roles",
				"found %s without meter; a supply that is switched must also be the meter",
				p->roles & ROLE_POWER ? "power" : "cut");
	if (p->roles & ROLE_POWER && p->roles & ROLE_CUT)
		inifile_mistake(r, p->roles_line, r->section_name, "roles",
				"found power and cut; cut is for a supply beside a contactor that something else "
				"switches");
	if (is_modbus)
		return;
	check_coil(r, p);
	check_word(r, "set_voltage", p->set_voltage, false);
	check_word(r, "set_current", p->set_current, false);
	check_word(r, "set_output", p->set_output, false);
	check_word(r, "ask_error", p->ask_error, true);
	if (p->ask_limited[0])
		check_word(r, "ask_limited", p->ask_limited, true);
	if (p->ask_limiting[0])
		check_word(r, "ask_limiting", p->ask_limiting, true);
	if (p->ask_limiting[0] && !p->ask_limited[0])
		instrument_mistake(r, "ask_limiting",
				   "needs ask_limited as well: a limit that acts for a moment is told by the latched "
				   "status alone");
}

/* A drive that goes off by itself. */
static bool has_lease(const struct instrument_profile *p)
{
	return (p->roles & ROLE_OUTPUTS) == ROLE_DRIVE && p->lease_s > 0;
}

bool instruments_has_output(const struct instrument_profile *p)
{
	return p->roles & ROLE_OUTPUTS && !instruments_set_by_person(p);
}

static void check_lease(struct inifile *r, const struct rig_profile *rig, const struct instrument_profile *p)
{
	char section[PROFILE_WORD + 12];

	snprintf(section, sizeof section, "instrument %s", p->name);
	if (has_lease(p) && !(p->lease_s * rig->rate_Hz >= 6))
		inifile_mistake(r, p->roles_line, section, "lease",
				"found %g s, expected at least six ticks (%g s at this rate)", p->lease_s,
				6 / rig->rate_Hz);
}

void instruments_check_outputs(struct inifile *r, const struct rig_profile *rig)
{
	for (size_t i = 0; i < rig->n_instruments; i++) {
		const struct instrument_profile *p = &rig->instrument[i];
		char section[PROFILE_WORD + 12];

		snprintf(section, sizeof section, "instrument %s", p->name);
		check_lease(r, rig, p);
		gpio_check_link(r, rig, p, section);
		canopen_check_rate(r, rig, p, section);
		if (instruments_has_output(p) && !has_lease(p) && !(rig->warden_silence_s > 0))
			inifile_mistake(r, p->roles_line, section, "roles",
					"an output of a %s has no lease: it stays on when this program dies. Add a "
					"[warden] section, which ends it then, or leave that role to the node",
					p->kind);
	}
	if (rig->warden_silence_s > 0 && !(rig->warden_silence_s * rig->rate_Hz >= 5))
		inifile_mistake(r, inifile_line(r, "warden", "silence"), "warden", "silence",
				"found %g s, expected at least five ticks (%g s at this rate)", rig->warden_silence_s,
				5 / rig->rate_Hz);
}

void instruments_leave(struct inifile *r)
{
	struct instrument_profile *p = r->base;
	unsigned can = check_kind(r, p);

	p->roles_line = inifile_line(r, INSTRUMENT_SECTION, "roles");
	check_relay(r, p);

	for (const char *word = p->role_text; can && *word; word += strspn(word, ", ")) {
		size_t n = strcspn(word, ", ");
		if (n > 0)
			take_role(r, p, word, n, can);
		word += n;
	}
	check_settable(r, p);
	text_drive_check(r, p);
	indicator_check(r, p);
	gpio_check(r, p);
	can_drive_check(r, p);
	canopen_check(r, p);
	modbus_check(r, p);
	check_taken(r, r->whole, p);
	check_link(r, p);
	find_line(r, r->whole, p);
}
