/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle ready PLAN: forecast, checklist, stop rehearsal and check weight before a plan may run. */
#include "command/command.h"
#include "command/doubts_tell.h"
#include "live/live_checklist.h"
#include "live/live_zero.h"
#include "command/endure_check.h"
#include "command/ready_check.h"
#include "command/ready_forecast.h"
#include "command/ready_foresee.h"
#include "command/ready_procedures.h"
#include "command/ready_record.h"
#include "command/ready_signs.h"
#include "run/sweep_setup.h"
#include "link/control.h"
#include "run/seq_rehearse.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PERSON_WAIT_S 120.0
#define AFTER_STOP_S 1.0

/* Common practice, no source; local codes, makers' instructions and licensed practice go before it. */
static const struct live_item checklist[] = {
	{ "guard", "Guard closed and fixed, strong enough to hold fragments?" },
	{ "weights_removed", "Calibration weights, hanger and arm removed, tools away from the shaft?" },
	{ "lever_stops", "Lever stops in place, the lever free to move between them?" },
	{ "coupling", "Coupling screws tightened to their torque, alignment felt by hand?" },
	{ "cell_cable", "Cell's cable clear of everything that moves?" },
	{ "reaction", "Actuator bolted to something that takes its torque?" },
	{ "wiring", "Wiring strain-relieved, bus terminated (two 120 \u03a9 ends of a CAN bus read 60 \u03a9)?" },
	{ "supply", "Supply's voltage and current limit set and known?" },
	{ "gains",
	  "Drive's gains tried without load, and quiet? The cell sees no torque that swings faster than half its "
	  "rate." },
	{ "keeps", "Known which outputs keep their value through an emergency stop (a bench supply does), and how to "
		   "switch them "
		   "off by hand?" },
	{ "fire", "Fire extinguisher at hand, ventilation for hot brake and actuator?" },
	{ "clothing", "Eye protection on; hair, sleeves, gloves and lanyards out of reach of the shaft?" },
	{ "bystanders", "Nobody in the plane of rotation, bystanders clear, a second person there for a first run?" },
	{ "instructions", "Makers' instructions and local rules for this work known and kept?" },
};
#define CHECKS (sizeof checklist / sizeof checklist[0])

/* Asked too for a plan that runs unattended. Common practice, no source; local rules go before it. */
static const struct live_item unattended[] = {
	{ "cover",
	  "Cover over everything that turns closed and fixed, so that nobody can reach in while nobody watches?" },
	{ "fire_alone", "Smoke alarm in the room, nothing that burns within 1 m of brake, actuator and supply?" },
	{ "hot_case", "Sign at the rig: runs unattended, starts by itself, case and brake burn fingers?" },
	{ "reachable", "Somebody reachable at all times who knows how to switch it off at the wall?" },
	{ "supply_alone", "A thermal switch or fuse of its own takes the supply away when this computer does not?" },
	{ "rules", "Unattended running allowed here by local rules and the insurer?" },
};
#define ALONE (sizeof unattended / sizeof unattended[0])

/* Asked too where a person sets the drive (docs/drive.md). Common practice, no source. */
static const struct live_item by_person[] = {
	{ "knob", "Drive's knob at 0, its way of turning known, one person at it who does nothing else?" },
	{ "contactor_alone",
	  "Known that only contactor and emergency stop switch this drive off, and that it tells no fault and no "
	  "current?" },
};
#define KNOB (sizeof by_person / sizeof by_person[0])

/* And where it measures play between the cycles. */
static const struct live_item winding[] = {
	{ "wound_up", "Coupling, cell and mountings carry the play's torque in BOTH directions, and nothing that the "
		      "wound-up gear may "
		      "throw can reach a person?" },
};
#define WINDING (sizeof winding / sizeof winding[0])

struct options {
	const char *answers, *accept;
	bool shorten, no_check;
	struct live_options live;
};

