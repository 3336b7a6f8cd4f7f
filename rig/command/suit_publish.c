/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The figure and the page of one answer, in one folder. */
#include "command/suit.h"
#include "reports/page/report_write.h"
#include "reports/page/suit_page.h"
#include "reports/reduce/text.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

static void input(struct suit_input *list, size_t *n, const char *term, const char *format, ...) PRINTF_LIKE(4, 5);
static void input(struct suit_input *list, size_t *n, const char *term, const char *format, ...)
{
	va_list args;

	if (*n == SUIT_PAGE_INPUTS)
		return;
	list[*n].term = term;
	va_start(args, format);
	vsnprintf(list[*n].text, sizeof list[*n].text, format, args);
	va_end(args);
	(*n)++;
}

/* With the signs of units. */
static void signs(char *buf, size_t size, const char *text)
{
	char torque[600], inertia[600];

	text_swap(torque, sizeof torque, text, "N.m", "N·m");
	text_swap(inertia, sizeof inertia, torque, "kg.m2", "kg·m²");
	text_swap(buf, size, inertia, "degC", "°C");
}

static void typed(struct suit_input *list, size_t *n, const char *term, const char *text)
{
	char shown[600];

	if (!text)
		return;
	signs(shown, sizeof shown, text);
	input(list, n, term, "%s", shown);
}

/* A file with the run that it comes from. */
static void file(struct suit_input *list, size_t *n, const char *term, const char *path, const struct suit_run *run)
{
	if (!path)
		return;
	input(list, n, term, "%s%s%s%s%s%s%s%s", suit_page_file(path), run->id[0] ? ", " : "", run->id,
	      run->actuator[0] ? ", of " : "", run->actuator, run->digest[0] ? ", digest of the run " : "", run->digest,
	      run->on_bench ? ", from a virtual bench" : "");
}

static void of_joint(const struct suit_wanted *w, const struct suit_case *c, struct suit_page *p)
{
	char arm[400] = "", shown[440];

	if (w->arm && suit_arm_text(w->arm, arm, sizeof arm, NULL) == RC_OK) {
		signs(shown, sizeof shown, arm);
		input(p->input, &p->n_inputs, "Duty", "%.100s: %s", suit_page_file(w->arm), shown);
	} else {
		input(p->input, &p->n_inputs, "Duty", "%s, %zu rows%s", suit_page_file(w->from ? w->from : w->arm),
		      c->duty.n, w->one_way ? "; it goes on from where it ends" : "");
	}
	typed(p->input, &p->n_inputs, "Ambient temperature", w->ambient);
	typed(p->input, &p->n_inputs, "Supply voltage", w->voltage);
	typed(p->input, &p->n_inputs, "Supply current, most", w->supply_A);
	typed(p->input, &p->n_inputs, "Supply power, most", w->supply_W);
	input(p->input, &p->n_inputs, "Power coming back",
	      w->any_brake ? "the supply takes it" : "the supply takes none (--takes-back was not given)");
	typed(p->input, &p->n_inputs, "Reach", w->reach);
	typed(p->input, &p->n_inputs, "Tip error, most", w->tip);
}

/* What the thermal file tells where nothing was typed. */
static void temperature(struct suit_page_case *to, const char *term, const char *text, double of_file_degC)
{
	if (text)
		typed(to->input, &to->n_inputs, term, text);
	else if (of_file_degC > -300)
		input(to->input, &to->n_inputs, term, "%.4g °C (of the thermal file)", of_file_degC);
}

static void of_actuator(const struct suit_case *c, struct suit_page_case *to)
{
	const struct suit_wanted *w = c->wanted;

	*to = (struct suit_page_case){ .name = c->name,
				       .on_bench = suit_on_bench(c),
				       .found = &c->found,
				       .duty = &c->duty,
				       .curve = &c->curve,
				       .curve_file = w->curve ? w->curve : "",
				       .thermal_file = w->thermal ? w->thermal : "" };
	file(to->input, &to->n_inputs, "Curve", w->curve, &c->curve_run);
	file(to->input, &to->n_inputs, "Thermal model", w->thermal, &c->thermal.run);
	typed(to->input, &to->n_inputs, "Rotor inertia",
	      w->inertia ? w->inertia : "none, --rotor-inertia was not given");
	typed(to->input, &to->n_inputs, "Ratio", w->ratio);
	if (w->thermal) {
		temperature(to, "Limit of temperature", w->limit, c->thermal.limit_degC);
		if (!w->ambient)
			temperature(to, "Ambient temperature", NULL, c->thermal.ambient_degC);
	}
	typed(to->input, &to->n_inputs, "Efficiency", w->efficiency);
	typed(to->input, &to->n_inputs, "Play", w->play);
	typed(to->input, &to->n_inputs, "Stiffness", w->stiffness);
}

static void name_page(const struct suit_wanted *w, const struct suit_case *c, size_t n, struct suit_page *p)
{
	const char *joint = suit_page_file(w->arm ? w->arm : w->from);
	const char *actuator = c->curve_run.actuator[0] ? c->curve_run.actuator : c->thermal.run.actuator;

	if (n > 1)
		snprintf(p->subject, sizeof p->subject, "Which of %zu actuators carries the joint of %.100s?", n,
			 joint);
	else
		snprintf(p->subject, sizeof p->subject, "Does %.90s carry the joint of %.60s?",
			 c->name[0]    ? c->name
			 : actuator[0] ? actuator
				       : "the actuator",
			 joint);
	if (w->actuators)
		snprintf(p->source, sizeof p->source, "Actuators of %.160s", suit_page_file(w->actuators));
	else
		snprintf(p->source, sizeof p->source, "Curve of %.160s%s%s", suit_page_file(w->curve),
			 c->curve_run.id[0] ? ", " : "", c->curve_run.id);
}

/* Rows of an answer with more actuators that was there before. */
static void remove_old(const char *dir, size_t n)
{
	static const char *const names[] = { "cycle", "curve" };
	char path[FILES_PATH];

	for (size_t k = n + 1; k <= SUIT_ACTUATORS; k++)
		for (size_t i = 0; i < 2; i++)
			if (snprintf(path, sizeof path, "%s/%s-%zu.csv", dir, names[i], k) < (int)sizeof path)
				unlink(path);
}

static enum rc write_all(const struct suit_page *p, const char *dir, const struct suit_case *c, size_t n,
			 struct err *err)
{
	remove_old(dir, n);
	enum rc rc = suit_figure(dir, c, n, err);
	if (rc == RC_OK)
		rc = suit_page_write(p, dir, true, err);
	if (rc != RC_OK) /* beside the new rows stands no page of before */
		(void)!suit_page_write(p, dir, false, NULL);
	return rc;
}

enum rc suit_publish(const char *dir, const struct suit_case *c, size_t n, struct err *err)
{
	struct suit_page *p = calloc(1, sizeof *p);
	int taken;

	if (!p)
		return err_set(err, RC_NOMEM, 0, "out of memory for the page");
	of_joint(c->wanted, c, p);
	name_page(c->wanted, c, n, p);
	p->figure_px = suit_figure_px(n);
	for (p->n = 0; p->n < n; p->n++)
		of_actuator(&c[p->n], &p->one[p->n]);
	enum rc rc = files_take_dir(dir, &taken, err);
	if (rc == RC_OK)
		rc = write_all(p, dir, c, n, err);
	files_give_dir(taken);
	free(p);
	return rc;
}
