/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/pack/pack_check_private.h"
#include "reports/pack/folder.h"
#include "reports/pack/pack_private.h"
#include "reports/pack/pack_run.h"

#include "reports/page/report_write.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ROUNDING 1e-9
#define ROUNDING_TABLE 2e-9
#define ROUNDING_OF_U 1e-6

void pack_check_differ(struct pack_check *c, const char *name, const char *published, const char *recomputed)
{
	if (c->n_differs < PACK_DIFFERS_MAX) {
		struct pack_difference *d = &c->differs[c->n_differs];
		snprintf(d->name, sizeof d->name, "%s", name);
		snprintf(d->published, sizeof d->published, "%s", published);
		snprintf(d->recomputed, sizeof d->recomputed, "%s", recomputed);
	}
	c->n_differs++;
}

/* --- JSON --- */
static void show(const json_t *value, char *buf, size_t size)
{
	char *text = value ? json_dumps(value, JSON_ENCODE_ANY | JSON_COMPACT | JSON_REAL_PRECISION(17)) : NULL;

	snprintf(buf, size, "%s", text ? text : value ? "?" : "nothing");
	free(text);
}

static void differ_json(struct pack_check *c, const char *name, const json_t *a, const json_t *b)
{
	char published[80], recomputed[80];

	show(a, published, sizeof published);
	show(b, recomputed, sizeof recomputed);
	pack_check_differ(c, name, published, recomputed);
}

static void check_number(struct pack_check *c, const char *name, const json_t *a, const json_t *b, double u)
{
	double x = json_number_value(a), y = json_number_value(b), apart = fabs(x - y);
	bool same = !(x < y) && !(x > y);

	c->numbers++;
	if (same)
		return;
	if (apart <= ROUNDING * fmax(fabs(x), fabs(y)) || apart <= ROUNDING_OF_U * u)
		c->rounding++;
	else
		differ_json(c, name, a, b);
}

static void check_value(struct pack_check *c, const char *name, const json_t *a, const json_t *b, double u);

static void check_object(struct pack_check *c, const char *name, const json_t *a, const json_t *b)
{
	char path[120], sibling[80];
	const char *key;
	json_t *value;

	json_object_foreach((json_t *)(uintptr_t)b, key, value)
	{
		snprintf(sibling, sizeof sibling, strcmp(key, "value") == 0 ? "u" : "u_%s", key);
		snprintf(path, sizeof path, "%s%s%s", name, *name ? "." : "", key);
		check_value(c, path, json_object_get(a, key), value, json_number_value(json_object_get(b, sibling)));
	}
	json_object_foreach((json_t *)(uintptr_t)a, key, value)
	{
		snprintf(path, sizeof path, "%s%s%s", name, *name ? "." : "", key);
		if (json_object_get(b, key) == NULL)
			differ_json(c, path, value, NULL);
	}
}

static void check_array(struct pack_check *c, const char *name, const json_t *a, const json_t *b)
{
	char path[120];
	size_t n = json_array_size(a) > json_array_size(b) ? json_array_size(a) : json_array_size(b);

	for (size_t i = 0; i < n; i++) {
		snprintf(path, sizeof path, "%s[%zu]", name, i);
		check_value(c, path, json_array_get(a, i), json_array_get(b, i), 0);
	}
}

/* Words that are results and no wording: a verdict that was altered is no other version's way to say it. */
static bool is_result(const char *name)
{
	static const char *const keys[] = { "verdict",   "limit",     "end_limit", "outcome", "cause",
					    "torque_at", "direction", "settled",   "model",   "ended_by" };
	const char *dot = strrchr(name, '.'), *key = dot ? dot + 1 : name;

	for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
		if (strcmp(key, keys[i]) == 0)
			return true;
	return false;
}

static void check_value(struct pack_check *c, const char *name, const json_t *a, const json_t *b, double u)
{
	if (json_is_object(a) && json_is_object(b))
		check_object(c, name, a, b);
	else if (json_is_array(a) && json_is_array(b))
		check_array(c, name, a, b);
	else if (json_is_number(a) && json_is_number(b))
		check_number(c, name, a, b, u);
	else if (!json_equal(a, b) && (c->same_program || is_result(name) || !json_is_string(a) || !json_is_string(b)))
		differ_json(c, name, a, b);
}

