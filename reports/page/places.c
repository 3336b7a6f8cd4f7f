/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/places.h"

#include <math.h>
#include <stdbool.h>

#define GAP 12.0     /* between a mark and its word */
#define LINE_GAP 3.0 /* between a line and its word */
#define WORD_GAP 7.0 /* between two words on one line */
#define FAR 40.0     /* farther than this is as good as far away */
#define WRONG \
	400.0 /* a word that names another mark is worse than one that is drawn over, and better than one outside */

void places_begin(struct places *p, double width, double height)
{
	p->width = width;
	p->height = height;
	p->n = p->n_named = 0;
}

void places_take_named(struct places *p, double x, double y)
{
	if (p->n_named < PLACES_NAMED && isfinite(x) && isfinite(y))
		p->named[p->n_named++] = (struct named_mark){ x, y };
}

static void take(struct places *p, struct label_box b)
{
	if (p->n < PLACES_MAX && isfinite(b.x0) && isfinite(b.y0) && isfinite(b.x1) && isfinite(b.y1))
		p->taken[p->n++] = b;
}

/* With room before and behind it, upright words too. */
static void take_word(struct places *p, struct label_box b)
{
	bool lies = b.x1 - b.x0 > b.y1 - b.y0;
	double x = lies ? WORD_GAP : 0, y = lies ? 0 : WORD_GAP;

	take(p, (struct label_box){ b.x0 - x, b.y0 - y, b.x1 + x, b.y1 + y });
}

void places_take_mark(struct places *p, double x, double y, double radius)
{
	take(p, (struct label_box){ x - radius, y - radius, x + radius, y + radius });
}

void places_take_line(struct places *p, double x0, double y0, double x1, double y1)
{
	double length = hypot(x1 - x0, y1 - y0);

	if (!(length < 1e6))
		return;
	int n = 1 + (int)(length / 8);
	for (int i = 0; i <= n; i++)
		places_take_mark(p, x0 + (x1 - x0) * i / n, y0 + (y1 - y0) * i / n, 1);
}

/* Between two boxes; below 0 by how deep they overlap. */
static double distance(const struct label_box *a, const struct label_box *b)
{
	double dx = fmax(a->x0 - b->x1, b->x0 - a->x1), dy = fmax(a->y0 - b->y1, b->y0 - a->y1);

	return dx > 0 && dy > 0 ? hypot(dx, dy) : fmax(dx, dy);
}

static double room_about(const struct places *p, const struct label_box *b)
{
	double least = FAR, out = fmax(fmax(-b->x0, b->x1 - p->width), fmax(-b->y0, b->y1 - p->height));

	for (size_t i = 0; i < p->n; i++)
		least = fmin(least, distance(&p->taken[i], b));
	return out > 0 ? -1000 - out : least;
}

/* The first of those that are nearly as good as the best: the order is the reader's habit. */
/* As an eye follows it: along the line of the word. */
static double reach(const struct named_mark *m, const struct label_box *b)
{
	return fmax(fmax(b->x0 - m->x, m->x - b->x1), 0) + fabs((b->y0 + b->y1) / 2 - m->y);
}

static bool names_another(const struct places *p, const struct named_mark *own, const struct label_box *b)
{
	for (size_t i = 0; i < p->n_named; i++)
		if (reach(&p->named[i], b) < reach(own, b) - 0.5)
			return true;
	return false;
}

static struct label_box best(struct places *p, const struct named_mark *own, const struct label_box *candidate,
			     size_t n)
{
	double room[16], most = -INFINITY;
	size_t chosen = 0;

	for (size_t i = 0; i < n; i++) {
		room[i] = room_about(p, &candidate[i]) - (own && names_another(p, own, &candidate[i]) ? WRONG : 0);
		most = fmax(most, room[i]);
	}
	while (!(room[chosen] >= most - 3))
		chosen++;
	take_word(p, candidate[chosen]);
	return candidate[chosen];
}

static struct label_box at(double x0, double y_mid, double width, double height)
{
	return (struct label_box){ x0, y_mid - height / 2, x0 + width, y_mid + height / 2 };
}

