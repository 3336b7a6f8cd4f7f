/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/procedure_files.h"
#include "reports/page/report_write.h"
#include "reports/page/table_cells.h"
#include "reports/reduce/text.h"
#include "channel/event.h"

#include <errno.h>
#include <unistd.h>
#include <fcntl.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>

FILE *files_create(const char *path)
{
	int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW | O_CLOEXEC, 0640);
	FILE *f = fd >= 0 ? fdopen(fd, "w") : NULL;

	if (fd >= 0 && f == NULL)
		close(fd);
	return f;
}

const char *files_why(int number)
{
	return number == ELOOP ? "it is a link; remove it, or name a plain file" : strerror(number);
}

enum rc files_open(const char *dir, const char *name, char path[FILES_PATH], FILE **ret, struct err *err)
{
	int n = snprintf(path, FILES_PATH, "%s/%s", dir, name);

	if (n < 0 || n >= FILES_PATH)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
	*ret = files_create(path);
	if (*ret == NULL)
		return err_set(err, RC_IO, errno, "%s cannot be written: %s", path, files_why(errno));
	return RC_OK;
}

enum rc files_close(FILE *f, const char *path, struct err *err)
{
	int failed = ferror(f);

	if (fclose(f) != 0 || failed)
		return err_set(err, RC_IO, errno, "%s could not be written whole: %s", path, strerror(errno));
	return RC_OK;
}

enum rc files_make_dir(const char *dir, struct err *err)
{
	char path[FILES_PATH];
	struct stat st;

	if (strlen(dir) >= sizeof path)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
	strcpy(path, dir);
	for (char *c = path + 1;; c++) {
		if (*c != '/' && *c != '\0')
			continue;
		char was = *c;
		*c = '\0';
		if (mkdir(path, 0777) != 0 && errno != EEXIST)
			return err_set(err, RC_IO, errno, "folder %s cannot be made: %s", path, strerror(errno));
		if (was == '\0')
			break;
		*c = was;
	}
	if (stat(path, &st) != 0 || !S_ISDIR(st.st_mode))
		return err_set(err, RC_IO, 0, "%s is there but is not a folder", path);
	return RC_OK;
}

enum rc files_take_dir(const char *dir, int *ret, struct err *err)
{
	enum rc rc = files_make_dir(dir, err);

	*ret = rc == RC_OK ? open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC) : -1;
	while (*ret >= 0 && flock(*ret, LOCK_EX) != 0 && errno == EINTR)
		;
	return rc;
}

void files_give_dir(int taken)
{
	if (taken >= 0)
		close(taken);
}

static void unc_columns(FILE *f, const struct curve *c, struct unc x)
{
	bool known = isfinite(x.value);

	table_number(f, x.value);
	table_number(f, known ? unc_u(x) : NAN);
	table_number(f, known ? unc_expanded(c->ctx, x, c->coverage, NULL) : NAN);
}

static void write_points(FILE *f, const struct curve *c)
{
	static const char *const names[] = { "torque (N m)", "speed (rpm)",     "shaft power (W)", "voltage (V)",
					     "current (A)",  "input power (W)", "efficiency (1)" };

	fputs("step,direction,repeat,settled,limit", f);
	for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
		fprintf(f, ",%s,u %s,U %s", names[i], names[i], names[i]);
	fputs(",scatter torque (N m),scatter speed (rpm),scatter shaft power (W),scatter voltage (V),scatter current "
	      "(A),scatter input power (W),scatter "
	      "efficiency (1),brake current (A),brake temperature (degC),case temperature (degC),winding temperature "
	      "(degC),"
	      "ambient temperature (degC),begin (s),end (s),outlier,impossible,note,cell temperature (degC),speed set "
	      "(rpm),search,at limit\n",
	      f);
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		fprintf(f, "%d,%s,%s,%s,%s", p->step + 1,
			p->direction > 0   ? "up"
			: p->direction < 0 ? "down"
					   : "none",
			p->flags & POINT_REPEAT ? "yes" : "no", p->settled ? "yes" : "no", limit_word(p->limit));
		unc_columns(f, c, p->torque_Nm);
		unc_columns(f, c, p->speed_rpm);
		unc_columns(f, c, p->shaft_power_W);
		unc_columns(f, c, p->voltage_V);
		unc_columns(f, c, p->current_A);
		unc_columns(f, c, p->input_power_W);
		unc_columns(f, c, p->efficiency_valid || p->impossible ? p->efficiency : (struct unc){ .value = NAN });
		table_number(f, p->scatter_Nm);
		table_number(f, p->scatter_rpm);
		table_number(f, p->scatter_shaft_W);
		table_number(f, p->scatter_V);
		table_number(f, p->scatter_A);
		table_number(f, p->scatter_input_W);
		table_number(f, p->efficiency_valid ? p->scatter_efficiency : NAN);
		table_number(f, p->brake_A);
		table_number(f, p->brake_degC);
		table_number(f, p->case_degC);
		table_number(f, p->winding_degC);
		table_number(f, p->ambient_degC);
		table_number(f, p->begin_s);
		table_number(f, p->end_s);
		fprintf(f, ",%s,%s", p->outlier ? "yes" : "no", p->impossible ? "yes" : "no");
		fputc(',', f);
		table_text(f, p->note[0] ? p->note : p->limit_note);
		table_number(f, p->cell_degC);
		table_number(f, p->setpoint_rpm);
		fprintf(f, ",%s,%s\n", p->flags & POINT_SEARCH ? "yes" : "no", p->at_limit ? "yes" : "no");
	}
}

