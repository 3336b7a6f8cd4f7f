/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/page_private.h"
#include "reports/page/report_write.h"

#include <setjmp.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <ctype.h>

#include "tests/unit/reports/made_run.h"
#include "tests/unit/reports/page/written.h"

static const char nasty_actuator[] =
	"[actuator]\nname = <script>\"x\" & 'y'\nratio = 36\n"
	"[limits]\ntorque = 50 N.m\nspeed = 150 rpm\ncurrent = 20 A\ncase = 80 degC\nwinding = 120 degC\n"
	"[drive]\ndropout = 36 V\n[claims]\nrated_torque = 20 N.m @ 80 rpm\npeak_torque = 25 N.m\n";

static bool begins_with(const char *s, const char *word)
{
	return strncmp(s, word, strlen(word)) == 0;
}

static void assert_nothing_from_outside(const char *html)
{
	static const char *const outside[] = { "http:", "https:",  "//",    "src=",
					       "<link", "@import", "url(h", "javascript" };

	for (size_t i = 0; i < sizeof outside / sizeof outside[0]; i++)
		if (strstr(html, outside[i]))
			fail_msg("the page holds \"%s\": %.60s", outside[i], strstr(html, outside[i]));
	/* the page's own two scripts and no other: the numbers, and what reads them */
	size_t own = 0;
	for (const char *s = strstr(html, "<script"); s; s = strstr(s + 1, "<script"), own++)
		assert_true(begins_with(s, "<script type=\"application/json\" id=\"curves-points\">{") ||
			    begins_with(s, "<script>\n(function(){\n"));
	assert_int_equal(own, 2);
	/* every reference is to an id of the page itself, or to a file beside it */
	for (const char *s = strstr(html, "href="); s; s = strstr(s + 5, "href=")) {
		size_t n = strspn(s + 6, "abcdefghijklmnopqrstuvwxyz-.");
		assert_true(s[6] == '#' || (n > 4 && s[6 + n] == '"' && s[6] != '.'));
	}
}

static struct report *made_report(struct made *m)
{
	struct err err = { 0 };
	struct report *r = NULL;

	made_run(m);
	if (report_of_run(m->lb, m->run_id, &r, &err) != RC_OK)
		fail_msg("%s", err.what);
	return r;
}

static void clear(const char *dir)
{
	char command[300];
	snprintf(command, sizeof command, "rm -rf %s", dir);
	assert_int_equal(system(command), 0);
}

static void the_page_is_whole_and_says_what_it_must(void **state)
{
	static const char *const must[] = {
		"&lt;script&gt;&quot;x&quot; &amp; &#39;y&#39;",
		"How sure",
		"What limited it",
		"supply-limited",
		"undecided",
		"confirmed",
		"Uncertainty budget",
		"arm length",
		"Method",
		"Calibration",
		"Conditions",
		"Cautions",
		"software is not the emergency stop",
		"±",
		"Made rig",
	};
	struct made m = { .seed = 8,
			  .n_steps = 3,
			  .window_s = 3,
			  .actuator_text = nasty_actuator,
			  .step = { { 10, 85, 48, 3, 0.3, 1, false },
				    { 20, 85, 47.8, 6, 0.5, 1, false },
				    { 24, 70, 40, 12, 0.7, 1, false } } };
	char dir[100];
	struct err err = { 0 };
	(void)state;

	snprintf(dir, sizeof dir, "/tmp/bridle-page-%d/a/b", (int)getpid());
	struct report *r = made_report(&m);
	if (report_write(r, dir, true, &err) != RC_OK)
		fail_msg("%s", err.what);
	char *html = slurp(dir, "report.html"), *csv = slurp(dir, "points.csv"), *json = slurp(dir, "report.json");
	assert_non_null(html);
	assert_non_null(csv);
	assert_non_null(json);
	assert_well_formed(html);
	assert_nothing_from_outside(html);
	for (size_t i = 0; i < sizeof must / sizeof must[0]; i++)
		if (!strstr(html, must[i]))
			fail_msg("the page does not say \"%s\"", must[i]);
	/* steps count from 1 in every file; a temperature stands under its own name */
	assert_non_null(strstr(csv, "\n1,up,"));
	assert_null(strstr(csv, "\n0,"));
	assert_non_null(strstr(json, "\"step\": 1,"));
	assert_null(strstr(json, "\"step\": 0,"));
	assert_non_null(strstr(html, ">Case<br>"));
	/* no number is left as nan or inf */
	assert_null(strstr(html, "nan"));
	assert_null(strstr(csv, "nan"));
	assert_null(strstr(html, ">inf"));
	for (const char *const *name = (const char *const[]){ "curves.svg", "curves.png", "time.svg", "curves.pdf",
							      "figures.gp", "trace.csv", NULL };
	     *name; name++) {
		char *file = slurp(dir, *name);
		if (file == NULL || file[0] == '\0')
			fail_msg("%s is missing or empty", *name);
		free(file);
	}
	free(html);
	free(csv);
	free(json);
	report_free(r);
	made_free(&m);
	snprintf(dir, sizeof dir, "/tmp/bridle-page-%d", (int)getpid());
	clear(dir);
}

