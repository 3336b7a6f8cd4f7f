/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The n-th allocation fails, for n = 1, 2, 3, ... until none is asked for any more: each time a sentence, and nothing
 * is handed out. What a leak checker sees of it: tests/sanitize. */
#include "instrument/aside.h"
#include "instrument/can_drive.h"
#include "instrument/canopen_drive.h"
#include "instrument/gpio.h"
#include "instrument/indicator.h"
#include "instrument/kinds.h"
#include "instrument/modbus_meter.h"
#include "instrument/scpi_words.h"
#include "instrument/text_drive.h"
#include "link/link_private.h"
#include "profile/csv.h"
#include "profile/profile.h"
#include "run/sample_thin.h"

#include <errno.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cmocka.h>

/* What the linker puts between the program's calls and the library (--wrap, tests/unit/meson.build). */
void *__real_malloc(size_t size);
void *__real_calloc(size_t n, size_t size);
void *__real_realloc(void *p, size_t size);
void *__wrap_malloc(size_t size);
void *__wrap_calloc(size_t n, size_t size);
void *__wrap_realloc(void *p, size_t size);
static long to_go = -1; /* allocations before the one that fails; -1: none fails any more */

static bool fails(void)
{
	errno = ENOMEM; /* what it is after a call that went well means nothing */
	return to_go >= 0 && to_go-- == 0;
}

void *__wrap_malloc(size_t size)
{
	return fails() ? NULL : __real_malloc(size);
}

void *__wrap_calloc(size_t n, size_t size)
{
	return fails() ? NULL : __real_calloc(n, size);
}

void *__wrap_realloc(void *p, size_t size)
{
	return fails() ? NULL : __real_realloc(p, size);
}

/* least: how many of them the job asks for at least. */
static void each_fails(enum rc (*job)(struct err *err), long least)
{
	for (long n = 0;; n++) {
		struct err err = { 0 };
		to_go = n;
		enum rc rc = job(&err);
		bool came = to_go < 0;
		to_go = -1;
		if (!came) {
			assert_int_equal(rc, RC_OK);
			assert_in_range(n, least, 1000);
			return;
		}
		if (rc != RC_OK && (rc != RC_NOMEM || !strstr(err.what, " memory")))
			if (!strstr(err.what, "nobody reads them"))
				fail_msg("allocation %ld: %d \"%s\"", n + 1, (int)rc, err.what);
	}
}

#define EXAMPLE SOURCE_ROOT "/docs/examples/heron-supply/"

static enum rc read_profiles(struct err *err)
{
	static struct rig_profile rig;
	static struct actuator_profile actuator;
	static struct plan_profile plan;
	static struct weights_profile weights;
	char *text[4] = { NULL };
	enum rc rc = profile_read_rig(EXAMPLE "rig.ini", &rig, &text[0], NULL, err);

	if (rc == RC_OK)
		rc = profile_read_actuator(EXAMPLE "actuators/paddle-winder.ini", &actuator, &text[1], NULL, err);
	if (rc == RC_OK)
		rc = profile_read_plan(EXAMPLE "plans/lock-sweep.ini", &plan, &text[2], NULL, err);
	if (rc == RC_OK)
		rc = profile_read_weights(EXAMPLE "weights.ini", &weights, &text[3], NULL, err);
	for (int i = 0; i < 4; i++)
		free(text[i]);
	return rc;
}

static void profiles(void **state)
{
	(void)state;
	each_fails(read_profiles, 8); /* the text of each, and its shorter copy */
}

static char path[80];

static enum rc read_table(struct err *err)
{
	struct csv table = { 0 };
	struct mistakes m = { 0 };
	enum rc rc = csv_read(path, &table, &m, err);

	csv_free(&table);
	return rc;
}

/* So long that text and rows have to grow. */
static void a_table(void **state)
{
	(void)state;
	strcpy(path, "/tmp/bridle-table-XXXXXX");
	int fd = mkstemp(path);
	FILE *f = fdopen(fd, "w");
	assert_non_null(f);
	fputs("torque (N.m),speed (rpm)\n", f);
	for (int i = 0; i < 20000; i++)
		fprintf(f, "%d.5,%d\n", i, 3 * i);
	assert_int_equal(fclose(f), 0);
	each_fails(read_table, 6);
	unlink(path);
}

static int server;

static enum rc pull_through_a_link(struct err *err)
{
	static char block[40000];
	struct link *link = NULL;
	enum rc rc = link_open(path, 0, NULL, 1000, &link, err);

