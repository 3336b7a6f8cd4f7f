/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle probe: every channel live, its noise and its rate. Nothing is energised. */
#include "terminal/cli.h"
#include "command/command.h"
#include "terminal/live_line.h"
#include "run/loop.h"
#include "run/probe_signs.h"
#include "run/seq_probe.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const struct {
	const char *name, *unit, *key;
	int digits;
} channels[PROBE_CHANNELS] = {
	[PROBE_CELL] = { "cell, indicated", "counts", "cell_count", 1 },
	[PROBE_TORQUE] = { "torque, indicated", "N·m", "torque_Nm", 4 },
	[PROBE_SPEED] = { "speed", "rpm", "speed_rpm", 3 },
	[PROBE_BRAKE] = { "brake current", "A", "brake_A", 4 },
	[PROBE_VOLTAGE] = { "voltage", "V", "voltage_V", 3 },
	[PROBE_CURRENT] = { "current", "A", "current_A", 3 },
	[PROBE_TEMP_BRAKE] = { "temperature, brake", "°C", "brake_degC", 1 },
	[PROBE_TEMP_CASE] = { "temperature, case", "°C", "case_degC", 1 },
	[PROBE_TEMP_WINDING] = { "temperature, winding", "°C", "winding_degC", 1 },
	[PROBE_TEMP_AMBIENT] = { "temperature, ambient", "°C", "ambient_degC", 1 },
	[PROBE_TEMP_CELL] = { "temperature, cell", "°C", "cell_degC", 1 },
};

/* Rates seen over the watch, 1/s. */
struct rates {
	double samples_Hz, conversions_Hz, lost_frac;
	unsigned missed;
};

static struct rates rates_of(const struct probe *w)
{
	double s = mono_diff_s(w->last.now, w->begin);
	double samples = w->last.sample_total - w->first.sample_total;
	double lost = w->last.sample_lost - w->first.sample_lost;

	return (struct rates){
		.samples_Hz = samples / s,
		.conversions_Hz = (w->last.channel[CHANNEL_CELL].fresh - w->first.channel[CHANNEL_CELL].fresh) / s,
		.lost_frac = samples + lost > 0 ? lost / (samples + lost) : NAN,
		.missed = w->last.sample_missed - w->first.sample_missed,
	};
}

/* The padding counts characters, not bytes, so that units such as N·m stand in line. */
static void print_padded(const char *text, int width)
{
	int shown = 0;

	for (const char *c = text; *c; c++)
		shown += ((unsigned char)*c & 0xC0) != 0x80;
	printf("%s%*s", text, shown < width ? width - shown : 0, "");
}

static struct probe_stated stated_of(const struct session *s)
{
	const struct node_caps *caps = node_caps(s->node);

	return (struct probe_stated){ .saturation_count = s->rig.cell_saturation_count,
				      .conversions_Hz = caps->cell_sps,
				      .has_cell = s->instrument[0].roles & ROLE_CELL,
				      .two_channels = session_pick_has_direction(s) };
}

static void print_verdicts(const struct probe *w, const struct probe_stated *stated)
{
	bool good = true;

	for (int i = 0; i < PROBE_CHANNELS; i++) {
		struct probe_verdict v = probe_judge(w, (enum probe_channel)i, stated);
		if (!v.words[0])
			continue;
		printf("%s%s: %s\n", good ? "\n" : "", channels[i].name, v.say == PROBE_FAULT ? "FAULT" : "look");
		cli_wrapped(stdout, 80, "    ", "    ", v.words);
		good = false;
	}
	if (good)
		puts("\nVerdict: no channel that was read shows the sign of a wiring fault.");
}

static const char *line_word(const struct probe *w, unsigned sensed, enum channel_id channel, bool good,
			     const char *yes, const char *no)
{
	return !sensed ? "not sensed" : !is_told(&w->last, channel) ? "not told" : good ? yes : no;
}

