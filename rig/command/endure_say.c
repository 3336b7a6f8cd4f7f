/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/endure_say.h"

#include <stdio.h>
#include <string.h>

#define WAIT_S 15.0

/* Without what JSON would need escaped. */
static void plain(char *buf, size_t size, const char *text)
{
	size_t n = 0;

	for (; *text && n + 1 < size; text++)
		buf[n++] = (unsigned char)*text < ' ' || *text == '"' || *text == '\\' ? '\'' : *text;
	buf[n] = '\0';
}

static void beside(char *buf, size_t size, const char *bench, const char *name)
{
	snprintf(buf, size, "%s%s%s", name[0] && name[0] != '/' ? bench : "", name[0] && name[0] != '/' ? "/" : "",
		 name);
}

enum rc endure_say_begin(struct endure_say *say, const struct session *s, struct err *err)
{
	char password[2 * PROFILE_PATH], ca[2 * PROFILE_PATH];

	if (!s->rig.message.broker[0])
		return RC_OK;
	plain(say->rig, sizeof say->rig, s->rig.name);
	plain(say->plan, sizeof say->plan, s->plan_name);
	beside(password, sizeof password, s->bench, s->rig.message.password_file);
	beside(ca, sizeof ca, s->bench, s->rig.message.ca_file);
	const struct message_setup setup = {
		s->rig.message.broker, s->rig.message.port, s->rig.message.topic, s->rig.message.user, password, ca
	};
	return messenger_start(&setup, &say->messenger, err);
}

void endure_say(struct endure_say *say, const char *what, int64_t run_id, long cycle, const char *text)
{
	char line[MESSAGE_TEXT], words[400];

	if (!say->messenger)
		return;
	plain(words, sizeof words, text);
	snprintf(line, sizeof line,
		 "{\"rig\": \"%s\", \"plan\": \"%s\", \"run_id\": %lld, \"cycle\": %ld, \"what\": \"%s\", "
		 "\"text\": \"%s\"}",
		 say->rig, say->plan, (long long)run_id, cycle, what, words);
	if (!messenger_send(say->messenger, line))
		say->left++;
}

const char *endure_say_why_once(struct endure_say *say)
{
	const char *why = say->messenger && !say->away_told ? messenger_why(say->messenger) : "";

	if (!why[0])
		return NULL;
	say->away_told = true;
	return why;
}

void endure_say_end(struct endure_say *say)
{
	if (!say->messenger)
		return;
	say->left += messenger_stop(say->messenger, WAIT_S, say->why, sizeof say->why);
	say->messenger = NULL;
}
