/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A small bench in a thread: real sockets, the page's lock-step, and what may go wrong with it. */
#include "link/control.h"
#include "link/link_private.h"
#include "node/tether.h"

#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#include <cmocka.h>

#define STEPS 4000

enum trouble {
	NO_TROUBLE,
	OLD_VERSION,
	NOT_A_BENCH,
	GARBAGE_FIRST,
	STALE_ANSWER_FIRST,
	BYTES_LATE,
	WRONG_TIME,
	HELD_UP,
	NO_BYTES,
	TETHER_HANGS_UP,
	TETHER_HANGS_UP_FIRST,
	BENCH_DIES,
	LIES_ABOUT_SENT
};

/* What the linker puts between control.c and what it calls (--wrap, tests/unit/meson.build): reads that bring nothing,
 * or bytes that are no answer, while the machine's clock goes on by a second at each look. */
static enum { HEARS, HEARS_NOTHING, HEARS_NOISE } ears;
static bool no_memory;
static int64_t later_ms;
static int reads;

enum rc __real_link_read_wait(struct link *link, char *buf, size_t size, int timeout_ms, size_t *ret, struct err *err);
int64_t __real_part_now_ms(void);
void *__real_calloc(size_t n, size_t size);
void *__wrap_calloc(size_t n, size_t size);
enum rc __wrap_link_read_wait(struct link *link, char *buf, size_t size, int timeout_ms, size_t *ret, struct err *err);
int64_t __wrap_part_now_ms(void);

enum rc __wrap_link_read_wait(struct link *link, char *buf, size_t size, int timeout_ms, size_t *ret, struct err *err)
{
	reads++;
	if (ears == HEARS)
		return __real_link_read_wait(link, buf, size, timeout_ms, ret, err);
	assert_int_equal(timeout_ms, 10000);
	*ret = ears == HEARS_NOISE ? 3 : 0;
	memcpy(buf, "#\n?", *ret);
	return RC_OK;
}

void *__wrap_calloc(size_t n, size_t size)
{
	return no_memory ? NULL : __real_calloc(n, size);
}

int64_t __wrap_part_now_ms(void)
{
	later_ms += ears == HEARS ? 0 : 1000;
	return __real_part_now_ms() + later_ms;
}

struct bench {
	char folder[40], control[70], tether[70];
	int control_fd, tether_fd; /* listening */
	pthread_t thread;
	enum trouble trouble;
	int64_t now_us;
	uint64_t got, sent;
	/* what was asked */
	struct {
		int64_t to_us, received;
	} step[STEPS];
	size_t steps;
	char hand[TETHER_LINE_MAX];
};

static int listen_at(char *path, size_t size, const char *folder, const char *name)
{
	struct sockaddr_un to = { .sun_family = AF_UNIX };
	int fd = socket(AF_UNIX, SOCK_STREAM, 0);

	snprintf(path, size, "%s/%s", folder, name);
	strcpy(to.sun_path, path);
	assert_int_equal(bind(fd, (struct sockaddr *)&to, sizeof to), 0);
	assert_int_equal(listen(fd, 1), 0);
	return fd;
}

static void answer(int fd, const char *seq, const char *words)
{
	struct tether_writer w;

	tether_begin_seq(&w, '!', (uint8_t)strtoul(seq + 1, NULL, 10));
	tether_put_words(&w, words);
	send(fd, w.line, tether_end(&w), MSG_NOSIGNAL);
}

