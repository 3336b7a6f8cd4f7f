/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Host with its guard, node with its lease, warden, shaft and person as processes that run once a tick in every order, over
 * lines that lose a message or keep it for some ticks. What the model leaves out, and how it is run: check.py beside it.
 * Each FAULT_... puts a mistake in, which the checker has to find. Names in brackets are rules of docs/invariants.md. */
#define LEASE 2   /* ticks that an output lives without a new set-point [L2] */
#define LATE 1    /* ticks that a message is under way at most; later it is lost */
#define OLD 2     /* ticks that a reading is believed [I15] */
#define SILENCE 2 /* ticks without a new proof of life [W1] */

/* What each part goes by, and what it goes by when a mistake is put in. */
#ifdef FAULT_OPEN_IGNORED
#define OPEN_COUNTS 0
#else
#define OPEN_COUNTS r_open
#endif
#ifdef FAULT_OLD_BELIEVED
#define READING_OLD 0
#else
#define READING_OLD (r_age > OLD)
#endif
/* STAND: ticks in which a held brake stops the shaft. Without the look it has to be longer than the lease: a shaft that stops sooner
 * stands by then anyhow. */
#ifdef FAULT_SHAFT_NOT_LOOKED_AT
#define SEEN_STANDING (!r_drive && r_age <= OLD)
#define STAND 3
#else
#define STAND 1
#define SEEN_STANDING (!r_turns && !r_drive && r_age <= OLD)
#endif
#ifdef FAULT_RELEASE_TOO_SOON
#define SEEN_SINCE_THE_STOP 1
#else
#define SEEN_SINCE_THE_STOP (stop_age > r_age + LATE + 1)
#endif
#ifdef FAULT_LATCH_LEFT
#define ALLOWED 1
#else
#define ALLOWED act
#endif
#ifdef FAULT_RENEWED_BLIND
#define RENEWS (health != dead)
#else
#define RENEWS (health == alive)
#endif
#ifdef FAULT_SAFE_OBEYS
#define OBEYS 1
#else
#define OBEYS (!safe)
#endif
#ifdef FAULT_LEASE_ENDLESS
#define USED 0
#else
#define USED 1
#endif
#ifdef FAULT_LEASE_LETS_GO
#define HELD 0
#else
#define HELD 1
#endif
#ifdef FAULT_OLD_PROOF
#define PROVES 1
#else
#define PROVES newer
#endif

/* Counted no further than it is asked about. */
#define UP(x, most) x = (x < most -> x + 1 : most)
#define MOST_AGE (OLD + 1)
#define MOST_STOP (OLD + LATE + 2)
#define MOST_QUIET (LATE + LEASE + STAND + 5)
#define MOST_OPEN (OLD + LATE + LEASE + 3)

mtype = { latched, running, stopping, alive, hung, dead };

chan set = [1] of { bit, bit, bit };       /* permit, brake held, wake from the safe state */
chan data = [1] of { bit, bit, bit, bit }; /* interlock open, shaft turns, drive on, node safe */
chan proof = [1] of { bit };               /* a new proof of life, or the old one once more */
byte set_age, data_age;                    /* ticks that the message has been under way */

bit host_done, node_done, warden_done;

/* The truth. */
bit open, turns, drive, brake, supply, safe, warden_stopped;
byte open_ticks, quiet_ticks, slowing; /* since the interlock opened; since the host last did its work; of a held brake */

mtype health = alive, guard = latched;
bit act, acted; /* a person's deliberate word, not yet used; was there one for this start? */

active proctype Host()
{
	bit r_open = 1, r_turns, r_drive, r_safe, permit, hold, wake, cause;
	byte r_age = MOST_AGE, stop_age;

end:	do
	:: atomic { !host_done ->
		if
		:: health != dead -> health = dead
		:: health == alive -> health = hung
		:: health == hung -> health = alive
		:: skip
		fi;
		if
		:: health == alive ->
			UP(r_age, MOST_AGE);
			UP(stop_age, MOST_STOP);
			if
			:: nempty(data) -> r_age = data_age; data?r_open, r_turns, r_drive, r_safe
			:: skip
			fi;
			cause = (warden_stopped || r_safe || OPEN_COUNTS || READING_OLD);
			wake = 0;
			if
			:: guard == running && !cause -> skip
			:: guard == running && cause -> guard = stopping; stop_age = 0
			:: guard == stopping ->
				if
				:: SEEN_STANDING && SEEN_SINCE_THE_STOP -> guard = latched
				:: else -> skip
				fi
			:: guard == latched ->
				if
				:: ALLOWED && !cause -> guard = running; act = 0
				:: act && r_safe -> wake = 1
				:: else -> skip
				fi;
				if
				:: guard == running -> assert(acted); acted = 0 /* [I5, I25] */
				:: else -> skip
				fi
			fi;
			permit = (guard == running);
			hold = (guard != latched);
			assert(!(permit && (r_open || r_age > OLD || r_safe))); /* [I24] */
			quiet_ticks = 0;
			if
			:: empty(proof) -> proof!1
			:: full(proof) -> proof?_; proof!1
			fi
		:: health == hung ->
			wake = 0;
			if
			:: empty(proof) -> proof!0 /* the same number again [W5] */
			:: skip
			fi
		:: health == dead -> /* nothing of it is left */
			r_open = 0; r_turns = 0; r_drive = 0; r_safe = 0; r_age = 0; stop_age = 0; permit = 0; hold = 0;
			guard = latched; act = 0; acted = 0
		fi;
		if
		:: RENEWS && empty(set) -> set!permit, hold, wake; set_age = 0
		:: skip /* lost, or nothing is sent */
		fi;
		wake = 0;
		cause = 0;
		host_done = 1 }
	od
}

