/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Packs and what strangers may send instead. Hostile archives are written with libarchive itself. */
#include "reports/pack/pack.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <archive.h>
#include <archive_entry.h>
#include <nettle/sha2.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct scene {
	char path[200];
	struct err err;
};

static int set_up(void **state)
{
	struct scene *s = calloc(1, sizeof *s);
	const char *tmp = getenv("TMPDIR");

	snprintf(s->path, sizeof s->path, "%s/bridle-pack-XXXXXX", tmp ? tmp : "/tmp");
	close(mkstemp(s->path));
	*state = s;
	return 0;
}

static int tear_down(void **state)
{
	unlink(((struct scene *)*state)->path);
	free(*state);
	return 0;
}

static char *slurp(const char *path, size_t *ret_n)
{
	FILE *f = fopen(path, "r");
	fseek(f, 0, SEEK_END);
	*ret_n = (size_t)ftell(f);
	rewind(f);
	char *text = malloc(*ret_n + 1);
	assert_int_equal(fread(text, 1, *ret_n, f), *ret_n);
	fclose(f);
	return text;
}

static void spill(const char *path, const char *text, size_t n)
{
	FILE *f = fopen(path, "w");
	assert_int_equal(fwrite(text, 1, n, f), n);
	fclose(f);
}

static struct pack *small_pack(void)
{
	struct pack *p = pack_new();
	uint8_t zeros[70000] = { 0 };

	assert_int_equal(pack_add(p, "points.csv", "step\n1\n", 7, NULL), RC_OK);
	assert_int_equal(pack_add(p, "profiles/rig.ini", "[rig]\n", 6, NULL), RC_OK);
	assert_int_equal(pack_add(p, "empty.txt", "", 0, NULL), RC_OK);
	assert_int_equal(pack_add(p, "long.bin", zeros, sizeof zeros, NULL), RC_OK);
	return p;
}

static void write_small(struct scene *s)
{
	struct pack *p = small_pack();
	json_t *head = json_pack("{s:s}", "program", "9.9");

	assert_int_equal(pack_write(p, head, 1000000000, s->path, &s->err), RC_OK);
	json_decref(head);
	pack_free(p);
}

static void comes_back_and_is_the_same_again(void **state)
{
	struct scene *s = *state;
	struct pack *p = NULL;
	size_t n, n_again;

	write_small(s);
	char *first = slurp(s->path, &n);
	sleep(1); /* a time of day in it would show */
	write_small(s);
	char *again = slurp(s->path, &n_again);
	assert_int_equal(n, n_again);
	assert_memory_equal(first, again, n);
	assert_int_equal(pack_read(s->path, NULL, &p, &s->err), RC_OK);
	assert_int_equal(p->n, 4);
	const struct pack_file *f = pack_find(p, "profiles/rig.ini");
	assert_non_null(f);
	assert_int_equal(f->n, 6);
	assert_memory_equal(f->bytes, "[rig]\n", 7);
	assert_int_equal(pack_find(p, "long.bin")->n, 70000);
	/* FIPS 180-4: the digest of nothing. */
	assert_string_equal(pack_find(p, "empty.txt")->sha256,
			    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
	pack_free(p);
	assert_int_equal(pack_read(s->path, "empty.txt", &p, &s->err), RC_OK);
	assert_null(pack_find(p, "empty.txt")->bytes);
	pack_free(p);
	free(first);
	free(again);
}

static void takes_only_plain_names(void **state)
{
	static const char *const bad[] = { "",        "/a",   "a/",  "../a", "a/../b", "a//b",
					   ".hidden", "a/.b", "a b", "a\\b", "a\nb" };
	struct scene *s = *state;
	struct pack *p = pack_new();

	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
		assert_int_equal(pack_add(p, bad[i], "", 0, &s->err), RC_RANGE);
	assert_int_equal(pack_add(p, "a.csv", "", 0, &s->err), RC_OK);
	assert_int_equal(pack_add(p, "a.csv", "", 0, &s->err), RC_RANGE);
	pack_free(p);
}

/* An archive as a stranger may make it: a manifest that names one file, and what really comes. */
struct stranger {
	const char *manifest_name, *manifest; /* NULL: a right one for "a" with the content "x" */
	const char *name;
	const char *link; /* NULL: a plain file */
	bool hard;
	const char *content;
	const char *extra; /* a further file */
};

static void put(struct archive *a, const char *name, const char *link, bool hard, const char *text)
{
	struct archive_entry *e = archive_entry_new();

	archive_entry_set_pathname(e, name);
	archive_entry_set_filetype(e, link && !hard ? AE_IFLNK : AE_IFREG);
	if (link && hard)
		archive_entry_set_hardlink(e, link);
	else if (link)
		archive_entry_set_symlink(e, link);
	archive_entry_set_size(e, link ? 0 : (la_int64_t)strlen(text));
	archive_entry_set_perm(e, 0644);
	assert_int_equal(archive_write_header(a, e), ARCHIVE_OK);
	if (!link)
		archive_write_data(a, text, strlen(text));
	archive_entry_free(e);
}

static const char digest_of_x[] = "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881"; /* sha256sum */

static void write_stranger(struct scene *s, const struct stranger *x)
{
	char manifest[400];
	struct archive *a = archive_write_new();

	snprintf(manifest, sizeof manifest,
		 "{\"format\":\"bridle "
		 "pack\",\"version\":1,\"files\":[{\"name\":\"%s\",\"bytes\":1,\"sha256\":\"%s\"}]}",
		 "a", digest_of_x);
	archive_write_set_format_ustar(a);
	archive_write_add_filter_zstd(a);
	assert_int_equal(archive_write_open_filename(a, s->path), ARCHIVE_OK);
	put(a, x->manifest_name ? x->manifest_name : "manifest.json", NULL, false,
	    x->manifest ? x->manifest : manifest);
	put(a, x->name ? x->name : "a", x->link, x->hard, x->content ? x->content : "x");
	if (x->extra)
		put(a, x->extra, NULL, false, "y");
	archive_write_close(a);
	archive_write_free(a);
}

#define FILES(name, bytes) \
	"{\"format\":\"bridle pack\",\"version\":1,\"files\":[{\"name\":\"" name "\",\"bytes\":" bytes \
	",\"sha256\":\"0\"}]}"

static void refuses_what_nobody_packs(void **state)
{
	static const struct {
		struct stranger x;
		const char *says;
	} cases[] = {
		{ { .name = "../a" }, "where a is expected" },
		{ { .name = "/a" }, "where a is expected" },
		{ { .link = "/etc/passwd" }, "link" },
		{ { .link = "manifest.json", .hard = true }, "link" },
		{ { .content = "xy" }, "another size" },
		{ { .content = "y" }, "another digest" },
		{ { .extra = "b" }, "not in its manifest" },
		{ { .extra = "a" }, "not in its manifest" },
		{ { .manifest_name = "a" }, "first file is not manifest.json" },
		{ { .manifest = "[" }, "no JSON" },
		{ { .manifest = "{\"format\":\"bridle pack\",\"version\":2,\"program\":\"3.1\",\"files\":[]}" },
		  "version 2 made by bridle 3.1" },
		{ { .manifest = "{\"format\":\"x\",\"version\":1}" }, "another format" },
		{ { .manifest = "{\"format\":\"bridle pack\",\"version\":1,\"files\":[]}" }, "lists no files" },
		{ { .manifest = FILES("../a", "1"), .name = "../a" }, "names a file that no pack holds" },
		{ { .manifest = FILES("a", "-1") }, "names a file that no pack holds" },
		{ { .manifest = FILES("a", "9223372036854775807") }, "too large" },
		{ { .manifest = FILES("a", "1000000000") }, "another size" },
		{ { .manifest = FILES("b", "1") }, "where b is expected" },
	};
	struct scene *s = *state;

	write_stranger(s, &(struct stranger){ 0 });
	struct pack *good = NULL;
	assert_int_equal(pack_read(s->path, NULL, &good, &s->err), RC_OK);
	pack_free(good);
	for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
		struct pack *p = NULL;
		write_stranger(s, &cases[i].x);
		assert_int_equal(pack_read(s->path, NULL, &p, &s->err), RC_ARG);
		if (!strstr(s->err.what, cases[i].says))
			fail_msg("case %zu: \"%s\" has no \"%s\"", i, s->err.what, cases[i].says);
	}
}

