/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the gate says to people. What it finds is test_cellcal_gate's. */
#include "command/hang_gate.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

/* Pieces a, b, c, d of 1, 0.5, 1 and 1.5 kg at 10 N·m per kg, hung one after the other and taken off again, three times
 * over, at 1000 counts per N·m; each reading is off by a count to either side in turn. */
#define STEPS 9
#define N (3 * STEPS)
static const char *const name[] = { "a", "b", "c", "d" };
static const double piece_Nm[] = { 10, 5, 10, 15 }, load_Nm[] = { 0, 10, 15, 25, 40 };

struct scene {
	struct cellcal_reading reading[N];
	uint64_t pieces[N];
	struct cellcal_input in;
	struct rig_profile rig;
	struct hang_gate_source from;
	struct hang_gate gate;
};
static struct scene scene;

static void set_up(void)
{
	struct scene *s = &scene;

	*s = (struct scene){
		.in = { .readings = s->reading, .n = N, .model = CELLCAL_LINE },
		.rig = { .cell_full_scale_Nm = 60, .cell_saturation_count = 100000 },
		.from = { .rig = &s->rig,
			  .counts = true,
			  .guided = true,
			  .pieces = s->pieces,
			  .n_pieces = 4,
			  .piece_Nm = piece_Nm,
			  .piece_name = name,
			  .Nm_per_kg = 10 },
	};
	for (int i = 0; i < N; i++) {
		int step = i % STEPS, load = step < 5 ? step : 8 - step;
		s->reading[i] = (struct cellcal_reading){
			.series = i / STEPS + 1,
			.position = 1,
			.direction = step < 5 ? CELLCAL_UP : CELLCAL_DOWN,
			.load = { .torque_Nm = load_Nm[load] },
			.indication = 5000 + 1000 * load_Nm[load] + (i % 2 ? 1 : -1),
		};
		s->pieces[i] = (1u << load) - 1;
	}
}

static void judge(void)
{
	struct err err = { 0 };

	if (hang_gate_judge(&scene.in, &scene.from, &scene.gate, &err) != RC_OK)
		fail_msg("%s", err.what);
}

/* One of the findings is this check, and its words are these. */
static void found(enum gate_check check, const char *words)
{
	const struct hang_gate *g = &scene.gate;

	for (size_t i = 0; i < g->found.n; i++) {
		assert_null(strstr(g->text[i], "nan"));
		if (g->found.finding[i].check != check)
			continue;
		assert_string_equal(g->text[i], words);
		return;
	}
	fail_msg("no finding \"%s\"", gate_word(check));
}

static void a_sound_rig_is_told_nothing(void **state)
{
	(void)state;
	set_up();
	judge();
	assert_int_equal(scene.gate.found.n, 0);
	assert_true(scene.gate.found.usable);
	assert_string_equal(scene.gate.next, "");
	assert_string_equal(scene.gate.doubt, "");
}

/* The second load of the first series, 15 N·m, has the reading of another. */
static void one_wrong_load(void **state)
{
	(void)state;
	set_up();
	scene.reading[2].indication += 10000;
	judge();
	found(GATE_SLIP, "Series 1, rising, load 15.00 N\u00b7m (1.500 kg) looks wrong: its reading fits 25.00 "
			 "N\u00b7m (2.500 kg). The difference is one piece, a: it was hung as well there.");
	assert_string_equal(scene.gate.next, "See which weights hung there, then take that series again.");
	set_up();
	scene.reading[STEPS + 5].indication -= 10000; /* 25 N·m on the way down */
	judge();
	found(GATE_SLIP, "Series 2, falling, load 25.00 N\u00b7m (2.500 kg) looks wrong: its reading fits "
			 "15.00 N\u00b7m (1.500 kg). The difference is one piece, a: it was missing there.");
	set_up();
	scene.reading[2].indication += 4000;
	scene.from.Nm_per_kg = NAN;
	judge();
	found(GATE_SLIP, "Series 1, rising, load 15 N\u00b7m looks wrong: its reading fits 19 N\u00b7m.");
}

