/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang_guided.h"

#include "link/control.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#define PRELOAD_AVERAGE_S 1.0
#define SWING 2.0            /* times the scatter of the empty arm is still still */
#define AUTO_RESIDUAL_FROM 4 /* readings before residuals are shown */

static const struct live_choice at_load[] = {
	{ 'r', "r repeat the last" },
	{ 'b', "b one before" },
	{ 'd', "d drop series" },
	{ 'h', LIVE_BY_HANDS },
};
#define AT_LOAD (sizeof at_load / sizeof at_load[0])
#define AT_DOUBT (AT_LOAD - 1)

static enum rc ask_at_load(struct hanging *h, const char *text, char *ret_key, struct err *err)
{
	return live_choose(&h->live, text, "when done", at_load, h->s.control ? AT_LOAD : AT_LOAD - 1, ret_key, err);
}

/* --- hanging --- */

static void list_pieces(const struct hanging *h, size_t from, size_t to, char *buf, size_t size)
{
	size_t used = 0;

	buf[0] = '\0';
	for (size_t i = from; i < to && used < size; i++)
		used += (size_t)snprintf(buf + used, size - used, "%s%s", i > from ? ", " : "",
					 h->s.weights.piece[h->loads.order[i]].name);
}

static enum rc hands_hang(struct hanging *h, size_t load, struct err *err)
{
	size_t from = h->by_person ? 0 : h->loads.upto[h->hung], to = h->loads.upto[load];
	enum rc rc = RC_OK;

	if (load == 0 || h->by_person)
		rc = control_hand(h->s.control, err, "unhang all");
	h->by_person = false;
	for (size_t i = from; i < to && rc == RC_OK; i++)
		rc = control_hand(h->s.control, err, "hang %s", h->s.weights.piece[h->loads.order[i]].name);
	for (size_t i = load ? from : 0; i > to && rc == RC_OK; i--)
		rc = control_hand(h->s.control, err, "unhang %s", h->s.weights.piece[h->loads.order[i - 1]].name);
	return rc;
}

static void say_load(const struct hanging *h, size_t load, const char *first, char *text, size_t size)
{
	size_t from = h->loads.upto[h->hung], to = h->loads.upto[load];
	char names[300];

	if (load == 0) {
		snprintf(text, size, "%sTake everything off the arm, the hanger too. Wait until it stands still.",
			 first);
		return;
	}
	if (h->again) {
		list_pieces(h, 0, to, names, sizeof names);
		snprintf(text, size, "%sAgain: the arm must carry exactly %s, %.3f kg, %.2f N\u00b7m, load %zu of %zu.",
			 first, names, h->loads.mass_kg[load], h->loads.load[load].torque_Nm, load, h->loads.n);
		return;
	}
	list_pieces(h, from < to ? from : to, from < to ? to : from, names, sizeof names);
	snprintf(text, size, "%s%s %s: that makes %.3f kg, %.2f N\u00b7m, load %zu of %zu.", first,
		 from < to ? "Hang" : "Take off", names, h->loads.mass_kg[load], h->loads.load[load].torque_Nm, load,
		 h->loads.n);
}

/* ret_key: what the person chose instead of hanging; '\0' when it hangs. */
static enum rc hang_load(struct hanging *h, const struct hang_item *item, const char *first, char *ret_key,
			 struct err *err)
{
	char text[500];
	enum rc rc = RC_OK;

	*ret_key = '\0';
	if (item->load == h->hung && !h->again)
		return RC_OK;
	if (!h->live.hands) {
		say_load(h, item->load, first, text, sizeof text);
		rc = ask_at_load(h, text, ret_key, err);
		h->by_person = h->by_person || *ret_key == '\0';
	}
	if (rc == RC_OK && (h->live.hands || *ret_key == 'h')) {
		rc = hands_hang(h, item->load, err);
		*ret_key = '\0';
	}
	if (rc == RC_OK && *ret_key == '\0') {
		h->hung = item->load;
		h->again = false;
	}
	return rc;
}

