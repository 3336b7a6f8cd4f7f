/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/node.h"
#include "instrument/node_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WRITE_MS 5
#define AGAIN_AFTER_NS 300000000LL
#define AGAIN_EVERY_NS 500000000LL
#define CONTACTOR_STUCK_NS 500000000LL
#define AWAY_NS 20000000LL /* two periods and this: who looks later than that was away */
#define MODE_MOST 999999   /* the tether's range for set-points */
#define FAR_STEPS 100      /* beyond, the node's real rate may have drifted from the one asked for */

static int64_t now_us(const struct mono now)
{
	return now.ns / 1000;
}

bool node_send(struct node *node, struct tether_writer *w)
{
	size_t n = tether_end(w);

	if (n == 0 || node->view.node_lost)
		return false;
	if (link_write(node->link, w->line, n, WRITE_MS, NULL) != RC_OK)
		node->view.node_lost = true;
	return !node->view.node_lost;
}

static void find_oldest_set(struct node *node)
{
	while (node->oldest_set != node->newest_set && node->set_ns[node->oldest_set] == 0)
		node->oldest_set++;
	node->set_open = node->set_ns[node->oldest_set] != 0;
}

/* Set-points up to and with seq are answered. */
void node_set_answered(struct node *node, uint8_t seq)
{
	if (node->set_ns[seq] == 0)
		return;
	while (node->oldest_set != seq)
		node->set_ns[node->oldest_set++] = 0;
	node->set_ns[seq] = 0;
	find_oldest_set(node);
}

static int steps_by_time(const struct node *node, int64_t elapsed_us)
{
	return (int)lround((double)elapsed_us * 1e-6 * node->config.fast_Hz);
}

/* By how much number and time may disagree: a quarter of a second, for a node that was busy and caught up. */
static int number_slack(const struct node *node)
{
	int slack = node->config.fast_Hz / 4;

	return slack < 4 ? 4 : slack > 60 ? 60 : slack;
}

static int64_t host_us(const struct node *node, int64_t node_us)
{
	return nodetime_host_us(&node->time, node_us);
}

/* The part of the host's last absence that came after this moment. */
static int64_t away_since_us(const struct node *node, int64_t node_us)
{
	int64_t us = now_us(node->away_to) - host_us(node, node_us);

	return us < 0 ? 0 : us < node->away_us ? us : node->away_us;
}

/* Lost between the newest sample and one elapsed_us after it: by the node or the line, or because nobody looked. */
static void add_lost(struct node *node, int64_t elapsed_us, int n)
{
	int64_t from_us = host_us(node, node->time.last_us);

	if (from_us < now_us(node->away_to) && from_us + elapsed_us > now_us(node->away_from))
		node->view.sample_missed += (uint32_t)n;
	else
		node->view.sample_lost += (uint32_t)n;
}

/* Numbers lost between two samples; false when number and time cannot belong together. */
static bool count_lost(struct node *node, uint8_t number, int64_t elapsed_us)
{
	int by_number = (uint8_t)(number - node->last_number);
	int by_time = elapsed_us < 3600000000 ? steps_by_time(node, elapsed_us) : INT32_MAX;

	if (by_time > FAR_STEPS) {
		add_lost(node, elapsed_us, (by_time < by_number ? by_number : by_time) - 1);
		return true;
	}
	if (abs(by_number - by_time) > number_slack(node))
		return false;
	if (by_number > 1)
		add_lost(node, elapsed_us, by_number - 1);
	return true;
}

/* The one place that judges it: the converter's ends by the node's own bits, or the profile's narrower figure. */
static bool is_saturated(const struct node *node, int32_t count)
{
	int32_t top = (int32_t)(1u << (node->caps.cell_bits - 1)), limit = node->config.cell_saturation;

	return count >= top - 1 || count <= -top || (limit > 0 && (count >= limit || count <= -limit));
}

static void hear(struct node *node, enum channel_id channel, unsigned fresh, enum quality quality)
{
	struct channel *c = &node->view.channel[channel];

	c->fresh += fresh;
	c->quality = quality;
}

