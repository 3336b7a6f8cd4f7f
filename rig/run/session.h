/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A session: a bench folder opened for one command. Profiles read, link and node
 * greeted, clock chosen, logbook open, latest calibration and map at hand. */
#ifndef BRIDLE_RUN_SESSION_H
#define BRIDLE_RUN_SESSION_H

#include "calib/brake/brakemap.h"
#include "calib/cell/cellcal.h"
#include "guard/guard.h"
#include "instrument/instrument.h"
#include "instrument/node.h"
#include "logbook/logbook.h"
#include "logbook/record.h"
#include "profile/profile.h"

struct control;
struct warden_host;
struct scpi_setup;
struct can_drive_setup;
struct canopen_drive_setup;
struct text_drive_setup;
struct indicator_setup;
struct modbus_setup;
struct aside;
#define SESSION_INSTRUMENTS (1 + PROFILE_INSTRUMENTS)

/* A line beside the tether, and what is on it. */
struct session_line {
	struct link *link;
	struct aside *aside; /* the thread that owns it; NULL on a bench clock: the tick polls it */
	struct turns turns;
};

struct session {
	char bench[PROFILE_PATH];
	struct rig_profile rig;
	struct weights_profile weights;   /* n = 0 when there is no weights.ini */
	struct actuator_profile actuator; /* when a plan or actuator was asked for */
	struct plan_profile plan;
	bool has_actuator, has_plan;
	char plan_name[PROFILE_WORD];
	char *rig_text, *actuator_text, *plan_text;

	struct logbook *logbook;
	int64_t calibration_id, map_id; /* 0 = none */
	int64_t calibration_wall_ns;
	int64_t unusable_id;    /* a calibration newer than that which failed its gate and is never used; 0 = none */
	char unusable_why[300]; /* a sentence */
	struct cellcal calibration; /* valid when calibration_id != 0 */
	struct brakemap map;        /* valid when map_id != 0 */

	struct link *link;
	struct control *control; /* virtual bench only */
	struct clock_src clock;
	int64_t slept_ns; /* the machine's suspended time that was seen last (clock.slept_ns) */
	struct node *node;
	unsigned node_roles;                               /* that no other instrument takes */
	struct instrument instrument[SESSION_INSTRUMENTS]; /* [0] is the node */
	size_t n_instruments;
	/* Of the others, as rig.ini groups them by link; the last stays empty: of one that has none. */
	struct session_line line[PROFILE_INSTRUMENTS + 1];
	char instrument_name[SESSION_INSTRUMENTS][PROFILE_WORD * 2 + 2];
	struct warden_host *warden; /* NULL: none */
	int account_fd;             /* its file */
	char warden_said[1024];     /* what an earlier one did, until a run has kept it; empty: nothing */
	struct link *warden_line[PROFILE_INSTRUMENTS + 1]; /* that it writes on; NULL after the last */
	uint64_t warden_written[PROFILE_INSTRUMENTS];      /* as counted to those links */
	double warden_age_s;                               /* on a bench clock: of the tick before */
	double warden_hold_A;                              /* least that the brake holds in a stop of its own */
	int64_t run_id;                                    /* of session_run_begin */
	double brake_heat_J; /* above the continuous slip power, at brake_heat_at: of earlier runs, then of each
				loop_run */
	struct mono brake_heat_at;
	double tare_count; /* subtracted from counts before the calibration; NaN = not tared yet */
};

struct session_want {
	const char *bench;    /* folder */
	const char *plan;     /* plans/PLAN.ini and its actuator, or NULL */
	const char *actuator; /* actuators/NAME.ini, or NULL (a plan names its own) */
	bool rig_link;        /* open link and node; false = files and logbook only */
	bool logbook_write;   /* false = open for reading when it exists */
};

/* A node that is still live or stopping (its host died a moment ago) is waited for, 66 s at most, before anything is
 * sent to it; RC_SAYS_NO when it stays so: somebody else drives it. Everything or nothing: on an error what was opened
 * is closed again and ret is empty. m gets the mistakes of all files. The node keeps the address of ret->clock: do not
 * copy or move a session that is open. */
enum rc session_open(const struct session_want *want, struct session *ret, struct mistakes *m,
		     struct err *err) MUST_CHECK;
void session_close(struct session *s);

/* Head from the session's own profiles and records; sets s->run_id. */
enum rc session_run_begin(struct session *s, const char *kind, int64_t resumes_run_id, struct err *err) MUST_CHECK;
enum rc session_run_end(struct session *s, const char *outcome, const char *cause, const char *message,
			struct err *err) MUST_CHECK;

/* Kind of the record of a calibration that is not usable (calib/cell/cellcal_gate.h): its JSON has the reason as
 * "not_usable". No reader of the kind "calibration" meets it. */
