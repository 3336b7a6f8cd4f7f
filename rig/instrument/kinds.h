/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The kinds of instruments that an [instrument NAME] section may name. The node is none of them: [tether] names
 * it. */
#ifndef BRIDLE_INSTRUMENT_KINDS_H
#define BRIDLE_INSTRUMENT_KINDS_H

#include "instrument/instrument.h"

extern const struct instrument_kind instrument_kinds[];
extern const size_t instrument_kinds_n;

#endif
