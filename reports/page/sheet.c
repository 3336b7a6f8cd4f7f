/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The curves as one sheet: panels over a common axis of torque, so that speed, efficiency, power and current are read
 * at the same load. Shapes tell the marks apart and grey is enough; words look for free places. */
#include "reports/page/figures_private.h"

#include "calib/number/units.h"
#include "channel/event.h"
#include "reports/page/places.h"

#include <math.h>
#include <string.h>

#define WIDTH 700
#define LEFT 62.0
#define RIGHT 14.0
#define TOP 68.0 /* and figure_whose_more */
#define BETWEEN 40.0
#define FOOT 130.0
#define CHAR_WIDTH 7.9 /* of the 14 px type */
#define WORD_HEIGHT 17.0
#define WORD_APART 15.0 /* lines of words one above the other */
#define COLUMN_NEAR 16.0
#define SHEET_WORD 0.8   /* of the axis: as far the name of the data sheet's curve stands at the most */
#define ZONE_NARROW 30.0 /* px: a zone of less is not told apart */
#define MANY_MARKS 40
#define CLAIM_INK "#9a4a12"

enum quantity_of { SPEED, EFFICIENCY, POWER, CURRENT, DIFFERENCE, N_QUANTITIES };

struct panel {
	enum quantity_of what;
	const char *title, *column; /* of points.csv */
	double scale, height_px;
	double low, high; /* of its axis */
	double bottom_px; /* of its frame, from the sheet's foot */
	struct places places;
};

struct sheet {
	struct script *s;
	const struct curve *c;
	double x_max, last_Nm, height_px;
	double met_Nm; /* beyond last_Nm, where the load was as the limit ended it; NaN: not known, or none */
	double mark;   /* size of the marks, 1 unless they are many */
	bool speeds;   /* several commanded, or both ways */
	bool backward; /* all of it */
	bool falling, again, search, at_limit, limited, unsettled, odd, electrical, efficiency, current;
	size_t n;
	struct panel panel[N_QUANTITIES];
};

static const struct claim_check *claim_of(const struct sheet *sh, const char *key)
{
	for (size_t i = 0; i < sh->s->r->n_claims; i++)
		if (strcmp(sh->s->r->claims[i].key, key) == 0)
			return &sh->s->r->claims[i];
	return NULL;
}

/* Backward is drawn over forward, with its own lines. */
static double torque_of(const struct curve_point *p)
{
	return point_way(p) * p->torque_Nm.value;
}

static double value_of(const struct curve_point *p, enum quantity_of what)
{
	switch (what) {
	case SPEED: return point_way(p) * p->speed_rpm.value;
	case EFFICIENCY: return p->efficiency_valid ? 100 * p->efficiency.value : NAN;
	case POWER: return p->shaft_power_W.value;
	case CURRENT: return p->current_A.value;
	case DIFFERENCE:
	case N_QUANTITIES: break;
	}
	return NAN;
}

/* Of the data sheet's curve; NaN where it tells none. */
static double sheet_value(const struct claimed_curve *c, size_t i, enum quantity_of what)
{
	switch (what) {
	case SPEED: return c->speed_rpm[i];
	case EFFICIENCY: return c->has_efficiency ? 100 * c->efficiency[i] : NAN;
	case POWER: return shaft_power_W(c->torque_Nm[i], c->speed_rpm[i]);
	case CURRENT: return c->has_current ? c->current_A[i] : NAN;
	case DIFFERENCE:
	case N_QUANTITIES: break;
	}
	return NAN;
}

/* --- what there is to draw --- */
/* The largest torque that stood in the run, as indicated: there the limit was met that ended the curve. */
static double limit_met_Nm(const struct sheet *sh)
{
	const struct trace *t = &sh->s->r->trace;
	double most = NAN;

	if (sh->s->r->by_hand || sh->c->end_limit == LIMIT_NONE)
		return NAN;
	for (size_t i = 0; i < t->n; i++)
		most = fmax(most, fabs(trace_mean(t, i, TRACE_TORQUE)));
	double wide = (most - sh->last_Nm) / sh->x_max * (WIDTH - LEFT - RIGHT);
	return wide >= ZONE_NARROW && most < 0.97 * sh->x_max ? most : NAN;
}

