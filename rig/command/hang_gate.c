/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang_gate.h"

#include "profile/plausible.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* No converter of counts is wider. */
#define WIDEST_BITS 32

struct wording {
	const struct cellcal_input *in;
	const struct hang_gate_source *from;
	struct hang_gate *gate;
};

/* The smaller of what the profile and the node's converter say; counts reach from -2^(bits-1) to 2^(bits-1) - 1. */
static double most_count(const struct hang_gate_source *from)
{
	double most = ldexp(1, (from->converter_bits > 0 ? from->converter_bits : WIDEST_BITS) - 1) - 1;

	if (!from->counts)
		return NAN;
	return from->rig ? fmin(most, from->rig->cell_saturation_count) : most;
}

static const char *way(const struct cellcal_reading *r)
{
	return !(fabs(r->load.torque_Nm) > 0) ? "zero" : r->direction == CELLCAL_UP ? "rising" : "falling";
}

/* "28.62 N·m (6.500 kg)" */
static const char *load_text(const struct wording *w, double torque_Nm, char buf[64])
{
	if (isfinite(w->from->Nm_per_kg))
		snprintf(buf, 64, "%.2f N\u00b7m (%.3f kg)", torque_Nm, torque_Nm / w->from->Nm_per_kg);
	else
		snprintf(buf, 64, "%.4g N\u00b7m", torque_Nm);
	return buf;
}

static void slip_of_reading(const struct wording *w, const struct gate_slip *slip, char *text)
{
	const struct cellcal_reading *r = &w->in->readings[slip->reading];
	char stated[64], fits[64];
	double off = slip->fits_Nm - slip->stated_Nm;
	int n = snprintf(text, HANG_GATE_TEXT, "Series %d, %s, load %s looks wrong: its reading fits %s.", r->series,
			 way(r), load_text(w, slip->stated_Nm, stated), load_text(w, slip->fits_Nm, fits));

	if (slip->like_piece >= 0)
		snprintf(text + n, HANG_GATE_TEXT - (size_t)n, " The difference is one piece, %s: it was %s there.",
			 w->from->piece_name[slip->like_piece], off < 0 ? "missing" : "hung as well");
}

static void slip_of_piece(const struct wording *w, const struct gate_slip *slip, char *text)
{
	const char *name = w->from->piece_name[slip->piece];
	double kg = w->from->Nm_per_kg;
	char where[32] = "in every series";

	if (slip->series)
		snprintf(where, sizeof where, "in series %d", slip->series);
	if (fabs(slip->fits_Nm) < GATE_PIECE_FRAC * slip->stated_Nm)
		snprintf(text, HANG_GATE_TEXT, "Piece %s looks missing %s: without its %.3f kg the readings fit.", name,
			 where, slip->stated_Nm / kg);
	else
		snprintf(text, HANG_GATE_TEXT,
			 "Piece %s looks wrong %s: its readings fit %.3f kg, weights.ini says %.3f kg.", name, where,
			 slip->fits_Nm / kg, slip->stated_Nm / kg);
}

static void slip_text(const struct wording *w, const struct gate_slip *slip, char *text)
{
	if (slip->piece < 0)
		slip_of_reading(w, slip, text);
	else
		slip_of_piece(w, slip, text);
}

static void doubt_words(const struct wording *w, char *text)
{
	const struct gate_slip *doubt = &w->gate->found.doubt;

	text[0] = '\0';
	if (!doubt->found)
		return;
	slip_text(w, doubt, text);
	size_t used = strlen(text);
	snprintf(text + used, HANG_GATE_TEXT - used, " %s No uncertainty here holds such an error.",
		 doubt->piece >= 0 ? "Weigh that piece before you use this calibration."
				   : "See which weights hung there.");
}

static void slip_words(const struct wording *w, double value, char *text)
{
	const struct gate_slip *slip = &w->gate->found.slip;

	(void)value;
	slip_text(w, slip, text);
	if (slip->piece >= 0 && slip->series == 0)
		snprintf(w->gate->next, HANG_GATE_TEXT,
			 "Weigh that piece, or try weights.ini with it dropped or with the mass that fits.");
	else
		snprintf(w->gate->next, HANG_GATE_TEXT, "See which weights hung there, then take that series again.");
}

static void residual_words(const struct wording *w, double value, char *text)
{
	const struct cellcal_gate *found = &w->gate->found;
	const struct cellcal_reading *r = &w->in->readings[found->worst];

	snprintf(text, HANG_GATE_TEXT,
		 "Series %d, %s, %.4g N\u00b7m is %.3g N\u00b7m off a straight line, %.3g %% of the largest torque; "
		 "expected %.3g %% "
		 "or less.",
		 r->series, way(r), r->load.torque_Nm, fabs(found->worst_Nm), 100 * value, 100 * GATE_RESIDUAL_FRAC);
}

static void range_words(const struct wording *w, double value, char *text)
{
	snprintf(text, HANG_GATE_TEXT, "A reading of %.7g counts is beyond the end of the converter's range, %.10g. %s",
		 value, most_count(w->from),
		 w->from->guided ? "Check the cell's cable and the amplifier's gain."
				 : "Check the column and its unit.");
}