static void svg_goes_in_with_ids_of_its_own(void **state)
{
	char *buf = NULL;
	size_t n = 0;
	FILE *f = open_memstream(&buf, &n);
	(void)state;

	assert_true(page_svg(
		f,
		"<?xml version=\"1.0\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\"><title>Gnuplot</title><g id=\"a\"/>"
		"<use xlink:href='#a'/><path fill='url(#a)'/></svg>",
		"one-", "A & B"));
	fclose(f);
	assert_string_equal(buf,
			    "<svg role=\"img\" ><title>A &amp; B</title><g id=\"one-a\"/><use xlink:href='#one-a'/>"
			    "<path fill='url(#one-a)'/></svg>");
	free(buf);
	f = open_memstream(&buf, &n);
	assert_false(page_svg(f, "no picture", "p", "t"));
	fclose(f);
	free(buf);
}

static void what_cannot_be_written_is_said(void **state)
{
	struct made m = { .seed = 9, .n_steps = 1, .window_s = 2, .step = { { 10, 85, 48, 3, 0.3, 1, false } } };
	struct err err = { 0 };
	(void)state;

	struct report *r = made_report(&m);
	assert_int_equal(report_write(r, "/dev/null/here", false, &err), RC_IO);
	assert_non_null(strstr(err.what, "/dev/null"));
	report_free(r);
	made_free(&m);
}

/* A disk that is full: no half of a page lies there. */
static void a_page_that_cannot_be_written_whole_is_not_there(void **state)
{
	struct rlimit was, small;
	struct page_file page;
	struct err err = { 0 };
	struct stat st;
	char name[40];
	(void)state;

	snprintf(name, sizeof name, "bridle-half-%d.html", (int)getpid());
	assert_int_equal(page_open(&page, "/tmp", name, &err), RC_OK);
	for (int i = 0; i < 10000; i++)
		fputs("<p>-1 W</p>\n", page.f);
	signal(SIGXFSZ, SIG_IGN);
	assert_int_equal(getrlimit(RLIMIT_FSIZE, &was), 0);
	small = (struct rlimit){ 8192, was.rlim_max };
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
	assert_int_equal(page_close(&page, RC_OK, &err), RC_IO);
	assert_int_equal(setrlimit(RLIMIT_FSIZE, &was), 0);
	assert_non_null(strstr(err.what, "could not be written whole"));
	assert_int_not_equal(stat(page.path, &st), 0);
}

