/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual end of a bench supply's line: program messages of IEEE 488.2 with SCPI's MEASure words. A
 * measurement is the mean since the one before, 0.2 s after it at the soonest: a question that comes earlier
 * waits. A message that is not known puts -113 ("Undefined header") into the error queue and is not answered. No
 * physics and no sockets.
 *
 * With several outputs "INST:NSEL n" says which one the rest is about, and "INST:NSEL?" asks which (SCPI-1999's
 * INSTrument subsystem). Each output measures by itself. */
#ifndef BRIDLE_BENCH_SUPPLY_LINE_H
#define BRIDLE_BENCH_SUPPLY_LINE_H

#include "bench/meter.h"
#include "bench/supply_orders.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SUPPLY_OUTPUTS 7

struct supply_output {
	int address; /* 0: it is the only one */
	struct meter *meter;
	int64_t measured_us;
	bool silent; /* a fault: it does not answer */
};

struct supply_line {
	int baud;
	int64_t reading_us; /* one measurement; 0.2 s until the caller sets it */
	struct supply_output output[SUPPLY_OUTPUTS];
	size_t n_outputs, selected;
	char in[120];
	size_t n;
	bool too_long;
	bool silent;   /* a fault: the cable is out */
	bool error;    /* in the queue */
	bool measures; /* the word before was one of MEASure */
	struct supply_orders orders;
	char status[40]; /* answers of orders that stand behind the measurement */
	bool volt, amp;  /* asked for in the message that waits for its measurement */
	bool open;       /* a message waits for its answer */
	char out[120];   /* the answer, and when its last byte has left */
	size_t out_n;
	int64_t out_us;
};

void supply_line_init(struct supply_line *line, int baud);
/* One output more; meter: what it measures with, borrowed. */
void supply_line_add(struct supply_line *line, int address, struct meter *meter);
/* The output with that address does not answer; 0: nothing comes or goes. mend ends both. */
void supply_line_silence(struct supply_line *line, int address);
void supply_line_mend(struct supply_line *line);
void supply_line_receive(struct supply_line *line, const char *bytes, size_t n);
/* Bytes that have left by t_us. */
size_t supply_line_take(struct supply_line *line, int64_t t_us, char *buf, size_t size);

#endif
