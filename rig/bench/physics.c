/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/physics.h"
#include "bench/stated.h"
#include "calib/number/quantity.h"

#include <ctype.h>
#include <errno.h>
#include <ini.h>
#include <math.h>
#include <stdarg.h>
#include <string.h>

struct physics_file {
	const char *path;
	uint64_t seed;
	struct physics physics;
	struct mistakes *m;
	FILE *file;
	int line; /* of the line that libinih was given last: Debian's build does not pass it on */
	bool seen[256];
};

static char *next_line(char *buf, int size, void *user)
{
	struct physics_file *r = user;

	r->line++;
	return fgets(buf, size, r->file);
}

static void PRINTF_LIKE(3, 4) complain(struct physics_file *r, int line, const char *format, ...)
{
	const char *base = strrchr(r->path, '/');
	char text[260];
	va_list args;

	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	base = base != NULL ? base + 1 : r->path;
	if (r->m->n >= sizeof r->m->line / sizeof r->m->line[0])
		r->m->more++;
	else if (line > 0)
		snprintf(r->m->line[r->m->n++], sizeof r->m->line[0], "%s:%d: %s", base, line, text);
	else
		snprintf(r->m->line[r->m->n++], sizeof r->m->line[0], "%s: %s", base, text);
}

static void put(struct physics *physics, const struct physics_key *key, double value)
{
	memcpy((char *)physics + key->offset, &value, sizeof value);
}

static double get(const struct physics *physics, const struct physics_key *key)
{
	double value;

	memcpy(&value, (const char *)physics + key->offset, sizeof value);
	return value;
}

/* A draw from a wide normal may leave the key's range: the truth stays physical. */
static void take(struct physics_file *r, const struct physics_key *key, const char *text)
{
	char name[100];

	snprintf(name, sizeof name, "virtual.%s.%s", key->section, key->key);
	put(&r->physics, key, fmin(fmax(stated_draw(r->seed, name, text, key->unit), key->least), key->most));
}

static const char *fitting_section(const char *section)
{
	for (size_t i = 0; i < physics_keys_n; i++)
		if (strcmp(physics_keys[i].section, section) == 0)
			return physics_keys[i].section;
	return NULL;
}

static void take_text(struct physics_file *r, size_t i, const char *value)
{
	int line = r->line;
	const struct physics_key *key = &physics_keys[i];
	struct quantity q;
	struct err err;

	if (r->seen[i])
		complain(r, line, "[%s] %s: stands here twice; one of them must go", key->section, key->key);
	r->seen[i] = true;
	if (quantity_parse(value, key->unit, &q, &err) != RC_OK)
		complain(r, line, "[%s] %s: %s", key->section, key->key, err.what);
	else if (!(q.value >= key->least && q.value <= key->most))
		complain(r, line, "[%s] %s: found \"%s\", expected %g to %g %s", key->section, key->key, value,
			 key->least, key->most, key->unit);
	else
		take(r, key, value);
}

static int handle(void *user, const char *section, const char *name, const char *value)
{
	struct physics_file *r = user;

	for (size_t i = 0; i < physics_keys_n; i++) {
		if (strcmp(physics_keys[i].section, section) == 0 && strcmp(physics_keys[i].key, name) == 0) {
			take_text(r, i, value);
			return 1;
		}
	}
	if (fitting_section(section) == NULL)
		complain(r, r->line, "[%s]: no such section; bridle bench --template lists them", section);
	else
		complain(r, r->line, "[%s] %s: no such key; bridle bench --template lists them", section, name);
	return 1;
}

static enum rc defaults(struct physics_file *r, struct err *err)
{
	for (size_t i = 0; i < physics_keys_n; i++) {
		struct quantity q;
		enum rc rc = quantity_parse(physics_keys[i].standard, physics_keys[i].unit, &q, err);

		if (rc != RC_OK) {
			err_prefix(err, "default of [%s] %s: ", physics_keys[i].section, physics_keys[i].key);
			return rc;
		}
		take(r, &physics_keys[i], physics_keys[i].standard);
	}
	return RC_OK;
}

