/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/session.h"

#include "instrument/aside.h"
#include "instrument/indicator.h"
#include "instrument/gpio.h"
#include "instrument/can_drive.h"
#include "instrument/canopen_drive.h"
#include "instrument/kinds.h"
#include "instrument/modbus_meter.h"
#include "instrument/scpi_words.h"
#include "instrument/text_drive.h"
#include "link/control.h"

#include <stdio.h>
#include <string.h>

#define CONNECT_MS 5000
#define WAIT_MS 200 /* a thread for its line */

static enum rc begin_node(void *ctx, struct err *err)
{
	return node_start(ctx, err);
}

static void poll_node(void *ctx, struct snapshot *snap)
{
	node_poll(ctx, snap);
}

static void set_node(void *ctx, const struct wish *allowed)
{
	node_set(ctx, allowed);
}

static void close_node(void *ctx)
{
	node_close(ctx);
}

static unsigned modes_of(const struct node_caps *caps)
{
	unsigned modes = 0;

	for (int mode = DRIVE_SPEED; mode <= DRIVE_POSITION; mode++)
		modes |= caps->drive_mode[mode] ? 1u << mode : 0;
	return modes;
}

static struct instrument of_node(struct node *node, unsigned roles)
{
	static const struct instrument_ops ops = { begin_node, poll_node, set_node, close_node };
	const struct node_caps *caps = node_caps(node);
	unsigned can = (caps->cell ? ROLE_CELL : 0) | (caps->pick ? ROLE_PICK : 0) | (caps->brake ? ROLE_BRAKE : 0) |
		       (caps->meter ? ROLE_METER : 0) | (caps->drive ? ROLE_DRIVE : 0) | (caps->temp ? ROLE_TEMP : 0) |
		       (caps->lines ? ROLE_LINES : 0) | ROLE_POWER;

	return (struct instrument){
		.ops = &ops,
		.ctx = node,
		.name = "the node",
		.roles = can & roles,
		.stale_s = INFINITY,
		.no_direction = !caps->pick_quad,
		.modes = modes_of(caps),
		.lines = (caps->line_estop ? LINE_ESTOP : 0) | (caps->line_cage ? LINE_CAGE : 0) |
			 (caps->line_contactor ? LINE_CONTACTOR : 0),
	};
}

static const struct instrument_kind *kind_of(const char *word)
{
	for (size_t i = 0; i < instrument_kinds_n; i++)
		if (strcmp(instrument_kinds[i].word, word) == 0)
			return &instrument_kinds[i];
	return NULL;
}

struct scpi_setup session_scpi_setup(const struct session *s, const struct instrument_profile *p)
{
	struct scpi_setup ret = { .limited_bits = (unsigned)p->limited_bits,
				  .set_V = s->rig.supply_V,
				  .set_A = s->rig.supply_limit_A };

	if (p->roles & ROLE_BRAKE) {
		ret.coil = true;
		ret.set_V = p->coil_V;
		ret.set_A = 0;
		ret.most_A = s->rig.brake_max_A;
	}
	_Static_assert(sizeof ret.voltage >= sizeof p->set_voltage, "a word fits");
	strcpy(ret.voltage, p->set_voltage);
	strcpy(ret.current, p->set_current);
	strcpy(ret.output, p->set_output);
	strcpy(ret.error, p->ask_error);
	strcpy(ret.limited, p->ask_limited);
	strcpy(ret.limiting, p->ask_limiting);
	return ret;
}

static struct gpio_setup gpio_setup(const struct session *s, const struct instrument_profile *p)
{
	size_t scheme = strlen(GPIO_SCHEME);
	struct gpio_setup ret = { .chip = strncmp(p->link, GPIO_SCHEME, scheme) == 0 ? p->link + scheme : NULL,
				  .pulses_per_rev = s->rig.pulses_per_rev,
				  .direction = s->rig.pick_sign };

	memcpy(ret.wire, p->wire, sizeof ret.wire);
	return ret;
}

static unsigned on_line(const struct session *s, size_t line)
{
	unsigned n = 0;

	for (size_t i = 0; i < s->rig.n_instruments; i++)
		n += s->rig.instrument[i].line == line;
	return n;
}