/* --- taking back --- */

static int position_of(const struct hang_book *b, int series)
{
	for (size_t i = 0; i < b->n; i++)
		if (b->item[i].series == series)
			return b->item[i].position;
	return 0;
}

/* A mounting that is over does not come back: all its series begin again in a new one, or two mountings would pass for
 * one. */
static size_t drop(struct hanging *h, int series)
{
	int position = position_of(&h->book, series);
	size_t count = 0;

	if (position == h->mounted)
		return hang_book_drop(&h->book, series);
	for (int k = 1; k <= h->book.n_series; k++)
		if (position_of(&h->book, k) == position)
			count += hang_book_drop(&h->book, k);
	return count;
}

enum rc hang_take_back(struct hanging *h, char key, int series, struct err *err)
{
	bool was[HANG_ITEMS];
	size_t next = hang_book_next(&h->book), count;
	bool mounted = next == h->book.n || h->mounted == h->book.item[next].position;
	enum rc rc = RC_OK;

	for (size_t i = 0; i < h->book.n; i++)
		was[i] = h->book.taken[i].there;
	count = key == 'd' ? drop(h, series) : hang_book_back(&h->book, key == 'r' ? 1 : 2, mounted);
	for (size_t i = 0; i < h->book.n && rc == RC_OK; i++)
		if (was[i] && !h->book.taken[i].there)
			rc = hang_keep_back(h, i, err);
	h->again = count > 0;
	if (count == 0)
		live_note(&h->live, "There is no reading to take back in this mounting.");
	else if (key == 'd')
		live_note(&h->live, "Series %d dropped (%zu readings). It begins again%s.", series, count,
			  h->mounted == position_of(&h->book, series) ? "" : ", with every series of its mounting");
	else
		live_note(&h->live, "Taken back: %zu %s.", count, count == 1 ? "reading" : "readings");
	return rc;
}

/* The series that a person at item i means: the one that is read, or the one that just ended. */
static int series_at(const struct hanging *h, size_t i)
{
	bool begun = i == 0 || h->mounted == h->book.item[i].position;

	return h->book.item[begun ? i : i - 1].series;
}

/* --- reading --- */

/* The residual of the newest reading against a fit of all so far. */
static double residual_now_Nm(const struct hanging *h, size_t item)
{
	struct cellcal_reading *reading = calloc(item + 1, sizeof *reading);
	struct hang_result r = { 0 };
	struct cellcal_point *points = NULL;
	double residual = NAN;
	size_t n = reading ? hang_gather(h, item + 1, reading, NULL) : 0;
	struct cellcal_input in = { .readings = reading,
				    .n = n,
				    .sources = h->loads.source,
				    .n_sources = h->loads.n_sources,
				    .model = CELLCAL_LINE,
				    .resolution = 1 };

	if (n >= AUTO_RESIDUAL_FROM && hang_fit(&in, &r, &points, NULL) == RC_OK)
		residual = points[n - 1].residual * cellcal_slope_Nm(&r.cal, 0);
	free(points);
	free(reading);
	return residual;
}

static void show_reading(struct hanging *h, size_t i, bool still)
{
	const struct hang_item *item = &h->book.item[i];
	const struct hang_taken *t = &h->book.taken[i];
	double residual = item->load > 0 ? residual_now_Nm(h, i) : NAN;
	char tail[60] = "";

	if (isfinite(residual))
		snprintf(tail, sizeof tail, ", residual %+.4f N\u00b7m", residual);
	live_note(&h->live, "series %d/%d %-7s load %zu/%zu %8.3f N\u00b7m %9.0f counts%s%s", item->series,
		  h->book.n_series,
		  item->load == 0       ? "zero"
		  : item->direction > 0 ? "rising"
					: "falling",
		  item->load, h->loads.n, h->loads.load[item->load].torque_Nm, t->indication, tail,
		  still ? "" : ", not still");
}

static struct cell_reading_config config_of(const struct hanging *h, const struct hang_item *item, bool preload)
{
	struct cell_reading_config config = live_reading_config(&h->live);