static void survey(struct sheet *sh)
{
	double most = 0;

	sh->last_Nm = 0;
	sh->speeds = curve_has_speeds(sh->c);
	sh->backward = true;
	for (size_t i = 0; i < sh->c->n; i++) {
		const struct curve_point *p = &sh->c->points[i];
		most = fmax(most, torque_of(p));
		if (p->direction >= 0 && p->settled)
			sh->last_Nm = fmax(sh->last_Nm, torque_of(p));
		sh->backward &= point_way(p) < 0;
		sh->falling |= p->direction < 0;
		sh->again |= (p->flags & POINT_REPEAT) != 0;
		sh->search |= (p->flags & POINT_REPEAT) && (p->flags & POINT_SEARCH);
		sh->at_limit |= p->at_limit;
		sh->limited |= limit_is_other(p->limit);
		sh->unsettled |= !p->settled;
		sh->odd |= p->outlier || p->impossible;
		sh->electrical |= isfinite(p->input_power_W.value);
		sh->efficiency |= p->efficiency_valid;
		sh->current |= p->current_A.value > 0;
	}
	const struct claim_check *rated = claim_of(sh, "rated_torque"), *peak = claim_of(sh, "peak_torque");
	most = fmax(most, fmax(rated ? rated->claimed : 0, peak ? peak->claimed : 0));
	sh->x_max = most > 0 ? 1.12 * most : 1;
	sh->met_Nm = limit_met_Nm(sh);
	sh->mark = sh->c->n > MANY_MARKS ? 0.6 : 1;
}

/* A round range that holds both ends with some room, and zero too when it is to begin there. */
static void round_range(struct panel *p, double low, double high, bool from_zero)
{
	if (!(high > low)) {
		double about = fmax(0.1 * fabs(high), 1e-9);
		low = isfinite(high) ? high - about : 0;
		high = low + 2 * about;
	}
	double room = 0.12 * (high - low);
	low = from_zero ? fmin(low, 0) : low >= 0 ? fmax(low - room, 0) : low - room;
	high += room;
	double step = figure_step(high - low);
	p->low = step * floor(low / step + 1e-9);
	p->high = step * ceil(high / step - 1e-9);
}

static void hold(double value, double *low, double *high)
{
	if (!isfinite(value))
		return;
	*low = fmin(*low, value);
	*high = fmax(*high, value);
}

/* The supply's limit, where it is near enough to be drawn; NaN. */
static double supply_limit_A(const struct sheet *sh)
{
	double most = 0, limit = sh->s->r->by_hand ? NAN : sh->s->r->rig.supply_limit_A;

	for (size_t i = 0; i < sh->c->n; i++)
		most = fmax(most, sh->c->points[i].current_A.value);
	return limit > 0 && limit < 1.6 * most ? limit : NAN;
}

static void set_range(const struct sheet *sh, struct panel *p)
{
	static const char *const claims[N_QUANTITIES] = {
		[SPEED] = "no_load_speed", [EFFICIENCY] = "peak_efficiency", [POWER] = "rated_power"
	};
	double low = INFINITY, high = -INFINITY;

	for (size_t i = 0; i < sh->c->n; i++) {
		hold(value_of(&sh->c->points[i], p->what), &low, &high);
		if (p->what == POWER)
			hold(sh->c->points[i].input_power_W.value, &low, &high);
	}
	const struct claim_check *claim = claims[p->what] ? claim_of(sh, claims[p->what]) : NULL;
	if (claim)
		hold(p->what == EFFICIENCY ? 100 * claim->claimed : claim->claimed, &low, &high);
	const struct claim_check *rated = claim_of(sh, "rated_torque");
	if (p->what == SPEED && rated)
		hold(rated->at_rpm, &low, &high);
	if (p->what == CURRENT)
		hold(supply_limit_A(sh), &low, &high);
	const struct claimed_curve *sheet = &sh->s->r->claimed;
	for (size_t i = 0; i < sheet->n; i++)
		if (sheet->torque_Nm[i] <= 1.02 * sh->last_Nm) /* beyond, it may fall out of the panel */
			hold(sheet_value(sheet, i, p->what), &low, &high);
	/* Speed: the droop is to be seen, unless a stall is. */
	round_range(p, low, high, p->what == POWER || p->what == CURRENT || (p->what == SPEED && low < 0.55 * high));
}

/* --- places, in the panel's own pixels --- */
static double px(const struct sheet *sh, double Nm)
{
	return Nm / sh->x_max * (WIDTH - LEFT - RIGHT);
}