/* What falls due: ten bytes for each 10 ms. Returns false to die. */
static bool obey_advance(struct bench *b, int control, int *tether, const char *seq, int64_t to_us, int64_t received)
{
	static const char block[3000] = { 0 };
	size_t due = (size_t)(to_us / 10000 - b->now_us / 10000) * 10;
	char words[80], eaten[256];

	b->step[b->steps].to_us = to_us;
	b->step[b->steps++].received = received;
	if (b->trouble == BENCH_DIES)
		return false;
	while (*tether >= 0 && b->got < (uint64_t)received) {
		ssize_t n = recv(*tether, eaten, sizeof eaten, 0);

		if (n <= 0)
			return false;
		b->got += (uint64_t)n;
	}
	if (b->trouble == NO_BYTES) {
		answer(control, seq, "no bytes");
		return true;
	}
	b->now_us = to_us;
	b->sent += *tether >= 0 ? due : 0;
	snprintf(words, sizeof words, "ok %lld %llu",
		 (long long)(b->trouble == WRONG_TIME ? to_us - 1
			     : b->trouble == HELD_UP  ? to_us + 2000000
						      : to_us),
		 (unsigned long long)b->sent + (b->trouble == LIES_ABOUT_SENT));
	if (b->trouble == BYTES_LATE) { /* the transport is slower than the answer */
		answer(control, seq, words);
		sched_yield();
	}
	if (*tether >= 0 && b->trouble != TETHER_HANGS_UP_FIRST)
		send(*tether, block, due, MSG_NOSIGNAL);
	if ((b->trouble == TETHER_HANGS_UP || b->trouble == TETHER_HANGS_UP_FIRST) && *tether >= 0) {
		close(*tether);
		*tether = -1;
	}
	if (b->trouble != BYTES_LATE)
		answer(control, seq, words);
	return true;
}

static bool obey(struct bench *b, int control, int *tether, char *body)
{
	char *token[TETHER_TOKENS], whole[TETHER_LINE_MAX + 1];
	int64_t to_us = 0, received = 0;
	size_t n;

	strcpy(whole, body);
	n = tether_split(body, token);
	if (n == 3 && strcmp(token[1], "hello") == 0) {
		if (b->trouble == GARBAGE_FIRST)
			send(control, "\x80 what?\n", 8, MSG_NOSIGNAL);
		if (b->trouble == STALE_ANSWER_FIRST)
			answer(control, "?99", "ok 1 bench 5");
		answer(control, token[0],
		       b->trouble == OLD_VERSION   ? "no version 7"
		       : b->trouble == NOT_A_BENCH ? "ok 1 lock-7 3f2a 0012d687"
						   : "ok 1 bench 4711");
	} else if (n == 2 && strcmp(token[1], "now") == 0) {
		answer(control, token[0], "ok 1000000");
	} else if (n == 4 && strcmp(token[1], "advance") == 0 && tether_decimal(token[2], 0, INT64_MAX, &to_us) &&
		   tether_decimal(token[3], 0, INT64_MAX, &received)) {
		return obey_advance(b, control, tether, token[0], to_us, received);
	} else if (n > 1 && strcmp(token[1], "hand") == 0) {
		strcpy(b->hand, strchr(whole, ' ') + 1);
		answer(control, token[0], strcmp(token[2], "fault") == 0 ? "no such fault here" : "ok");
	}
	return true;
}

static void *run_bench(void *arg)
{
	struct bench *b = arg;
	struct tether_reader reader = { 0 };
	int control = accept(b->control_fd, NULL, NULL), tether = -1;
	bool alive = control >= 0;
	char buf[256];
	ssize_t n;

	while (alive && (n = recv(control, buf, sizeof buf, 0)) > 0)
		for (ssize_t i = 0; i < n && alive; i++) {
			int fd;

			if (!tether_feed(&reader, buf[i]))
				continue;
			if (tether < 0 && b->sent == 0 && (fd = accept4(b->tether_fd, NULL, NULL, 0)) >= 0)
				tether = fd;
			alive = obey(b, control, &tether, reader.line);
		}
	if (tether >= 0)
		close(tether);
	close(control);
	return NULL;
}

static int set_up(void **state)
{
	struct bench *b = calloc(1, sizeof *b);
	struct timeval soon = { .tv_usec = 1 };

	strcpy(b->folder, "/tmp/bridle-control-XXXXXX");
	assert_non_null(mkdtemp(b->folder));
	b->control_fd = listen_at(b->control, sizeof b->control, b->folder, "control");
	b->tether_fd = listen_at(b->tether, sizeof b->tether, b->folder, "tether");
	/* accept only looks */
	setsockopt(b->tether_fd, SOL_SOCKET, SO_RCVTIMEO, &soon, sizeof soon);
	b->now_us = 1000000;
	*state = b;
	return 0;
}

static int tear_down(void **state)
{
	struct bench *b = *state;

	pthread_join(b->thread, NULL);
	close(b->control_fd);
	close(b->tether_fd);
	unlink(b->control);
	unlink(b->tether);
	rmdir(b->folder);
	free(b);
	return 0;
}

