/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A file that fails while it is read. What the linker puts between the program's calls and the library
 * (tests/unit/meson.build) fails here. */
#include "profile/textfile.h"

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

enum { NOTHING, LOOK, ROOM, SHRINK, READ, INTERRUPTED };
static int fails, with;

int __real_fstat64(int fd, struct stat64 *st);
int __wrap_fstat64(int fd, struct stat64 *st);
ssize_t __real_read(int fd, void *buf, size_t n);
ssize_t __wrap_read(int fd, void *buf, size_t n);
void *__real_malloc(size_t size);
void *__wrap_malloc(size_t size);
void *__real_realloc(void *p, size_t size);
void *__wrap_realloc(void *p, size_t size);

int __wrap_fstat64(int fd, struct stat64 *st)
{
	errno = with;
	return fails == LOOK ? -1 : __real_fstat64(fd, st);
}

ssize_t __wrap_read(int fd, void *buf, size_t n)
{
	bool now = fails == READ || fails == INTERRUPTED;

	if (fails == INTERRUPTED)
		fails = NOTHING; /* once */
	errno = with;
	return now ? -1 : __real_read(fd, buf, n > 3 ? 3 : n); /* never all at once */
}

void *__wrap_malloc(size_t size)
{
	return fails == ROOM ? NULL : __real_malloc(size);
}

void *__wrap_realloc(void *p, size_t size)
{
	return fails == SHRINK ? NULL : __real_realloc(p, size);
}

static char path[60];

static int make_file(void **state)
{
	(void)state;
	strcpy(path, "/tmp/bridle-text-XXXXXX");
	int fd = mkstemp(path);
	return fd < 0 || write(fd, "[rig]\nname = x\n", 15) != 15 || close(fd) != 0;
}

static int remove_file(void **state)
{
	(void)state;
	return unlink(path);
}

static void each_failure_has_its_sentence(void **state)
{
	static const struct {
		int fails, with;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ NOTHING, 0, RC_OK, "" },
		{ INTERRUPTED, EINTR, RC_OK, "" },
		{ SHRINK, 0, RC_OK, "" }, /* what was read is there all the same */
		{ LOOK, EIO, RC_IO, " cannot be read: Input/output error" },
		{ READ, EIO, RC_IO, " cannot be read: Input/output error" },
		{ ROOM, 0, RC_NOMEM, "out of memory while reading " },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct err err = { 0 };
		char *text = NULL;
		fails = rows[i].fails;
		with = rows[i].with;
		enum rc rc = textfile_read(path, 100, &text, &err);
		fails = NOTHING;
		if (rc != rows[i].rc || !strstr(err.what, rows[i].says))
			fail_msg("row %zu: %d %s", i, (int)rc, err.what);
		if (rc == RC_OK)
			assert_string_equal(text, "[rig]\nname = x\n");
		else
			assert_null(text);
		free(text);
	}
}

static void a_path_through_a_file_is_none(void **state)
{
	struct err err = { 0 };
	char through[80], *text = NULL;

	(void)state;
	snprintf(through, sizeof through, "%s/rig.ini", path);
	assert_int_equal(textfile_read(through, 100, &text, &err), RC_ARG);
	assert_non_null(strstr(err.what, "there is no file "));
	assert_int_equal(textfile_read(path, 14, &text, &err), RC_ARG);
	assert_non_null(strstr(err.what, "has more than 14 bytes"));
	assert_int_equal(textfile_read(path, 15, &text, &err), RC_OK);
	free(text);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(each_failure_has_its_sentence, make_file, remove_file),
		cmocka_unit_test_setup_teardown(a_path_through_a_file_is_none, make_file, remove_file),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