static double py(const struct panel *p, double value)
{
	return (value - p->low) / (p->high - p->low) * p->height_px;
}

static void take_points(const struct sheet *sh, struct panel *p)
{
	const struct curve_point *before = NULL;

	places_begin(&p->places, WIDTH - LEFT - RIGHT, p->height_px);
	for (size_t i = 0; i < sh->c->n; i++) {
		const struct curve_point *q = &sh->c->points[i];
		double x = px(sh, torque_of(q)), y = py(p, value_of(q, p->what));
		places_take_mark(&p->places, x, y, q->settled && !limit_is_other(q->limit) ? 6 : 12);
		if (p->what == POWER)
			places_take_mark(&p->places, x, py(p, q->input_power_W.value), 5);
		if (before && points_same_speed(before, q))
			places_take_line(&p->places, px(sh, torque_of(before)), py(p, value_of(before, p->what)), x, y);
		before = q;
	}
}

static double word_width(const char *word)
{
	size_t letters = 0;

	for (; *word; word++)
		letters += (*word & 0xc0) != 0x80;
	return CHAR_WIDTH * (double)letters;
}

static void put_word(const struct sheet *sh, const struct panel *p, const char *word, struct label_box b, bool upright,
		     const char *ink)
{
	double x = upright ? (b.x0 + b.x1) / 2 : b.x0, y = upright ? b.y0 : (b.y0 + b.y1) / 2;

	fprintf(sh->s->f, "set label '%s' at %.8g,%.8g left %s font ',14' textcolor rgb '%s'\n", word,
		x / (WIDTH - LEFT - RIGHT) * sh->x_max, p->low + y / p->height_px * (p->high - p->low),
		upright ? "rotate by 90" : "", ink);
}

/* --- what a data sheet claims --- */
static void claimed_point(const struct sheet *sh, struct panel *p, double Nm, double value, const char *word)
{
	fprintf(sh->s->f, "set label '' at %.8g,%.8g point ls 6\n", Nm, value);
	places_take_mark(&p->places, px(sh, Nm), py(p, value), 6);
	put_word(sh, p, word, places_word(&p->places, px(sh, Nm), py(p, value), word_width(word), WORD_HEIGHT), false,
		 CLAIM_INK);
}

static void level_line(const struct sheet *sh, struct panel *p, double value, const char *word, int style,
		       const char *ink)
{
	fprintf(sh->s->f, "set arrow from 0,%.8g to %.8g,%.8g nohead ls %d\n", value, sh->x_max, value, style);
	places_take_line(&p->places, 0, py(p, value), p->places.width, py(p, value));
	put_word(sh, p, word, places_level(&p->places, py(p, value), word_width(word), WORD_HEIGHT), false, ink);
}

static void upright_line(const struct sheet *sh, struct panel *p, double Nm, const char *word)
{
	fprintf(sh->s->f, "set arrow from %.8g,%.8g to %.8g,%.8g nohead ls 6\n", Nm, p->low, Nm, p->high);
	places_take_line(&p->places, px(sh, Nm), 0, px(sh, Nm), p->places.height);
	put_word(sh, p, word, places_upright(&p->places, px(sh, Nm), WORD_HEIGHT, word_width(word)), true, CLAIM_INK);
}

/* The data sheet's own curve, as far as the panel goes, in chords. */
static void claimed_line(const struct sheet *sh, struct panel *p)
{
	static const char word[] = "data sheet";
	const struct claimed_curve *c = &sh->s->r->claimed;
	double word_x = NAN, word_y = NAN;

	for (size_t i = 1; i < c->n && p->what != DIFFERENCE; i++) {
		double x0 = c->torque_Nm[i - 1], y0 = sheet_value(c, i - 1, p->what);
		double x1 = fmin(c->torque_Nm[i], sh->x_max), part = (x1 - x0) / (c->torque_Nm[i] - x0);
		double y1 = y0 + part * (sheet_value(c, i, p->what) - y0);
		if (!(part > 0) || !(y0 >= p->low && y0 <= p->high))
			continue;
		double inside = y1 > p->high ? (p->high - y0) / (y1 - y0) : y1 < p->low ? (p->low - y0) / (y1 - y0) : 1;
		double x = x0 + inside * (x1 - x0), y = y0 + inside * (y1 - y0);
		fprintf(sh->s->f, "set arrow from %.8g,%.8g to %.8g,%.8g nohead ls 6\n", x0, y0, x, y);
		places_take_line(&p->places, px(sh, x0), py(p, y0), px(sh, x), py(p, y));
		if (isfinite(word_x) && x > SHEET_WORD * sh->x_max)
			continue;
		word_x = x;
		word_y = y;
	}
	if (isfinite(word_x))
		put_word(sh, p, word,
			 places_word(&p->places, px(sh, word_x), py(p, word_y), word_width(word), WORD_HEIGHT), false,
			 CLAIM_INK);
}