	if (rc != RC_OK) {
		int none = accept4(server, NULL, NULL, SOCK_NONBLOCK); /* one that connected and had no room then */
		if (none >= 0)
			close(none);
		return rc;
	}
	int fd = accept(server, NULL, NULL);
	assert_int_equal(send(fd, block, sizeof block, 0), sizeof block);
	rc = link_pull(link, sizeof block, 1000, err);
	link_close(link);
	close(fd);
	return rc;
}

static void a_link(void **state)
{
	struct sockaddr_un to = { .sun_family = AF_UNIX };
	const struct timeval soon = { .tv_usec = 1000 };

	(void)state;
	strcpy(path, "unix:/tmp/bridle-no-memory-XXXXXX");
	close(mkstemp(path + 5));
	unlink(path + 5);
	strcpy(to.sun_path, path + 5);
	server = socket(AF_UNIX, SOCK_STREAM, 0);
	assert_int_equal(bind(server, (struct sockaddr *)&to, sizeof to), 0);
	assert_int_equal(listen(server, 4), 0);
	setsockopt(server, SOL_SOCKET, SO_RCVTIMEO, &soon, sizeof soon);
	each_fails(pull_through_a_link, 4);
	close(server);
	unlink(path + 5);
}

static enum rc wrap_can(struct err *err)
{
	int fd[2];
	struct part part;

	assert_int_equal(socketpair(AF_UNIX, SOCK_SEQPACKET, 0, fd), 0);
	enum rc rc = part_wrap_can(fd[0], &part, err);
	if (rc == RC_OK)
		part.ops->close(part.ctx);
	close(fd[1]);
	return rc;
}

static void a_socket_of_the_bus(void **state)
{
	(void)state;
	each_fails(wrap_can, 1);
}

static const struct instrument_kind *kind;

static const struct clock_src *machine(void)
{
	static struct clock_src clock;

	clock = clock_machine();
	return &clock;
}

static enum rc open_kind(struct instrument *ret, struct err *err)
{
	static const struct text_drive_setup text_drive;
	static const struct can_drive_setup can_drive;
	static const struct canopen_drive_setup canopen_drive;
	static const struct indicator_setup indicator;
	static const struct gpio_setup gpio;
	static const struct modbus_setup modbus;
	const struct instrument_config config = { .name = "one",
						  .roles = ROLE_METER,
						  .period_s = 0.1,
						  .text_drive = &text_drive,
						  .can_drive = &can_drive,
						  .canopen_drive = &canopen_drive,
						  .indicator = &indicator,
						  .gpio = &gpio,
						  .modbus = &modbus };

	return kind->open(&config, NULL, machine(), ret, err);
}

static enum rc open_with_a_thread(struct err *err)
{
	struct instrument ret = { 0 };
	struct aside *aside = NULL;
	enum rc rc = open_kind(&ret, err);

	if (rc != RC_OK)
		return rc;
	rc = aside_new(machine(), &aside, err);
	if (rc == RC_OK)
		rc = aside_add(aside, &ret, err);
	ret.ops->close(ret.ctx);
	aside_free(aside);
	return rc;
}

/* Those that ask their device nothing yet: with their thread and its boxes. */
static void instruments(void **state)
{
	(void)state;
	for (size_t k = 0; k < instrument_kinds_n; k++) {
		struct instrument ret = { 0 };
		struct err err = { 0 };

		kind = &instrument_kinds[k];
		if (strcmp(kind->word, "relay") == 0)
			continue; /* it has nothing of its own */
		to_go = 0;
		assert_int_equal(open_kind(&ret, &err), RC_NOMEM);
		assert_non_null(strstr(err.what, "out of memory"));
		if (strcmp(kind->word, "supply") == 0 || strcmp(kind->word, "modbus") == 0)
			each_fails(open_with_a_thread, 4);
	}
}

static bool goes_on(void *ctx, const struct sample *row)
{
	(void)ctx;
	(void)row;
	return true;
}

static enum rc thin_rows(struct err *err)
{
	struct sample_thin t;
	enum rc rc = sample_thin_begin(&t, 100, goes_on, NULL, err);

	sample_thin_end(&t);
	return rc;
}

static void rows_that_wait(void **state)
{
	(void)state;
	each_fails(thin_rows, 1);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(profiles),    cmocka_unit_test(a_table),
		cmocka_unit_test(a_link),      cmocka_unit_test(a_socket_of_the_bus),
		cmocka_unit_test(instruments), cmocka_unit_test(rows_that_wait),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