static void print_lines(const struct probe *w, const struct session *s)
{
	const struct snapshot *last = &w->last;
	unsigned lines = session_lines(s);
	bool untold = (lines & LINE_ESTOP && !is_told(last, CHANNEL_ESTOP)) ||
		      (lines & LINE_CAGE && !is_told(last, CHANNEL_CAGE)) ||
		      (lines & LINE_CONTACTOR && !is_told(last, CHANNEL_CONTACTOR));

	printf("\nemergency stop line %s, guard %s, contactor %s\n",
	       line_word(w, lines & LINE_ESTOP, CHANNEL_ESTOP, last->estop_ok, "good", "OPEN (pressed or not wired)"),
	       line_word(w, lines & LINE_CAGE, CHANNEL_CAGE, last->cage_closed, "closed", "OPEN (or not wired)"),
	       line_word(w, lines & LINE_CONTACTOR, CHANNEL_CONTACTOR, last->contactor_closed, "closed", "open"));
	if (untold)
		printf("No data on lines from %s: check its cable, its power and its link in rig.ini.\n",
		       session_fills(s, ROLE_LINES)->name);
}

static void print_text(const struct probe *w, const struct session *s)
{
	const struct node_caps *caps = node_caps(s->node);
	const struct probe_stated stated = stated_of(s);
	bool calibrated = s->calibration_id != 0;
	struct rates r = rates_of(w);

	printf("Node %s, %.1f samples/s, %.1f cell conversions/s, %.2f %% lost, %u bad lines\n\n", caps->name,
	       r.samples_Hz, r.conversions_Hz, 100 * r.lost_frac, w->last.line_bad);
	if (r.missed > 0)
		printf("%u sample%s missed while this program was held up. Close other programs on this computer.\n",
		       r.missed, r.missed == 1 ? " was" : "s were");
	printf("%-21s %-7s%12s %11s %12s %12s\n", "channel", "unit", "mean", "noise (sd)", "least", "largest");
	for (int i = 0; i < PROBE_CHANNELS; i++) {
		const struct probe_sum *sum = &w->sum[i];
		print_padded(channels[i].name, 22);
		print_padded(channels[i].unit, 7);
		if (sum->n == 0)
			printf("%12s\n", "no reading");
		else
			printf("%12.*f %11.*f %12.*f %12.*f\n", channels[i].digits, sum->mean, channels[i].digits,
			       probe_sd(sum), channels[i].digits, sum->min, channels[i].digits, sum->max);
	}
	print_lines(w, s);
	if (w->sum[PROBE_TORQUE].n == 0)
		puts(calibrated ? "No torque: the cell is not tared yet; bridle ready and bridle sweep do it."
				: "No torque: the cell is not calibrated yet; bridle hang does it.");
	print_verdicts(w, &stated);
}

/* null: never told. */
static json_t *json_line(const struct probe *w, enum channel_id channel, bool good)
{
	return is_told(&w->last, channel) ? json_boolean(good) : json_null();
}

static int print_json(const struct probe *w, const struct session *s)
{
	const struct node_caps *caps = node_caps(s->node);
	const struct probe_stated stated = stated_of(s);
	struct rates r = rates_of(w);
	json_t *list = json_array();

	for (int i = 0; i < PROBE_CHANNELS; i++) {
		const struct probe_sum *sum = &w->sum[i];
		double missing = sum->n ? 0 : NAN;
		struct probe_verdict v = probe_judge(w, (enum probe_channel)i, &stated);
		json_array_append_new(list,
				      json_pack("{s:s, s:s, s:s, s:s, s:I, s:o, s:o, s:o, s:o}", "channel",
						channels[i].key, "unit", channels[i].unit, "verdict",
						probe_say_word(v.say), "why", v.words, "n", (json_int_t)sum->n, "mean",
						cli_real(sum->mean + missing), "sd", cli_real(probe_sd(sum)), "min",
						cli_real(sum->min + missing), "max", cli_real(sum->max + missing)));
	}
	return cli_print_json(json_pack("{s:s, s:o, s:o, s:o, s:I, s:I, s:o, s:o, s:o, s:o}", "node", caps->name,
					"samples_per_s", cli_real(r.samples_Hz), "conversions_per_s",
					cli_real(r.conversions_Hz), "lost_frac", cli_real(r.lost_frac), "missed",
					(json_int_t)r.missed, "bad_lines", (json_int_t)w->last.line_bad, "estop_ok",
					json_line(w, CHANNEL_ESTOP, w->last.estop_ok), "guard_ok",
					json_line(w, CHANNEL_CAGE, w->last.cage_closed), "contactor_closed",
					json_line(w, CHANNEL_CONTACTOR, w->last.contactor_closed), "channels", list));
}

struct live {
	struct progress *progress;
	unsigned ticks;
};

#define SHOW_EVERY 5 /* ticks */