/* Where the curve has it at its best, with the digits of the headline. */
static void best_of_panel(const struct sheet *sh, struct panel *p)
{
	char value[80], word[100];
	const struct curve_point *best = report_best_efficiency(sh->s->r, value, sizeof value);

	if (p->what != EFFICIENCY || !best || sh->speeds) /* among several lines it would name the wrong one */
		return;
	snprintf(word, sizeof word, "best %s", value);
	put_word(sh, p, word,
		 places_word(&p->places, px(sh, torque_of(best)), py(p, value_of(best, EFFICIENCY)), word_width(word),
			     WORD_HEIGHT),
		 false, "#111111");
}

static void claims_of_panel(const struct sheet *sh, struct panel *p)
{
	char word[80];
	const struct claim_check *rated = claim_of(sh, "rated_torque"), *peak = claim_of(sh, "peak_torque"),
				 *free = claim_of(sh, "no_load_speed"), *best = claim_of(sh, "peak_efficiency"),
				 *power = claim_of(sh, "rated_power");

	claimed_line(sh, p);
	if (p->what == SPEED && peak) {
		snprintf(word, sizeof word, "claimed: peak %.4g N·m", peak->claimed);
		upright_line(sh, p, peak->claimed, word);
	}
	if (p->what == SPEED && rated && isfinite(rated->at_rpm)) {
		snprintf(word, sizeof word, "claimed: rated %.4g N·m, %.4g rpm", rated->claimed, rated->at_rpm);
		claimed_point(sh, p, rated->claimed, rated->at_rpm, word);
	} else if (p->what == SPEED && rated) {
		snprintf(word, sizeof word, "claimed: rated %.4g N·m", rated->claimed);
		upright_line(sh, p, rated->claimed, word);
	}
	if (p->what == SPEED && free) {
		snprintf(word, sizeof word, "claimed: no load %.4g rpm", free->claimed);
		claimed_point(sh, p, 0, free->claimed, word);
	}
	if (p->what == EFFICIENCY && best) {
		snprintf(word, sizeof word, "claimed: peak %.4g %%", 100 * best->claimed);
		level_line(sh, p, 100 * best->claimed, word, 6, CLAIM_INK);
	}
	if (p->what == POWER && power) {
		snprintf(word, sizeof word, "claimed: rated %.4g W", power->claimed);
		level_line(sh, p, power->claimed, word, 6, CLAIM_INK);
	}
	if (p->what == CURRENT && isfinite(supply_limit_A(sh))) {
		snprintf(word, sizeof word, "the supply''s limit %.4g A", supply_limit_A(sh));
		level_line(sh, p, supply_limit_A(sh), word, 7, "#555555");
	}
}

/* --- beyond the last point that counts --- */
static const char *why_it_ends(const struct sheet *sh)
{
	if (sh->s->r->by_hand)
		return "no reading";
	return sh->c->end_limit != LIMIT_NONE ? limit_word(sh->c->end_limit)
	       : sh->c->end_note[0] != '\0'   ? "ended early"
					      : "the plan ended";
}

static void zone(const struct sheet *sh, int id, double from_Nm, double to_Nm, const char *colour)
{
	fprintf(sh->s->f, "set object %d rect from %.8g,graph 0 to %.8g,graph 1 fc rgb '%s' fs solid noborder behind\n",
		id, from_Nm, to_Nm, colour);
}

static void beyond(const struct sheet *sh)
{
	if (!(sh->last_Nm < 0.99 * sh->x_max))
		return;
	zone(sh, 1, isfinite(sh->met_Nm) ? sh->met_Nm : sh->last_Nm, sh->x_max, "#f0f0ee");
	if (isfinite(sh->met_Nm))
		zone(sh, 2, sh->last_Nm, sh->met_Nm, "#e6dac6");
}

