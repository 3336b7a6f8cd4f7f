// SPDX-License-Identifier: GPL-3.0-or-later
// The file in which the warden says what it did: never through a link, 0640, told once, locked while a warden lives.
#include "warden/warden_account.h"

#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <cmocka.h>

static char folder[100], path[200];

static int make_folder(void **state)
{
	(void)state;
	strcpy(folder, "/tmp/bridle-account-XXXXXX");
	if (mkdtemp(folder) == NULL)
		return -1;
	snprintf(path, sizeof path, "%s/%s", folder, WARDEN_ACCOUNT);
	return 0;
}

static int remove_folder(void **state)
{
	(void)state;
	unlink(path);
	return rmdir(folder);
}

static void what_was_said_is_told_once(void **state)
{
	char text[WARDEN_ACCOUNT_SIZE];
	struct stat st;
	int fd;

	(void)state;
	umask(022);
	assert_int_equal(warden_account_open(folder, 0, &fd, text, NULL), RC_OK);
	assert_string_equal(text, "");
	assert_int_equal(fstat(fd, &st), 0);
	assert_int_equal(st.st_mode & 0777, 0640);
	assert_true(st.st_size >= WARDEN_ACCOUNT_SIZE); // its room on the disk is taken
	assert_true(pwrite(fd, "It stopped.\nrest\033", 16, 0) == 16);
	close(fd);
	assert_int_equal(warden_account_open(folder, 0, &fd, text, NULL), RC_OK);
	assert_string_equal(text, "It stopped.");
	close(fd); // not kept anywhere yet: it is still there
	assert_int_equal(warden_account_open(folder, 0, &fd, text, NULL), RC_OK);
	assert_string_equal(text, "It stopped.");
	assert_int_equal(warden_account_forget(fd, NULL), RC_OK);
	close(fd);
	assert_int_equal(warden_account_open(folder, 0, &fd, text, NULL), RC_OK);
	assert_string_equal(text, "");
	close(fd);
}

static void a_link_or_a_pipe_in_its_place_is_refused(void **state)
{
	char text[WARDEN_ACCOUNT_SIZE], other[200];
	struct err err;
	int fd;

	(void)state;
	snprintf(other, sizeof other, "%s/other", folder);
	assert_int_equal(symlink(other, path), 0);
	assert_int_equal(warden_account_open(folder, 0, &fd, text, &err), RC_IO);
	assert_int_not_equal(access(other, F_OK), 0);
	unlink(path);
	assert_int_equal(mkfifo(path, 0600), 0);
	assert_int_equal(warden_account_open(folder, 0, &fd, text, &err), RC_IO);
	assert_non_null(strstr(err.what, "expected a plain file"));
}

static void a_warden_at_work_is_waited_for(void **state)
{
	char text[WARDEN_ACCOUNT_SIZE];
	struct err err;
	int fd, second;

	(void)state;
	assert_int_equal(warden_account_open(folder, 0, &fd, text, NULL), RC_OK);
	assert_int_equal(warden_account_open(folder, 0.1, &second, text, &err), RC_SAYS_NO);
	assert_non_null(strstr(err.what, "still at work"));
	close(fd);
	assert_int_equal(warden_account_open(folder, 0, &second, text, NULL), RC_OK);
	close(second);
}

static void what_is_not_text_is_no_text(void **state)
{
	char text[WARDEN_ACCOUNT_SIZE], junk[4096];
	int fd;

	(void)state;
	memset(junk, 0x9b, sizeof junk);
	fd = open(path, O_CREAT | O_WRONLY, 0600);
	assert_true(write(fd, junk, sizeof junk) == sizeof junk);
	close(fd);
	assert_int_equal(warden_account_open(folder, 0, &fd, text, NULL), RC_OK);
	assert_int_equal(strlen(text), WARDEN_ACCOUNT_SIZE - 1);
	assert_int_equal(strspn(text, "?"), WARDEN_ACCOUNT_SIZE - 1);
	close(fd);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(what_was_said_is_told_once, make_folder, remove_folder),
		cmocka_unit_test_setup_teardown(a_link_or_a_pipe_in_its_place_is_refused, make_folder, remove_folder),
		cmocka_unit_test_setup_teardown(a_warden_at_work_is_waited_for, make_folder, remove_folder),
		cmocka_unit_test_setup_teardown(what_is_not_text_is_no_text, make_folder, remove_folder),
	};

	return cmocka_run_group_tests_name("warden_account", tests, NULL, NULL);
}