static void take_cell(struct node *node, const struct fast_sample *s, bool first)
{
	struct snapshot *v = &node->view;
	uint8_t fresh = (uint8_t)(s->conversion - node->last_conversion);

	if (!node->caps.cell)
		return;
	if (first || fresh != 0) {
		cell_row_take(&node->row, v, s->cell_count, node->time.last_us);
		hear(node, CHANNEL_CELL, first ? 1 : fresh, QUALITY_GOOD);
		node->fresh_node_us = node->time.last_us;
		node->fresh_excused_us = node->sample_excused_us;
	}
	node->last_conversion = s->conversion;
	v->cell_count = s->cell_count;
	v->channel[CHANNEL_CELL].quality = is_saturated(node, s->cell_count) ? QUALITY_SATURATED : QUALITY_GOOD;
}

static void take_turn(struct node *node, const struct fast_sample *s, int64_t node_us)
{
	struct snapshot *v = &node->view;

	if (!node->caps.pick)
		return;
	turn_take(&node->turn, node_us, s->pulses, s->age_us < SAMPLE_AGE_FULL, s->age_us);
	v->pulses = node->turn.pulses;
	v->angle_rev = turn_angle_rev(&node->turn);
	v->edge_age_s = s->age_us * 1e-6;
	v->edge_time_s = turn_edge_s(&node->turn);
	v->speed_rpm = node->turn.speed_rpm;
	v->edge_rpm = node->turn.edge_rpm;
	hear(node, CHANNEL_TURN, 1, QUALITY_GOOD);
}

/* May the sample be used? Counts what is wrong with it. */
static bool judge(struct node *node, const struct fast_sample *s, int64_t node_us, struct mono now)
{
	struct snapshot *v = &node->view;
	int64_t elapsed_us = node_us - node->time.last_us;

	if (!node->time.started)
		return true;
	if (elapsed_us == 0 && s->number == node->last_number) {
		v->sample_doubled++;
		return false;
	}
	if (!nodetime_fits(&node->time, node_us, now_us(now))) {
		v->node_reset = true;
		return false;
	}
	if (elapsed_us <= 0) {
		v->sample_late++;
		return false;
	}
	if (!count_lost(node, s->number, elapsed_us)) {
		v->node_reset = true;
		return false;
	}
	return true;
}

/* Late is a sample that had not even come when we last looked, two periods after it was taken. */
static bool came_late(const struct node *node, int64_t node_us)
{
	return now_us(node->polled) - nodetime_host_us(&node->time, node_us) > 2 * 1000000 / node->config.fast_Hz;
}

static void take_fast(struct node *node, const struct fast_sample *s, struct mono now)
{
	struct snapshot *v = &node->view;
	int64_t node_us = nodetime_unwrap(&node->time, s->t_us, now_us(now));
	bool first = !node->time.started;

	v->sample_total++;
	node->heard = now;
	if (!judge(node, s, node_us, now))
		return;
	nodetime_hear(&node->time, node_us, now_us(now), now_us(now) - now_us(node->polled));
	node->sample_excused_us = away_since_us(node, node_us);
	if (!first && came_late(node, node_us))
		v->sample_late++;
	node->last_number = s->number;
	v->node_us = (uint64_t)node_us;
	take_cell(node, s, first);
	take_turn(node, s, node_us);
	if (node->caps.brake) {
		v->brake_A = s->brake_mA * 1e-3;
		hear(node, CHANNEL_BRAKE, 1, QUALITY_GOOD);
	}
	if (node->caps.meter) {
		hear(node, CHANNEL_VOLTAGE, 1, QUALITY_GOOD);
		hear(node, CHANNEL_CURRENT, 1, QUALITY_GOOD);
		v->voltage_V = s->volt_mV * 1e-3;
		v->current_A = s->amp_mA * 1e-3;
	}
	/* An ACK that stands still says nothing new, also when its number has come round again. */
	if (s->ack != node->last_ack)
		node_set_answered(node, s->ack);
	node->last_ack = s->ack;
}

static void hear_slow(struct node *node, const struct slow_sample *s)
{
	hear(node, CHANNEL_STATE, 1, QUALITY_GOOD);
	if (node->estop_bit >= 0)
		hear(node, CHANNEL_ESTOP, 1, QUALITY_GOOD);
	if (node->cage_bit >= 0)
		hear(node, CHANNEL_CAGE, 1, QUALITY_GOOD);
	if (node->contactor_bit >= 0)
		hear(node, CHANNEL_CONTACTOR, 1, QUALITY_GOOD);
	if (node->caps.drive)
		hear(node, CHANNEL_DRIVE, 1, s->drive_flags & DRIVE_UNHEARD ? QUALITY_MISSING : QUALITY_GOOD);
	for (int i = 0; i < node->temps; i++)
		if (node->temp_place[i] >= 0)
			hear(node, (enum channel_id)(CHANNEL_TEMP + node->temp_place[i]), 1,
			     s->temp_ddegC[i] == SAMPLE_NO_TEMP ? QUALITY_MISSING : QUALITY_GOOD);
}

