/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The files of docs/examples as they were at build time: whole rigs, each a bench folder. */
#ifndef BRIDLE_COMMAND_EXAMPLE_H
#define BRIDLE_COMMAND_EXAMPLE_H

#include <stddef.h>

struct example_file {
	const char *example; /* "heron-lock" */
	const char *name;    /* "plans/gentle.ini" */
	const char *text;
};
extern const struct example_file example_files[];
extern const size_t example_file_count;

#endif