void pack_check_json(struct pack_check *c, const json_t *published, const json_t *recomputed)
{
	check_value(c, "", published, recomputed, 0);
}

/* --- tables: numbers by value, the rest by its letters --- */
static size_t cell_length(const char *s)
{
	bool inside = false;
	size_t n = 0;

	for (; s[n] != '\0' && s[n] != '\n' && (inside || s[n] != ','); n++)
		inside ^= s[n] == '"';
	return n;
}

static bool as_number(const char *s, size_t n, double *ret)
{
	char *end;

	if (n == 0 || s[0] == '"')
		return false;
	*ret = strtod(s, &end);
	return end == s + n;
}

static void check_cell(struct pack_check *c, const char *name, bool result, const char *a, size_t n_a, const char *b,
		       size_t n_b)
{
	double x = NAN, y = NAN;
	bool number = as_number(b, n_b, &y), same = n_a == n_b && memcmp(a, b, n_a) == 0;

	c->numbers += number;
	if (same || (!number && !result && !c->same_program))
		return;
	if (number && as_number(a, n_a, &x) && fabs(x - y) <= ROUNDING_TABLE * fmax(fabs(x), fabs(y))) {
		c->rounding++;
		return;
	}
	char published[80], recomputed[80];
	snprintf(published, sizeof published, "%.*s", (int)(n_a < 79 ? n_a : 79), a);
	snprintf(recomputed, sizeof recomputed, "%.*s", (int)(n_b < 79 ? n_b : 79), b);
	pack_check_differ(c, name, published, recomputed);
}

/* Where the head is in step with the cells, the column's name. */
static void column_name(const char *table, size_t column, char *buf, size_t size)
{
	for (size_t i = 0; i < column && *table != '\0' && *table != '\n'; i++) {
		table += cell_length(table);
		table += *table == ',';
	}
	snprintf(buf, size, "%.*s", (int)cell_length(table), table);
}

void pack_check_table(struct pack_check *c, const char *name, const char *a, const char *b)
{
	const char *head = b;
	size_t line = 1, column = 0;

	while (*a != '\0' && *b != '\0') {
		size_t n_a = cell_length(a), n_b = cell_length(b);
		if (n_a != n_b || memcmp(a, b, n_a) != 0) {
			char where[120], title[60];
			column_name(head, column, title, sizeof title);
			snprintf(where, sizeof where, "%.40s line %zu: %s", name, line, title);
			check_cell(c, where, is_result(title), a, n_a, b, n_b);
		} else {
			double unused;
			c->numbers += as_number(b, n_b, &unused);
		}
		a += n_a;
		b += n_b;
		if (*a != *b)
			break;
		line += *b == '\n';
		column = *b == ',' ? column + 1 : 0;
		a += *a != '\0';
		b += *b != '\0';
	}
	if (*a != *b) {
		char where[120];
		snprintf(where, sizeof where, "%.40s line %zu", name, line);
		pack_check_differ(c, where, *a ? "more rows or columns" : "fewer rows",
				  *b ? "more rows or columns" : "fewer rows");
	}
}

/* --- files that are texts --- */
static void check_text(struct pack_check *c, const char *name, const char *a, const char *b)
{
	size_t line = 1, i = 0, begin = 0;
	char where[120], published[80], recomputed[80];

	if (a == NULL || strcmp(a, b) == 0) {
		if (a == NULL)
			pack_check_differ(c, name, "is missing", "is part of this pack");
		return;
	}
	for (; a[i] == b[i]; i++)
		if (a[i] == '\n') {
			line++;
			begin = i + 1;
		}
	begin = i > begin + 30 ? i - 30 : begin;
	snprintf(where, sizeof where, "%.80s line %zu", name, line);
	snprintf(published, sizeof published, "%.*s", (int)strcspn(a + begin, "\n"), a + begin);
	snprintf(recomputed, sizeof recomputed, "%.*s", (int)strcspn(b + begin, "\n"), b + begin);
	pack_check_differ(c, where, published, recomputed);
}