struct checking {
	struct live live;
	struct session s;
	const struct options *o;
	struct forecast forecast;
	char forecast_text[400];
	size_t steps_allowed, allowed[PROFILE_SPEEDS]; /* in all; at each speed of the plan */
	struct foreseen foreseen[FORECAST_POINTS];
	struct live_answer answer[CHECKS], alone[ALONE], knob[KNOB], wound[WINDING];
	struct rehearse rehearse;
	bool bench_presses;                 /* the virtual bench's hands do the rehearsal that is under way */
	json_t *stop, *cage, *signs, *mass; /* results; NULL until done */
	json_t *doubts, *procedures;
	const char *cause;
	int64_t record_id;
};

static enum rc no(struct checking *c, const char *cause, struct err *err, const char *sentence)
{
	c->cause = cause;
	return err_set(err, RC_SAYS_NO, 0, "%s", sentence);
}

/* --- forecast --- */

static enum rc look_at_uncertainty(struct checking *c, struct err *err)
{
	const struct sweep_config config = sweep_config_of(&c->s, 0);
	enum rc rc = ready_foresee(&c->s, &c->forecast, live_can_turn_back(&c->live, sweep_zero_rpm(&config)),
				   c->foreseen, err);

	if (rc == RC_OK && !c->live.cli->json)
		ready_foresee_print(&c->s, &c->forecast, c->foreseen);
	return rc;
}

static const char *each_speed(const struct checking *c)
{
	return c->forecast.speeds > 1 ? ", counted at each speed" : "";
}

static enum rc look_ahead(struct checking *c, struct err *err)
{
	ready_forecast_make(&c->s, &c->forecast);
	forecast_sentence(&c->forecast, &c->s.plan, c->forecast_text, sizeof c->forecast_text);
	c->steps_allowed = c->forecast.n;
	for (size_t k = 0; k < PROFILE_SPEEDS; k++)
		c->allowed[k] = c->forecast.loads;
	if (!c->live.cli->json)
		ready_forecast_print(&c->forecast, &c->s);
	enum rc rc = look_at_uncertainty(c, err);
	if (rc != RC_OK)
		return rc;
	if (c->forecast.ok)
		return RC_OK;
	c->cause = forecast_check_word(c->forecast.decides);
	if (c->forecast.n_ok == 0)
		return err_set(err, RC_SAYS_NO, 0, "%s", c->forecast_text);
	if (!c->o->shorten)
		return err_set(err, RC_SAYS_NO, 0, "%s; --shorten keeps the first %zu of %zu steps%s", c->forecast_text,
			       c->forecast.n_ok, c->forecast.n, each_speed(c));
	c->cause = NULL;
	c->steps_allowed = c->forecast.n_ok;
	memcpy(c->allowed, c->forecast.allowed, sizeof c->allowed);
	if (!c->live.cli->json)
		live_say("Shortened to the first %zu of %zu steps%s: %s", c->forecast.n_ok, c->forecast.n,
			 each_speed(c), c->forecast_text);
	return RC_OK;
}

/* --- what files, calibration and map say of each other --- */

static bool is_left_out(const struct checking *c, const struct doubt *d)
{
	/* Said by check_records, or of no use without the check weight. */
	return strcmp(d->word, "not_calibrated") == 0 || strcmp(d->word, "not_mapped") == 0 ||
	       (c->o->no_check && strcmp(d->word, "check_weight") == 0);
}

static enum rc settle_doubt(struct checking *c, const struct doubt *d, struct err *err)
{
	char reason[200];
	bool refuses;
	enum rc rc = doubt_refuses(c->s.logbook, d, reason, sizeof reason, &refuses, err);

	if (rc == RC_OK && refuses && d->acceptable && c->o->accept) {
		snprintf(reason, sizeof reason, "%s", c->o->accept);
		refuses = false;
		rc = doubt_accept(c->s.logbook, c->s.run_id, c->s.clock.wall(c->s.clock.ctx).ns, d, reason, err);
	}
	if (rc != RC_OK)
		return rc;
	json_array_append_new(c->doubts, doubt_json(d, refuses, reason));
	if (!refuses) {
		if (!c->live.cli->json)
			doubt_print(d, false, reason);
		return RC_OK;
	}
	c->cause = d->acceptable ? "implausible" : "bad_input";
	return err_set(err, d->acceptable ? RC_SAYS_NO : RC_ARG, 0, "%s%s", d->text,
		       d->acceptable ? ". If it is right all the same: --accept REASON" : "");
}

