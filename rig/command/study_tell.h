/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A repeatability study for people, and its table. */
#ifndef BRIDLE_COMMAND_STUDY_TELL_H
#define BRIDLE_COMMAND_STUDY_TELL_H

#include "reports/reduce/study.h"

#include <stdio.h>

void study_print(const struct study *s);
/* One line a level and run: the values as they were analysed, with the level's results beside them. */
void study_table(FILE *f, const struct study *s);

#endif