static void write_calibration(FILE *f, const struct report *r)
{
	fputs("series,direction,torque (N m),residual (N m),outlier\n", f);
	for (size_t i = 0; i < r->n_cal_points; i++) {
		const struct cal_point *p = &r->cal_points[i];
		fprintf(f, "%d,%s,%.10g,%.10g,%s\n", p->series, p->down ? "down" : "up", p->torque_Nm, p->residual_Nm,
			p->outlier ? "yes" : "no");
	}
}

static void write_map(FILE *f, const struct brakemap *m)
{
	fputs("branch,current (A),torque (N m),u torque (N m)\n", f);
	for (int b = 0; b < 2; b++)
		for (size_t i = 0; i < m->branch[b].n; i++)
			fprintf(f, "%s,%.10g,%.10g,%.10g\n", b == BRAKEMAP_RISING ? "rising" : "falling",
				m->branch[b].current_A[i], m->branch[b].torque_Nm[i], m->branch[b].u_torque_Nm[i]);
}

static void write_trace(FILE *f, const struct trace *t)
{
	static const char *const names[TRACE_CHANNELS] = {
		[TRACE_TORQUE] = "torque (N m)",       [TRACE_SPEED] = "speed (rpm)",
		[TRACE_VOLT] = "voltage (V)",          [TRACE_AMP] = "current (A)",
		[TRACE_BRAKE_A] = "brake current (A)", [TRACE_CASE] = "case (degC)",
		[TRACE_WINDING] = "winding (degC)",    [TRACE_BRAKE] = "brake (degC)",
		[TRACE_AMBIENT] = "ambient (degC)",
	};

	fputs("time (s)", f);
	for (int c = 0; c < TRACE_CHANNELS; c++)
		fprintf(f, ",%s,lowest %s,highest %s", names[c], names[c], names[c]);
	fputc('\n', f);
	for (size_t i = 0; i < t->n; i++) {
		fprintf(f, "%.6g", ((double)i + 0.5) * t->width_s);
		for (int c = 0; c < TRACE_CHANNELS; c++) {
			const struct trace_value *v = &t->bin[i][c];
			table_number(f, trace_mean(t, i, (enum trace_channel)c));
			table_number(f, v->n ? v->low : NAN);
			table_number(f, v->n ? v->high : NAN);
		}
		fputc('\n', f);
	}
}

enum rc files_write_tables(const struct report *r, const char *dir, struct err *err)
{
	const char *names[] = { "points.csv", "calibration.csv", "brake-map.csv", "trace.csv" };
	const bool wanted[] = { r->curve != NULL, r->n_cal_points > 0, r->has_map, r->trace.n > 1 };
	char path[FILES_PATH];
	FILE *f = NULL;

	if (r->procedure.kind)
		return procedure_tables(r, dir, err);
	for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
		if (!wanted[i])
			continue;
		enum rc rc = files_open(dir, names[i], path, &f, err);
		if (rc != RC_OK)
			return rc;
		switch (i) {
		case 0: write_points(f, r->curve); break;
		case 1: write_calibration(f, r); break;
		case 2: write_map(f, &r->map); break;
		default: write_trace(f, &r->trace); break;
		}
		rc = files_close(f, path, err);
		if (rc != RC_OK)
			return rc;
	}
	return RC_OK;
}

enum rc files_write_json(const struct report *r, const char *dir, struct err *err)
{
	char path[FILES_PATH];
	FILE *f = NULL;
	json_t *doc = report_to_json(r);

	if (doc == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = files_open(dir, "report.json", path, &f, err);
	if (rc == RC_OK) {
		if (json_dumpf(doc, f, JSON_INDENT(2) | JSON_REAL_PRECISION(17)) != 0)
			rc = err_set(err, RC_IO, errno, "%s could not be written", path);
		fputc('\n', f);
		enum rc closed = files_close(f, path, rc == RC_OK ? err : NULL);
		rc = rc == RC_OK ? closed : rc;
	}
	json_decref(doc);
	return rc;
}