static enum rc look_for_doubts(struct checking *c, struct err *err)
{
	struct doubts doubts;
	enum rc rc = RC_OK;

	doubts_find(&c->s, NULL, &doubts);
	for (size_t i = 0; i < doubts.n && rc == RC_OK; i++)
		if (!is_left_out(c, &doubts.list[i]))
			rc = settle_doubt(c, &doubts.list[i], err);
	return rc;
}

/* --- checklist --- */

static bool is_unattended(const struct checking *c)
{
	return c->s.plan.endurance.cycles > 0;
}

/* Outputs without a lease or a warden are refused with rig.ini itself; here what nobody would be there to see. */
static enum rc check_unattended(struct checking *c, struct err *err)
{
	const unsigned needed = LINE_ESTOP | LINE_CAGE | LINE_CONTACTOR, missing = needed & ~session_lines(&c->s);

	if (!is_unattended(c) || !missing)
		return RC_OK;
	c->cause = "unattended";
	return err_set(err, RC_SAYS_NO, 0,
		       "plan %s runs unattended, and nothing senses%s%s%s; wire that line, or run a plan without "
		       "[endurance]",
		       c->s.plan_name, missing & LINE_ESTOP ? " the emergency stop" : "",
		       missing & LINE_CAGE ? " the guard switch" : "",
		       missing & LINE_CONTACTOR ? " the contactor" : "");
}

/* What would end `endure` before its first cycle. */
static enum rc check_endurance(struct checking *c, struct err *err)
{
	double unused;
	enum rc rc = is_unattended(c) ? endure_check_play(&c->s, &unused, err) : RC_OK;

	if (rc == RC_OK && is_unattended(c))
		rc = endure_check_messages(&c->s, err);
	if (rc == RC_ARG)
		c->cause = "bad_input";
	return rc;
}

/* The other procedures are no condition of the plan: what would refuse them is told. */
static enum rc look_at_procedures(struct checking *c, struct err *err)
{
	c->procedures = ready_procedures(&c->live);
	if (!c->procedures)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	if (!c->live.cli->json) {
		progress_clear(c->live.progress);
		ready_procedures_print(c->procedures);
	}
	return RC_OK;
}

static enum rc ask_checklist(struct checking *c, struct err *err)
{
	enum rc rc = live_checklist(&c->live, checklist, CHECKS, c->o->answers, c->answer, err);

	if (rc == RC_OK && session_person_sets(&c->s))
		rc = live_checklist(&c->live, by_person, KNOB, c->o->answers, c->knob, err);
	if (rc == RC_OK && is_unattended(c))
		rc = live_checklist(&c->live, unattended, ALONE, c->o->answers, c->alone, err);
	if (rc == RC_OK && c->s.plan.endurance.play > 0)
		rc = live_checklist(&c->live, winding, WINDING, c->o->answers, c->wound, err);
	if (rc == RC_SAYS_NO || rc == RC_ARG)
		c->cause = rc == RC_ARG ? "bad_input" : "checklist";
	return rc == RC_OK ? live_arm(&c->live, false, err) : rc; /* weights_removed */
}

/* --- stop rehearsal --- */

static void on_event(void *ctx, const struct seq_event *event)
{
	struct checking *c = ctx;
	struct err ignored;

	if (event->kind != SEQ_EVENT_NOTE)
		return;
	live_note(&c->live, ">> %s", event->text);
	/* a hand that fails is seen as a stop that is not pressed */
	if (c->rehearse.what != REHEARSE_RELEASED && c->bench_presses &&
	    control_hand(c->s.control, &ignored, "%s",
			 c->rehearse.what == REHEARSE_ESTOP ? "estop pull" : "guard open") != RC_OK)
		live_note(&c->live, "the virtual bench's hands failed: %s", ignored.what);
}

