/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Who has a device open: the device is the near end of a pseudo-terminal, its holder a child of the test. */
#include "link/link_holder.h"

#include <fcntl.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmocka.h>

/* What the linker puts between the program's calls and the library (--wrap, tests/unit/meson.build): before the name is
 * read this process is ended. */
static pid_t ending;

FILE *__real_fopen64(const char *path, const char *how);
FILE *__wrap_fopen64(const char *path, const char *how);

FILE *__wrap_fopen64(const char *path, const char *how)
{
	if (ending > 0) {
		kill(ending, SIGKILL);
		assert_int_equal(waitpid(ending, NULL, 0), ending);
		ending = 0;
	}
	return __real_fopen64(path, how);
}

static int new_terminal(char *path, size_t size)
{
	int fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);

	assert_true(fd >= 0);
	assert_int_equal(grantpt(fd), 0);
	assert_int_equal(unlockpt(fd), 0);
	assert_int_equal(ptsname_r(fd, path, size), 0);
	return fd;
}

/* Another process of this name that has the device open, until it is killed. */
static pid_t hold(const char *path, const char *name)
{
	int told[2];
	char byte;

	assert_int_equal(pipe(told), 0);
	pid_t pid = fork();
	assert_true(pid >= 0);
	if (pid == 0) {
		prctl(PR_SET_PDEATHSIG, SIGKILL);
		prctl(PR_SET_NAME, name);
		if (open(path, O_RDWR | O_NOCTTY) >= 0 && write(told[1], "x", 1) == 1)
			pause();
		_exit(1);
	}
	close(told[1]);
	assert_int_equal(read(told[0], &byte, 1), 1);
	close(told[0]);
	return pid;
}

static void names_the_other_process(void **state)
{
	char path[64], who[80], expected[80];
	int far_fd = new_terminal(path, sizeof path);
	int own_fd = open(path, O_RDWR | O_NOCTTY | O_CLOEXEC);

	(void)state;
	assert_true(own_fd >= 0);
	link_holder(path, who, sizeof who);
	assert_string_equal(who, ""); /* nobody but this process, which does not name itself */
	pid_t pid = hold(path, "a) b");
	snprintf(expected, sizeof expected, " (\"a) b\", process %d)", (int)pid);
	link_holder(path, who, sizeof who);
	kill(pid, SIGKILL);
	assert_int_equal(waitpid(pid, NULL, 0), pid);
	assert_string_equal(who, expected);
	link_holder(path, who, sizeof who);
	assert_string_equal(who, "");
	close(own_fd);
	close(far_fd);
}

/* It ends after it was seen and before its name is read: who it was is not made up. */
static void a_holder_that_is_just_gone_has_no_name(void **state)
{
	char path[64], who[80], expected[80];
	int far_fd = new_terminal(path, sizeof path);

	(void)state;
	ending = hold(path, "short");
	snprintf(expected, sizeof expected, " (\"\", process %d)", (int)ending);
	link_holder(path, who, sizeof who);
	assert_int_equal(ending, 0);
	assert_string_equal(who, expected);
	close(far_fd);
}

static void what_is_no_device_has_no_holder(void **state)
{
	char who[80] = "x";

	(void)state;
	link_holder("/dev/there-is-none", who, sizeof who);
	assert_string_equal(who, "");
	who[0] = 'x';
	link_holder("/proc/1/cmdline", who, sizeof who);
	assert_string_equal(who, "");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(names_the_other_process),
		cmocka_unit_test(a_holder_that_is_just_gone_has_no_name),
		cmocka_unit_test(what_is_no_device_has_no_holder),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
