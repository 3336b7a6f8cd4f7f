/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "live/live.h"

#include "calib/number/number.h"
#include "calib/number/units.h"
#include "link/control.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SAY_AGAIN 500 /* ticks between the words of a stop that is not safe */
#define SHOW_EVERY 20 /* ticks between live lines: writing one costs more than a tick */

/* "safe lease 0" of the tether in words. */
static const char *why_safe(const char *status)
{
	static const struct {
		const char *reason, *words;
	} known[] = {
		{ "lease", "no set-point reached it in time: this program ended, or the link failed" },
		{ "estop", "the emergency stop was pressed" },
		{ "guard", "the guard was opened" },
		{ "host", "a program commanded the stop" },
		{ "contactor", "the contactor opened" },
	};
	char reason[12] = "";

	if (sscanf(status, "%*s %11s", reason) == 1)
		for (size_t i = 0; i < sizeof known / sizeof known[0]; i++)
			if (strcmp(reason, known[i].reason) == 0)
				return known[i].words;
	return "it does not say why";
}

static enum rc clear_node(struct live *live, const struct live_options *options, struct err *err)
{
	char status[64] = "";
	struct err ignored;
	enum rc rc = node_request(live->s->node, "status", status, sizeof status, err);

	if (rc != RC_OK)
		return rc;
	bool safe = strncmp(status, "safe", 4) == 0 || strncmp(status, "stopping", 8) == 0;
	bool by_lease = strncmp(status, "safe lease", 10) == 0;
	if (safe && !options->clear && !(options->takes_up && by_lease))
		return err_set(err, RC_SAYS_NO, 0,
			       "the node is in its safe state after a stop: %s; find the cause, put it right, then "
			       "give --clear",
			       why_safe(status));
	if (safe)
		rc = node_request(live->s->node, "clear", NULL, 0, err);
	/* a drive without a fault has nothing to restart, and may say so */
	if (options->clear && node_request(live->s->node, "restart", NULL, 0, &ignored) != RC_OK)
		return rc;
	return rc;
}

#define ARM "arm" /* kind of the event */

enum rc live_arm(struct live *live, bool on, struct err *err)
{
	struct session *s = live->s;

	return logbook_event(s->logbook, s->run_id, s->clock.now(s->clock.ctx).ns, ARM, on ? "on" : "off", err);
}

static bool look_for_arm(void *ctx, int64_t mono_ns, const char *kind, const char *text)
{
	int *arm = ctx;

	(void)mono_ns;
	if (strcmp(kind, ARM) == 0)
		*arm = strcmp(text, "on") == 0;
	return true;
}

/* What the newest run that says anything of the arm said last. */
static enum rc last_arm(struct logbook *lb, int *ret_arm, int64_t *ret_run, struct err *err)
{
	int64_t *ids = NULL;
	size_t n = 0;
	enum rc rc = logbook_runs(lb, NULL, &ids, &n, err);

	*ret_arm = -1;
	for (size_t i = 0; i < n && rc == RC_OK && *ret_arm < 0; i++) {
		*ret_run = ids[i];
		rc = logbook_each_event(lb, ids[i], look_for_arm, ret_arm, err);
	}
	free(ids);
	return rc;
}

enum rc live_arm_is_off(struct live *live, bool clear, struct err *err)
{
	int64_t run = 0;
	int arm = -1;
	enum rc rc = last_arm(live->s->logbook, &arm, &run, err);

	if (rc == RC_OK && arm == 1 && !clear)
		rc = err_set(err, RC_SAYS_NO, 0,
			     "run %lld ended before the arm and the weights were taken off, and this command turns the "
			     "shaft. Take them off, "
			     "couple the actuator, then give --clear",
			     (long long)run);
	return rc;
}