static void on_tick(void *ctx, const struct snapshot *snap, const struct seq_out *out)
{
	struct checking *c = ctx;

	(void)out;
	rehearse_watch(&c->rehearse, snap);
}

static enum rc run_rehearsal(struct checking *c, enum rehearse_what what, struct err *err)
{
	const struct sequence sequence = { rehearse_step, &c->rehearse };

	rehearse_begin(&c->rehearse, what, PERSON_WAIT_S, c->live.limits.expect_lines);
	c->live.event = on_event;
	c->live.tick = on_tick;
	c->live.ctx = c;
	enum rc rc = live_run(&c->live, &sequence, err);
	c->live.event = NULL;
	c->live.tick = NULL;
	return rc;
}

/* Everything released: the node's latch is cleared on purpose, and nothing may have restarted. */
static enum rc back_to_idle(struct checking *c, struct err *err)
{
	enum rc rc = live_sleep(&c->live, AFTER_STOP_S, err);

	if (rc == RC_OK)
		rc = node_request(c->s.node, "clear", NULL, 0, err);
	return rc == RC_OK ? run_rehearsal(c, REHEARSE_RELEASED, err) : rc;
}

/* Nobody can reach the button of a virtual bench, and its clock does not wait: so it is settled before, not while the
 * contactor is closed. */
static enum rc who_presses(struct checking *c, bool estop, struct err *err)
{
	static const struct live_choice by_hands = { 'h', LIVE_BY_HANDS };
	char key = '\0';
	enum rc rc = RC_OK;

	c->bench_presses = c->s.control && c->live.hands;
	if (c->s.control && !c->live.hands)
		rc = live_choose(&c->live,
				 estop ? "Next: stop rehearsal 1 of 2. Only this virtual bench itself can press its "
					 "emergency stop: type h."
				       : "Next: stop rehearsal 2 of 2. Only this virtual bench itself can open its "
					 "guard: type h.",
				 "rehearses without", &by_hands, 1, &key, err);
	c->bench_presses |= key == 'h';
	return rc;
}

static const char *release_words(bool estop, bool sensed)
{
	if (estop)
		return sensed ? "Release the emergency stop: nothing may start by itself."
			      : "This node does not sense the contactor: look whether it is open. Then release the "
				"emergency stop.";
	return sensed ? "Close the guard and fasten it: nothing may start by itself."
		      : "This node does not sense the contactor: check that it is open. Then close the guard and "
			"fasten it.";
}

static enum rc rehearse_one(struct checking *c, enum rehearse_what what, json_t **ret, struct err *err)
{
	static const char *const release[] = { "estop release", NULL }, *const close_guard[] = { "guard close", NULL };
	bool estop = what == REHEARSE_ESTOP;
	enum cause expected = estop ? CAUSE_ESTOP : CAUSE_GUARD_OPEN;
	enum rc rc = who_presses(c, estop, err);

	if (rc != RC_OK)
		return rc;
	rc = run_rehearsal(c, what, err);
	if (rc == RC_OK || c->live.result.cause != expected)
		return rc == RC_OK ? no(c, "rehearsal", err, "the rehearsal ended without a stop") : rc;
	if (c->live.result.missing) { /* nobody is sent to the button or the guard */
		c->cause = "rehearsal";
		return err_set(err, rc, 0, "%s The stop rehearsal failed: do not run this rig.", c->live.result.shaft);
	}
	struct rehearse seen = c->rehearse;
	if (rehearse_passed(&seen))
		c->live.result.cause = CAUSE_NONE; /* it was asked for, whatever comes of the questions after it */
	bool sensed = session_lines(&c->s) & LINE_CONTACTOR;
	rc = live_ask(&c->live, release_words(estop, sensed), estop ? release : close_guard, err);
	if (rc != RC_OK)
		return rc;
	if (!rehearse_passed(&seen))
		return no(c, "rehearsal", err,
			  estop ? "the emergency stop was pressed but the contactor was not seen to open: do not run "
				  "this rig"
				: "the guard was opened but the contactor was not seen to open: do not run this rig");
	*ret = json_pack("{s:o, s:o}", "contactor_dropped", sensed ? json_true() : json_null(), "drop_s",
			 cli_real(rehearse_drop_s(&seen)));
	if (sensed)
		live_note(&c->live, "Seen (%s): contactor opened after %.0f ms.",
			  estop ? "emergency stop" : "guard switch", 1e3 * rehearse_drop_s(&seen));
	else
		live_note(&c->live, "Seen: %s. This node does not sense the contactor.",
			  estop ? "emergency stop pressed" : "guard opened");
	return back_to_idle(c, err);
}

