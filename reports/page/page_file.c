/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/report_write.h"
#include "reports/reduce/text.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum rc page_open(struct page_file *ret, const char *dir, const char *name, struct err *err)
{
	int n = snprintf(ret->path, sizeof ret->path, "%s/%s", dir, name);

	ret->text = NULL;
	if (n < 0 || (size_t)n >= sizeof ret->path)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
	ret->f = open_memstream(&ret->text, &ret->size);
	return ret->f ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for the page %s", name);
}

/* Elements whose text is no prose: it stays as it is. */
static const char *const kept[] = { "script", "style", "code", "pre" };

/* Past the element that begins at s, when it is one of them; else past its tag. */
static const char *tag_end(const char *s)
{
	char end[16];

	for (size_t i = 0; i < sizeof kept / sizeof kept[0]; i++) {
		size_t n = strlen(kept[i]);
		if (strncmp(s + 1, kept[i], n) != 0 || !strchr(" >", s[1 + n]))
			continue;
		snprintf(end, sizeof end, "</%s>", kept[i]);
		const char *found = strstr(s, end);
		return found ? found + strlen(end) : s + strlen(s);
	}
	const char *found = strchr(s, '>');
	return found ? found + 1 : s + strlen(s);
}

static void write_with_signs(FILE *f, const char *text)
{
	while (*text) {
		size_t words = strcspn(text, "<");
		text_signs(f, text, words);
		text += words;
		if (*text == '\0')
			return;
		const char *end = tag_end(text);
		fwrite(text, 1, (size_t)(end - text), f);
		text = end;
	}
}

enum rc page_close(struct page_file *p, enum rc rc, struct err *err)
{
	int failed = ferror(p->f);

	if ((fclose(p->f) != 0 || failed) && rc == RC_OK)
		rc = err_set(err, RC_NOMEM, 0, "out of memory for the page %s", p->path);
	FILE *f = rc == RC_OK ? files_create(p->path) : NULL;
	if (rc == RC_OK && f == NULL)
		rc = err_set(err, RC_IO, errno, "%s cannot be written: %s", p->path, files_why(errno));
	if (f != NULL) {
		write_with_signs(f, p->text);
		rc = files_close(f, p->path, err);
		if (rc != RC_OK)
			unlink(p->path);
	}
	free(p->text);
	return rc;
}