/* A sentence behind those that are there, which are cut where not all fit. */
static void add_sentence(struct err *err, const char *words)
{
	size_t at = strlen(err->what), most = sizeof err->what - 3 - strlen(words);

	if (at > most)
		for (at = most; at > 0 && ((unsigned char)err->what[at] & 0xC0) == 0x80;)
			at--;
	const char *between = at > 0 && err->what[at - 1] == '.' ? " " : ". ";
	snprintf(err->what + at, sizeof err->what - at, "%s%s", between, words);
}

/* --clear answers for the arm as well (live_arm_is_off): who is asked for it has to know of both. */
static void say_arm_too(struct logbook *lb, struct err *err)
{
	int64_t run = 0;
	int arm = -1;

	if (lb && last_arm(lb, &arm, &run, NULL) == RC_OK && arm == 1)
		add_sentence(err, "Arm and weights were left on: take them off and couple the actuator first");
}

enum rc live_open(struct live *live, const struct cli *cli, struct session *s, const struct session_want *want,
		  const char *title, const struct live_options *options, struct mistakes *m, struct err *err)
{
	*live = (struct live){ .cli = cli,
			       .s = s,
			       .title = title,
			       .frac_to = 1,
			       .remaining_after_s = NAN,
			       .hands = options->hands,
			       .line = { .commanded_Nm = NAN, .commanded_A = NAN } };
	enum rc rc = session_open(want, s, m, err);

	if (rc != RC_OK)
		return rc;
	if (options->hands && !s->rig.is_virtual)
		rc = err_set(
			err, RC_ARG, 0,
			"--hands: this rig is real (rig.ini has no [virtual] section): a person's hands are needed");
	if (rc == RC_OK)
		rc = live_latch_check(s, options->clear, options->still, &live->latch, err);
	if (rc == RC_SAYS_NO && !options->still)
		say_arm_too(s->logbook, err);
	if (rc == RC_OK && want->rig_link)
		rc = clear_node(live, options, err);
	if (rc != RC_OK) {
		session_close(s);
		return rc;
	}
	session_guard_limits(s, &live->limits);
	live->progress = progress_new(title, cli->quiet || cli->json);
	if (s->warden_said[0])
		live_note(live, "Since the last command: %s", s->warden_said);
	return RC_OK;
}

enum rc live_begin(struct live *live, const char *kind, int64_t resumes_run_id, struct err *err)
{
	struct session *s = live->s;

	cli_watch_stop(false);
	enum rc rc = session_run_begin(s, kind, resumes_run_id, err);
	live->run_open = rc == RC_OK;
	if (rc == RC_OK)
		rc = live_latch_answer(s, &live->latch, err);
	return rc;
}

void live_no_step(struct live *live)
{
	live->line.step = live->line.direction = 0;
	live->line.commanded_Nm = live->line.commanded_A = NAN;
}

/* A rough guess: speed up, one turn to settle and two to average, both ways, and coast. */
double live_zero_s(double speed_rpm)
{
	return speed_rpm > 0 ? 8 + 2 * fmax(2, 3 * 60 / speed_rpm) : 6;
}

/* Torque as far as it is known: by the loop, or while weights hang by the calibration there was, from this command's
 * own zero. */
static double shown_torque_Nm(const struct live *live, const struct snapshot *snap)
{
	double torque_Nm;

	if (isfinite(snap->torque_Nm))
		return snap->torque_Nm;
	return live->weights && live->torque_of
		       ? live->torque_of(live->torque_ctx, snap->indication, &torque_Nm) ? torque_Nm : NAN
		       : NAN;
}

/* How long the phase has lasted: it begins anew with each step and word. */
static void note_phase(struct live *live, const struct snapshot *snap, const struct seq_out *out)
{
	const char *phase = out->phase ? out->phase : "";

	if (strcmp(phase, live->line.phase ? live->line.phase : "") != 0 || live->phase_step != live->line.step ||
	    !live->phase_at.ns) {
		live->phase_at = snap->now;
		live->phase_step = live->line.step;
	}
	live->line.phase = phase;
	live->line.phase_s = mono_diff_s(snap->now, live->phase_at);
}