static void name_one(const struct sheet *sh, struct panel *p, double from_Nm, double to_Nm, const char *word)
{
	put_word(sh, p, word, places_zone(&p->places, px(sh, from_Nm), px(sh, to_Nm), WORD_HEIGHT, word_width(word)),
		 true, "#333333");
}

/* In the zone, where nothing else stands: after all other words. */
static void name_zone(const struct sheet *sh, struct panel *p)
{
	if (p->what != SPEED || !(sh->last_Nm < 0.99 * sh->x_max))
		return;
	if (!isfinite(sh->met_Nm)) {
		name_one(sh, p, sh->last_Nm, sh->x_max, why_it_ends(sh));
		return;
	}
	name_one(sh, p, sh->last_Nm, sh->met_Nm, why_it_ends(sh));
	name_one(sh, p, sh->met_Nm, sh->x_max, "not reached");
}

/* --- marks --- */
struct mark {
	int kind, style;
	const char *name;
	bool shown;
};

#define MARKS 7

static size_t marks_of(const struct sheet *sh, struct mark ret[MARKS])
{
	const struct mark all[] = {
		{ 1, 1, "rising", true },
		{ 2, 2, "falling", sh->falling },
		{ 3, 5, sh->search ? "a point again" : "first point again", sh->again },
		{ 7, 12, "the limit", sh->at_limit },
		{ 4, 3, "limited by something else", sh->limited },
		{ 5, 9, "not settled", sh->unsettled },
		{ 6, 8, "outlier or impossible", sh->odd },
	};
	size_t n = 0;

	for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
		if (all[i].shown)
			ret[n++] = all[i];
	return n;
}

/* Each commanded speed once, in the order of the points. */
static size_t speeds_of(const struct sheet *sh, double ret[PROFILE_SPEEDS])
{
	size_t n = 0;

	for (size_t i = 0; i < sh->c->n && n < PROFILE_SPEEDS; i++) {
		bool is_new = isfinite(sh->c->points[i].setpoint_rpm);
		for (size_t k = 0; k < n; k++)
			is_new &= fabs(sh->c->points[i].setpoint_rpm - ret[k]) > 1e-6;
		if (is_new)
			ret[n++] = sh->c->points[i].setpoint_rpm;
	}
	return n;
}

/* One line a way of loading and a speed: "at" chooses the rows. */
static void plot_lines(const struct sheet *sh, const struct panel *p, const char *at)
{
	for (int way = sh->falling ? 2 : 1; way >= 1; way--)
		fprintf(sh->s->f,
			"  'points.csv' using (pick(%d)%s ? along('torque (N m)') : NaN):(%g*%s('%s')) with lines ls "
			"%d lw "
			"0.9 notitle, \\\n",
			way, at, p->scale, p->what == SPEED ? "along" : "column", p->column, way);
}

static void plot_electrical(const struct sheet *sh, const char *at)
{
	fprintf(sh->s->f,
		"  'points.csv' using (pick(1)%s ? along('torque (N m)') : NaN):(column('input power (W)')):"
		"(column('U input power (W)')) with yerrorlines ls 7 ps %.2g lw 1.2 notitle, \\\n",
		at, 0.6 * sh->mark);
}

/* Marks that say something of a point stay large where there are many points. */
static const char *mark_size(const struct sheet *sh, int style, char buf[20])
{
	buf[0] = '\0';
	if (sh->mark < 1 && (style == 1 || style == 2))
		snprintf(buf, 20, " ps %.2g", sh->mark * (style == 1 ? 0.7 : 1.05));
	return buf;
}

static void plot_points(const struct sheet *sh, const struct panel *p)
{
	char ps[20];
	FILE *f = sh->s->f;
	struct mark mark[MARKS];
	double rpm[PROFILE_SPEEDS];
	size_t n = marks_of(sh, mark), speeds = sh->speeds ? speeds_of(sh, rpm) : 0;

	if (p->what == POWER && sh->electrical && speeds == 0)
		plot_electrical(sh, "");
	for (size_t k = 0; k < speeds; k++) {
		char at[80];
		snprintf(at, sizeof at, " && at(%.9g)", rpm[k]);
		if (p->what == POWER && sh->electrical)
			plot_electrical(sh, at);
		plot_lines(sh, p, at);
	}
	if (speeds == 0)
		plot_lines(sh, p, "");
	for (size_t i = 0; i < n; i++)
		fprintf(f,
			"  'points.csv' using (pick(%d) ? along('torque (N m)') : "
			"NaN):(%g*%s('%s')):(column('U torque (N m)')):(%g*column('U %s')) with xyerrorbars ls %d%s dt "
			"1 "
			"notitle, \\\n",
			mark[i].kind, p->scale, p->what == SPEED ? "along" : "column", p->column, p->scale, p->column,
			mark[i].style, mark_size(sh, mark[i].style, ps));
	fputs("  1/0 notitle\n", f);
}

