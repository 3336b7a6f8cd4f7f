/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A session and its warden: the process itself, on lines whose far ends the test reads. Expected bytes: those of the
 * profile, the words of IEEE Std 488.2 and SCPI-1999 (from memory) as instrument/scpi_words.h makes them, and a frame
 * after the Modbus guides. */
#include "run/loop.h"

#include "warden/warden_account.h"
#include "warden/warden_host.h"

#include <poll.h>
#include <setjmp.h>
#include <signal.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/socket.h>
#include <sys/un.h>

#include <cmocka.h>

#include "tests/unit/run/beside_scene.h"
#include "tests/unit/logbook/session_scene.h"

#define LINES 2
#define WAIT_MS 1500

struct here {
	struct book *book;
	struct session s;
	struct err err;
	int far[LINES];
	char got[LINES][400];
	size_t n_got[LINES];
};

static void open_line(struct here *h, size_t i)
{
	struct sockaddr_un to = { .sun_family = AF_UNIX };
	int listening = socket(AF_UNIX, SOCK_STREAM, 0);
	char address[20];

	snprintf(address, sizeof address, "unix:line%zu", i);
	snprintf(to.sun_path, sizeof to.sun_path, "%.90s/line%zu", h->book->dir, i);
	assert_int_equal(bind(listening, (struct sockaddr *)&to, sizeof to), 0);
	assert_int_equal(listen(listening, 1), 0);
	assert_int_equal(link_open(address, 0, h->book->dir, 1000, &h->s.line[i].link, &h->err), RC_OK);
	h->far[i] = accept4(listening, NULL, NULL, SOCK_CLOEXEC); /* the warden gets no copy of it */
	assert_true(h->far[i] >= 0);
	close(listening);
	unlink(to.sun_path);
}

/* A relay that switches the contactor, on the first line. The node senses the contactor. */
static struct here *begin(void **state)
{
	struct here *h = calloc(1, sizeof *h);

	assert_non_null(h);
	h->book = *state;
	scene_open(h->book, &h->s);
	snprintf(h->s.bench, sizeof h->s.bench, "%s", h->book->dir);
	h->s.account_fd = -1;
	h->s.rig = (struct rig_profile){ .warden_silence_s = 0.5,
					 .stop_hold_s = 0.05,
					 .brake_max_A = 1,
					 .brake_rated_Nm = 50,
					 .rate_Hz = 100,
					 .n_instruments = 1,
					 .n_lines = 1 };
	h->s.rig.instrument[0] = (struct instrument_profile){
		.name = "r", .kind = "relay", .roles = ROLE_POWER, .close = { 1, "C" }, .open = { 1, "O" }
	};
	h->s.n_instruments = 2;
	h->s.instrument[0] =
		(struct instrument){ .name = "the node", .roles = ROLE_DRIVE | ROLE_LINES, .lines = LINE_CONTACTOR };
	h->s.instrument[1] = (struct instrument){ .name = "relay r", .roles = ROLE_POWER };
	open_line(h, 0);
	h->far[1] = -1;
	return h;
}

static void end(struct here *h)
{
	char path[300];

	if (h->s.warden)
		kill(warden_host_pid(h->s.warden), SIGKILL); /* nothing more is asked of it: nobody waits for its end */
	session_close_warden(&h->s);
	for (size_t i = 0; i < LINES; i++) {
		link_close(h->s.line[i].link);
		if (h->far[i] >= 0)
			close(h->far[i]);
	}
	snprintf(path, sizeof path, "%s/" WARDEN_ACCOUNT, h->book->dir);
	unlink(path);
	logbook_close(h->book->lb);
	h->book->lb = NULL;
	free(h);
}

static void start(struct here *h)
{
	assert_int_equal(session_await_warden(&h->s, &h->err), RC_OK);
	if (session_start_warden(&h->s, &h->err) != RC_OK)
		fail_msg("%s", h->err.what);
}