static void note_left(struct live *live, const struct snapshot *snap, const struct seq_out *out)
{
	double dt_s = live->left_at.ns ? mono_diff_s(snap->now, live->left_at) : 0;
	bool follows = live->remaining_after_s > 0;
	bool guessed = isnan(out->remaining_s) && live->guess_s > 0;
	double own_s = guessed ? live->guess_s * (1 - out->progress_frac) : out->remaining_s;
	double all_s = own_s + (follows ? live->remaining_after_s : 0);
	double spread = fmax(follows ? 0.2 : 0, guessed ? 0.3 : out->remaining_spread);

	live->left_at = snap->now;
	live_left_step(&live->left, all_s, spread, dt_s);
	live->line.left_low_s = live->left.known ? live->left.s * (1 - live->left.spread) : NAN;
	live->line.left_high_s = live->left.known ? live->left.s * (1 + live->left.spread) : NAN;
}

static void show(struct live *live, const struct snapshot *snap, const struct seq_out *out)
{
	struct live_line *line = &live->line;

	line->frac = live->frac_from + (live->frac_to - live->frac_from) * out->progress_frac;
	line->torque_Nm = shown_torque_Nm(live, snap);
	line->count = snap->sample_total > 0 ? snap->indication : NAN;
	line->speed_rpm = live->weights ? NAN : snap->speed_rpm;
	line->brake_A = live->weights ? NAN : snap->brake_A;
	line->voltage_V = live->weights ? NAN : snap->voltage_V;
	line->current_A = live->weights ? NAN : snap->current_A;
	line->power_age_s = fmax(snap->channel[CHANNEL_VOLTAGE].age_s, snap->channel[CHANNEL_CURRENT].age_s);
	note_phase(live, snap, out);
	note_left(live, snap, out);
	progress_update(live->progress, line);
}

/* What a person sets the drive to: asked for once, by the virtual bench's hands done. */
static void ask_for_drive(struct live *live)
{
	struct hand_set *h = &live->hand_set;
	char text[200];
	struct err ignored;

	if (h->sequence == NULL)
		return;
	if (cli_enter_pressed())
		h->pressed = true;
	if (h->asked_n == live->asked_n)
		return;
	live->asked_n = h->asked_n;
	hand_set_words(h, text, sizeof text);
	live_note(live, ">> %s", text);
	/* hands that fail are seen as a drive that is not set */
	if (live->s->control && control_hand(live->s->control, &ignored, "panel %.4f", h->asked_rpm) != RC_OK)
		live_note(live, "the virtual bench's hands failed: %s", ignored.what);
}

static void on_tick(void *ctx, const struct snapshot *snap, const struct seq_out *out, const struct guard_verdict *v)
{
	struct live *live = ctx;

	live->last = *snap;
	if (v->cause == CAUSE_NONE)
		ask_for_drive(live);
	if (live->tick)
		live->tick(live->ctx, snap, out);
	if (v->newly)
		live_note(live, "stopping: %s", cause_sentence(v->cause));
	if (!live->told_again && !v->holds_on && cli_stop_asked_again()) {
		live->told_again = true;
		live_note(live,
			  "still stopping, in order. Ctrl-\\ would end this program at once, and nobody would tell you "
			  "whether the shaft stands");
	}
	if (v->holds_on && live->hold_ticks++ % SAY_AGAIN == 0) {
		char text[400];
		guard_hold_message(v, text, sizeof text);
		live_note(live, "************************************************************************");
		live_note(live, "%s", text);
		live_note(live, "************************************************************************");
	}
	if (live->ticks++ % SHOW_EVERY == 0)
		show(live, snap, out);
}

static void on_event(void *ctx, const struct seq_event *event)
{
	struct live *live = ctx;

	if (event->kind == SEQ_EVENT_STEP) {
		live->line.step = event->point.step + 1;
		live->line.direction = event->point.direction;
		live->line.commanded_Nm = event->point.setpoint_Nm;
		live->line.commanded_A = event->point.setpoint_A;
	}
	if (live->event)
		live->event(live->ctx, event);
}