/* Published text that is compared now; NULL when the pack has none of that name. */
static const char *text_of(struct pack_check *c, const struct pack *p, const char *name)
{
	const struct pack_file *f = pack_find(p, name);

	if (f == NULL)
		return NULL;
	if (memchr(f->bytes, 0, f->n) && !c->compared[f - p->file])
		pack_check_differ(c, name, "has a zero byte, behind which nothing is compared", "has none");
	c->compared[f - p->file] = true;
	return (const char *)f->bytes;
}

/* What belongs to the pack and is not compared. */
static void let_be(struct pack_check *c, const struct pack *p, const char *name)
{
	const struct pack_file *f = pack_find(p, name);

	if (f != NULL)
		c->compared[f - p->file] = true;
}

static void check_profiles(struct pack_check *c, const struct pack *p, const char *rig, const char *actuator,
			   const char *plan)
{
	const char *const names[] = { "profiles/rig.ini", "profiles/actuator.ini", "profiles/plan.ini" },
			  *const texts[] = { rig, actuator, plan };

	for (size_t i = 0; i < 3; i++)
		if (texts[i])
			check_text(c, names[i], text_of(c, p, names[i]), texts[i]);
}

struct records {
	struct pack_check *c;
	const struct pack *p;
};

static bool check_record(void *ctx, const struct record_info *record)
{
	struct records *r = ctx;
	char name[PACK_NAME_ROOM];

	snprintf(name, sizeof name, "records/%.40s-%lld.json", record->kind, (long long)record->id);
	check_text(r->c, name, text_of(r->c, r->p, name), record->json);
	return true;
}

static enum rc check_windows(struct pack_check *c, const struct pack *p, struct logbook *lb, int64_t run_id,
			     struct err *err)
{
	char *text = NULL;
	size_t size = 0;
	FILE *f = open_memstream(&text, &size);
	enum rc rc = f ? pack_windows(lb, run_id, f, NULL, err) : RC_NOMEM;

	if (f == NULL || fclose(f) != 0)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	if (rc == RC_OK)
		check_text(c, "windows.csv", text_of(c, p, "windows.csv"), text);
	free(text);
	return rc;
}

/* --- what was published, made anew in a folder; the drawings themselves are taken from the pack --- */
static bool ends_in(const char *name, const char *end)
{
	size_t n = strlen(name), m = strlen(end);

	return n > m && strcmp(name + n - m, end) == 0;
}

static enum rc take_drawings(const struct pack *p, const char *folder, struct err *err)
{
	enum rc rc = RC_OK;

	for (size_t i = 0; i < p->n && rc == RC_OK; i++)
		if (ends_in(p->file[i].name, ".svg") && strchr(p->file[i].name, '/') == NULL)
			rc = folder_write(folder, p->file[i].name, p->file[i].bytes, p->file[i].n, err);
	return rc;
}

/* A drawing has no number that is not in a table. */
static void let_be_drawings(struct pack_check *c, const struct pack *p, const char *figure)
{
	static const char *const kinds[] = { "svg", "png", "pdf" };
	char name[40];

	for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
		snprintf(name, sizeof name, "%.30s.%s", figure, kinds[i]);
		let_be(c, p, name);
	}
}

static enum rc write_again(const struct pack *p, const struct report *again, const char *folder, struct pack_check *c,
			   struct err *err)
{
	struct figures figures = { 0 };
	enum rc rc = take_drawings(p, folder, err);

	if (rc == RC_OK)
		rc = files_write_tables(again, folder, err);
	if (rc == RC_OK)
		rc = figures_write(again, folder, false, &figures, err);
	/* Another version may have other figures: then its page is not made here. */
	bool all = true;
	for (size_t i = 0; i < figures.n; i++) {
		char name[40];
		snprintf(name, sizeof name, "%s.svg", figures.figure[i].name);
		bool there = pack_find(p, name) != NULL;
		if (!there && c->same_program)
			pack_check_differ(c, name, "is missing", "is part of this pack");
		all &= there;
		let_be_drawings(c, p, figures.figure[i].name);
	}
	if (!all)
		let_be(c, p, "report.html"); /* what is missing says it */
	return rc == RC_OK && all ? page_write(again, folder, &figures, err) : rc;
}

static enum rc compare_file(const struct pack *p, const char *folder, const char *name, struct pack_check *c,
			    struct err *err)
{
	uint8_t *bytes = NULL;
	size_t n = 0;
	bool table = ends_in(name, ".csv");

