/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "command/suit.h"
#include "channel/utf8.h"
#include "terminal/cli.h"

#include <ini.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What belongs to an actuator and not to the joint; each is the option of that name. */
static const struct {
	const char *name;
	size_t at;
} keys[] = {
	{ "curve", offsetof(struct suit_wanted, curve) },
	{ "thermal", offsetof(struct suit_wanted, thermal) },
	{ "rotor-inertia", offsetof(struct suit_wanted, inertia) },
	{ "ratio", offsetof(struct suit_wanted, ratio) },
	{ "limit", offsetof(struct suit_wanted, limit) },
	{ "efficiency", offsetof(struct suit_wanted, efficiency) },
	{ "play", offsetof(struct suit_wanted, play) },
	{ "stiffness", offsetof(struct suit_wanted, stiffness) },
};
#define KEYS (sizeof keys / sizeof keys[0])

struct candidate {
	char text[KEYS][200];
	struct suit_wanted wanted;
};

struct many {
	const struct suit_wanted *base;
	size_t n;
	struct candidate candidate[SUIT_ACTUATORS];
	struct suit_case found[SUIT_ACTUATORS];
	struct err *err;
	enum rc rc;
};

static int refuse(struct many *m, const char *section, const char *name, const char *why)
{
	m->rc = err_set(m->err, RC_ARG, 0, "%.100s: [%.40s] %.40s: %s", m->base->actuators, section, name, why);
	return 0;
}

static bool is_shown(const char *name)
{
	while (utf8_length(name))
		name += utf8_length(name);
	return *name == '\0';
}

static int take_key(void *ctx, const char *section, const char *name, const char *value)
{
	struct many *m = ctx;
	size_t at = 0, key = 0;

	if (m->rc) /* the first mistake is told */
		return 0;
	while (at < m->n && strcmp(m->found[at].name, section) != 0)
		at++;
	while (key < KEYS && strcmp(keys[key].name, name) != 0)
		key++;
	if (section[0] == 0 || strlen(section) >= sizeof m->found[0].name || strpbrk(section, "'\"`\\") ||
	    !is_shown(section))
		return refuse(m, section, name,
			      "expected a section for each actuator, with a name of at most 47 bytes "
			      "without quotes and control characters");
	if (key == KEYS)
		return refuse(m, section, name,
			      "no such key; there are curve, thermal, rotor-inertia, ratio, limit, efficiency, play, "
			      "stiffness");
	if (at == SUIT_ACTUATORS)
		return refuse(m, section, name, "the seventh actuator; expected at most 6");
	if (strlen(value) >= sizeof m->candidate[at].text[key])
		return refuse(m, section, name, "the value is too long; expected at most 199 bytes");
	if (at < m->n && m->candidate[at].text[key][0])
		return refuse(m, section, name, "given twice; each actuator needs a section and a name of its own");
	if (at == m->n) {
		m->candidate[m->n].wanted = *m->base;
		snprintf(m->found[m->n++].name, sizeof m->found[0].name, "%s", section);
	}
	struct candidate *c = &m->candidate[at];
	snprintf(c->text[key], sizeof c->text[key], "%s", value);
	const char *text = c->text[key];
	memcpy((char *)&c->wanted + keys[key].at, &text, sizeof text);
	return 1;
}

static enum rc read_candidates(struct many *m)
{
	int line = ini_parse(m->base->actuators, take_key, m);

	if (m->rc)
		return m->rc;
	if (line < 0)
		return err_set(m->err, RC_ARG, 0, "%s: cannot be opened", m->base->actuators);
	if (line > 0)
		return err_set(m->err, RC_ARG, 0, "%s:%d: expected \"key = value\" or \"[actuator]\"",
			       m->base->actuators, line);
	if (m->n == 0)
		return err_set(m->err, RC_ARG, 0, "%s: no actuator; expected a section for each, such as [winder]",
			       m->base->actuators);
	return RC_OK;
}

static enum rc find_all(struct many *m, struct mistakes *mistakes)
{
	enum rc rc = m->base->curve || m->base->thermal
			     ? err_set(m->err, RC_ARG, 0,
				       "--curve and --thermal stand in the sections of --actuators: give them there")
			     : read_candidates(m);