static void sensitivity_words(const struct wording *w, double value, char *text)
{
	const char *check = w->from->guided ? "Did the weights hang when you pressed Enter, and is the cell connected?"
					    : "Check that loads and readings belong together.";

	if (value < 1)
		snprintf(text, HANG_GATE_TEXT,
			 "The indication hardly follows the load: sensitivity known to %.0f %%, expected %.0f %% or "
			 "better. %s",
			 100 * value, 100 * GATE_SENSITIVITY_FRAC, check);
	else
		snprintf(text, HANG_GATE_TEXT,
			 "The indication does not follow the load: its sensitivity is zero within its uncertainty. %s",
			 check);
}

static void sign_words(const struct wording *w, double value, char *text)
{
	(void)value;
	snprintf(text, HANG_GATE_TEXT, "The indication falls when the load rises. %s",
		 w->from->guided ? "Reverse [cell] sign in rig.ini, or swap the cell's signal wires."
				 : "Write counts times [cell] sign, or reverse [cell] sign in rig.ini.");
}

static void zero_words(const struct wording *w, double value, char *text)
{
	(void)w;
	snprintf(text, HANG_GATE_TEXT,
		 "The zero came back off by %.3g %% of the largest torque; expected %.3g %% or less. Look for an arm "
		 "that "
		 "touches, or for a weight left on.",
		 100 * value, 100 * GATE_ZERO_FRAC);
}

static void counts_words(const struct wording *w, double value, char *text)
{
	(void)w;
	snprintf(text, HANG_GATE_TEXT,
		 "All weights together change the indication by %.3g counts; expected %.0f or more. Check the "
		 "amplifier's "
		 "gain and the cell's lever.",
		 value, GATE_LEAST_COUNTS);
}

static void span_words(const struct wording *w, double value, char *text)
{
	snprintf(text, HANG_GATE_TEXT,
		 "The cell's full scale, %.4g N\u00b7m, would fill the converter to %.3g %%; expected %.2g to %.0f %%. "
		 "Check [cell] "
		 "full_scale, the arm and the weights.",
		 w->from->rig->cell_full_scale_Nm, 100 * value, 100 * GATE_SPAN_LEAST, 100 * GATE_SPAN_MOST);
}

static void agree_words(const struct wording *w, double value, char *text)
{
	double stated = w->from->rig->cell_full_scale_count;
	struct plausible p = plausible_compare(PLAUSIBLE_CELL, value, stated, GATE_AGREE_FACTOR, NAN, "counts");

	snprintf(text, HANG_GATE_TEXT,
		 "By these readings the cell's full scale makes %.3g counts; [cell] full_scale_counts says %.3g%s%s. "
		 "Check "
		 "[arm] length, the weights and [cell] full_scale.",
		 value, stated, p.slip[0] ? ": " : "", p.slip);
}

static void overload_words(const struct wording *w, double value, char *text)
{
	snprintf(text, HANG_GATE_TEXT,
		 "The largest load, %.4g N\u00b7m, is more than the cell's full scale of %.4g N\u00b7m. Check [cell] "
		 "full_scale "
		 "and the arm.",
		 value, w->from->rig->cell_full_scale_Nm);
}

static void put_words(struct wording *w, size_t i)
{
	static void (*const words[GATE_CHECKS])(const struct wording *w, double value, char *text) = {
		[GATE_RANGE] = range_words,       [GATE_SENSITIVITY] = sensitivity_words,
		[GATE_SIGN] = sign_words,         [GATE_SLIP] = slip_words,
		[GATE_RESIDUAL] = residual_words, [GATE_ZERO] = zero_words,
		[GATE_COUNTS] = counts_words,     [GATE_SPAN] = span_words,
		[GATE_AGREE] = agree_words,       [GATE_OVERLOAD] = overload_words,
	};
	const struct gate_finding *f = &w->gate->found.finding[i];

	words[f->check](w, f->value, w->gate->text[i]);
}

enum rc hang_gate_judge(const struct cellcal_input *in, const struct hang_gate_source *from, struct hang_gate *ret,
			struct err *err)
{
	const struct cellcal_gate_input g = { .in = in,
					      .pieces = from->pieces,
					      .n_pieces = from->n_pieces,
					      .piece_Nm = from->piece_Nm,
					      .full_scale_Nm = from->rig ? from->rig->cell_full_scale_Nm : NAN,
					      .most_count = most_count(from),
					      .full_scale_count =
						      from->counts && from->rig && from->rig->cell_full_scale_count > 0
							      ? from->rig->cell_full_scale_count
							      : NAN,
					      .must_rise = from->counts && from->rig };
	struct wording w = { in, from, ret };

	*ret = (struct hang_gate){ .next = "" };
	enum rc rc = cellcal_gate(&g, &ret->found, err);
	for (size_t i = 0; rc == RC_OK && i < ret->found.n; i++)
		put_words(&w, i);
	if (rc == RC_OK)
		doubt_words(&w, ret->doubt);
	return rc;
}

json_t *hang_gate_json(const struct hang_gate *gate)
{
	json_t *list = json_array();

	for (size_t i = 0; i < gate->found.n; i++)
		json_array_append_new(
			list, json_pack("{s:s, s:o, s:o, s:o}", "check", gate_word(gate->found.finding[i].check),
					"value", cli_real(gate->found.finding[i].value), "limit",
					cli_real(gate->found.finding[i].limit), "message", cli_text(gate->text[i])));
	return list;
}