static enum rc open_control(struct bench *b, struct control **ret, struct err *err)
{
	pthread_create(&b->thread, NULL, run_bench, b);
	return control_open("unix:control", b->folder, false, 2000, ret, err);
}

static void greets_and_reads_the_time(void **state)
{
	static const enum trouble harmless[] = { NO_TROUBLE, GARBAGE_FIRST, STALE_ANSWER_FIRST };
	struct bench *b = *state;

	for (size_t i = 0; i < 3; i++) {
		struct control *c = NULL;
		struct clock_src clock;
		struct err err = { 0 };

		b->trouble = harmless[i];
		if (open_control(b, &c, &err) != RC_OK)
			fail_msg("%s", err.what);
		clock = clock_bench(c);
		assert_true(clock.is_bench);
		assert_int_equal(clock.now(clock.ctx).ns, 1000000000);
		assert_true(clock.wall(clock.ctx).ns > 1700000000000000000);
		clock.free(clock.ctx);
		control_close(c);
		if (i < 2)
			pthread_join(b->thread, NULL);
	}
}

static void refuses_what_is_no_bench_of_its_version(void **state)
{
	struct bench *b = *state;
	struct control *c = NULL;
	struct err err = { 0 };

	b->trouble = OLD_VERSION;
	assert_int_equal(open_control(b, &c, &err), RC_PROTOCOL);
	assert_non_null(strstr(err.what, "has version 7 of the bench clock, this program has version 1"));
	pthread_join(b->thread, NULL);
	b->trouble = NOT_A_BENCH;
	assert_int_equal(open_control(b, &c, &err), RC_PROTOCOL);
	assert_non_null(strstr(err.what, "expected the control line of a virtual bench"));
	assert_int_equal(control_open("serial:/dev/ttyS0", NULL, false, 10, &c, &err), RC_ARG);
	assert_int_equal(control_open("unix:nobody", b->folder, false, 20, &c, &err), RC_TIMEOUT);
	no_memory = true;
	enum rc rc = control_open("unix:control", b->folder, false, 20, &c, &err);
	no_memory = false;
	assert_int_equal(rc, RC_NOMEM);
	assert_string_equal(err.what, "out of memory for the control line");
	assert_null(c);
	control_close(NULL);
}

static void steps_keep_bytes_and_time_together(void **state)
{
	struct bench *b = *state;
	struct control *c = NULL;
	struct link *link = NULL;
	struct clock_src clock;
	char buf[4096];
	size_t n;

	assert_int_equal(open_control(b, &c, NULL), RC_OK);
	assert_int_equal(link_open("unix:tether", 0, b->folder, 1000, &link, NULL), RC_OK);
	control_set_tether(c, link);
	clock = clock_bench(c);
	/* nothing new: no step */
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 1000000000 }, NULL), RC_OK);
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 5 }, NULL), RC_OK);
	for (int i = 1; i <= 1000; i++) {
		assert_int_equal(link_write(link, "abcdefg", 7, 10, NULL), RC_OK);
		assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 1000000000 + i * 10000000LL }, NULL),
				 RC_OK);
		assert_int_equal(link_read(link, buf, sizeof buf, &n, NULL), RC_OK);
		assert_int_equal(n, 10); /* there without waiting */
	}
	assert_int_equal(clock.now(clock.ctx).ns, 11000000000);
	/* a nanosecond late is late: up to the next microsecond */
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 11000000001 }, NULL), RC_OK);
	assert_int_equal(clock.now(clock.ctx).ns, 11000001000);
	control_close(c);
	link_close(link);
	pthread_join(b->thread, NULL);
	assert_int_equal(b->steps, 1001);
	for (int i = 0; i < 1000; i++) {
		assert_int_equal(b->step[i].to_us, 1010000 + i * 10000);
		assert_int_equal(b->step[i].received, 7 * (i + 1));
	}
	pthread_create(&b->thread, NULL, run_bench, b);
	assert_int_equal(control_open("unix:control", b->folder, false, 1000, &c, NULL), RC_OK);
	control_close(c);
}