/* Cut anywhere, a byte changed anywhere: never a crash, never taken. */
static void refuses_what_is_cut_or_damaged(void **state)
{
	struct scene *s = *state;
	struct pack *p = NULL;
	size_t n;

	write_small(s);
	char *whole = slurp(s->path, &n);
	for (size_t cut = 0; cut < n; cut += n / 97 + 1) {
		spill(s->path, whole, cut);
		assert_int_equal(pack_read(s->path, NULL, &p, &s->err), RC_ARG);
		assert_non_null(strstr(s->err.what, "cut short"));
	}
	for (size_t at = 0; at + 4 < n; at += n / 97 + 1) {
		whole[at] ^= 0x15;
		spill(s->path, whole, n);
		enum rc rc = pack_read(s->path, NULL, &p, &s->err);
		whole[at] ^= 0x15;
		if (rc == RC_OK) { /* a byte that means nothing: then every digest fits */
			assert_int_equal(p->n, 4);
			pack_free(p);
		} else {
			assert_int_equal(rc, RC_ARG);
		}
	}
	spill(s->path, "plain text\n", 11);
	assert_int_equal(pack_read(s->path, NULL, &p, &s->err), RC_ARG);
	assert_non_null(strstr(s->err.what, "is not a pack"));
	assert_int_equal(pack_read("/nowhere/x", NULL, &p, &s->err), RC_ARG);
	assert_int_equal(pack_read("/", NULL, &p, &s->err), RC_ARG);
	free(whole);
}

static void leaves_nothing_half_written(void **state)
{
	struct scene *s = *state;
	struct pack *p = small_pack();
	json_t *head = json_object();

	assert_int_equal(pack_write(p, head, 0, "/nowhere/x.tar.zst", &s->err), RC_IO);
	assert_int_equal(pack_write(p, head, 0, "/dev/full/x.tar.zst", &s->err), RC_IO);
	json_decref(head);
	pack_free(p);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(comes_back_and_is_the_same_again, set_up, tear_down),
		cmocka_unit_test_setup_teardown(takes_only_plain_names, set_up, tear_down),
		cmocka_unit_test_setup_teardown(refuses_what_nobody_packs, set_up, tear_down),
		cmocka_unit_test_setup_teardown(refuses_what_is_cut_or_damaged, set_up, tear_down),
		cmocka_unit_test_setup_teardown(leaves_nothing_half_written, set_up, tear_down),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