/* What the node does not sense, a person has to look at. */
static enum rc rehearse_stops(struct checking *c, struct err *err)
{
	unsigned lines = session_lines(&c->s);
	enum rc rc = RC_OK;

	c->live.frac_from = 0;
	c->live.frac_to = 0.3;
	if (lines & LINE_ESTOP) {
		rc = rehearse_one(c, REHEARSE_ESTOP, &c->stop, err);
	} else {
		live_note(&c->live,
			  "This node does not sense the emergency stop. Press it and see that the contactor opens.");
		c->stop = json_pack("{s:b}", "sensed", 0);
	}
	c->live.frac_from = 0.3;
	c->live.frac_to = 0.6;
	if (rc == RC_OK && lines & LINE_CAGE)
		return rehearse_one(c, REHEARSE_CAGE, &c->cage, err);
	if (rc == RC_OK)
		live_note(&c->live, "This node does not sense the guard. Where a guard switch is wired, open it and "
				    "see that the contactor opens.");
	return rc;
}

/* --- slowly under a small load: a stop at standstill leaves poles in the rotor of a hysteresis brake; signs --- */

static enum rc clear_brake(struct checking *c, double zero_rpm, struct err *err)
{
	if (c->s.rig.brake_kind != BRAKE_HYSTERESIS)
		return RC_OK;
	if (!live_can_clear(&c->live, zero_rpm)) {
		live_note(&c->live, "The stop rehearsal left remanence in the hysteresis brake. The next sweep clears "
				    "it before its zero "
				    "where it can turn the shaft both ways.");
		return RC_OK;
	}
	c->live.frac_from = 0.6;
	c->live.frac_to = 0.7;
	enum rc rc = live_clear_brake(&c->live, zero_rpm, sweep_heaviest_Nm(&c->s, c->allowed), err);
	if (rc == RC_OK)
		live_note(&c->live, "Hysteresis brake cleared.");
	return rc;
}

static enum rc turn_slowly(struct checking *c, struct err *err)
{
	const struct sweep_config config = sweep_config_of(&c->s, 0);
	double zero_rpm = sweep_zero_rpm(&config);

	char key;
	enum rc rc = RC_OK;

	c->live.by_hand = config.drive == PLAN_HAND;
	if (live_can_turn(&c->live, zero_rpm) && !c->live.hands)
		rc = live_choose(&c->live,
				 c->live.by_hand ? "You will be asked to turn the shaft under a small load, to check "
						   "the signs of all sensors."
						 : "The shaft now turns slowly under load, to check the signs of all "
						   "sensors. Stand clear.",
				 "to start", NULL, 0, &key, err);
	if (rc == RC_OK)
		rc = clear_brake(c, zero_rpm, err);
	c->live.frac_from = c->live.frac_to;
	c->live.frac_to = 0.75;
	if (rc == RC_OK)
		rc = ready_signs(&c->live, zero_rpm, &c->signs, &c->cause, err);
	c->live.by_hand = false;
	return rc;
}

/* --- check weight --- */

static enum rc check_mass(struct checking *c, struct err *err)
{
	if (c->o->no_check || !c->s.rig.check_piece[0] || c->s.calibration_id == 0)
		return RC_OK;
	c->live.frac_from = 0.75;
	c->live.frac_to = 0.95;
	return ready_check_mass(&c->live, &c->mass, &c->cause, err);
}

/* --- all of it --- */