static bool stop_asked(void *ctx)
{
	(void)ctx;
	return cli_stop_asked();
}

/* Between the sequence and the loop, where a person sets the drive. */
static enum rc put_person(struct live *live, const struct sequence *sequence, struct err *err)
{
	const struct instrument_person *person = session_person_sets(live->s);
	const bool is_bench = live->s->control != NULL;

	live->hand_set.sequence = NULL;
	if (person == NULL || live->weights)
		return RC_OK;
	if (!is_bench && !isatty(STDIN_FILENO))
		return err_set(err, RC_ARG, 0,
			       "a person sets the drive and says so by Enter, but standard input is not a terminal");
	const struct hand_set_config config = { .near_frac = person->near_frac,
						.wait_s = person->wait_s,
						.standstill_rpm = live->limits.standstill_rpm,
						.by_itself = is_bench };
	hand_set_begin(&live->hand_set, &config, sequence);
	live->asked_n = 0;
	return RC_OK;
}

/* Where it cannot be kept nothing begins. */
static enum rc keep_energises(struct live *live, struct err *err)
{
	if (live->limits.at_rest || live->energises)
		return RC_OK;
	enum rc rc = live_latch_energises(live->s, err);
	live->energises = rc == RC_OK;
	return rc;
}

enum rc live_take_stop(struct live *live, struct err *err)
{
	if (!cli_take_stop())
		return RC_OK;
	live->result.cause = CAUSE_OPERATOR;
	return err_set(err, RC_INTERLOCK, 0, "%s", cause_sentence(CAUSE_OPERATOR));
}

enum rc live_run(struct live *live, const struct sequence *sequence, struct err *err)
{
	const struct sequence by_person = { hand_set_step, &live->hand_set };
	const struct loop_hooks hooks = { .tick = on_tick, .event = on_event, .stop_asked = stop_asked, .ctx = live };

	if (!isfinite(live->remaining_after_s))
		live->left = (struct live_left){ 0 }; /* nobody knows what follows: each part by itself */
	live->left_at.ns = 0;
	live->told_again = false;
	enum rc rc = live_take_stop(live, err); /* asked since the last loop */
	if (rc == RC_OK)
		rc = put_person(live, sequence, err);
	if (rc == RC_OK)
		rc = keep_energises(live, err);
	if (rc != RC_OK)
		return rc;
	cli_watch_keys();
	progress_hurry(live->progress, true);
	rc = loop_run(live->s, &live->limits, live->hand_set.sequence ? &by_person : sequence, &hooks, &live->result,
		      err);
	progress_hurry(live->progress, false);
	cli_unwatch_keys();
	if (rc == RC_OK)
		return live_take_stop(live, err); /* asked when the loop had ended already */
	if (live->result.cause == CAUSE_OPERATOR)
		cli_take_stop(); /* what came into another stop, as into a rehearsal, counts for what follows */
	return rc;
}

struct cell_reading_config live_reading_config(const struct live *live)
{
	const struct session *s = live->s;
	struct cell_reading_config config = {
		.window_s = 1,
		.timeout_s = 60,
		.average_s = 4,
		.still_sd = INFINITY,
		.sign = s->rig.cell_sign,
		.step = -1,
		.setpoint_Nm = 0,
		.most_rpm = 1,
	};
	/* Still: a drift over the window that no one could see in the result, a few millionths of the converter's span.
	 */
	config.still_count = fmax(0.5, 5e-6 * s->rig.cell_saturation_count);
	if (s->has_plan)
		config.average_s = fmax(config.average_s, s->plan.dwell_s);
	return config;
}

