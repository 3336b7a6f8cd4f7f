/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "node/tether.h"

#define TAIL 6 /* " =29B1" */

uint16_t tether_crc(const char *bytes, size_t n)
{
	uint16_t crc = 0xffff;

	/* The polynomial x^16 + x^12 + x^5 + 1 divides a byte in one go: the shift by four is what the twelfth
	 * power feeds back into the byte itself. */
	for (size_t i = 0; i < n; i++) {
		uint8_t carry = (uint8_t)((crc >> 8) ^ (uint8_t)bytes[i]);

		carry = (uint8_t)(carry ^ (carry >> 4));
		crc = (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)(carry << 12) ^ (uint16_t)(carry << 5) ^ carry);
	}
	return crc;
}

static void put_checksum(char *to, uint16_t crc)
{
	for (uint8_t i = 0; i < 4; i++) {
		uint8_t digit = (uint8_t)((crc >> (12 - 4 * i)) & 15);

		to[i] = (char)(digit < 10 ? '0' + digit : 'A' + digit - 10);
	}
}

static bool printable(char c)
{
	return c >= 0x20 && c <= 0x7e;
}

static bool checks(const char *line, uint8_t n)
{
	char want[4];
	uint8_t body;

	if (n <= TAIL)
		return false;
	for (uint8_t i = 0; i < n; i++)
		if (!printable(line[i]))
			return false;
	body = (uint8_t)(n - TAIL);
	if (line[body] != ' ' || line[body + 1] != '=')
		return false;
	put_checksum(want, tether_crc(line, body));
	for (uint8_t i = 0; i < 4; i++)
		if (line[body + 2 + i] != want[i])
			return false;
	return true;
}

static bool complete(struct tether_reader *reader)
{
	uint8_t n = reader->n;
	bool dropping = reader->overlong;

	reader->n = 0;
	reader->overlong = false;
	if (!dropping && n > 0 && reader->line[n - 1] == '\r')
		n--;
	if (!dropping && n == 0)
		return false;
	if (dropping || !checks(reader->line, n)) {
		reader->bad++;
		return false;
	}
	reader->line[n - TAIL] = '\0';
	return true;
}

bool tether_feed(struct tether_reader *reader, char byte)
{
	if (byte == '\n')
		return complete(reader);
	if (reader->n >= TETHER_LINE_MAX - 1)
		reader->overlong = true;
	else
		reader->line[reader->n++] = byte;
	return false;
}

size_t tether_split(char *body, char *tokens[TETHER_TOKENS])
{
	size_t n = 0;
	char *at = body;

	for (;;) {
		if (*at == ' ' || *at == '\0' || n == TETHER_TOKENS)
			return 0;
		tokens[n++] = at;
		while (*at != ' ' && *at != '\0')
			at++;
		if (*at == '\0')
			return n;
		*at++ = '\0';
	}
}

bool tether_decimal(const char *token, int64_t min, int64_t max, int64_t *ret)
{
	bool minus = *token == '-';
	const char *digits = token + minus;
	uint64_t limit = minus ? (uint64_t)INT64_MAX + 1 : (uint64_t)INT64_MAX;
	uint64_t value = 0;
	int64_t number;

	if (*digits < '0' || *digits > '9')
		return false;
	if (*digits == '0' && (minus || digits[1] != '\0'))
		return false;
	for (; *digits != '\0'; digits++) {
		uint8_t digit = (uint8_t)(*digits - '0');

		if (digit > 9 || value > (limit - digit) / 10)
			return false;
		value = value * 10 + digit;
	}
	/* minus only with value >= 1: value - 1 fits, and INT64_MIN needs no overflow */
	number = minus ? -(int64_t)(value - 1) - 1 : (int64_t)value;
	if (number < min || number > max)
		return false;
	*ret = number;
	return true;
}

bool tether_hex(const char *token, uint64_t max, uint64_t *ret)
{
	uint64_t value = 0, room = max;

	do {
		uint8_t digit;

		if (*token >= '0' && *token <= '9')
			digit = (uint8_t)(*token - '0');
		else if (*token >= 'a' && *token <= 'f')
			digit = (uint8_t)(*token - 'a' + 10);
		else
			return false;
		value = value << 4 | digit;
		room >>= 4;
		token++;
	} while (room != 0);
	if (*token != '\0' || value > max)
		return false;
	*ret = value;
	return true;
}

static void put(struct tether_writer *w, char c)
{
	if (w->n >= TETHER_LINE_MAX - 1 - TAIL || !printable(c))
		w->overflow = true;
	else
		w->line[w->n++] = c;
}

void tether_begin(struct tether_writer *w, const char *first_token)
{
	w->n = 0;
	w->overflow = *first_token == '\0';
	for (; *first_token != '\0'; first_token++)
		put(w, *first_token == ' ' ? '\0' : *first_token);
}

static void put_number(struct tether_writer *w, uint64_t value)
{
	char digits[20];
	uint8_t n = 0;

	do {
		digits[n++] = (char)('0' + value % 10);
		value /= 10;
	} while (value != 0);
	while (n > 0)
		put(w, digits[--n]);
}

void tether_begin_seq(struct tether_writer *w, char kind, uint8_t seq)
{
	w->n = 0;
	w->overflow = false;
	put(w, kind);
	put_number(w, seq);
}

void tether_put_word(struct tether_writer *w, const char *word)
{
	if (*word == '\0')
		w->overflow = true;
	put(w, ' ');
	for (; *word != '\0'; word++)
		put(w, *word == ' ' ? '\0' : *word);
}

void tether_put_words(struct tether_writer *w, const char *words)
{
	char last = ' ';

	put(w, ' ');
	for (; *words != '\0'; words++) {
		put(w, *words == ' ' && last == ' ' ? '\0' : *words);
		last = *words;
	}
	if (last == ' ')
		w->overflow = true;
}

void tether_put_decimal(struct tether_writer *w, int64_t value)
{
	put(w, ' ');
	if (value < 0)
		put(w, '-');
	put_number(w, value < 0 ? (uint64_t)0 - (uint64_t)value : (uint64_t)value);
}

void tether_put_hex(struct tether_writer *w, uint64_t value, uint8_t digits)
{
	put(w, ' ');
	if (digits == 0 || digits > 16 || (digits < 16 && value >> (4 * digits) != 0))
		w->overflow = true;
	for (; digits > 0 && digits <= 16; digits--)
		put(w, "0123456789abcdef"[(value >> (4 * (digits - 1))) & 15]);
}

size_t tether_end(struct tether_writer *w)
{
	uint16_t crc = tether_crc(w->line, w->n);

	if (w->overflow) {
		w->line[0] = '\0';
		w->n = 0;
		return 0;
	}
	w->line[w->n] = ' ';
	w->line[w->n + 1] = '=';
	put_checksum(w->line + w->n + 2, crc);
	w->n = (uint8_t)(w->n + TAIL);
	w->line[w->n++] = '\n';
	w->line[w->n] = '\0';
	return w->n;
}