static const struct curve_point *end_of_line(const struct sheet *sh, const struct panel *p, double rpm)
{
	const struct curve_point *end = NULL;

	for (size_t i = 0; i < sh->c->n; i++) {
		const struct curve_point *q = &sh->c->points[i];
		if (q->direction >= 0 && fabs(q->setpoint_rpm - rpm) < 1e-6 && isfinite(value_of(q, p->what)) &&
		    (!end || torque_of(q) > torque_of(end)))
			end = q;
	}
	return end;
}

struct line_name {
	char word[32];
	double x, y;
};

static size_t line_names(const struct sheet *sh, const struct panel *p, struct line_name ret[PROFILE_SPEEDS])
{
	double rpm[PROFILE_SPEEDS];
	size_t n = 0, speeds = speeds_of(sh, rpm);

	for (size_t k = 0; k < speeds; k++) {
		const struct curve_point *end = end_of_line(sh, p, rpm[k]);
		if (end == NULL)
			continue;
		ret[n].x = px(sh, torque_of(end));
		ret[n].y = py(p, value_of(end, p->what));
		snprintf(ret[n++].word, sizeof ret->word, "%.4g rpm%s", fabs(rpm[k]), rpm[k] < 0 ? " backward" : "");
	}
	return n;
}

/* Lines that end at one load with room to the right: one column of names. */
static bool name_in_column(const struct sheet *sh, struct panel *p, const struct line_name *name, size_t n)
{
	double level[PROFILE_SPEEDS], x = 0, widest = 0;

	for (size_t k = 0; k < n; k++) {
		level[k] = name[k].y;
		x = fmax(x, name[k].x);
		widest = fmax(widest, word_width(name[k].word));
	}
	for (size_t k = 0; k < n; k++)
		if (name[k].x < x - COLUMN_NEAR)
			return false;
	if (x + COLUMN_NEAR + widest > p->places.width || WORD_APART * (double)n > p->height_px)
		return false;
	places_spread(level, n, WORD_APART, WORD_APART / 2, p->height_px - WORD_APART / 2);
	for (size_t k = 0; k < n; k++)
		put_word(sh, p, name[k].word,
			 places_right(&p->places, x, level[k], word_width(name[k].word), WORD_HEIGHT), false,
			 "#333333");
	return true;
}

/* At the heaviest rising point of each speed: which line it is. */
static void name_lines(const struct sheet *sh, struct panel *p)
{
	struct line_name name[PROFILE_SPEEDS];
	size_t n = line_names(sh, p, name);

	if (name_in_column(sh, p, name, n))
		return;
	for (size_t k = 0; k < n; k++)
		places_take_named(&p->places, name[k].x, name[k].y);
	for (size_t k = 0; k < n; k++)
		put_word(sh, p, name[k].word,
			 places_word(&p->places, name[k].x, name[k].y, word_width(name[k].word), WORD_HEIGHT), false,
			 "#333333");
}

/* --- the falling way beside the rising one --- */
static const struct curve_point *falling_of(const struct curve *c, const struct curve_point *up)
{
	for (size_t i = 0; i < c->n; i++)
		if (c->points[i].direction < 0 && c->points[i].step == up->step && points_same_speed(&c->points[i], up))
			return &c->points[i];
	return NULL;
}

static double percent(double down, double up)
{
	return 100 * (down - up) / fabs(up);
}

/* What two windows differ by chance, in percent of the rising one. */
static double chance(double scatter_up, double scatter_down, double up)
{
	return 100 * 2 * hypot(scatter_up, scatter_down) / fabs(up);
}

static void write_cell(FILE *f, double value, bool last)
{
	if (isfinite(value))
		fprintf(f, "%.9g", value);
	fputs(last ? "\n" : ",", f);
}