	config.step = (int)item->load;
	config.direction = item->direction;
	config.flags = item->load == 0 ? POINT_TARE : 0;
	config.setpoint_Nm = h->loads.load[item->load].torque_Nm;
	config.most_rpm = INFINITY;
	config.still_sd = preload ? INFINITY : SWING * h->quiet_sd;
	if (preload)
		config.average_s = PRELOAD_AVERAGE_S;
	return config;
}

static enum rc read_item(struct hanging *h, size_t i, struct err *err)
{
	const struct hang_item *item = &h->book.item[i];
	bool preload = item->act == HANG_PRELOAD || item->act == HANG_PRELOAD_OFF;
	struct cell_reading_config config = config_of(h, item, preload);
	struct cell_reading r;
	const struct sequence sequence = { cell_reading_step, &r };

	cell_reading_begin(&r, &config);
	enum rc rc = live_run(&h->live, &sequence, err);
	if (rc != RC_OK)
		return rc;
	struct stats_mean mean = stats_run_result(&r.raw);
	h->book.taken[i] = (struct hang_taken){ .there = true,
						.indication = mean.mean,
						.u = isfinite(mean.u_mean) ? mean.u_mean : 0,
						.ambient_degC = r.temp_degC[TEMP_AMBIENT],
						.cell_degC = r.temp_degC[TEMP_CELL] };
	if (item->load == 0 && !preload && !isfinite(h->quiet_sd))
		h->quiet_sd = fmax(mean.sd, 1);
	if (!preload)
		show_reading(h, i, r.still);
	return hang_keep_reading(h, i, err);
}

/* --- a reading that is not what was expected --- */

static void say_doubt(const struct hanging *h, size_t i, enum hang_doubt doubt, const struct hang_change *c, char *text,
		      size_t size)
{
	const struct hang_item *item = &h->book.item[i];
	const char *act = c->expected_Nm > 0 ? "hung" : "taken off";
	double kg_per_Nm = h->loads.mass_kg[h->loads.n] / h->loads.load[h->loads.n].torque_Nm;
	char where[40] = "zero", found[60];

	if (item->load)
		snprintf(where, sizeof where, "load %zu of %zu", item->load, h->loads.n);
	if (isfinite(c->found_Nm))
		snprintf(found, sizeof found, "%+.2f N\u00b7m", c->found_Nm);
	else
		snprintf(found, sizeof found, "%+.0f counts", c->found_count);
	if (doubt == HANG_DID_NOT_MOVE)
		snprintf(text, size,
			 "Series %d, %s: the reading did not move: %s for %.2f N\u00b7m %s. Are the right weights on "
			 "the arm, and is it free?",
			 item->series, where, found, fabs(c->expected_Nm), act);
	else if (doubt == HANG_WRONG_WAY)
		snprintf(text, size,
			 "Series %d, %s: the reading moved the wrong way: %s for %.2f N\u00b7m %s. Check the weights, "
			 "and [cell] sign in "
			 "rig.ini.",
			 item->series, where, found, fabs(c->expected_Nm), act);
	else
		snprintf(text, size,
			 "Series %d, %s: the reading moved by %s, expected %+.2f N\u00b7m. That is %+.3f kg. Are the "
			 "right weights on the arm?",
			 item->series, where, found, c->expected_Nm, (c->found_Nm - c->expected_Nm) * kg_per_Nm);
}

static enum rc ask_about(struct hanging *h, size_t i, struct err *err)
{
	struct hang_change change;
	enum hang_doubt doubt = hang_book_doubt(&h->book, i, &change);
	char text[400], key;

	if (doubt == HANG_PLAUSIBLE)
		return RC_OK;
	say_doubt(h, i, doubt, &change, text, sizeof text);
	if (h->live.hands) {
		live_note(&h->live, "%s", text);
		return RC_OK;
	}
	enum rc rc = live_choose(&h->live, text, "keeps it", at_load, AT_DOUBT, &key, err);
	return rc == RC_OK && key ? hang_take_back(h, key, h->book.item[i].series, err) : rc;
}

