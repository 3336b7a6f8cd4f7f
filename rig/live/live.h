/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the commands that move or load the rig share: one open session, one run in the logbook, the loop with its live
 * line, the person at the rig (or the virtual bench's hands), and the end that tells the logbook what came out. */
#ifndef BRIDLE_LIVE_LIVE_H
#define BRIDLE_LIVE_LIVE_H

#include "terminal/cli.h"
#include "terminal/live_line.h"
#include "live/live_latch.h"
#include "run/hand_set.h"
#include "run/loop.h"
#include "run/seq_hang.h"
#include "run/seq_zero.h"

#define LIVE_WIDTH 79 /* most columns of what is said and asked */

struct live {
	const struct cli *cli;
	struct session *s;
	struct guard_limits limits;
	struct progress *progress;
	const char *title;
	double frac_from, frac_to; /* what part of the whole bar the next loop_run is */
	double remaining_after_s;  /* of what follows it; NaN unknown */
	bool hands;                /* the virtual bench's hands do what a person would */
	bool run_open;
	bool energises;            /* the run has kept that something may be energised */
	bool end_not_kept;         /* of a run that energised something */
	struct live_latch latch;   /* what --clear answers */
	unsigned hold_ticks;       /* of a stop that is not safe */
	bool told_again;           /* that a stop which is asked for again goes on as it is */
	bool by_hand;              /* a person turns the shaft: no drive, no contactor */
	struct seq_zero *zero;     /* the one that is running */
	double turned_rpm;         /* what the person was last asked for */
	struct hand_set hand_set;  /* of a drive that a person sets, while a loop runs */
	unsigned asked_n;          /* questions of it that were told */
	bool weights;              /* nothing turns and nothing is driven: the live line shows the indication alone */
	struct loop_result result; /* of the last loop_run */
	struct live_line line;     /* steps: whoever knows how many there are sets it; the rest is the loop's */
	struct live_left left;
	struct mono phase_at, left_at;
	int phase_step;
	double guess_s; /* of a sequence that gives none itself; 0 none */
	/* While weights hang: torque of an indication, where anything gives it (a calibration, the loads so far). May
	 * be NULL. */
	bool (*torque_of)(void *ctx, double indication, double *ret_Nm);
	void *torque_ctx;
	/* Called for each event (loop.h: a point once it is on the disk) and tick of the loop; may be NULL. */
	void (*event)(void *ctx, const struct seq_event *event);
	void (*tick)(void *ctx, const struct snapshot *snap, const struct seq_out *out);
	void *ctx;
	struct snapshot last; /* of the latest tick */
	unsigned ticks;
};

/* Options that every command at the rig takes. */
struct live_options {
	bool hands, clear;
	bool still;    /* the command energises nothing */
	bool takes_up; /* a person continues a run: that clears a node that went safe on its lease, no other cause. Of a
			  program that was held up: one that was killed asks for clear before (live_latch.h) */
};
/* Entries of a table of cli_option. */
#define LIVE_OPTIONS(o) \
	{ "hands", NULL, "the virtual bench's hands do what a person at the rig would", NULL, &(o).hands }, \
	{ \
		"clear", NULL, \
			"after a stop or a killed run: leave the node's safe state and restart a drive that dropped " \
			"out; after a hang that was left: weights and arm " \
			"are off. A deliberate act, when the cause is known", \
			NULL, &(o).clear \
	}

/* Open session, logbook run and progress. kind: of the run. The node must not be in its safe state unless clear was
 * given. RC_ARG --hands on a real rig; RC_SAYS_NO the node is safe. On an error nothing is left open. */
enum rc live_open(struct live *live, const struct cli *cli, struct session *s, const struct session_want *want,
		  const char *title, const struct live_options *options, struct mistakes *m,
		  struct err *err) MUST_CHECK;
enum rc live_begin(struct live *live, const char *kind, int64_t resumes_run_id, struct err *err) MUST_CHECK;

/* The arm for the dead weights goes on or comes off: kept in the logbook, so that a command that turns the shaft knows
 * when another was left with the arm on. */
enum rc live_arm(struct live *live, bool on, struct err *err) MUST_CHECK;
/* RC_SAYS_NO when the arm, as far as the logbook knows, is still on; with clear a person says that it is not. */
enum rc live_arm_is_off(struct live *live, bool clear, struct err *err) MUST_CHECK;

/* loop_run with the live line; Ctrl-C and keys are watched meanwhile. Where a person sets the drive, each speed is
 * asked for above the live line and Enter says that it is set (run/hand_set.h); a virtual bench's hands set it
 * themselves. RC_ARG where nobody can press Enter (no terminal). */
enum rc live_run(struct live *live, const struct sequence *sequence, struct err *err) MUST_CHECK;
/* RC_INTERLOCK by CAUSE_OPERATOR where a stop was asked for that no loop took in: what follows must not begin. live_run
 * asks this before and after its loop. */
enum rc live_take_stop(struct live *live, struct err *err) MUST_CHECK;

/* Set-up for a zero or check reading; window and average as the plan has them where there is one. */
struct cell_reading_config live_reading_config(const struct live *live);

/* No step is under way from here on. */
void live_no_step(struct live *live);

/* About how long live_zero takes, for the time left. */
double live_zero_s(double speed_rpm);

/* A person is to turn the shaft at this speed (0: let it rest): told when it changes; the hands do it. Callable in a
 * tick. */
void live_turn(struct live *live, double speed_rpm);

/* Limits while weights hang: nothing is energised, the shaft stands, and a stop that is kept pulled is a good habit. */
void live_limits_for_weights(struct live *live);
void live_limits_again(struct live *live); /* those of the profiles */

/* Ends the run in the logbook (outcome by rc) and closes all. Returns rc, or the error of the ending when rc was RC_OK.
 * cause: NULL takes the loop's. After a stop that did not end safe that comes first, and the rc is RC_IO, whatever else
 * the command has to say. */
enum rc live_end(struct live *live, enum rc rc, const char *cause, struct err *err) MUST_CHECK;
/* What is safe after a loop that ended by a cause or an error, in sentences for people. */
const char *live_safe_now(const struct live *live);
/* The same as yes or no. A loop that ended without a whole stop (the link or the bench's clock was gone) is not safe.
 */
bool live_is_safe(const struct live *live);
/* The command after this one is refused without --clear: not safe, or a fault that latches. */
bool live_asks_clear(const struct live *live);
/* The loop's cause as a word, NULL when there was none: for cli_fail. */
const char *live_cause(const struct live *live);

/* A question with its answers: Enter alone is done (ret_key '\0'), one of the letters is a choice, q alone, Ctrl-C and
 * the end of input stop; anything else is answered with what can be typed. While weights hang (live_limits_for_weights)
 * the text says what is seen of drive and contactor, and the guard looks on while it waits (live_person.h):
 * RC_INTERLOCK or RC_IO by a cause. done: words after "Enter". RC_SAYS_NO when the person stops; RC_ARG when nobody can
 * be asked (no terminal). */
struct live_choice {
	char key;
	const char *words;
}; /* 'r', "r repeat the last" */
enum rc live_choose(struct live *live, const char *text, const char *done, const struct live_choice *choice, size_t n,
		    char *ret_key, struct err *err) MUST_CHECK;
#define LIVE_BY_HANDS "h the virtual bench does it" /* for the key h, where there are hands (session.control) */
/* A person does something and presses Enter; the hands do it by the bench's own requests (NULL-terminated list, may be
 * empty) with --hands, or when the person types h. As live_choose without further choices. */
enum rc live_ask(struct live *live, const char *text, const char *const *hand, struct err *err) MUST_CHECK;
/* One request of the hands, when there are hands; else nothing. */
enum rc live_hand(struct live *live, struct err *err, const char *format, ...) PRINTF_LIKE(3, 4) MUST_CHECK;
/* Read a line a person types: false at the end of input or q. Only on a terminal. */
bool live_typed(const char *question, char *buf, size_t size);

/* Says so when an older calibration is used since the newest is not usable. */
void live_tell_calibration(struct live *live);

/* Sleep on the session's clock. */
enum rc live_sleep(struct live *live, double wait_s, struct err *err) MUST_CHECK;

/* Finite number from min to max given to an option. RC_ARG with the option's name. */
enum rc live_number(const char *option, const char *text, double min, double max, double *ret,
		    struct err *err) MUST_CHECK;

/* Columns for what is said and asked: LIVE_WIDTH, or the terminal's when it is narrower. */
int live_width(void);
/* Text on standard output, broken at spaces into lines of at most LIVE_WIDTH columns or the terminal's (UTF-8 counted
 * by characters); further lines are indented by two. */
void live_say(const char *format, ...) PRINTF_LIKE(1, 2);
/* The same above the moving line of the progress. */
void live_note(struct live *live, const char *format, ...) PRINTF_LIKE(2, 3);

#endif