#define SESSION_UNUSABLE "unusable_calibration"
/* Whose records count here: those of a virtual bench, or of the real rig. */
enum record_place session_place(const struct session *s);
/* The newest usable calibration of the open logbook, and the newest unusable one where that is newer. */
enum rc session_load_calibration(struct session *s, struct err *err) MUST_CHECK;
/* RC_SAYS_NO when there is none to use, with the reason where one was made and is not usable, or not of this place. */
enum rc session_calibrated(const struct session *s, struct err *err) MUST_CHECK;
/* Whether an older calibration is used since the newest is not usable, with sentences that say so. */
bool session_older_calibration(const struct session *s, char *buf, size_t size);

/* The instruments as one: the loop and whoever waits for a person call these and name none (session_instruments.c). */
enum rc session_open_instruments(struct session *s,
				 struct err *err) MUST_CHECK; /* what rig.ini names, after the node */
void session_close_instruments(struct session *s);
enum rc session_begin(struct session *s, struct err *err) MUST_CHECK; /* ask for readings: last before the first tick */
void session_poll(struct session *s,
		  struct snapshot *snap); /* snap: of the look before, or snapshot_blank. Never waits */
void session_set(struct session *s, const struct wish *allowed); /* to each its share; zeroed = all outputs off */
const struct instrument *session_fills(const struct session *s, unsigned role); /* NULL: nobody */
unsigned session_lines(const struct session *s);                                /* LINE_... that somebody senses */
bool session_pick_has_direction(const struct session *s);                       /* false too without a pick-up */
/* Whose channel is silent: "supply psu". On a shared line all that are silent there, "supply a, supply b (one line)",
 * or that the others are not, "supply a (the line itself answers)". */
void session_name_silent(const struct session *s, const struct snapshot *snap, int channel, char *buf, size_t size);
/* Is that channel told by an instrument beside the node? */
bool session_is_beside(const struct snapshot *snap, int channel);
/* Has the drive that mode? False without a drive. */
bool session_drive_knows(const struct session *s, enum drive_mode mode);
/* How a person sets the drive; NULL: this program does. */
const struct instrument_person *session_person_sets(const struct session *s);
/* RC_ARG where a person sets the drive: for what turns unattended, or in ways that nobody sets by hand. */
enum rc session_check_own_drive(const struct session *s, const char *who, struct err *err) MUST_CHECK;
/* RC_ARG with a sentence where it has not; who needs it: "plans/gentle.ini", "bridle obey". */
enum rc session_check_mode(const struct session *s, enum drive_mode mode, const char *who, struct err *err) MUST_CHECK;
/* What that instrument says that it cannot do; "" */
const char *session_error_of(const struct session *s, const struct snapshot *snap, int channel);
struct scpi_setup session_scpi_setup(const struct session *s, const struct instrument_profile *p);
void session_text_drive(const struct session *s, const struct instrument_profile *p, struct text_drive_setup *ret);
void session_indicator(const struct session *s, const struct instrument_profile *p, struct indicator_setup *ret);
void session_can_drive(const struct session *s, const struct instrument_profile *p, struct can_drive_setup *ret);
void session_canopen_drive(const struct session *s, const struct instrument_profile *p,
			   struct canopen_drive_setup *ret);
void session_modbus(const struct session *s, const struct instrument_profile *p, struct modbus_setup *ret);
/* The bytes that switch the output of such a supply off, for the warden; 0: no room for them. */
size_t session_modbus_off(const struct instrument_profile *p, char *buf, size_t size);
/* The bytes that take the torque of a drive beside the node away; 0 when they do not fit. */
size_t session_drive_off(const struct session *s, const struct instrument_profile *p, char *buf, size_t size);
/* What the plan needs and nobody fills: RC_ARG with all of it in one sentence. So is a drive that a person sets where
 * nothing senses the contactor, or the pick-up tells no direction. */
enum rc session_check_roles(const struct session *s, struct err *err) MUST_CHECK;

/* The warden, where rig.ini has one (session_warden.c). An earlier one that still holds a brake is waited for before
 * any line is opened, and its account read. Ours is started last: nothing is energised without it. */
enum rc session_await_warden(struct session *s, struct err *err) MUST_CHECK;
enum rc session_start_warden(struct session *s, struct err *err) MUST_CHECK;
void session_close_warden(struct session *s); /* before the links */
/* Into the run that is open: what an earlier warden did, and what this one could not have. */
enum rc session_keep_warden(struct session *s, struct err *err) MUST_CHECK;
bool session_warden_not_safe(const struct session *s); /* what an earlier one did */
void session_set_hold(struct session *s); /* what the brake holds in the warden's stop, by the limits as they are now */
void session_prove_life(struct session *s, const struct wish *allowed);
void session_look_at_warden(struct session *s, struct snapshot *snap);
const char *session_warden_words(const struct session *s); /* why it is a cause, a few words */

/* One slow sample after so many fast ones. */
int session_slow_every(const struct rig_profile *rig);
/* The smaller of rig's and actuator's limits, and the guard's settings from the profile. */
void session_guard_limits(const struct session *s, struct guard_limits *ret);

#endif