/* A bench clock goes in lock-step with the tick: nothing waits there, and a thread would only lose the order. */
static enum rc open_line(struct session *s, const struct instrument_profile *p, bool waits, struct session_line *line,
			 struct err *err)
{
	if (!*p->link || strncmp(p->link, GPIO_SCHEME, strlen(GPIO_SCHEME)) == 0)
		return RC_OK; /* a person has none; a chip is opened by its instrument */
	enum rc rc = link_open(p->link, p->baud, s->bench, CONNECT_MS, &line->link, err);

	_Static_assert((int)CHARACTERS_8E1 == LINK_8E1 && (int)CHARACTERS_8N2 == LINK_8N2, "one order");
	if (rc == RC_OK)
		rc = link_set_characters(line->link, (enum link_characters)p->characters, err);
	if (rc == RC_OK && s->control)
		return control_add_line(s->control, p->name, line->link, err);
	return rc == RC_OK && waits ? aside_new(&s->clock, &line->aside, err) : rc;
}

static enum rc give_to_thread(struct aside *aside, struct instrument *instrument, struct err *err)
{
	enum rc rc = aside_add(aside, instrument, err);

	if (rc != RC_OK)
		instrument->ops->close(instrument->ctx);
	return rc;
}

static enum rc open_one(struct session *s, const struct instrument_profile *p, struct err *err)
{
	const struct instrument_kind *kind = kind_of(p->kind);
	size_t n = s->n_instruments;
	char *name = s->instrument_name[n];

	snprintf(name, sizeof s->instrument_name[n], "%s %s", p->kind, p->name);
	if (kind == NULL)
		return err_set(err, RC_ARG, 0, "%s: this program has no instrument of that kind", name);
	struct session_line *line = &s->line[p->line];
	enum rc rc = line->link ? RC_OK : open_line(s, p, kind->waits && !(p->roles & ROLE_OUTPUTS), line, err);
	const struct scpi_setup scpi = session_scpi_setup(s, p);
	struct text_drive_setup text_drive;
	session_text_drive(s, p, &text_drive);
	struct indicator_setup indicator;
	session_indicator(s, p, &indicator);
	const struct gpio_setup gpio = gpio_setup(s, p);
	struct can_drive_setup can_drive;
	session_can_drive(s, p, &can_drive);
	struct canopen_drive_setup canopen_drive;
	session_canopen_drive(s, p, &canopen_drive);
	struct modbus_setup modbus;
	session_modbus(s, p, &modbus);
	const struct instrument_person person = { .near_frac = p->near_frac,
						  .wait_s = p->person_wait_s,
						  .reverses = p->reverse == REVERSE_YES };
	unsigned sharers = on_line(s, p->line);
	const struct instrument_config config = {
		.name = name,
		.roles = p->roles,
		.number = (uint8_t)n,
		.period_s = p->period_s,
		.wait_ms = line->aside ? WAIT_MS : 0,
		.address = p->address,
		.turns = sharers > 1 ? &line->turns : NULL,
		.sharers = sharers,
		.scpi = &scpi,
		.text_drive = &text_drive,
		.indicator = &indicator,
		.gpio = &gpio,
		.can_drive = &can_drive,
		.canopen_drive = &canopen_drive,
		.modbus = &modbus,
		.person = &person,
	};
	if (rc == RC_OK)
		rc = kind->open(&config, line->link, &s->clock, &s->instrument[n], err);
	if (rc == RC_OK && line->aside)
		rc = give_to_thread(line->aside, &s->instrument[n], err);
	if (rc != RC_OK)
		err_prefix(err, "%s: ", name);
	else
		s->n_instruments++;
	return rc;
}

enum rc session_open_instruments(struct session *s, struct err *err)
{
	enum rc rc = RC_OK;

	s->instrument[0] = of_node(s->node, s->node_roles);
	s->n_instruments = 1;
	for (size_t i = 0; i < s->rig.n_instruments && rc == RC_OK; i++)
		rc = open_one(s, &s->rig.instrument[i], err);
	for (size_t i = 0; i < s->rig.n_lines && rc == RC_OK; i++)
		if (s->line[i].aside)
			rc = aside_start(s->line[i].aside, err);
	return rc;
}