	for (size_t i = 0; !rc && i < m->n; i++) {
		struct suit_wanted *w = &m->candidate[i].wanted;
		rc = suit_options(w, m->err);
		if (!rc)
			rc = suit_find(w, &m->found[i], mistakes, m->err);
		if (rc)
			err_prefix(m->err, "[%.40s] ", m->found[i].name);
	}
	return rc;
}

/* The verdict on the whole is that of the requirement that decides. */
static const struct suit_verdict *decides(const struct suit_found *f)
{
	return f->n ? &f->verdict[f->decides] : NULL;
}

static json_t *in_json(const struct many *m)
{
	json_t *list = json_array(), *good = json_array();

	for (size_t i = 0; i < m->n; i++) {
		json_t *one = suit_json(&m->found[i].found);
		json_object_set_new(one, "name", cli_text(m->found[i].name));
		json_object_set_new(one, "carries", json_boolean(suit_carries(&m->found[i].found)));
		json_array_append_new(list, one);
		if (suit_carries(&m->found[i].found))
			json_array_append_new(good, cli_text(m->found[i].name));
	}
	return json_pack("{s:o, s:o}", "actuators", list, "carry", good);
}

static void in_text(const struct many *m)
{
	size_t good = 0, told = 0;

	printf("  %-20s %-11s %-20s %10s %10s %10s  %-5s %s\n", "actuator", "verdict", "what decides", "needed",
	       "available", "margin", "unit", "probability");
	for (size_t i = 0; i < m->n; i++) {
		const struct suit_verdict *d = decides(&m->found[i].found);
		good += suit_carries(&m->found[i].found);
		if (!d) {
			printf("  %-20s nothing could be judged\n", m->found[i].name);
			continue;
		}
		char number[3][24], probability[16] = "-";
		if (isfinite(d->probability))
			snprintf(probability, sizeof probability, "%.3f", d->probability);
		double value[3] = { d->needed, d->available, d->available - d->needed };
		const char *endless[3] = { "no end", "any", "-" };
		for (int k = 0; k < 3; k++)
			if (isfinite(value[k]))
				snprintf(number[k], sizeof number[k], "%.4g", value[k]);
			else
				snprintf(number[k], sizeof number[k], "%s", isnan(value[k]) ? "not known" : endless[k]);
		printf("  %-20s %-11s %-20s %10s %10s %10s  %-*s %s\n", m->found[i].name, verdict_name(d->verdict),
		       d->requirement, number[0], number[1], number[2], suit_columns(5, suit_unit(d)), suit_unit(d),
		       probability);
	}
	for (size_t i = 0; i < m->n; i++)
		for (size_t k = 0; k < m->found[i].found.n_assumed; k++)
			printf("%s%s: %s\n", told++ ? "" : "\n", m->found[i].name, m->found[i].found.assumed[k]);
	printf("\n%zu of %zu actuators %s the duty: each requirement is confirmed at 95 %%. Each requirement of one "
	       "actuator: "
	       "give its --curve and --thermal without --actuators.\n",
	       good, m->n, good == 1 ? "carries" : "carry");
}

int suit_many(const struct cli *cli, const struct suit_wanted *w, struct mistakes *mistakes, struct err *err)
{
	struct many *m = calloc(1, sizeof *m);
	int status = 1;

	if (!m) {
		err_set(err, RC_NOMEM, 0, "out of memory");
		return cli_fail(cli, err, NULL, NULL);
	}
	m->base = w;
	m->err = err;
	enum rc rc = find_all(m, mistakes);
	if (!rc && w->out)
		rc = suit_publish(w->out, m->found, m->n, err);
	for (size_t i = 0; i < m->n; i++)
		status = status && suit_refuted(&m->found[i].found);
	if (rc) {
		status = cli_fail(cli, err, NULL, mistakes);
	} else if (cli->json) {
		int printed = cli_print_json(suit_json_page(in_json(m), w->out));
		status = printed ? printed : status;
	} else {
		in_text(m);
		suit_print_page(w->out);
	}
	for (size_t i = 0; i < m->n; i++)
		suit_case_free(&m->found[i]);
	free(m);
	return status;
}