/* --- an item --- */

static enum rc mount(struct hanging *h, const struct hang_item *item, char *ret_key, struct err *err)
{
	static const char text[] = "Take the cell out and mount it again, turned if possible. The next series shows "
				   "the effect of mounting.";
	enum rc rc = RC_OK;

	*ret_key = '\0';
	if (h->mounted == item->position)
		return RC_OK;
	if (!h->live.hands)
		rc = ask_at_load(h, text, ret_key, err);
	if (rc == RC_OK && (h->live.hands || *ret_key == 'h')) {
		rc = control_hand(h->s.control, err, "remount");
		*ret_key = '\0';
	}
	if (rc == RC_OK && *ret_key == '\0')
		h->mounted = item->position;
	return rc;
}

/* Torque of an indication for the live line: by the loads so far, else by the calibration there was, from this series'
 * first zero. */
static bool torque_of(void *ctx, double indication, double *ret_Nm)
{
	const struct hanging *h = ctx;
	double zero = NAN, most = NAN, most_Nm = 0;

	for (size_t i = 0; i < h->book.n; i++) {
		double load_Nm = h->loads.load[h->book.item[i].load].torque_Nm;
		if (!h->book.taken[i].there)
			continue;
		if (!(load_Nm > 0) && !isfinite(zero))
			zero = h->book.taken[i].indication;
		if (load_Nm > most_Nm) {
			most_Nm = load_Nm;
			most = h->book.taken[i].indication;
		}
	}
	if (most_Nm > 0)
		*ret_Nm = most_Nm * (indication - zero) / (most - zero);
	else if (!h->s.calibration_id || cellcal_torque(&h->s.calibration, indication - zero, ret_Nm, NULL) != RC_OK)
		return false;
	return isfinite(*ret_Nm);
}

static void show_item(struct hanging *h, size_t i)
{
	struct live_line *line = &h->live.line;

	line->hung = true;
	line->step = (int)i + 1;
	line->steps = (int)h->book.n;
	line->direction = h->book.item[i].direction;
	line->commanded_Nm = h->loads.load[h->book.item[i].load].torque_Nm;
	h->live.torque_of = torque_of;
	h->live.torque_ctx = h;
}

enum rc hang_item_do(struct hanging *h, size_t i, struct err *err)
{
	const struct hang_item *item = &h->book.item[i];
	char key;

	show_item(h, i);
	h->live.frac_from = (double)i / (double)h->book.n;
	h->live.frac_to = (double)(i + 1) / (double)h->book.n;
	h->live.remaining_after_s = (double)(h->book.n - i - 1) * 6;
	enum rc rc = mount(h, item, &key, err);
	if (rc == RC_OK && !key)
		rc = hang_load(h, item, item->act == HANG_PRELOAD ? "Preload. " : "", &key, err);
	if (rc != RC_OK)
		return rc;
	if (key)
		return hang_take_back(h, key, series_at(h, i), err);
	rc = read_item(h, i, err);
	return rc == RC_OK ? ask_about(h, i, err) : rc;
}

enum rc hang_preload_again(struct hanging *h, struct err *err)
{
	const struct hang_item on = { .act = HANG_PRELOAD, .load = h->loads.n }, off = { .act = HANG_PRELOAD_OFF };
	const struct hang_item *const way[] = { &on, &off };
	enum rc rc = RC_OK;
	char key = '\0';

	for (size_t k = 0; k < 2 && rc == RC_OK; k++) {
		do
			rc = hang_load(h, way[k], "One preload after the break. ", &key, err);
		while (rc == RC_OK && key);
		struct cell_reading_config config = config_of(h, way[k], true);
		struct cell_reading r;
		const struct sequence sequence = { cell_reading_step, &r };
		config.silent = true;
		cell_reading_begin(&r, &config);
		if (rc == RC_OK)
			rc = live_run(&h->live, &sequence, err);
	}
	return rc;
}