	if (ends_in(name, ".svg") || (!table && !c->same_program))
		return RC_OK;
	enum rc rc = folder_read(folder, name, &bytes, &n, err);
	const char *text = text_of(c, p, name);
	if (rc == RC_OK && table && text)
		pack_check_table(c, name, text, (const char *)bytes);
	else if (rc == RC_OK)
		check_text(c, name, text, (const char *)bytes);
	free(bytes);
	return rc;
}

static enum rc check_published(const struct pack *p, const struct report *again, struct pack_check *c, struct err *err)
{
	char folder[FOLDER_ROOM], **names = NULL;
	size_t n = 0;
	enum rc rc = folder_make(folder, err);

	if (rc != RC_OK)
		return rc;
	rc = write_again(p, again, folder, c, err);
	if (rc == RC_OK)
		rc = folder_list(folder, &names, &n, err);
	for (size_t i = 0; i < n && rc == RC_OK; i++)
		rc = compare_file(p, folder, names[i], c, err);
	folder_list_free(names, n);
	folder_remove(folder);
	return rc;
}

static void check_report_json(const struct pack *p, const struct report *again, struct pack_check *c)
{
	const char *text = text_of(c, p, "report.json");
	json_t *published = text ? json_loads(text, JSON_REJECT_DUPLICATES, NULL) : NULL,
	       *recomputed = report_to_json(again);

	if (published == NULL)
		pack_check_differ(c, "report.json", text ? "is no JSON, or has a key twice" : "is missing",
				  "is part of this pack");
	else
		pack_check_json(c, published, recomputed);
	json_decref(published);
	json_decref(recomputed);
}

/* What this program would not have put there says what it likes: of its own packs alone can that be told. */
static void check_others(const struct pack *p, struct pack_check *c)
{
	let_be(c, p, PACK_RUN); /* from which all of it is made anew */
	let_be(c, p, PAGE_PDF);
	for (size_t i = 0; i < p->n && c->same_program; i++)
		if (!c->compared[i])
			pack_check_differ(c, p->file[i].name, "is in the pack", "is not part of it");
}

static enum rc check_samples(struct pack_check *c, const struct pack *p, struct logbook *lb, int64_t run_id,
			     struct err *err)
{
	const char *text = text_of(c, p, PACK_SAMPLES);

	if (text != NULL)
		return pack_check_samples(c, text, lb, run_id, err);
	pack_check_differ(c, PACK_SAMPLES, "is missing", "is part of this pack");
	return RC_OK;
}

enum rc pack_check(const struct pack *pack, struct logbook *lb, const struct report *again, struct pack_check *ret,
		   struct err *err)
{
	struct records records = { ret, pack };
	char *rig = NULL, *actuator = NULL, *plan = NULL;
	const char *program = json_string_value(json_object_get(pack->manifest, "program")),
		   *said = json_string_value(json_object_get(json_object_get(pack->manifest, "run"), "digest"));

	*ret = (struct pack_check){ .same_program = program && strcmp(program, BRIDLE_VERSION) == 0 };
	if (said == NULL || strcmp(said, again->digest) != 0)
		pack_check_differ(ret, "digest of the run", said ? said : "is missing", again->digest);
	check_report_json(pack, again, ret);
	enum rc rc = check_published(pack, again, ret, err);
	if (rc == RC_OK)
		rc = check_windows(ret, pack, lb, again->run.id, err);
	if (rc == RC_OK)
		rc = check_samples(ret, pack, lb, again->run.id, err);
	if (rc == RC_OK)
		rc = logbook_each_record(lb, NULL, RECORD_ANY, check_record, &records, err);
	if (rc == RC_OK)
		rc = logbook_run_texts(lb, again->run.id, &rig, &actuator, &plan, err);
	if (rc == RC_OK)
		check_profiles(ret, pack, rig, actuator, plan);
	if (rc == RC_OK && ret->same_program)
		check_text(ret, "README.txt", text_of(ret, pack, "README.txt"), pack_read_me);
	if (rc == RC_OK)
		check_others(pack, ret);
	free(rig);
	free(actuator);
	free(plan);
	return rc;
}
