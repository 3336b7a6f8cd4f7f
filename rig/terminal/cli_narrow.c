/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli_narrow_private.h"
#include "terminal/cli.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define INDENT 4

struct narrow {
	size_t n;
	char line[4000];
};

static void put(const char *s, size_t n)
{
	while (n > 0) {
		ssize_t done = write(STDOUT_FILENO, s, n);
		if (done <= 0)
			return;
		s += done;
		n -= (size_t)done;
	}
}

static bool begins_character(char c)
{
	return ((unsigned char)c & 0xC0) != 0x80;
}

/* Bytes of the longest beginning that fits and ends before a blank; all of it when none does. */
static size_t fitting(const char *s, size_t n, int most)
{
	int columns = 0;
	size_t blank = 0;
	bool word = false;

	for (size_t i = 0; i < n; i++) {
		columns += begins_character(s[i]);
		if (s[i] == ' ' && word && s[i - 1] != ' ')
			blank = i;
		word = word || s[i] != ' ';
		if (columns > most && blank > 0)
			return blank;
	}
	return n;
}

size_t cli_narrow_line(const char *line, size_t n, int most, void (*out)(const char *s, size_t n))
{
	size_t rows = 0;

	for (int room = most;; room = most - INDENT) {
		size_t take = fitting(line, n, room);
		if (rows++ > 0)
			out("    ", INDENT);
		out(line, take);
		out("\n", 1);
		line += take;
		n -= take;
		while (n > 0 && *line == ' ') {
			line++;
			n--;
		}
		if (n == 0)
			return rows;
	}
}

static ssize_t take(void *cookie, const char *s, size_t size)
{
	struct narrow *w = cookie;

	for (size_t i = 0; i < size; i++) {
		if (s[i] != '\n' && w->n < sizeof w->line)
			w->line[w->n++] = s[i];
		if (s[i] != '\n')
			continue;
		cli_narrow_line(w->line, w->n, cli_width(), put);
		w->n = 0;
	}
	return (ssize_t)size;
}

/* stdout is one for the life of the program, and so is this. */
void cli_narrow_stdout(void)
{
	static struct narrow narrow;
	static FILE *wrapping;

	if (wrapping)
		return;
	wrapping = isatty(STDOUT_FILENO) ? fopencookie(&narrow, "w", (cookie_io_functions_t){ .write = take }) : NULL;

	if (!wrapping)
		return;
	setvbuf(wrapping, NULL, _IOLBF, 0);
	stdout = wrapping;
}