static void a_long_sleep_goes_in_short_steps_and_loses_nothing(void **state)
{
	struct bench *b = *state;
	struct control *c = NULL;
	struct link *link = NULL;
	struct clock_src clock;
	char buf[4096];
	size_t n = 1, total = 0;

	assert_int_equal(open_control(b, &c, NULL), RC_OK);
	assert_int_equal(link_open("unix:tether", 0, b->folder, 1000, &link, NULL), RC_OK);
	control_set_tether(c, link);
	clock = clock_bench(c);
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 601000000000 }, NULL), RC_OK);
	while (n > 0) {
		assert_int_equal(link_read(link, buf, sizeof buf, &n, NULL), RC_OK);
		total += n;
	}
	assert_int_equal(total, 600000);
	control_close(c);
	link_close(link);
	pthread_join(b->thread, NULL);
	assert_int_equal(b->steps, 2400);
	for (size_t i = 1; i < b->steps; i++)
		assert_in_range(b->step[i].to_us - b->step[i - 1].to_us, 1, 250000);
	pthread_create(&b->thread, NULL, run_bench, b);
	assert_int_equal(control_open("unix:control", b->folder, false, 1000, &c, NULL), RC_OK);
	control_close(c);
}

static void says_why_time_cannot_go_on(void **state)
{
	static const struct {
		enum trouble trouble;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ BYTES_LATE, RC_OK, "" },
		{ TETHER_HANGS_UP, RC_OK, "" },
		{ TETHER_HANGS_UP_FIRST, RC_OK, "" },
		{ WRONG_TIME, RC_PROTOCOL, "expected \"ok 1500000 SENT\"" },
		{ HELD_UP, RC_OK, "" },
		{ NO_BYTES, RC_PROTOCOL, "the bench cannot go on: bytes" },
		{ BENCH_DIES, RC_IO, "the other end" },
		{ LIES_ABOUT_SENT, RC_TIMEOUT, "of 251 bytes came" },
	};

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct bench *b;
		struct control *c = NULL;
		struct link *link = NULL;
		struct clock_src clock;
		struct err err = { 0 };
		char buf[600];
		enum rc rc;
		size_t n;

		set_up(state);
		b = *state;
		b->trouble = rows[i].trouble;
		assert_int_equal(open_control(b, &c, NULL), RC_OK);
		assert_int_equal(link_open("unix:tether", 0, b->folder, 1000, &link, NULL), RC_OK);
		control_set_tether(c, link);
		clock = clock_bench(c);
		rc = clock.sleep_until(clock.ctx, (struct mono){ 1250000000 }, &err);
		if (rc == RC_OK)
			rc = clock.sleep_until(clock.ctx, (struct mono){ 1500000000 }, &err);
		if (rows[i].trouble == WRONG_TIME)
			assert_non_null(strstr(err.what, "expected \"ok 1250000 SENT\""));
		else if (strstr(err.what, rows[i].says) == NULL)
			fail_msg("row %zu: %s", i, err.what);
		assert_int_equal(rc, rows[i].rc);
		if (rows[i].trouble == TETHER_HANGS_UP_FIRST)
			assert_int_equal(link_read(link, buf, sizeof buf, &n, NULL), RC_IO);
		if (rows[i].trouble == BENCH_DIES) /* and it stays so */
			assert_int_equal(control_hand(c, &err, "wait"), RC_IO);
		if (rows[i].trouble == TETHER_HANGS_UP) { /* the bench's time goes on, the tether's reader sees it */
			assert_int_equal(link_read(link, buf, sizeof buf, &n, NULL), RC_OK);
			assert_int_equal(n, 250);
			assert_int_equal(link_read(link, buf, sizeof buf, &n, NULL), RC_IO);
		}
		control_close(c);
		link_close(link);
		tear_down(state);
	}
}

static void uses_the_benchs_hands(void **state)
{
	struct bench *b = *state;
	struct control *c = NULL;
	struct err err = { 0 };

	assert_int_equal(open_control(b, &c, NULL), RC_OK);
	assert_int_equal(control_hand(c, &err, "hang %s", "piece-5kg"), RC_OK);
	assert_string_equal(b->hand, "hand hang piece-5kg");
	assert_int_equal(control_hand(c, &err, "fault %s %d", "lost", 3), RC_SAYS_NO);
	assert_string_equal(err.what, "the bench refuses \"hand fault lost 3\": such fault here");
	assert_int_equal(control_hand(c, &err, "hang %0200d", 1), RC_ARG);
	assert_int_equal(control_hand(c, &err, "hang  x"), RC_ARG);
	assert_int_equal(control_hand(c, &err, "hang a\nb"), RC_ARG);
	control_close(c);
}