struct label_box places_word(struct places *p, double x, double y, double width, double height)
{
	const double right = x + GAP, left = x - GAP - width, middle = x - width / 2, above = y + GAP + height / 2,
		     below = y - GAP - height / 2;
	const struct label_box candidate[] = {
		at(right, y, width, height),      at(right, above, width, height),  at(right, below, width, height),
		at(left, above, width, height),   at(left, below, width, height),   at(left, y, width, height),
		at(middle, above, width, height), at(middle, below, width, height),
	};
	const struct named_mark own = { x, y };

	return best(p, &own, candidate, sizeof candidate / sizeof candidate[0]);
}

struct label_box places_level(struct places *p, double y, double width, double height)
{
	const double above = y + LINE_GAP + height / 2, below = y - LINE_GAP - height / 2, left = GAP,
		     middle = (p->width - width) / 2, right = p->width - width - GAP;
	const struct label_box candidate[] = {
		at(left, above, width, height),   at(left, below, width, height),  at(middle, above, width, height),
		at(middle, below, width, height), at(right, above, width, height), at(right, below, width, height),
	};

	return best(p, NULL, candidate, sizeof candidate / sizeof candidate[0]);
}

struct label_box places_upright(struct places *p, double x, double width, double height)
{
	const double left = x - LINE_GAP - width, right = x + LINE_GAP, top = p->height - GAP - height / 2,
		     middle = p->height / 2, bottom = GAP + height / 2;
	const struct label_box candidate[] = {
		at(left, bottom, width, height),  at(right, bottom, width, height), at(left, middle, width, height),
		at(right, middle, width, height), at(left, top, width, height),     at(right, top, width, height),
	};

	return best(p, NULL, candidate, sizeof candidate / sizeof candidate[0]);
}

struct label_box places_zone(struct places *p, double x0, double x1, double width, double height)
{
	const double x[] = { x0 + GAP, (x0 + x1 - width) / 2, x1 - GAP - width },
		     y[] = { GAP + height / 2, p->height / 2, p->height - GAP - height / 2 };
	struct label_box candidate[9];

	for (size_t i = 0; i < 9; i++)
		candidate[i] = at(x[i / 3], y[i % 3], width, height);
	return best(p, NULL, candidate, 9);
}

/* --- levels that keep apart --- */
struct pool {
	double sum;
	size_t n;
};

static void in_order(const double *level, size_t n, size_t *order)
{
	for (size_t i = 0; i < n; i++) {
		size_t at = i;
		for (; at > 0 && level[order[at - 1]] > level[i]; at--)
			order[at] = order[at - 1];
		order[at] = i;
	}
}

/* Less so many gaps each, they have only to rise: pools of neighbours at their mean. */
void places_spread(double *level, size_t n, double apart, double low, double high)
{
	size_t order[PLACES_LEVELS], pools = 0;
	struct pool pool[PLACES_LEVELS];

	n = n < PLACES_LEVELS ? n : PLACES_LEVELS;
	in_order(level, n, order);
	for (size_t i = 0; i < n; i++) {
		pool[pools++] = (struct pool){ level[order[i]] - apart * (double)i, 1 };
		while (pools > 1 && pool[pools - 2].sum / (double)pool[pools - 2].n >
					    pool[pools - 1].sum / (double)pool[pools - 1].n) {
			pool[pools - 2].sum += pool[pools - 1].sum;
			pool[pools - 2].n += pool[pools - 1].n;
			pools--;
		}
	}
	for (size_t k = 0, i = 0; k < pools; k++)
		for (size_t end = i + pool[k].n; i < end; i++)
			level[order[i]] = pool[k].sum / (double)pool[k].n + apart * (double)i;
	for (size_t i = n; i-- > 0;)
		level[order[i]] = fmin(level[order[i]], high - apart * (double)(n - 1 - i));
	for (size_t i = 0; i < n; i++)
		level[order[i]] = fmax(level[order[i]], low + apart * (double)i);
}

struct label_box places_right(struct places *p, double x, double y, double width, double height)
{
	struct label_box b = at(x + GAP, y, width, height);

	take_word(p, b);
	return b;
}