static void take_slow(struct node *node, const struct slow_sample *s)
{
	struct snapshot *v = &node->view;

	if (node->time.started) {
		node->slow_node_us = node->time.last_us;
		node->slow_excused_us = node->sample_excused_us;
		hear_slow(node, s);
	}
	v->estop_ok = node->estop_bit >= 0 && (s->lines >> node->estop_bit & 1) != 0;
	v->cage_closed = node->cage_bit >= 0 && (s->lines >> node->cage_bit & 1) != 0;
	v->contactor_closed = node->contactor_bit >= 0 && (s->lines >> node->contactor_bit & 1) != 0;
	v->node_state = s->state;
	memcpy(v->node_reason, s->reason, sizeof v->node_reason);
	v->ripple_W = node->caps.meter && s->has_ripple ? s->ripple_mW * 1e-3 : NAN;
	if (node->caps.drive) {
		v->drive_flags = s->drive_flags;
		bool heard = !(s->drive_flags & DRIVE_UNHEARD);
		v->drive_rotor_rpm = heard ? s->rotor_drpm * 0.1 : NAN;
		v->drive_A = heard ? s->drive_mA * 1e-3 : NAN;
		v->rotor_deg = heard && s->has_angle ? s->rotor_cdeg * 0.01 : NAN;
	}
	for (int i = 0; i < node->temps; i++)
		if (node->temp_place[i] >= 0)
			v->temp_degC[node->temp_place[i]] =
				s->temp_ddegC[i] == SAMPLE_NO_TEMP ? NAN : s->temp_ddegC[i] * 0.1;
}

static void take_event(struct node *node, const struct node_event *e)
{
	struct snapshot *v = &node->view;

	switch (e->word) {
	case EVENT_UNKNOWN: break;
	case EVENT_ESTOP: v->estop_ok = e->value != 0; break;
	case EVENT_CAGE: v->cage_closed = e->value != 0; break;
	case EVENT_CONTACTOR: v->contactor_closed = e->value != 0; break;
	case EVENT_STATE: v->node_state = (enum node_state)e->value; break;
	case EVENT_DRIVE: v->drive_flags = e->value; break;
	}
}

/* A good line of a known kind; false when its words are not as the page says. */
static bool take_line(struct node *node, char *const token[], size_t n, struct mono now)
{
	struct fast_sample fast;
	struct slow_sample slow;
	struct node_event event;

	if (n == 0)
		return false;
	if (token[0][0] == '!') {
		talk_hear(node, token, n);
		return true;
	}
	if (strcmp(token[0], "F") == 0) {
		if (!sample_fast(token, n, &fast))
			return false;
		if (node->flowing)
			take_fast(node, &fast, now);
	} else if (strcmp(token[0], "S") == 0) {
		if (!sample_slow(token, n, &slow))
			return false;
		take_slow(node, &slow);
	} else if (strcmp(token[0], "E") == 0) {
		if (!sample_event(token, n, &event))
			return false;
		take_event(node, &event);
	} else if (strcmp(token[0], "B") == 0) {
		/* Before the greeting was answered it is only the board waking up. */
		node->view.node_reset |= node->caps.boot[0] != '\0';
	}
	return true;
}

/* Nobody looked since node->polled, longer than the period that is always there. */
static void note_absence(struct node *node, struct mono now)
{
	int64_t period_ns = node->flowing ? 1000000000 / node->config.fast_Hz : 0;
	int64_t away_ns = now.ns - node->polled.ns - period_ns;

	if (!node->flowing || away_ns <= period_ns + AWAY_NS)
		return;
	node->away_from = mono_add_ns(node->polled, period_ns);
	node->away_to = now;
	node->away_us = away_ns / 1000;
	node->sample_excused_us += node->away_us;
	node->fresh_excused_us += node->away_us;
	node->slow_excused_us += node->away_us;
	for (int i = 0; i < 256; i++)
		if (node->set_ns[i] != 0)
			node->set_ns[i] += away_ns;
	node->heard = mono_add_ns(node->heard, away_ns);
}

