/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Room for what people write in a profile. */
#ifndef BRIDLE_PROFILE_SIZES_H
#define BRIDLE_PROFILE_SIZES_H

#define PROFILE_WORD 64
#define PROFILE_PATH 256
#define PROFILE_PIECES 40
#define PROFILE_STEPS 200 /* of a plan: loads times speeds */
#define PROFILE_SPEEDS 20
#define PROFILE_INSTRUMENTS 7

#endif