/* What comes at the far end, until part of it is there. */
static bool comes(struct here *h, size_t i, const void *part, size_t n)
{
	struct pollfd p = { .fd = h->far[i], .events = POLLIN };

	for (int waited = 0; waited < WAIT_MS; waited += 10) {
		if (poll(&p, 1, 10) > 0) {
			ssize_t more = recv(h->far[i], h->got[i] + h->n_got[i], sizeof h->got[i] - h->n_got[i], 0);
			h->n_got[i] += more > 0 ? (size_t)more : 0;
		}
		if (memmem(h->got[i], h->n_got[i], part, n))
			return true;
	}
	return false;
}

static bool is_quiet(struct here *h, size_t i)
{
	struct pollfd p = { .fd = h->far[i], .events = POLLIN };

	return poll(&p, 1, 20) == 0;
}

static void prove(struct here *h, bool power)
{
	session_prove_life(&h->s, &(struct wish){ .power = power, .brake_A = power ? 0.2 : 0 });
}

static bool says(struct here *h, const char *words)
{
	for (int i = 0; i < WAIT_MS / 10; i++) {
		struct snapshot snap = { .warden_age_s = -1 };
		session_look_at_warden(&h->s, &snap);
		if (strcmp(session_warden_words(&h->s), words) == 0)
			return isinf(snap.warden_age_s) || strcmp(words, "the warden does not answer") == 0;
		usleep(10000);
	}
	return false;
}

/* W6: nobody but the warden closes the relay, and what is live when the program ends is ended by it. */
static void the_relay_is_the_warden_s(void **state)
{
	struct here *h = begin(state);

	start(h);
	prove(h, false);
	assert_false(h->n_got[0]);
	prove(h, true);
	assert_true(comes(h, 0, "C", 1));
	assert_true(says(h, "the warden does not answer")); /* it is alive: the word for what is late */
	prove(h, false);
	assert_true(comes(h, 0, "O", 1));
	h->n_got[0] = 0;
	prove(h, true);
	assert_true(comes(h, 0, "C", 1));
	session_close_warden(&h->s);
	assert_true(comes(h, 0, "O", 1));
	assert_null(h->s.warden);
	assert_int_equal(h->s.account_fd, -1);
	end(h);
}

/* W7: when the warden is dead the program opens the relay itself, once nothing is allowed any more. */
static void a_dead_warden_leaves_the_relay_to_the_program(void **state)
{
	struct here *h = begin(state);

	/* an instrument that has no order to open, and one that switches nothing, stay as they are */
	h->s.rig.n_instruments = 3;
	h->s.rig.instrument[1] = (struct instrument_profile){ .kind = "supply", .roles = ROLE_POWER, .line = 1 };
	h->s.rig.instrument[2] =
		(struct instrument_profile){ .kind = "modbus", .roles = ROLE_TEMP, .line = 1, .open = { 1, "X" } };
	open_line(h, 1);
	start(h);
	prove(h, true);
	assert_true(comes(h, 0, "C", 1));
	assert_int_equal(kill(warden_host_pid(h->s.warden), SIGKILL), 0);
	assert_true(says(h, "the warden has ended"));
	prove(h, true); /* the stop is on its way */
	assert_true(is_quiet(h, 0));
	prove(h, false);
	assert_true(comes(h, 0, "O", 1));
	assert_true(is_quiet(h, 1));
	end(h);
}