static void put_answer(json_t *list, const struct live_item *item, const struct live_answer *answer)
{
	json_array_append_new(list, json_pack("{s:s, s:s, s:o}", "item", item->word, "question", item->question,
					      "answer", cli_text(answer->text)));
}

static json_t *checklist_json(const struct checking *c)
{
	json_t *list = json_array();

	for (size_t i = 0; i < CHECKS && c->answer[i].text[0]; i++)
		put_answer(list, &checklist[i], &c->answer[i]);
	for (size_t i = 0; i < KNOB && c->knob[i].text[0]; i++)
		put_answer(list, &by_person[i], &c->knob[i]);
	for (size_t i = 0; i < ALONE && c->alone[i].text[0]; i++)
		put_answer(list, &unattended[i], &c->alone[i]);
	for (size_t i = 0; i < WINDING && c->wound[i].text[0]; i++)
		put_answer(list, &winding[i], &c->wound[i]);
	return list;
}

static json_t *document(const struct checking *c)
{
	json_t *doc = json_object();

	json_object_set_new(doc, "forecast", ready_forecast_json(&c->forecast));
	json_object_set_new(doc, "points", ready_foresee_json(&c->forecast, c->foreseen));
	json_object_set_new(doc, "forecast_message", cli_text(c->forecast_text));
	json_object_set(doc, "doubts", c->doubts);
	json_object_set(doc, "procedures", c->procedures);
	json_object_set_new(doc, "checklist", checklist_json(c));
	if (c->stop)
		json_object_set(doc, "stop_rehearsal", c->stop);
	if (c->cage)
		json_object_set(doc, "guard_rehearsal", c->cage);
	if (c->signs)
		json_object_set(doc, "signs", c->signs);
	if (c->mass)
		json_object_set(doc, "check_mass", c->mass);
	return doc;
}

static enum rc keep(struct checking *c, struct err *err)
{
	json_t *doc = document(c);
	int64_t wall_ns = c->s.clock.wall(c->s.clock.ctx).ns;

	ready_record_fill(doc, &c->s, wall_ns, c->steps_allowed, c->allowed);
	char *json = json_dumps(doc, JSON_REAL_PRECISION(17) | JSON_COMPACT);
	json_decref(doc);
	if (!json)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = logbook_record(c->s.logbook, c->s.run_id, wall_ns, "ready", json, &c->record_id, err);
	free(json);
	return rc;
}

static enum rc check_records(struct checking *c, struct err *err)
{
	enum rc rc = session_calibrated(&c->s, err);
	if (rc != RC_OK) {
		c->cause = "not_calibrated";
		return rc;
	}
	live_tell_calibration(&c->live);
	if (c->s.map_id == 0 && c->s.plan.load == LOAD_TORQUE)
		return no(c, "not_mapped", err,
			  "the brake is not mapped, so a torque cannot be set; run bridle map first");
	return RC_OK;
}

static enum rc work(struct checking *c, struct err *err)
{
	enum rc rc = live_answers_check(&c->live, c->o->answers, err);

	if (rc == RC_OK)
		rc = live_begin(&c->live, "ready", 0, err);
	if (rc == RC_OK)
		rc = check_records(c, err);
	if (rc == RC_OK)
		rc = check_unattended(c, err);
	if (rc == RC_OK)
		rc = look_for_doubts(c, err);
	if (rc == RC_OK)
		rc = look_ahead(c, err);
	if (rc == RC_OK)
		rc = check_endurance(c, err);
	if (rc == RC_OK)
		rc = ask_checklist(c, err);
	if (rc == RC_OK)
		rc = rehearse_stops(c, err);
	if (rc == RC_OK)
		rc = turn_slowly(c, err);
	if (rc == RC_OK)
		rc = check_mass(c, err);
	if (rc == RC_OK)
		rc = look_at_procedures(c, err);
	if (rc == RC_OK)
		rc = live_take_stop(&c->live, err); /* the record allows runs */
	return rc == RC_OK ? keep(c, err) : rc;
}

