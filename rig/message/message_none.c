/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "message/message.h"

enum rc messenger_start(const struct message_setup *setup, struct messenger **ret, struct err *err)
{
	*ret = NULL;
	return err_set(err, RC_ARG, 0,
		       "rig.ini: [message] broker %.80s: this program was built without libmosquitto; install "
		       "libmosquitto-dev and build again, or leave the section out",
		       setup->broker);
}

bool messenger_send(struct messenger *m, const char *text)
{
	(void)m;
	(void)text;
	return false;
}

const char *messenger_why(struct messenger *m)
{
	(void)m;
	return "";
}

unsigned messenger_stop(struct messenger *m, double wait_s, char *ret_why, size_t size)
{
	(void)ret_why;
	(void)size;
	(void)m;
	(void)wait_s;
	return 0;
}