/* In a folder that others may write to, a link in the place of a file must not lead to somebody's file. */
static void no_file_is_written_through_a_link(void **state)
{
	struct made m = { .seed = 9, .n_steps = 1, .window_s = 2, .step = { { 10, 85, 48, 3, 0.3, 1, false } } };
	static const char *const names[] = { "report.html", "points.csv", "report.json", "figures.gp" };
	char dir[100], kept[140], link_path[140];
	struct err err = { 0 };
	struct stat st;
	(void)state;

	snprintf(dir, sizeof dir, "/tmp/bridle-link-%d", (int)getpid());
	snprintf(kept, sizeof kept, "%s/kept", dir);
	struct report *r = made_report(&m);
	for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
		mkdir(dir, 0755);
		FILE *f = fopen(kept, "w");
		fputs("mine", f);
		fclose(f);
		snprintf(link_path, sizeof link_path, "%s/%s", dir, names[i]);
		unlink(link_path);
		assert_int_equal(symlink("kept", link_path), 0);
		assert_int_equal(report_write(r, dir, false, &err), RC_IO);
		assert_int_equal(stat(kept, &st), 0);
		assert_int_equal(st.st_size, 4);
		clear(dir);
	}
	mkdir(dir, 0755);
	FILE *f = fopen(kept, "w");
	fputs("mine", f);
	fclose(f);
	snprintf(link_path, sizeof link_path, "%s/curves.svg", dir);
	assert_int_equal(symlink("kept", link_path), 0);
	assert_int_equal(report_write(r, dir, true, &err), RC_OK);
	assert_int_equal(stat(kept, &st), 0);
	assert_int_equal(st.st_size, 4);
	snprintf(link_path, sizeof link_path, "%s/report.html", dir);
	assert_int_equal(stat(link_path, &st), 0);
	assert_int_equal(st.st_mode & 07, 0); /* nothing for others */
	clear(dir);
	report_free(r);
	made_free(&m);
}

/* The least that was shown is one number, in the column and in the sentence beside it. */
static void a_lower_bound_is_the_same_in_column_and_sentence(void **state)
{
	struct made m = { .seed = 9, .n_steps = 1, .window_s = 2, .step = { { 10, 85, 48, 3, 0.3, 1, false } } };
	struct report *r = made_report(&m);
	size_t size;
	char *page;
	FILE *f = open_memstream(&page, &size);
	struct claim_check k = {
		.claim = "peak efficiency 72 %",
		.quantity = "efficiency",
		.unit = "%",
		.lower_bound = true,
		.low = 0.7142,
		.high = NAN,
		.measured = unc_with(r->curve->ctx, unc_exact(0.7149),
				     unc_source(r->curve->ctx, "a test", DIST_NORMAL, INFINITY), 0.0018),
		.probability = NAN,
		.why = "It reached at least 71.42 %.",
	};
	(void)state;

	r->claims[0] = k;
	r->n_claims = 1;
	page_claims(f, r);
	fclose(f);
	assert_non_null(strstr(page, "at least 71.42"));
	assert_null(strstr(page, "71.49"));
	free(page);
	report_free(r);
	made_free(&m);
}

/* No loss is below zero: a part that surely is speaks against the model, one that may be zero does not. */
static void a_loss_below_zero_is_said_to_be_none(void **state)
{
	struct made m = { .seed = 9, .n_steps = 1, .window_s = 2, .step = { { 10, 85, 48, 3, 0.3, 1, false } } };
	struct report *r = made_report(&m);
	struct unc_ctx *ctx = r->curve->ctx;
	uint32_t source = unc_source(ctx, "a test", DIST_NORMAL, INFINITY);
	size_t size;
	char *page;
	(void)state;

	for (int surely = 0; surely < 2; surely++) {
		FILE *f = open_memstream(&page, &size);
		r->losses = (struct losses){ .n = 5, .known = true, .fixed_W = unc_exact(20) };
		r->losses.in_step_W_per_Nm = unc_with(ctx, unc_exact(-2), source, surely ? 0.2 : 2);
		r->losses.square_W_per_Nm2 = unc_exact(0.1);
		page_losses(f, r);
		fclose(f);
		assert_int_equal(strstr(page, "Below zero by more than its ±: a. No loss is.") != NULL, surely);
		free(page);
	}
	report_free(r);
	made_free(&m);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_lower_bound_is_the_same_in_column_and_sentence),
		cmocka_unit_test(the_page_is_whole_and_says_what_it_must),
		cmocka_unit_test(svg_goes_in_with_ids_of_its_own),
		cmocka_unit_test(what_cannot_be_written_is_said),
		cmocka_unit_test(a_page_that_cannot_be_written_whole_is_not_there),
		cmocka_unit_test(no_file_is_written_through_a_link),
		cmocka_unit_test(a_loss_below_zero_is_said_to_be_none),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