static void write_differences(const struct sheet *sh, struct panel *p)
{
	double low = INFINITY, high = -INFINITY;
	const struct curve_point *before = NULL;

	fputs("$difference << EOD\ntorque,speed,chance,efficiency,chance\n", sh->s->f);
	for (size_t i = 0; i < sh->c->n; i++) {
		const struct curve_point *up = &sh->c->points[i], *down;
		if (up->direction < 0 || (up->flags & POINT_REPEAT) || !(down = falling_of(sh->c, up)))
			continue;
		if (before && !points_same_speed(before, up))
			fputs("\n", sh->s->f); /* no line from one speed to another */
		before = up;
		double rpm = percent(point_way(up) * down->speed_rpm.value, point_way(up) * up->speed_rpm.value),
		       share = NAN, about = NAN;
		if (up->efficiency_valid && down->efficiency_valid) {
			share = percent(down->efficiency.value, up->efficiency.value);
			about = chance(up->scatter_efficiency, down->scatter_efficiency, up->efficiency.value);
		}
		const double row[] = { torque_of(up), rpm,
				       chance(up->scatter_rpm, down->scatter_rpm, up->speed_rpm.value), share, about };
		for (size_t k = 0; k < sizeof row / sizeof row[0]; k++)
			write_cell(sh->s->f, row[k], k + 1 == sizeof row / sizeof row[0]);
		hold(rpm, &low, &high);
		hold(share, &low, &high);
		hold(isfinite(about) ? share - about : NAN, &low, &high);
		hold(isfinite(about) ? share + about : NAN, &low, &high);
	}
	fputs("EOD\n", sh->s->f);
	hold(0, &low, &high);
	round_range(p, low, high, false);
}

static void plot_difference(const struct sheet *sh)
{
	FILE *f = sh->s->f;

	fprintf(f, "set arrow from 0,0 to %.8g,0 nohead lc rgb '#888888' lw 1\nplot \\\n", sh->x_max);
	fputs("  $difference using 1:2:3 with yerrorlines ls 10 notitle, \\\n", f);
	if (sh->efficiency)
		fputs("  $difference using 1:4:5 with yerrorlines ls 11 notitle, \\\n", f);
	fputs("  1/0 notitle\n", f);
}

/* --- the sheet --- */
static void add_panel(struct sheet *sh, enum quantity_of what, const char *title, const char *column, double scale,
		      double height)
{
	sh->panel[sh->n++] =
		(struct panel){ .what = what, .title = title, .column = column, .scale = scale, .height_px = height };
}

static void choose_panels(struct sheet *sh)
{
	add_panel(sh, SPEED, "speed / rpm", "speed (rpm)", 1, 215);
	if (sh->efficiency)
		add_panel(sh, EFFICIENCY, "efficiency / %", "efficiency (1)", 100, 160);
	add_panel(sh, POWER,
		  sh->electrical ? "power / W: at the shaft, and the electrical input" : "power / W at the shaft",
		  "shaft power (W)", 1, 160);
	if (sh->current)
		add_panel(sh, CURRENT, "input current / A", "current (A)", 1, 132);
	if (sh->falling)
		add_panel(sh, DIFFERENCE, "falling less rising / % of rising", "", 1, 104);
}

static void key_entry(const struct sheet *sh, double *x, double *y, int style, const char *name)
{
	double width = 34 + word_width(name) + 18;

	if (*x + width > WIDTH) {
		*x = LEFT;
		*y -= 21;
	}
	fprintf(sh->s->f,
		"set label '' at screen %.6f,screen %.6f point ls %d\n"
		"set label '%s' at screen %.6f,screen %.6f left font ',14' textcolor rgb '#222222'\n",
		(*x + 12) / WIDTH, *y / sh->height_px, style, name, (*x + 34) / WIDTH, *y / sh->height_px);
	*x += width;
}

/* Under the last panel. The script's own key cannot stand outside of several panels. */
static void put_key(const struct sheet *sh)
{
	double x = LEFT, y = 46;
	struct mark mark[MARKS];
	size_t n = marks_of(sh, mark);

	for (size_t i = 0; i < n; i++)
		key_entry(sh, &x, &y, mark[i].style, mark[i].name);
	if (sh->electrical)
		key_entry(sh, &x, &y, 7, "electrical input");
	if (sh->falling)
		key_entry(sh, &x, &y, 10, "speed, falling less rising");
	if (sh->falling && sh->efficiency)
		key_entry(sh, &x, &y, 11, "efficiency, falling less rising");
}