/* Ten seconds of silence at once, and ten seconds of noise. */
static void a_bench_that_does_not_answer_is_given_up(void **state)
{
	struct bench *b = *state;
	struct control *c = NULL;
	struct err err = { 0 };

	assert_int_equal(open_control(b, &c, NULL), RC_OK);
	for (int i = 0; i < 2; i++) {
		ears = i == 0 ? HEARS_NOTHING : HEARS_NOISE;
		reads = 0;
		enum rc rc = control_hand(c, &err, "wait");
		ears = HEARS;
		assert_int_equal(rc, RC_TIMEOUT);
		assert_string_equal(err.what, "unix:control: the bench did not answer within 10 s");
		assert_in_range(reads, i == 0 ? 1 : 5, i == 0 ? 1 : 11); /* a second each, and what the machine takes */
	}
	control_close(c);
}

/* A bench that answers each request with the next of these, whatever was asked; NULL: it hangs up. "?..." is no answer
 * and another one follows; "~..." has the answer's number, says neither ok nor no, and another one follows; "#..." has
 * the number of another request, and another one follows; "/..." comes in two halves. */
struct script {
	struct bench *b;
	const char *reply[8];
};

static void say_next(const struct script *s, int fd, const char *request, size_t *next)
{
	const char *reply;

	do {
		struct tether_writer w;

		reply = s->reply[(*next)++];
		tether_begin_seq(&w, reply[0] == '?' ? '?' : '!',
				 (uint8_t)(strtoul(request + 1, NULL, 10) + (reply[0] == '#')));
		if (strlen(reply) > 1)
			tether_put_words(&w, strchr("?~#/", reply[0]) ? reply + 1 : reply);
		size_t n = tether_end(&w), first = reply[0] == '/' ? n / 2 : n;
		send(fd, w.line, first, MSG_NOSIGNAL);
		if (first < n) {
			nanosleep(&(struct timespec){ .tv_nsec = 5000000 }, NULL); /* to be late on purpose */
			send(fd, w.line + first, n - first, MSG_NOSIGNAL);
		}
	} while (strchr("?~#", reply[0]));
}

static void *run_script(void *arg)
{
	const struct script *s = arg;
	struct tether_reader reader = { 0 };
	int fd = accept(s->b->control_fd, NULL, NULL);
	size_t next = 0;
	char c;

	while (recv(fd, &c, 1, 0) == 1) {
		if (!tether_feed(&reader, c))
			continue;
		if (!s->reply[next])
			break;
		say_next(s, fd, reader.line, &next);
	}
	close(fd);
	return NULL;
}

