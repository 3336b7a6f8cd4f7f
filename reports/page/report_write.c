/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/report_write.h"

#include <stdio.h>
#include <unistd.h>

/* Beside the new tables stands no page of before. */
static void page_alone(const struct report *report, const char *dir, const struct figures *figures)
{
	struct report without = *report;

	without.pdf = false;
	(void)!page_write(&without, dir, figures, NULL);
}

/* Nor one on paper. */
static void remove_print(const char *dir)
{
	char path[FILES_PATH];

	if (snprintf(path, sizeof path, "%s/" PAGE_PDF, dir) < (int)sizeof path)
		unlink(path);
}

static enum rc print(const struct report *report, const char *dir, const struct figures *figures, struct err *err)
{
	enum rc rc = page_print(dir, report->run.wall_ns, err);

	if (rc != RC_OK)
		page_alone(report, dir, figures);
	return rc;
}

static enum rc write_all(const struct report *report, const char *dir, bool with_figures, struct err *err)
{
	struct figures figures = { 0 };
	remove_print(dir);
	enum rc rc = files_write_tables(report, dir, err);

	if (rc == RC_OK)
		rc = files_write_json(report, dir, err);
	if (rc != RC_OK)
		return rc;
	rc = figures_write(report, dir, with_figures, &figures, err);
	if (rc == RC_OK)
		rc = page_write(report, dir, with_figures ? &figures : NULL, err);
	if (rc != RC_OK)
		page_alone(report, dir, NULL);
	if (rc == RC_OK && report->pdf)
		rc = print(report, dir, with_figures ? &figures : NULL, err);
	return rc;
}

enum rc report_write(const struct report *report, const char *dir, bool with_figures, struct err *err)
{
	int taken;
	enum rc rc = files_take_dir(dir, &taken, err);

	if (rc == RC_OK)
		rc = write_all(report, dir, with_figures, err);
	files_give_dir(taken);
	return rc;
}