void node_take(struct node *node)
{
	struct mono now = node->clock->now(node->clock->ctx);
	char buf[512], *token[TETHER_TOKENS];
	size_t n = sizeof buf;

	note_absence(node, now);
	/* A read that did not fill the buffer took all there was. */
	while (n == sizeof buf && !node->view.node_lost) {
		if (link_read(node->link, buf, sizeof buf, &n, NULL) != RC_OK)
			node->view.node_lost = true;
		for (size_t i = 0; i < n; i++)
			if (tether_feed(&node->reader, buf[i]) &&
			    !take_line(node, token, tether_split(node->reader.line, token), now))
				node->reader.bad++;
	}
	node->view.line_bad += (uint16_t)(node->reader.bad - node->bad_seen);
	node->bad_seen = node->reader.bad;
	node->polled = now;
}

/* Node silent, but the link lives: did it restart and forget its rate? */
static void ask_again(struct node *node, struct mono now)
{
	if (!node->flowing || node->talk.what != TALK_NONE)
		return;
	if (now.ns - node->heard.ns < AGAIN_AFTER_NS || now.ns - node->again_at.ns < AGAIN_EVERY_NS)
		return;
	node->again_at = now;
	talk_begin(node, TALK_AGAIN, "hello 1");
}

static double since_s(const struct node *node, int64_t node_us, int64_t excused_us, struct mono now)
{
	int64_t us = now_us(now) - host_us(node, node_us);

	return (double)(us > excused_us ? us - excused_us : us < 0 ? us : 0) * 1e-6;
}

static void date(struct node *node, enum channel_id channel, int64_t node_us, double age_s)
{
	struct channel *c = &node->view.channel[channel];

	if (c->fresh == 0)
		return;
	c->taken.ns = host_us(node, node_us) * 1000;
	c->age_s = age_s;
}

static void date_channels(struct node *node, struct mono now)
{
	double slow_s = since_s(node, node->slow_node_us, node->slow_excused_us, now);

	date(node, CHANNEL_CELL, node->fresh_node_us, since_s(node, node->fresh_node_us, node->fresh_excused_us, now));
	for (int c = CHANNEL_TURN; c <= CHANNEL_CURRENT; c++)
		date(node, (enum channel_id)c, node->time.last_us, node->view.sample_age_s);
	for (int c = CHANNEL_DRIVE; c < CHANNEL_COUNT; c++)
		date(node, (enum channel_id)c, node->slow_node_us, slow_s);
}

static void update_ages(struct node *node, struct mono now)
{
	struct snapshot *v = &node->view;

	if (node->time.started) {
		v->sample_age_s = since_s(node, node->time.last_us, node->sample_excused_us, now);
		date_channels(node, now);
	}
	if (node->set_open) {
		double open_s = (double)(now.ns - node->set_ns[node->oldest_set]) * 1e-9;

		if (open_s > node->config.lease_ms * 1e-3 && open_s > v->sample_age_s)
			v->sample_age_s = open_s;
	}
}

#define COPY(field) memcpy(&snap->field, &v->field, sizeof v->field)

static void copy_channels(struct snapshot *snap, const struct snapshot *v, int first, int last)
{
	memcpy(&snap->channel[first], &v->channel[first], (size_t)(last - first + 1) * sizeof v->channel[0]);
}

static void copy_cell(struct snapshot *snap, const struct snapshot *v)
{
	copy_channels(snap, v, CHANNEL_CELL, CHANNEL_CELL);
	COPY(cell_count);
	COPY(cell_same);
	COPY(cell_same_s);
	COPY(cell_equal_chance);
}

static void copy_turn(struct snapshot *snap, const struct snapshot *v)
{
	copy_channels(snap, v, CHANNEL_TURN, CHANNEL_TURN);
	COPY(pulses);
	COPY(angle_rev);
	COPY(edge_age_s);
	COPY(edge_time_s);
	COPY(speed_rpm);
	COPY(edge_rpm);
}

static void copy_meter(struct snapshot *snap, const struct snapshot *v, unsigned roles)
{
	if (roles & ROLE_VOLTAGE) {
		copy_channels(snap, v, CHANNEL_VOLTAGE, CHANNEL_VOLTAGE);
		COPY(voltage_V);
	}
	if (roles & ROLE_CURRENT) {
		copy_channels(snap, v, CHANNEL_CURRENT, CHANNEL_CURRENT);
		COPY(current_A);
	}
	if ((roles & ROLE_METER) == ROLE_METER)
		COPY(ripple_W);
}