static void a_bench_of_more_lines_is_greeted_or_told(void **state)
{
#define HELLO "ok 2 bench 7"
	static const struct {
		const char *reply[8];
		enum rc rc;
		const char *says;
	} rows[] = {
		{ { HELLO, "ok tether", "ok 5" }, RC_OK, "" },
		{ { "?ok 1 bench 9", HELLO, "ok tether", "ok 5" }, RC_OK, "" },
		{ { "~well 2 bench 7", HELLO, "ok tether", "ok 5" }, RC_OK, "" },
		{ { "~", HELLO, "ok tether", "ok 5" }, RC_OK, "" },
		{ { HELLO, "ok a b c d e f g h", "ok 5" }, RC_OK, "" },
		{ { "/" HELLO, "/ok tether", "/ok 5" }, RC_OK, "" },
		{ { NULL }, RC_IO, "another program may drive this rig" },
		/* who is refused is told so under any number; who was greeted once takes it for somebody else's */
		{ { "#no busy", "no busy" }, RC_SAYS_NO, "another program drives this rig; end that one first" },
		{ { HELLO, "#no busy", "ok tether", "ok 5" }, RC_OK, "" },
		{ { "#no way", "#ok busy", "#no busy 1", HELLO, "ok tether", "ok 5" }, RC_OK, "" },
		{ { "no busy" }, RC_SAYS_NO, "another program drives this rig; end that one first" },
		{ { "no version 1" }, RC_PROTOCOL, "this rig has more lines than the tether and needs version 2" },
		{ { "no" }, RC_PROTOCOL, "expected the control line of a virtual bench" },
		{ { "ok 2" }, RC_PROTOCOL, "expected the control line of a virtual bench" },
		{ { "no way" }, RC_PROTOCOL, "expected the control line of a virtual bench" },
		{ { "no such thing" }, RC_PROTOCOL, "expected the control line of a virtual bench" },
		{ { "ok 2 bench" }, RC_PROTOCOL, "expected the control line of a virtual bench" },
		{ { "ok 2 bench x" }, RC_PROTOCOL, "expected the control line of a virtual bench" },
		{ { "ok 1 bench 7" }, RC_PROTOCOL, "expected the control line of a virtual bench" },
		{ { HELLO, NULL }, RC_IO, "the other end" },
		{ { HELLO, "ok" }, RC_PROTOCOL, "expected the names of 1 to 8 lines" },
		{ { HELLO, "no lines today" }, RC_PROTOCOL, "expected the names of 1 to 8 lines" },
		{ { HELLO, "ok a b c d e f g h i" }, RC_PROTOCOL, "expected the names of 1 to 8 lines" },
		{ { HELLO, "ok tether", NULL }, RC_IO, "the other end" },
		{ { HELLO, "ok tether", "ok" }, RC_PROTOCOL, "the bench sends no time" },
		{ { HELLO, "ok tether", "ok soon" }, RC_PROTOCOL, "the bench sends no time" },
		{ { HELLO, "ok tether", "no 5" }, RC_PROTOCOL, "the bench sends no time" },
	};

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct script script = { 0 };
		struct control *c = NULL;
		struct err err = { 0 };

		set_up(state);
		script.b = *state;
		memcpy(script.reply, rows[i].reply, sizeof script.reply);
		pthread_create(&script.b->thread, NULL, run_script, &script);
		enum rc rc = control_open("unix:control", script.b->folder, true, 2000, &c, &err);
		if (rc != rows[i].rc || !strstr(err.what, rows[i].says) || (rc == RC_OK) != (c != NULL))
			fail_msg("row %zu: %d %s", i, (int)rc, err.what);
		control_close(c);
		tear_down(state);
	}
}

/* Three lines, of which one is ours beside the tether. */
static void each_line_has_its_count(void **state)
{
	struct script script = { .b = *state,
				 .reply = { HELLO, "ok tether supply meter", "ok 1000000", "ok 1010000 0 0 3",
					    "ok 1020000 0 0 some", "ok 1030000 0 0", "ok 1030000 0 -1 0" } };
	struct control *c = NULL;
	struct link *link = NULL;
	struct err err = { 0 };

	pthread_create(&script.b->thread, NULL, run_script, &script);
	assert_int_equal(control_open("unix:control", script.b->folder, true, 2000, &c, &err), RC_OK);
	assert_int_equal(link_open("unix:tether", 0, script.b->folder, 1000, &link, NULL), RC_OK);
	assert_int_equal(control_add_line(c, "drive", link, &err), RC_PROTOCOL);
	assert_non_null(strstr(err.what, "the bench serves no line \"drive\"; start it anew"));
	/* the tether is told by control_set_tether alone */
	assert_int_equal(control_add_line(c, "tether", link, &err), RC_PROTOCOL);
	assert_int_equal(control_add_line(c, "supply", link, &err), RC_OK);

	struct clock_src clock = clock_bench(c);
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 1010000000 }, &err), RC_OK);
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 1020000000 }, &err), RC_PROTOCOL);
	assert_non_null(strstr(err.what, "expected 3 byte counts"));
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 1030000000 }, &err), RC_PROTOCOL);
	assert_non_null(strstr(err.what, "expected \"ok 1030000 SENT\""));
	assert_int_equal(clock.sleep_until(clock.ctx, (struct mono){ 1030000000 }, &err), RC_PROTOCOL);
	assert_non_null(strstr(err.what, "expected 3 byte counts"));
	control_close(c);
	link_close(link);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(greets_and_reads_the_time),
		TEST(refuses_what_is_no_bench_of_its_version),
		TEST(steps_keep_bytes_and_time_together),
		TEST(a_long_sleep_goes_in_short_steps_and_loses_nothing),
		cmocka_unit_test(says_why_time_cannot_go_on),
		TEST(uses_the_benchs_hands),
		TEST(a_bench_that_does_not_answer_is_given_up),
		cmocka_unit_test(a_bench_of_more_lines_is_greeted_or_told),
		TEST(each_line_has_its_count),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