/* Piece b, which hangs from the second load on. */
static void piece_b(int series, double counts)
{
	for (int i = 0; i < N; i++)
		if ((scene.pieces[i] & 2) && (!series || scene.reading[i].series == series))
			scene.reading[i].indication += counts;
}

static void one_wrong_piece(void **state)
{
	(void)state;
	set_up();
	piece_b(0, 5000);
	judge();
	found(GATE_SLIP, "Piece b looks wrong in every series: its readings fit 1.000 kg, weights.ini says 0.500 kg.");
	assert_string_equal(scene.gate.next,
			    "Weigh that piece, or try weights.ini with it dropped or with the mass that fits.");
	set_up();
	piece_b(2, -5000);
	judge();
	found(GATE_SLIP, "Piece b looks missing in series 2: without its 0.500 kg the readings fit.");
	assert_string_equal(scene.gate.next, "See which weights hung there, then take that series again.");
}

/* 0.2 N·m of 40 N·m: half of what is refused. */
static void a_small_slip_is_a_doubt(void **state)
{
	(void)state;
	set_up();
	scene.reading[2].indication += 200;
	judge();
	assert_int_equal(scene.gate.found.n, 0);
	assert_string_equal(scene.gate.doubt,
			    "Series 1, rising, load 15.00 N\u00b7m (1.500 kg) looks wrong: its reading fits 15.20 "
			    "N\u00b7m (1.520 kg). See which weights hung there. No uncertainty here holds such an "
			    "error.");
	set_up();
	piece_b(0, 200);
	judge();
	assert_string_equal(
		scene.gate.doubt,
		"Piece b looks wrong in every series: its readings fit 0.520 kg, weights.ini says 0.500 kg. "
		"Weigh that piece before you use this calibration. No uncertainty here holds such an error.");
}

static void a_rising_load_has_to_raise_counts(void **state)
{
	(void)state;
	set_up();
	for (int i = 0; i < N; i++)
		scene.reading[i].indication *= -1;
	judge();
	found(GATE_SIGN, "The indication falls when the load rises. Reverse [cell] sign in rig.ini, or swap the cell's "
			 "signal wires.");
	scene.from.guided = false;
	judge();
	found(GATE_SIGN, "The indication falls when the load rises. Write counts times [cell] sign, or reverse [cell] "
			 "sign in rig.ini.");
	scene.from.rig = NULL; /* nobody says which way it should go */
	judge();
	assert_int_equal(scene.gate.found.n, 0);
}

/* The node's converter of 16 bits ends at 2^15 - 1; the empty arm reads 5000 counts, 40 N·m 45000. */
static void the_converter_s_range_is_the_smaller_of_two(void **state)
{
	(void)state;
	set_up();
	scene.from.converter_bits = 16;
	judge();
	found(GATE_RANGE,
	      "A reading of 45001 counts is beyond the end of the converter's range, 32767. Check the cell's "
	      "cable and the amplifier's gain.");
	set_up();
	scene.from.guided = false;
	scene.from.converter_bits = 24;
	scene.rig.cell_saturation_count = 40000;
	judge();
	found(GATE_RANGE,
	      "A reading of 45001 counts is beyond the end of the converter's range, 40000. Check the column "
	      "and its unit.");
	scene.from.counts = false; /* mV/V, say: no converter of ours */
	judge();
	assert_int_equal(scene.gate.found.n, 0);
}

static void figures_of_rig_ini_that_do_not_agree(void **state)
{
	(void)state;
	set_up();
	scene.rig.cell_full_scale_Nm = 30;
	judge();
	found(GATE_OVERLOAD, "The largest load, 40 N\u00b7m, is more than the cell's full scale of 30 N\u00b7m. Check "
			     "[cell] full_scale and the arm.");
	set_up();
	scene.rig.cell_full_scale_count = 20000; /* 60 N·m make 60000 */
	judge();
	found(GATE_AGREE, "By these readings the cell's full scale makes 6e+04 counts; [cell] full_scale_counts says "
			  "2e+04. Check [arm] length, the weights and [cell] full_scale.");
	scene.rig.cell_full_scale_count = 6000;
	judge();
	found(GATE_AGREE,
	      "By these readings the cell's full scale makes 6e+04 counts; [cell] full_scale_counts says "
	      "6e+03: a factor near 10: a lever or a weight with a digit too many, or kilograms for newtons "
	      "(9.81). Check [arm] length, the weights and [cell] full_scale.");
	set_up();
	scene.rig.cell_full_scale_Nm = 200; /* 200000 counts of 100000 */
	judge();
	found(GATE_SPAN,
	      "The cell's full scale, 200 N\u00b7m, would fill the converter to 200 %; expected 0.01 to 150 %. "
	      "Check [cell] full_scale, the arm and the weights.");
}