static void copy_drive(struct snapshot *snap, const struct snapshot *v)
{
	copy_channels(snap, v, CHANNEL_DRIVE, CHANNEL_DRIVE);
	COPY(drive_flags);
	COPY(drive_rotor_rpm);
	COPY(drive_A);
	COPY(rotor_deg);
}

static void copy_lines(struct snapshot *snap, const struct snapshot *v)
{
	copy_channels(snap, v, CHANNEL_ESTOP, CHANNEL_CONTACTOR);
	COPY(estop_ok);
	COPY(cage_closed);
	COPY(contactor_closed);
}

static void copy_node(struct snapshot *snap, const struct snapshot *v)
{
	copy_channels(snap, v, CHANNEL_STATE, CHANNEL_STATE);
	COPY(node_reset);
	COPY(node_lost);
	COPY(sample_total);
	COPY(sample_lost);
	COPY(sample_doubled);
	COPY(line_bad);
	COPY(sample_missed);
	COPY(sample_late);
	COPY(sample_age_s);
	COPY(node_us);
	COPY(node_state);
	COPY(node_reason);
}

void node_poll(struct node *node, struct snapshot *snap)
{
	struct snapshot *v = &node->view;
	unsigned roles = node->config.roles;

	node_take(node);
	talk_tend(node, node->polled);
	ask_again(node, node->polled);
	update_ages(node, node->polled);
	if (!node->caps.line_contactor)
		v->contactor_closed = node->power_granted;
	copy_node(snap, v);
	if (roles & ROLE_CELL)
		copy_cell(snap, v);
	if (roles & ROLE_PICK)
		copy_turn(snap, v);
	if (roles & ROLE_BRAKE) {
		copy_channels(snap, v, CHANNEL_BRAKE, CHANNEL_BRAKE);
		COPY(brake_A);
	}
	copy_meter(snap, v, roles);
	if (roles & ROLE_DRIVE)
		copy_drive(snap, v);
	if (roles & ROLE_LINES)
		copy_lines(snap, v);
	if (roles & ROLE_TEMP) {
		copy_channels(snap, v, CHANNEL_TEMP, CHANNEL_COUNT - 1);
		COPY(temp_degC);
	}
}

static int64_t clamped(double value, double most, bool may_be_negative)
{
	if (!(value > (may_be_negative ? -most : 0)))
		return isnan(value) || !may_be_negative ? 0 : -lround(most);
	return lround(value < most ? value : most);
}

const char *node_mode_word(enum drive_mode mode)
{
	static const char *const word[] = { "off", "speed", "current", "torque", "position" };

	return word[mode];
}

/* Speeds and angles of the rotor in tenths, current and torque in thousandths. */
static int64_t mode_value(const struct node *node, const struct wish *wish)
{
	bool of_rotor = wish->mode == DRIVE_SPEED || wish->mode == DRIVE_POSITION;
	double scale = of_rotor ? 10 * node->config.gear_ratio : 1e3;

	return clamped(wish_set_point(wish) * scale, MODE_MOST, true);
}

/* The drive's mode with its value, the brake's current, and the speed limit where the mode has one. */
static void put_set(const struct node *node, const struct wish *wish, struct tether_writer *w)
{
	const struct node_caps *caps = &node->caps;
	bool powered = node->config.roles & ROLE_DRIVE && (!caps->line_contactor || node->view.contactor_closed);
	bool brakes = caps->brake && node->config.roles & ROLE_BRAKE;
	bool limited = wish->mode == DRIVE_TORQUE || wish->mode == DRIVE_POSITION;
	int64_t limit = clamped(wish->speed_rpm * node->config.gear_ratio * 10, MODE_MOST, false);
	bool may = powered && caps->drive_mode[wish->mode] && !isnan(wish_set_point(wish)) && (!limited || limit > 0);

	tether_put_word(w, node_mode_word(may ? wish->mode : DRIVE_OFF));
	tether_put_decimal(w, may ? mode_value(node, wish) : 0);
	tether_put_decimal(w, brakes ? clamped(wish->brake_A * 1e3, caps->brake_max_mA, false) : 0);
	if (may && limited)
		tether_put_decimal(w, limit);
}

