/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a function prints, caught in a file. After cmocka.h. */
#ifndef BRIDLE_TESTS_CAUGHT_H
#define BRIDLE_TESTS_CAUGHT_H

#include <stdio.h>
#include <unistd.h>

struct caught {
	int out, err; /* those of before */
	FILE *file;
};

/* err_fd: what standard error is meanwhile, which tells the width of the terminal; -1: the file. */
static inline void caught_begin(struct caught *c, int err_fd)
{
	fflush(NULL);
	c->file = tmpfile();
	assert_non_null(c->file);
	c->out = dup(STDOUT_FILENO);
	c->err = dup(STDERR_FILENO);
	assert_true(c->out >= 0 && c->err >= 0);
	dup2(fileno(c->file), STDOUT_FILENO);
	dup2(err_fd >= 0 ? err_fd : fileno(c->file), STDERR_FILENO);
}

static inline void caught_end(struct caught *c, char *text, size_t size)
{
	fflush(NULL);
	dup2(c->out, STDOUT_FILENO);
	dup2(c->err, STDERR_FILENO);
	close(c->out);
	close(c->err);
	rewind(c->file);
	size_t n = fread(text, 1, size - 1, c->file);
	text[n] = '\0';
	fclose(c->file);
}

/* Columns of the widest line: no sign in use is wide or combining. */
static inline int caught_width(const char *text)
{
	int most = 0, n = 0;

	for (; *text; text++) {
		n = *text == '\n' ? 0 : n + ((*text & 0xC0) != 0x80);
		most = n > most ? n : most;
	}
	return most;
}

#endif