static int tell(const struct cli *cli, struct checking *c, enum rc rc, const struct err *err, const struct mistakes *m)
{
	const char *cause = c->cause ? c->cause : live_cause(&c->live);

	if (rc != RC_OK && !(cli->json && c->forecast.n))
		return cli_fail(cli, err, cause, m);
	if (!cli->json) {
		putchar('\n');
		live_say("Ready for plan %s until midnight, %zu of %zu steps; %s.", cli->args[0], c->steps_allowed,
			 c->forecast.n, c->forecast_text);
		printf("Next: bridle %s %s\n", c->alone[0].text[0] ? "endure" : "sweep", cli->args[0]);
		return 0;
	}
	json_t *doc = document(c);
	json_object_set_new(doc, "ready", json_boolean(rc == RC_OK));
	json_object_set_new(doc, "steps_allowed",
			    json_integer((json_int_t)(rc == RC_OK ? c->steps_allowed : c->forecast.n_ok)));
	json_object_set_new(doc, "decides", json_string(forecast_check_word(c->forecast.decides)));
	if (rc == RC_OK) {
		json_object_set_new(doc, "record_id", json_integer(c->record_id));
	} else {
		json_object_set_new(doc, "cause", cli_text(cause ? cause : "failed"));
		json_object_set_new(doc, "message", cli_text(err->what));
	}
	int printed = cli_print_json(doc);
	return rc == RC_OK || printed ? printed : err_exit_status(rc);
}

static int check_rig(const struct cli *cli, void *wanted)
{
	const struct options *o = wanted;
	const struct session_want want = {
		.bench = cli->bench, .plan = cli->args[0], .rig_link = true, .logbook_write = true
	};
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct checking *c = calloc(1, sizeof *c);

	if (!c) {
		err_set(&err, RC_NOMEM, 0, "out of memory");
		return cli_fail(cli, &err, NULL, NULL);
	}
	c->o = o;
	c->doubts = json_array();
	enum rc rc = live_open(&c->live, cli, &c->s, &want, "ready", &o->live, &m, &err);
	if (rc == RC_OK) {
		rc = work(c, &err);
		rc = live_end(&c->live, rc, c->cause, &err);
	}
	int status = tell(cli, c, rc, &err, &m);
	json_decref(c->doubts);
	json_decref(c->procedures);
	json_decref(c->stop);
	json_decref(c->cage);
	json_decref(c->signs);
	json_decref(c->mass);
	free(c);
	return status;
}

int cmd_ready(int argc, char **argv)
{
	struct options o = { 0 };
	const struct cli_option options[] = {
		{ "answers", "yes",
		  "answer yes to every item; on a virtual bench only: on a real rig a person types the answers",
		  &o.answers, NULL },
		{ "shorten", NULL,
		  "when the forecast refuses a step, keep the steps before it instead of refusing the plan", NULL,
		  &o.shorten },
		{ "accept", "REASON", "go on although figures do not agree; reports print the reason", &o.accept,
		  NULL },
		{ "no-check", NULL, "skip the check weight", NULL, &o.no_check },
		LIVE_OPTIONS(o.live),
	};
	const struct cli_spec spec = {
		.name = "ready",
		.usage = "ready PLAN [options]",
		.about = "Before a plan may run: the forecast of every step (brake heat, input power against the "
			 "supply, torque on cell and coupling, "
			 "brake current, time) and which number decides; the checklist; the stop rehearsal (press the "
			 "emergency stop, see "
			 "the contactor drop; the same with the guard; a hysteresis brake is then cleared by turning "
			 "it); the signs of "
			 "all sensors at a small load; the check weight when rig.ini names one. It also tells what "
			 "would refuse hold, play, "
			 "obey, ripple and tame on this rig, and for a plan with cycles what would refuse endure. The "
			 "record holds for "
			 "the "
			 "same day, plan and profiles. Software is not the emergency stop.",
		.examples = "  bridle ready lock-sweep\n  bridle ready lock-sweep --hands --answers yes    (virtual "
			    "bench)\n",
		CLI_TAKES(options),
		.min_args = 1,
		.max_args = 1,
	};

	return cli_run(&spec, argc, argv, check_rig, &o);
}