void session_close_instruments(struct session *s)
{
	for (size_t i = 0; i < s->n_instruments; i++)
		s->instrument[i].ops->close(s->instrument[i].ctx);
	if (s->n_instruments == 0)
		node_close(s->node);
	for (size_t i = 0; i < PROFILE_INSTRUMENTS; i++) {
		aside_free(s->line[i].aside);
		link_close(s->line[i].link);
	}
	s->n_instruments = 0;
}

/* The node last: its samples begin to age at once. */
enum rc session_begin(struct session *s, struct err *err)
{
	enum rc rc = RC_OK;

	session_set_hold(s);
	for (size_t i = s->n_instruments; i > 0 && rc == RC_OK; i--)
		rc = s->instrument[i - 1].ops->begin(s->instrument[i - 1].ctx, err);
	return rc;
}

void session_poll(struct session *s, struct snapshot *snap)
{
	for (size_t i = 0; i < s->n_instruments; i++)
		s->instrument[i].ops->poll(s->instrument[i].ctx, snap);
	session_look_at_warden(s, snap);
}

void session_set(struct session *s, const struct wish *allowed)
{
	for (size_t i = 0; i < s->n_instruments; i++)
		if (s->instrument[i].ops->set)
			s->instrument[i].ops->set(s->instrument[i].ctx, allowed);
	session_prove_life(s, allowed);
}

const struct instrument *session_fills(const struct session *s, unsigned role)
{
	for (size_t i = 0; i < s->n_instruments; i++)
		if ((s->instrument[i].roles & role) == role)
			return &s->instrument[i];
	return NULL;
}

unsigned session_lines(const struct session *s)
{
	const struct instrument *lines = session_fills(s, ROLE_LINES);

	return lines ? lines->lines : 0;
}

bool session_pick_has_direction(const struct session *s)
{
	const struct instrument *pick = session_fills(s, ROLE_PICK);

	return pick && !pick->no_direction;
}

/* One that answers has its newest reading within half of what it is believed. */
static bool is_silent(const struct session *s, const struct snapshot *snap, size_t instrument)
{
	for (int c = 0; c < CHANNEL_COUNT; c++)
		if (snap->channel[c].instrument == instrument &&
		    snap->channel[c].age_s < s->instrument[instrument].stale_s / 2)
			return false;
	return true;
}

void session_name_silent(const struct session *s, const struct snapshot *snap, int channel, char *buf, size_t size)
{
	size_t i = channel >= 0 && channel < CHANNEL_COUNT ? snap->channel[channel].instrument : 0;
	size_t others = 0, silent = 0, at = 0;

	at += (size_t)snprintf(buf, size, "%s", i < s->n_instruments ? s->instrument[i].name : "the node");
	for (size_t k = 1; k < s->n_instruments && i > 0 && i < s->n_instruments; k++) {
		if (k == i || s->rig.instrument[k - 1].line != s->rig.instrument[i - 1].line)
			continue;
		others++;
		if (!is_silent(s, snap, k))
			continue;
		silent++;
		if (at < size)
			at += (size_t)snprintf(buf + at, size - at, ", %s", s->instrument[k].name);
	}
	if (others > 0 && at < size)
		snprintf(buf + at, size - at, silent > 0 ? " (one line)" : " (the line itself answers)");
}

bool session_is_beside(const struct snapshot *snap, int channel)
{
	return channel >= 0 && channel < CHANNEL_COUNT && snap->channel[channel].instrument > 0;
}

bool session_drive_knows(const struct session *s, enum drive_mode mode)
{
	const struct instrument *drive = session_fills(s, ROLE_DRIVE);

	return drive && drive->modes >> mode & 1;
}

const struct instrument_person *session_person_sets(const struct session *s)
{
	const struct instrument *drive = session_fills(s, ROLE_DRIVE);

	return drive ? drive->person : NULL;
}

enum rc session_check_own_drive(const struct session *s, const char *who, struct err *err)
{
	return session_person_sets(s) ? err_set(err, RC_ARG, 0,
						"%s needs a drive that this program sets; a person sets %s. Give the "
						"drive a line of its own (docs/drive.md)",
						who, session_fills(s, ROLE_DRIVE)->name)
				      : RC_OK;
}

