/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a virtual supply can be told besides being asked what it measures: VOLT, CURR, OUTP, *CLS and the questionable
 * status, bit 0: latched (the current limit began to pull the voltage down since it was read) and as it is now. What is
 * out of range puts -222 ("Data out of range") into the error queue and changes nothing. It keeps what it has when its
 * host goes. */
#ifndef BRIDLE_BENCH_SUPPLY_ORDERS_H
#define BRIDLE_BENCH_SUPPLY_ORDERS_H

#include <stdbool.h>
#include <stddef.h>

struct supply_orders {
	double set_V, limit_A, most_V, most_A;
	bool on, limiting, latched;
	bool out_of_range; /* in the queue */
	bool refuses;      /* a fault: OUTP ON is answered with an error */
};

void supply_orders_init(struct supply_orders *orders, double most_V, double most_A);
/* One word from the root of the tree. False: it is none of these. say gets an answer, or "". */
bool supply_orders_obey(struct supply_orders *orders, const char *word, char *say, size_t size);
/* Each tick: does its limit act? */
void supply_orders_look(struct supply_orders *orders, bool limiting);

#endif