void live_turn(struct live *live, double speed_rpm)
{
	struct err ignored = { 0 };

	if (!(fabs(speed_rpm - live->turned_rpm) > 0))
		return;
	live->turned_rpm = speed_rpm;
	if (fabs(speed_rpm) > 0)
		live_note(live, ">> turn the shaft at about %.3g rpm", speed_rpm);
	else
		live_note(live, ">> let the shaft stop");
	/* hands that fail are seen as a shaft that does not turn */
	if (live_hand(live, &ignored, "turn %ld", lround(speed_rpm)) != RC_OK)
		live_note(live, "the virtual bench's hands failed: %s", ignored.what);
}

void live_limits_for_weights(struct live *live)
{
	struct guard_limits *limits = &live->limits;

	limits->expect_cell = limits->expect_pick = limits->expect_meter = false;
	limits->at_rest = true;
	limits->expect_direction = 0;
	limits->stall_s = limits->torque_Nm = limits->osc_Nm = limits->osc_rpm = INFINITY;
	live->weights = true;
}

void live_limits_again(struct live *live)
{
	session_guard_limits(live->s, &live->limits);
	live->weights = false;
}

const char *live_safe_now(const struct live *live)
{
	const struct loop_result *r = &live->result;
	const struct guard_limits *limits = &live->limits;
	const struct snapshot *last = &live->last;
	bool seen = !last->node_lost && last->sample_age_s <= limits->silent_s;
	bool stands = seen && limits->expect_pick && fabs(last->speed_rpm) < limits->standstill_rpm;
	bool told = is_told(last, CHANNEL_CONTACTOR) &&
		    last->channel[CHANNEL_CONTACTOR].age_s <= limits->stale_s[CHANNEL_CONTACTOR];
	bool open = seen && limits->expect_lines & LINE_CONTACTOR && told && !last->contactor_closed;

	if (r->shaft[0])
		return r->shaft;
	if (!r->energised)
		return "Nothing is energised.";
	if (!r->stopped || !stands)
		return "Drive commanded off, but the shaft was not seen to stand: it may still turn. Press the "
		       "emergency stop before you go near.";
	return open ? "Drive off, contactor open, shaft standing, brake released."
		    : "Drive and contactor commanded off, shaft standing, brake released.";
}

bool live_is_safe(const struct live *live)
{
	const struct loop_result *r = &live->result;

	return r->missing == 0 && (!r->energised || r->stopped);
}

bool live_asks_clear(const struct live *live)
{
	return live->end_not_kept || !live_is_safe(live) || live_latch_keeps(&live->result);
}

const char *live_cause(const struct live *live)
{
	return live->result.cause == CAUSE_NONE ? NULL : cause_word(live->result.cause);
}

/* Whatever a command has to say of its own comes after a stop that did not end safe. */
static enum rc say_not_safe_first(const struct live *live, enum rc rc, struct err *err)
{
	char own[sizeof err->what] = "";

	if (!live->result.missing || !err || strncmp(err->what, "NOT SAFE", 8) == 0)
		return rc;
	if (rc != RC_OK)
		snprintf(own, sizeof own, "%s", err->what);
	return err_set(err, RC_IO, 0, "%s%s%s", live->result.shaft, *own ? " " : "", own);
}

/* why: where err tells something else. */
static void say_end_not_kept(const struct err *why, struct err *err)
{
	char words[400], reason[240] = "";

	if (why)
		snprintf(reason, sizeof reason, " (%.200s)", why->what);
	snprintf(words, sizeof words,
		 "The end of this run is not in the logbook%s. The next command that energises anything asks for "
		 "--clear",
		 reason);
	add_sentence(err, words);
}

static bool has_end(struct session *s)
{
	struct run_info info;

	return logbook_run_info(s->logbook, s->run_id, &info, NULL) == RC_OK && info.ended;
}

enum rc live_end(struct live *live, enum rc rc, const char *cause, struct err *err)
{
	rc = say_not_safe_first(live, rc, err);
	const char *outcome = rc == RC_OK          ? "done"
			      : rc == RC_INTERLOCK ? "stopped"
			      : rc == RC_SAYS_NO   ? "refused"
						   : "failed";
	struct err end_err = { 0 };
	enum rc end_rc = RC_OK;