/* What a drive without any word of its own rests on: a contactor that is seen open, a way that is seen. */
static enum rc check_person(const struct session *s, struct err *err)
{
	bool opens = session_fills(s, ROLE_POWER) != NULL, seen = session_lines(s) & LINE_CONTACTOR;

	if (session_person_sets(s) == NULL)
		return RC_OK;
	const char *name = session_fills(s, ROLE_DRIVE)->name;
	if (!opens || !seen)
		return err_set(
			err, RC_ARG, 0,
			"rig.ini: a person sets %s, so that only the contactor takes its power away, and nothing "
			"senses the contactor. Wire its auxiliary contact to the node or to a GPIO line",
			name);
	if (!session_pick_has_direction(s))
		return err_set(
			err, RC_ARG, 0,
			"rig.ini: a person sets %s, so that only the pick-up tells which way the shaft turns, and "
			"it tells none. Wire its second channel",
			name);
	return s->has_plan && s->plan.endurance.cycles > 0 ? session_check_own_drive(s, "a plan with [endurance]", err)
							   : RC_OK;
}

enum rc session_check_mode(const struct session *s, enum drive_mode mode, const char *who, struct err *err)
{
	static const char *const word[] = { "off", "speed", "current", "torque", "position" };
	char knows[80] = "";
	size_t at = 0;

	if (session_drive_knows(s, mode))
		return RC_OK;
	for (int m = DRIVE_SPEED; m <= DRIVE_POSITION; m++)
		if (session_drive_knows(s, (enum drive_mode)m))
			at += (size_t)snprintf(knows + at, sizeof knows - at, "%s%s", at ? ", " : "", word[m]);
	return err_set(err, RC_ARG, 0,
		       "%s needs the drive mode %s; the drive of this rig has %s. Give the drive that mode: a node "
		       "tells it in "
		       "info drive, a drive on a line of its own in rig.ini (docs/drive.md)",
		       who, word[mode], at ? knows : "none");
}

const char *session_error_of(const struct session *s, const struct snapshot *snap, int channel)
{
	size_t i = channel >= 0 && channel < CHANNEL_COUNT ? snap->channel[channel].instrument : 0;

	return i < s->n_instruments && s->instrument[i].error ? s->instrument[i].error : "";
}

static unsigned needed(const struct session *s)
{
	unsigned roles = ROLE_CELL | ROLE_PICK | ROLE_BRAKE;

	return s->plan.drive == PLAN_HAND ? roles : roles | ROLE_DRIVE;
}

static enum rc check_plan_mode(const struct session *s, struct err *err)
{
	char plan[PROFILE_WORD + 16];

	if (s->plan.drive == PLAN_HAND)
		return RC_OK;
	snprintf(plan, sizeof plan, "plans/%s.ini", s->plan_name);
	return session_check_mode(s, s->plan.drive == PLAN_SPEED ? DRIVE_SPEED : DRIVE_CURRENT, plan, err);
}

enum rc session_check_roles(const struct session *s, struct err *err)
{
	static const struct {
		unsigned role;
		const char *words;
	} known[] = {
		{ ROLE_CELL, "the torque cell" },
		{ ROLE_PICK, "the pick-up" },
		{ ROLE_BRAKE, "the brake" },
		{ ROLE_DRIVE, "the drive" },
	};
	char list[120] = "";
	size_t at = 0;
	enum rc rc = check_person(s, err);

	if (rc != RC_OK || !s->has_plan)
		return rc;
	for (size_t i = 0; i < sizeof known / sizeof known[0] && at < sizeof list; i++)
		if (needed(s) & known[i].role && !session_fills(s, known[i].role))
			at += (size_t)snprintf(list + at, sizeof list - at, "%s%s", at ? ", " : "", known[i].words);
	if (at == 0)
		return check_plan_mode(s, err);
	bool blind = !session_fills(s, ROLE_CELL);
	return err_set(err, RC_ARG, 0,
		       "plans/%s.ini needs %s, and no instrument of this rig serves it. Give the node that channel, or "
		       "name an "
		       "instrument with that role in rig.ini%s",
		       s->plan_name, list,
		       blind ? ". Without a cell the guard sees no torque, so nothing is driven; readings of a gauge "
			       "go through bridle hang --from and bridle reduce"
			     : "");
}