static void what_a_warden_says_of_itself(void **state)
{
	struct here *h = begin(state);

	start(h);
	prove(h, true);
	assert_true(comes(h, 0, "C", 1));
	assert_int_equal(kill(warden_host_pid(h->s.warden), SIGTERM), 0);
	assert_true(comes(h, 0, "O", 1));
	prove(h, true);
	assert_true(says(h, "the warden has stopped the rig"));
	end(h);
	book_remove(*state);
	h = begin(state);
	start(h);
	prove(h, true);
	assert_true(comes(h, 0, "C", 1));
	close(h->far[0]);
	h->far[0] = -1;
	bool lost = false;
	for (int i = 0; i < WAIT_MS / 10 && !lost; i++) {
		struct snapshot snap = { 0 };
		prove(h, true); /* or its silence would be a stop of its own */
		usleep(10000);
		session_look_at_warden(&h->s, &snap);
		lost = strcmp(session_warden_words(&h->s), "the warden lost the line of an output") == 0 &&
		       isinf(snap.warden_age_s);
	}
	assert_true(lost);
	end(h);
}

/* On a bench clock the tick waits for the answer, and what the warden wrote is counted to its line. */
static void on_a_bench_clock_its_bytes_are_counted(void **state)
{
	struct here *h = begin(state);
	struct snapshot snap = { .warden_age_s = -1 };

	h->s.rig.is_virtual = h->s.clock.is_bench = true;
	h->s.rig.warden_silence_s = 0.02;
	start(h);
	prove(h, true);
	usleep(100000); /* bench time may stand still for longer than any silence */
	prove(h, true);
	assert_true(h->s.warden_age_s >= 0 && h->s.warden_age_s < 1);
	assert_int_equal(h->s.warden_written[0], 1);
	session_look_at_warden(&h->s, &snap);
	assert_true(snap.warden_age_s >= 0 && snap.warden_age_s < 1);
	prove(h, true);
	assert_int_equal(h->s.warden_written[0], 1);
	end(h);
}

/* Each kind of output as the warden ends it, beside the relay. */
static void each_output_is_ended_in_its_own_words(void **state)
{
	static const struct {
		struct instrument_profile p;
		const char *ends;
		size_t n;
	} rows[] = {
		{ { .kind = "supply", .roles = ROLE_VOLTAGE | ROLE_CURRENT | ROLE_POWER, .set_output = "OUTP" },
		  "\n:OUTP OFF\n",
		  11 },
		{ { .kind = "supply", .roles = ROLE_BRAKE, .set_output = "OUTP", .set_current = "CURR" },
		  "\n:OUTP ON;:CURR 0.400\n",
		  22 }, /* half of what a stop may hold is more than the 0.2 A of now */
		{ { .kind = "modbus",
		    .roles = ROLE_POWER,
		    .address = 3,
		    .modbus_set = { { .given = true, .address = 16, .step = 1 } } },
		  "\x03\x06\x00\x10\x00\x00\x89\xed",
		  8 },
		{ { .kind = "text-drive", .roles = ROLE_DRIVE, .send_off = "OFF" }, "\nOFF\n", 5 },
	};

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct here *h = begin(state);
		h->s.rig.limit_torque_Nm = 50; /* 0.8 of it are 0.8 A */
		h->s.rig.n_instruments = h->s.rig.n_lines = 2;
		h->s.rig.instrument[1] = rows[i].p;
		h->s.rig.instrument[1].line = 1;
		open_line(h, 1);
		session_set_hold(&h->s);
		start(h);
		prove(h, true);
		assert_true(comes(h, 0, "C", 1));
		assert_int_equal(kill(warden_host_pid(h->s.warden), SIGTERM), 0);
		if (!comes(h, 1, rows[i].ends, rows[i].n))
			fail_msg("row %zu: %.*s", i, (int)h->n_got[1], h->got[1]);
		assert_true(comes(h, 0, "O", 1));
		end(h);
		book_remove(*state);
	}
}