static void send_set(struct node *node, struct mono now)
{
	struct tether_writer w;
	uint8_t seq = ++node->seq;

	tether_begin_seq(&w, '?', seq);
	tether_put_words(&w, node->last_set.line);
	node->set_sent = now;
	if (!node_send(node, &w))
		return;
	node->set_ns[seq] = now.ns > 0 ? now.ns : 1;
	node->newest_set = seq;
	if (!node->set_open)
		node->oldest_set = seq;
	else if (node->oldest_set == seq)
		node->oldest_set++; /* after 256 without an answer its number is taken again */
	find_oldest_set(node);
}

void node_renew(struct node *node, struct mono now)
{
	int64_t lease_ns = node->config.lease_ms * 1000000LL;
	bool unheard = node->set_ns[node->newest_set] !=
		       0; /* on a poor line: twice as often, or two lost lines end the lease */

	if (node->set_once && now.ns - node->set_sent.ns >= lease_ns / (unheard ? 6 : 3))
		send_set(node, now);
}

/* A power request that is on its way is given up for a newer one; any other answer may be missed. */
static void ask_power(struct node *node, bool on, struct mono now)
{
	enum talk_what what = on ? TALK_POWER_ON : TALK_POWER_OFF;
	bool stuck = !on && node->view.contactor_closed && now.ns - node->power_at.ns > CONTACTOR_STUCK_NS;

	if (!(node->config.roles & ROLE_POWER) || node->talk.what == what || (node->power_told == on && !stuck))
		return;
	node->power_at = now;
	talk_begin(node, what, on ? "power on" : "power off");
}

void node_set(struct node *node, const struct wish *wish)
{
	struct mono now = node->clock->now(node->clock->ctx);
	struct tether_writer w;

	if (wish->power)
		ask_power(node, true, now);
	tether_begin(&w, "set");
	tether_put_decimal(&w, node->config.lease_ms);
	put_set(node, wish, &w);
	w.line[w.n] = '\0';
	if (!node->set_once || strcmp(w.line, node->last_set.line) != 0) {
		node->last_set = w;
		node->set_once = true;
		send_set(node, now);
	} else {
		node_renew(node, now);
	}
	if (!wish->power)
		ask_power(node, false, now);
}

static enum rc check_config(const struct node_config *c, struct err *err)
{
	if (c->lease_ms < 10 || c->lease_ms > 5000)
		return err_set(err, RC_ARG, 0, "the set-points' lease is %d ms, expected 10 to 5000 ms", c->lease_ms);
	if (c->fast_Hz < 1 || c->fast_Hz > 10000 || c->slow_every < 1 || c->slow_every > 1000)
		return err_set(err, RC_ARG, 0,
			       "%d samples a second with a slow one after %d, expected 1 to 10000 and 1 to 1000",
			       c->fast_Hz, c->slow_every);
	if (!(c->gear_ratio > 0) || (c->direction != 1 && c->direction != -1))
		return err_set(err, RC_ARG, 0,
			       "gear ratio %g, direction %d: expected a ratio above 0 and a direction +1 or -1",
			       c->gear_ratio, c->direction);
	return RC_OK;
}

enum rc node_open(struct link *link, const struct clock_src *clock, const struct node_config *config, struct node **ret,
		  struct err *err)
{
	struct node *node;
	enum rc rc = check_config(config, err);

	if (rc != RC_OK)
		return rc;
	node = calloc(1, sizeof *node);
	if (node == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for the node");
	node->link = link;
	node->clock = clock;
	node->config = *config;
	node->power_told = -1;
	node->turn = (struct turn){ .per_rev = config->pulses_per_rev, .sign = config->direction };
	node->estop_bit = node->cage_bit = node->contactor_bit = -1;
	if (node->config.roles == 0)
		node->config.roles = ROLE_ALL;
	node->view = snapshot_blank();
	node->row = cell_row_fine();
	for (int i = 0; i < CHANNEL_COUNT; i++)
		node->view.channel[i].instrument = config->instrument;
	node->polled = clock->now(clock->ctx);
	rc = talk_greet(node, err);
	if (rc != RC_OK) {
		free(node);
		return rc;
	}
	*ret = node;
	return RC_OK;
}

enum rc node_start(struct node *node, struct err *err)
{
	if (node->flowing) {
		node_take(node);
		return RC_OK;
	}
	return talk_start(node, err);
}

void node_close(struct node *node)
{
	free(node);
}

const struct node_caps *node_caps(const struct node *node)
{
	return &node->caps;
}
