/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How a device writes a line of text, and what stands in it: one pattern reads such a line and writes one.
 *
 *   {speed}        a decimal number: sign, digits, point, exponent; blanks before it and after its sign
 *   {speed.2}      the same, written with 2 digits after the point (0 to 9; without: as many as it needs)
 *   {fault:hex}    a whole number in hexadecimal digits, below 2^32
 *   {on=off|on}    one of these words, as its number from 0 on; the longest that fits, one of them may be empty
 *   {}             anything up to the first place of the text that follows, or to the end of the line
 *   a blank        one blank or more, or tabs
 *   {{ \r \n \t \\ the character itself
 *   anything else  itself, capital letters told apart
 *
 * A line fits as a whole. Blanks at its beginning and its end count for nothing, nor do CR and LF there; the pattern's
 * own count only when it is written. Nothing is tried twice: a number or {} that took too much does not give back. */
#ifndef BRIDLE_CHANNEL_TEXT_PATTERN_H
#define BRIDLE_CHANNEL_TEXT_PATTERN_H

#include <stdbool.h>
#include <stddef.h>

#define TEXT_PATTERN_BYTES 160
#define TEXT_PATTERN_ITEMS 24
#define TEXT_PATTERN_FIELDS 8
#define TEXT_PATTERN_NAME 24
#define TEXT_PATTERN_WHY 120

enum text_item { ITEM_TEXT, ITEM_NUMBER, ITEM_HEX, ITEM_WORDS, ITEM_SKIP };

/* A value: copied as it is. Fields have the order of the pattern. */
struct text_pattern {
	size_t n_items, n_fields;
	struct {
		enum text_item kind;
		size_t from, n; /* of text[]: what stands for itself, or the words with '|' between them */
		int decimals;   /* -1: as many as it needs */
	} item[TEXT_PATTERN_ITEMS];
	char field[TEXT_PATTERN_FIELDS][TEXT_PATTERN_NAME];
	char text[TEXT_PATTERN_BYTES];
};

/* False: it is no pattern; why then says it ("found ..., expected ..."). ret is written on success only. */
bool text_pattern_read(const char *text, struct text_pattern *ret, char why[TEXT_PATTERN_WHY]);

/* Place of a field, -1 when the pattern has none of that name. */
int text_pattern_field(const struct text_pattern *p, const char *name);
/* Words of that field; 0 when it is a number. */
size_t text_pattern_words(const struct text_pattern *p, int field);

/* Does the line (NUL-terminated) fit? value[i]: of field i; numbers are finite. When false, value has no meaning. */
bool text_pattern_match(const struct text_pattern *p, const char *line, double value[TEXT_PATTERN_FIELDS]);

/* The line with these values, one a field, without an end of its own; {} writes nothing. Length, NUL not counted; 0
 * when it does not fit into size, or a value cannot be written (not finite, no such word, no whole number where
 * hexadecimal is asked). */
size_t text_pattern_put(const struct text_pattern *p, const double *value, char *buf, size_t size);

#endif