static void frame(const struct sheet *sh, const struct panel *p, bool last)
{
	FILE *f = sh->s->f;

	fprintf(f,
		"unset label\nunset arrow\nunset object\nset lmargin at screen %.6f\nset rmargin at screen %.6f\n"
		"set bmargin at screen %.6f\nset tmargin at screen %.6f\n",
		LEFT / WIDTH, 1 - RIGHT / WIDTH, p->bottom_px / sh->height_px,
		(p->bottom_px + p->height_px) / sh->height_px);
	fprintf(f,
		"set xrange [0:%.8g]\nset yrange [%.8g:%.8g]\nset xtics %.8g\nset ytics %.8g\nset format x '%s'\nset "
		"xlabel '%s' offset 0,0.5\n"
		"set label '%s' at graph 0,graph 1 left offset 0,char 0.8 font ',15' textcolor rgb '#222222'\n",
		sh->x_max, p->low, p->high, figure_step(sh->x_max) / 2, figure_step(p->high - p->low), last ? "%g" : "",
		last ? "torque / N·m" : "", p->title);
	if (!last)
		return;
	figure_whose(sh->s, WIDTH, (int)sh->height_px);
	put_key(sh);
}

static void draw_panel(struct sheet *sh, struct panel *p, bool last)
{
	frame(sh, p, last);
	if (p->what != DIFFERENCE)
		take_points(sh, p);
	beyond(sh);
	if (sh->speeds && p->what != DIFFERENCE)
		name_lines(sh, p);
	claims_of_panel(sh, p);
	best_of_panel(sh, p);
	if (p->what == DIFFERENCE) {
		plot_difference(sh);
		return;
	}
	name_zone(sh, p);
	fputs("plot \\\n", sh->s->f);
	plot_points(sh, p);
}

void sheet_draw(struct script *s)
{
	const double top = TOP + figure_whose_more(s, WIDTH);
	struct sheet sh = { .s = s, .c = s->r->curve, .height_px = top + FOOT - BETWEEN };

	if (sh.c->n == 0)
		return;
	survey(&sh);
	choose_panels(&sh);
	for (size_t i = 0; i < sh.n; i++)
		sh.height_px += sh.panel[i].height_px + BETWEEN;
	double at = sh.height_px - top;
	for (size_t i = 0; i < sh.n; i++) {
		struct panel *p = &sh.panel[i];
		p->bottom_px = at - p->height_px;
		at = p->bottom_px - BETWEEN;
		if (p->what == DIFFERENCE)
			write_differences(&sh, p);
		else
			set_range(&sh, p);
	}
	struct figure *figure = figure_begin(s, "curves", "Speed, efficiency, power and current against torque", WIDTH,
					     (int)sh.height_px);
	fputs("set multiplot\nunset key\n", s->f);
	for (size_t i = 0; i < sh.n; i++)
		draw_panel(&sh, &sh.panel[i], i + 1 == sh.n);
	fputs("unset multiplot\nunset object\nset format x '%g'\nset xtics autofreq\nset ytics autofreq\n"
	      "set lmargin\nset rmargin\nset tmargin\nset bmargin\n",
	      s->f);
	figure_end(s);
	figure->frame = (struct figure_frame){
		.width = WIDTH,
		.left = LEFT,
		.right = WIDTH - RIGHT,
		.top = top,
		.bottom = sh.height_px - sh.panel[sh.n - 1].bottom_px,
		.most = sh.x_max,
	};
	figure_caption(figure,
		       "Bars: expanded uncertainty (%.3g %%); where none is seen it is smaller than the mark. Shaded: "
		       "beyond the last settled point on the way up%s. ",
		       100 * sh.c->coverage,
		       isfinite(sh.met_Nm) ? "; darker as far as the load went before the limit" : "");
	for (size_t i = 0; i < sh.n; i++)
		if (sh.panel[i].low > 0)
			figure_caption(figure, "The axis of %s does not begin at zero. ",
				       sh.panel[i].what == SPEED ? "speed" : "efficiency");
	if (sh.backward)
		figure_caption(figure, "It turned backward: torque and speed are drawn without their sign. ");
	if (sh.speeds)
		figure_caption(figure, "Each line has its commanded speed at its end%s. ",
			       sh.backward ? "" : "; backward is drawn over forward");
	if (sh.falling)
		figure_caption(figure, "Bars of the difference: what two windows differ by chance. ");
	if (sh.electrical && !s->r->by_hand)
		figure_caption(figure, "Electrical input: at the actuator's terminals.");
}