static void readings_that_are_no_calibration(void **state)
{
	(void)state;
	set_up();
	for (int i = 0; i < N; i++) /* 20 counts for all weights */
		scene.reading[i].indication = 0.5 * scene.reading[i].load.torque_Nm;
	judge();
	found(GATE_COUNTS, "All weights together change the indication by 20 counts; expected 40 or more. Check the "
			   "amplifier's gain and the cell's lever.");
	set_up();
	for (int i = 0; i < N; i++) /* only a wobble is left */
		scene.reading[i].indication = 5000 + (i % 2 ? 1000 : -1000);
	judge();
	found(GATE_SENSITIVITY,
	      "The indication does not follow the load: its sensitivity is zero within its uncertainty. "
	      "Did the weights hang when you pressed Enter, and is the cell connected?");
	scene.from.guided = false;
	judge();
	found(GATE_SENSITIVITY,
	      "The indication does not follow the load: its sensitivity is zero within its uncertainty. "
	      "Check that loads and readings belong together.");
	set_up();
	/* Each series ends 4000 counts off, which also takes 47 counts per N·m off the slope (4000 times -15.6 by
	 * 1322): 4000 / 953 = 4.2 N·m. */
	for (int i = 0; i < 3; i++)
		scene.reading[i * STEPS + 8].indication += 4000;
	judge();
	found(GATE_ZERO,
	      "The zero came back off by 10.5 % of the largest torque; expected 5 % or less. Look for an arm "
	      "that touches, or for a weight left on.");
}

/* y = 1000 T + 20 T^2, each reading less the first zero of its series. The least squares line through these 27 readings
 * (sums in Python) rises by 1749.58 counts per N·m and leaves the heaviest load 3.3715 N·m off, 8.43 % of 40 N·m. */
static void a_bent_cell_is_told_where(void **state)
{
	(void)state;
	set_up();
	for (int i = 0; i < N; i++)
		scene.reading[i].indication += 20 * pow(scene.reading[i].load.torque_Nm, 2);
	judge();
	found(GATE_RESIDUAL, "Series 1, rising, 40 N\u00b7m is 3.37 N\u00b7m off a straight line, 8.43 % of the "
			     "largest torque; expected 5 % or less.");
}

static void programs_read_the_same(void **state)
{
	(void)state;
	set_up();
	scene.rig.cell_full_scale_Nm = 30;
	judge();
	json_t *list = hang_gate_json(&scene.gate), *one = json_array_get(list, 0);
	assert_int_equal(json_array_size(list), 1);
	assert_string_equal(json_string_value(json_object_get(one, "check")), "overload");
	assert_string_equal(json_string_value(json_object_get(one, "message")), scene.gate.text[0]);
	assert_true(fabs(json_number_value(json_object_get(one, "value")) - 40) < 1e-9);
	assert_true(fabs(json_number_value(json_object_get(one, "limit")) - 30) < 1e-9);
	json_decref(list);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_sound_rig_is_told_nothing),
		cmocka_unit_test(one_wrong_load),
		cmocka_unit_test(one_wrong_piece),
		cmocka_unit_test(a_small_slip_is_a_doubt),
		cmocka_unit_test(a_rising_load_has_to_raise_counts),
		cmocka_unit_test(the_converter_s_range_is_the_smaller_of_two),
		cmocka_unit_test(figures_of_rig_ini_that_do_not_agree),
		cmocka_unit_test(readings_that_are_no_calibration),
		cmocka_unit_test(a_bent_cell_is_told_where),
		cmocka_unit_test(programs_read_the_same),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