/* A contactor that nobody senses is refused before any process is started. */
static void an_unseen_contactor_is_refused(void **state)
{
	struct here *h = begin(state);

	h->s.instrument[0].lines = LINE_ESTOP;
	assert_int_equal(session_start_warden(&h->s, &h->err), RC_ARG);
	scene_says(&h->err, "the contactor is switched by relay r, but the node does not sense it");
	h->s.instrument[1].roles = 0;
	assert_int_equal(session_start_warden(&h->s, &h->err), RC_ARG);
	scene_says(&h->err, "switched by another instrument");
	assert_null(h->s.warden);
	/* where nothing drives, or the node itself switches it, there is nothing to ask */
	h->s.instrument[0].roles = ROLE_LINES;
	start(h);
	session_close_warden(&h->s);
	h->s.instrument[0].roles = ROLE_DRIVE | ROLE_LINES;
	h->s.node_roles = ROLE_POWER;
	start(h);
	end(h);
}

static int64_t kept(struct here *h, const char *kind, const char *text)
{
	char sql[300];

	snprintf(sql, sizeof sql, "SELECT count(*) FROM event WHERE kind = '%s' AND text LIKE '%s'", kind, text);
	return book_number(h->book, sql);
}

/* What an earlier warden did is kept in the next run, once; what was not safe asks for a person's word. */
static void an_account_is_kept_once(void **state)
{
	static const struct {
		const char *account, *kind;
		bool safe;
	} rows[] = { { "The warden stopped the rig.\n", "warden", true },
		     { "NOT SAFE: the contactor was not opened.\n", LOOP_SHAFT, false } };

	for (size_t i = 0; i < 2; i++) {
		struct here *h = begin(state);
		char path[300];
		snprintf(path, sizeof path, "%s/" WARDEN_ACCOUNT, h->book->dir);
		FILE *f = fopen(path, "w");
		assert_non_null(f);
		fputs(rows[i].account, f);
		assert_int_equal(fclose(f), 0);
		snprintf(h->s.rig.warden_watchdog, sizeof h->s.rig.warden_watchdog, "/nonexistent/watchdog");
		start(h);
		assert_int_equal(session_warden_not_safe(&h->s), !rows[i].safe);
		scene_run(&h->s, "sweep");
		assert_int_equal(kept(h, rows[i].kind, "%"), 1);
		assert_int_equal(kept(h, "note", "%cannot feed /nonexistent/watchdog%"), 1);
		assert_string_equal(h->s.warden_said, "");
		assert_int_equal(session_keep_warden(&h->s, &h->err), RC_OK);
		assert_int_equal(kept(h, rows[i].kind, "%"), 1);
		/* what cannot be kept stays where it is */
		snprintf(h->s.warden_said, sizeof h->s.warden_said, "again");
		assert_int_equal(book_sql(h->book, "DROP TABLE event"), SQLITE_OK);
		assert_int_equal(session_keep_warden(&h->s, &h->err), RC_DB);
		assert_string_equal(h->s.warden_said, "again");
		end(h);
		book_remove(*state);
	}
}

/* Without [warden] nothing is started, opened, proved or told. */
static void a_rig_without_a_warden(void **state)
{
	struct here *h = begin(state);
	struct snapshot snap = { .warden_age_s = -1 };

	h->s.rig.warden_silence_s = 0;
	start(h);
	prove(h, true);
	session_look_at_warden(&h->s, &snap);
	assert_true(snap.warden_age_s < 0 && h->s.warden == NULL && h->s.account_fd < 0);
	assert_int_equal(session_keep_warden(&h->s, &h->err), RC_OK);
	assert_string_equal(session_warden_words(&h->s), "the warden does not answer");
	assert_true(is_quiet(h, 0) && !session_warden_not_safe(&h->s));
	end(h);
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	static const struct CMUnitTest tests[] = {
		TEST(the_relay_is_the_warden_s),
		TEST(a_dead_warden_leaves_the_relay_to_the_program),
		TEST(what_a_warden_says_of_itself),
		TEST(on_a_bench_clock_its_bytes_are_counted),
		TEST(each_output_is_ended_in_its_own_words),
		TEST(an_unseen_contactor_is_refused),
		TEST(an_account_is_kept_once),
		TEST(a_rig_without_a_warden),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
