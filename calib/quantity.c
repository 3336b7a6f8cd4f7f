/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/quantity.h"

void quantity_cleanup(void)
{
}