active proctype Node()
{
	bit permit, hold, wake;
	byte lease;

end:	do
	:: atomic { !node_done ->
		if
		:: nempty(set) ->
			set?permit, hold, wake;
			lease = LEASE;
			if
			:: safe && wake && !turns -> safe = 0
			:: else -> skip
			fi;
			if
			:: OBEYS ->
				drive = permit;
				assert(!(brake && !hold && turns)); /* [I1: the brake until standstill] */
				brake = hold
			:: else -> skip
			fi
		:: lease > 0 -> lease = lease - USED
		:: empty(set) && lease == 0 -> skip
		fi;
		if
		:: lease == 0 && !safe && (drive || brake) ->
			drive = 0;
			safe = 1;
			brake = HELD;
			assert(brake || !turns)
		:: safe && brake && !turns -> brake = 0
		:: else -> skip
		fi;
		assert(!(safe && drive)); /* nothing after a lease ran out, until it is woken [L2] */
		if
		:: empty(data) -> data!open, turns, drive, safe; data_age = 0
		:: skip /* lost */
		fi;
		permit = 0; hold = 0; wake = 0;
		node_done = 1 }
	od
}

/* A supply without a lease of its own. The warden opens it, and closes nothing again [W4]. */
active proctype Warden()
{
	byte silent;
	bit newer;

end:	do
	:: atomic { !warden_done ->
		newer = 0;
		if
		:: nempty(proof) -> proof?newer
		:: empty(proof) -> skip
		fi;
		if
		:: PROVES -> silent = 0
		:: else -> UP(silent, SILENCE + 1)
		fi;
		if
		:: silent > SILENCE -> supply = 0; warden_stopped = 1
		:: else -> supply = !warden_stopped
		fi;
		newer = 0;
		warden_done = 1 }
	od
}

/* The end of a tick: interlock, shaft, person, what is under way; and the ends that are stated. */
active proctype World()
{
end:	do
	:: atomic { host_done && node_done && warden_done ->
		if
		:: open = !open
		:: skip
		fi;
		slowing = (turns && !(drive && supply) && brake -> slowing + 1 : 0);
		if
		:: drive && supply && !turns -> turns = 1
		:: turns && !(drive && supply) -> turns = 0
		:: slowing <= STAND -> skip
		fi;
		if
		:: guard == latched && health != dead && !act -> act = 1; acted = 1
		:: skip
		fi;
		quiet_ticks = (!drive && !brake && !supply -> 0 : (quiet_ticks < MOST_QUIET -> quiet_ticks + 1 : MOST_QUIET));
		open_ticks = (!open || !drive -> 0 : (open_ticks < MOST_OPEN -> open_ticks + 1 : MOST_OPEN));
		assert(!(drive && quiet_ticks > LATE + LEASE + 2));                      /* [L2, L9] */
		assert(!(brake && quiet_ticks > LATE + LEASE + STAND + 4));
		assert(!(supply && quiet_ticks > SILENCE + 2));                          /* [W1, W7] */
		assert(!(drive && open_ticks > OLD + LATE + LEASE + 2));                 /* [I24] */
		if
		:: nempty(set) && set_age >= LATE -> set?_, _, _
		:: nempty(set) && set_age < LATE -> set_age++
		:: empty(set) -> set_age = 0
		fi;
		if
		:: nempty(data) && data_age >= LATE -> data?_, _, _, _
		:: nempty(data) && data_age < LATE -> data_age++
		:: empty(data) -> data_age = 0
		fi;
		host_done = 0;
		node_done = 0;
		warden_done = 0 }
	od
}