static void whole(struct physics_file *r)
{
	const struct physics *p = &r->physics;

	if (!(p->drive.derate_to_degC > p->drive.derate_from_degC))
		complain(r, 0, "[drive] derate_to: must be above derate_from");
	if (!(p->drive.ready_V >= p->drive.dropout_V))
		complain(r, 0, "[drive] ready: must not be below dropout");
	if (!(p->drive.chopper_V > p->drive.ready_V))
		complain(r, 0, "[drive] chopper: must be above ready");
}

enum rc physics_read(const char *path, uint64_t seed, struct physics *ret, struct mistakes *m, struct err *err)
{
	struct physics_file r = { .path = path, .seed = seed, .m = m };
	enum rc rc = defaults(&r, err);
	int bad;

	if (rc != RC_OK)
		return rc;
	r.file = fopen(path, "r");
	if (r.file == NULL && errno != ENOENT)
		return err_set(err, RC_IO, errno, "%s: cannot be read: %s", path, strerror(errno));
	if (r.file != NULL) {
		bad = ini_parse_stream(next_line, &r, handle, &r);
		if (ferror(r.file))
			rc = err_set(err, RC_IO, errno, "%s: cannot be read: %s", path, strerror(errno));
		fclose(r.file);
		if (rc != RC_OK)
			return rc;
		if (bad > 0)
			complain(&r, bad, "not a line of the form key = value");
		else if (bad < 0)
			return err_set(err, RC_NOMEM, 0, "%s: out of memory", path);
		whole(&r);
	}
	if (m->n > 0)
		return err_set(err, RC_ARG, 0, "%s: %zu mistake%s", path, m->n + m->more, m->n > 1 ? "s" : "");
	*ret = r.physics;
	return RC_OK;
}

void physics_template(FILE *to)
{
	const char *section = "";

	fputs("; The truth of a virtual bench: what the controller has to find out and never reads.\n"
	      "; `bridle bench` reads this file; a key that is missing has the value shown by `bridle bench "
	      "--template`.\n"
	      "; A value with an uncertainty (± ...) is drawn anew for each seed. Torque and speed are at the output\n"
	      "; unless the text says rotor.\n",
	      to);
	for (size_t i = 0; i < physics_keys_n; i++) {
		const struct physics_key *key = &physics_keys[i];

		if (strcmp(section, key->section) != 0)
			fprintf(to, "\n[%s]\n", section = key->section);
		fprintf(to, "; %s\n%s = %s\n", key->meaning, key->key, key->standard);
	}
}

/* "N.m/A" -> "Nm_per_A": the unit as part of a JSON key. */
static void unit_suffix(const char *unit, char *buf, size_t size)
{
	size_t n = 0;

	buf[0] = '\0';
	if (strcmp(unit, "1") == 0)
		return;
	buf[n++] = '_';
	for (; *unit != '\0' && n + 6 < size; unit++) {
		if (strcmp(unit, "K-1") == 0) {
			memcpy(buf + n, "per_K", 5);
			n += 5;
			break;
		}
		if (*unit == '/') {
			memcpy(buf + n, n > 1 ? "_per_" : "per_", n > 1 ? 5 : 4);
			n += n > 1 ? 5 : 4;
		} else if (*unit != '.') {
			buf[n++] = *unit;
		}
	}
	buf[n] = '\0';
}

json_t *physics_json(const struct physics *physics)
{
	json_t *doc = json_object();

	for (size_t i = 0; i < physics_keys_n && doc != NULL; i++) {
		const struct physics_key *key = &physics_keys[i];
		json_t *section = json_object_get(doc, key->section);
		char name[80], suffix[40];

		if (section == NULL) {
			json_object_set_new(doc, key->section, json_object());
			section = json_object_get(doc, key->section);
		}
		unit_suffix(key->unit, suffix, sizeof suffix);
		snprintf(name, sizeof name, "%s%s", key->key, suffix);
		json_object_set_new(section, name, json_real(get(physics, key)));
	}
	return doc;
}