static void show_tick(void *ctx, const struct snapshot *snap, const struct seq_out *out, const struct guard_verdict *v)
{
	struct live *live = ctx;

	(void)v;
	if (live->ticks++ % SHOW_EVERY != 0 && !out->done)
		return;
	const struct live_line line = { .phase = "",
					.phase_s = NAN,
					.commanded_Nm = NAN,
					.commanded_A = NAN,
					.torque_Nm = snap->torque_Nm,
					.count = snap->sample_total > 0 ? snap->indication : NAN,
					.speed_rpm = snap->speed_rpm,
					.brake_A = snap->brake_A,
					.voltage_V = snap->voltage_V,
					.current_A = snap->current_A,
					.left_low_s = out->remaining_s,
					.left_high_s = out->remaining_s,
					.frac = out->progress_frac };
	progress_update(live->progress, &line);
}

static bool stop_asked(void *ctx)
{
	(void)ctx;
	return cli_stop_asked();
}

/* Stop and guard may be anything; what is energised or turns is a cause (guard.h, at_rest). */
static void probe_limits(const struct session *s, struct guard_limits *limits)
{
	session_guard_limits(s, limits);
	limits->expect_cell = limits->expect_pick = limits->expect_meter = false;
	limits->at_rest = true;
}

static enum rc probe_rig(struct session *s, struct probe *w, const struct cli *cli, struct loop_result *result,
			 struct err *err)
{
	struct guard_limits limits;
	struct live live = { .progress = progress_new("probe", cli->quiet || cli->json) };
	struct loop_hooks hooks = { .tick = show_tick, .stop_asked = stop_asked, .ctx = &live };
	struct sequence sequence = { probe_step, w };

	probe_limits(s, &limits);
	if (s->warden_said[0]) /* the run's beginning keeps it */
		progress_line(live.progress, "Since the last command: %s", s->warden_said);
	cli_watch_stop(false);
	enum rc rc = session_run_begin(s, "probe", 0, err);
	if (rc == RC_OK) {
		struct err end_err;
		cli_watch_keys();
		progress_hurry(live.progress, true);
		rc = loop_run(s, &limits, &sequence, &hooks, result, err);
		cli_unwatch_keys();
		if (rc == RC_INTERLOCK && result->cause == CAUSE_OPERATOR)
			rc = RC_OK; /* ending a watch early is not a failure */
		enum rc end_rc = session_run_end(s, rc == RC_OK ? "done" : "stopped", cause_word(result->cause),
						 result->message, rc == RC_OK ? err : &end_err);
		rc = rc ? rc : end_rc;
	}
	cli_unwatch_stop();
	progress_free(live.progress);
	return rc;
}

int cmd_probe(int argc, char **argv)
{
	const char *seconds_text = "5";
	const struct cli_option options[] = {
		{ "seconds", "S", "how long to look, s (default 5; Ctrl-C ends it early)", &seconds_text, NULL },
	};
	const struct cli_spec spec = {
		.name = "probe",
		.usage = "probe [options]",
		.about = "Shows every channel live with its noise and its rate, and a verdict on its wiring. Nothing "
			 "is energised.",
		.examples = "  bridle probe\n  bridle probe --seconds 60 --json > noise.json\n",
		CLI_TAKES(options),
	};
	struct cli cli;
	struct err err = { 0 };
	struct mistakes mistakes = { 0 };
	struct session s;
	struct probe w = { 0 };
	struct loop_result result = { 0 };

	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);
	if (rc != RC_OK || cli.help_shown)
		return rc == RC_OK ? 0 : cli_fail(&cli, &err, NULL, NULL);
	char *end;
	w.length_s = strtod(seconds_text, &end);
	if (*end || !(w.length_s >= 1 && w.length_s <= 86400)) {
		err_set(&err, RC_ARG, 0, "--seconds: found \"%s\", expected a number from 1 to 86400", seconds_text);
		return cli_fail(&cli, &err, NULL, NULL);
	}
	const struct session_want want = { .bench = cli.bench, .rig_link = true, .logbook_write = true };
	rc = session_open(&want, &s, &mistakes, &err);
	if (rc != RC_OK)
		return cli_fail(&cli, &err, NULL, &mistakes);
	rc = probe_rig(&s, &w, &cli, &result, &err);
	int status = 0;
	if (rc != RC_OK)
		status = cli_fail(&cli, &err, result.cause == CAUSE_NONE ? NULL : cause_word(result.cause), NULL);
	else if (cli.json)
		status = print_json(&w, &s);
	else
		print_text(&w, &s);
	session_close(&s);
	return status;
}