	if (!cause)
		cause = live_cause(live);
	if (live->run_open && rc != RC_OK)
		end_rc = live_latch_keep(live->s, &live->result, err ? err->what : "", &end_err);
	if (live->run_open && end_rc == RC_OK)
		end_rc = session_run_end(live->s, outcome, cause ? cause : "", rc == RC_OK || !err ? "" : err->what,
					 &end_err);
	live->run_open = false;
	live->end_not_kept = live->energises && end_rc != RC_OK && !has_end(live->s);
	progress_free(live->progress);
	live->progress = NULL;
	session_close(live->s);
	cli_unwatch_stop();
	if (rc == RC_OK && end_rc != RC_OK && err)
		*err = end_err;
	if (live->end_not_kept && err)
		say_end_not_kept(rc == RC_OK ? NULL : &end_err, err);
	return rc == RC_OK ? end_rc : rc;
}

enum rc live_sleep(struct live *live, double wait_s, struct err *err)
{
	const struct clock_src *clock = &live->s->clock;
	struct mono until = mono_add_ns(clock->now(clock->ctx), ns_from_s(wait_s));
	struct snapshot snap = snapshot_blank();

	while (clock->now(clock->ctx).ns < until.ns) {
		struct mono next = mono_add_ns(clock->now(clock->ctx), ns_from_s(0.02));
		enum rc rc = clock->sleep_until(clock->ctx, next.ns < until.ns ? next : until, err);
		if (rc != RC_OK)
			return rc;
		session_poll(live->s, &snap);
	}
	return RC_OK;
}

enum rc live_number(const char *option, const char *text, double min, double max, double *ret, struct err *err)
{
	double value;

	if (number_parse(text, &value, NULL) != RC_OK || !(value >= min && value <= max))
		return err_set(err, RC_ARG, 0, "--%s: found \"%s\", expected a number from %g to %g", option, text, min,
			       max);
	*ret = value;
	return RC_OK;
}

static int columns_of(const char *word, size_t bytes)
{
	int n = 0;

	for (size_t i = 0; i < bytes; i++)
		n += ((unsigned char)word[i] & 0xC0) != 0x80;
	return n;
}

int live_width(void)
{
	return cli_width() - 1 < LIVE_WIDTH ? cli_width() - 1 : LIVE_WIDTH;
}

/* Calls out with one line after the other; text is cut in place. */
static void wrap(char *text, void (*out)(void *ctx, const char *line), void *ctx)
{
	char line[4 * LIVE_WIDTH];
	int column = 0, most = live_width();
	size_t used = 0;
	bool first = true;

	for (char *word = text; *word;) {
		size_t bytes = strcspn(word, " ");
		int wide = columns_of(word, bytes);
		if (!first && column + 1 + wide > most) {
			out(ctx, line);
			used = (size_t)snprintf(line, sizeof line, "  ");
			column = 2;
			first = true;
		}
		int n = snprintf(line + used, sizeof line - used, "%s%.*s", first ? "" : " ", (int)bytes, word);
		used += n > 0 ? (size_t)n : 0;
		if (used >= sizeof line)
			used = sizeof line - 1;
		column += wide + (first ? 0 : 1);
		first = false;
		word += bytes;
		word += *word == ' ';
	}
	if (column > 0)
		out(ctx, line);
}

static void to_stdout(void *ctx, const char *line)
{
	(void)ctx;
	puts(line);
}

static void to_progress(void *ctx, const char *line)
{
	progress_line(ctx, "%s", line);
}

void live_say(const char *format, ...)
{
	char text[1000];
	va_list args;

	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	wrap(text, to_stdout, NULL);
}

void live_note(struct live *live, const char *format, ...)
{
	char text[1000];
	va_list args;

	va_start(args, format);
	vsnprintf(text, sizeof text, format, args);
	va_end(args);
	wrap(text, to_progress, live->progress);
}
