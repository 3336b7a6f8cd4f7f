/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive's speed that is wrong by a factor has most often the unit or the side of another: which one, in words. */
#ifndef BRIDLE_RUN_SPEED_FACTOR_H
#define BRIDLE_RUN_SPEED_FACTOR_H

/* factor: told over expected, of the rotor in rpm; its sign does not count. gear_ratio: 0 = not known. "" where no such
 * factor is within 5 %, else words that follow a sentence: " (so it would be if ...)". */
const char *speed_factor_words(double factor, double gear_ratio);

#endif
