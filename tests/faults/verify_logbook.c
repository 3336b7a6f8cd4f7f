/* SPDX-License-Identifier: GPL-3.0-or-later */
/* verify_logbook FILE: what `bridle log verify` asks of a logbook, by the same function, without the rest of the
 * program: a campaign asks it ten thousand times. Status 0 = whole, 1 = not, with the sentence. */
#include "logbook/logbook.h"

#include <stdio.h>

int main(int argc, char **argv)
{
	struct logbook *lb = NULL;
	struct err err = { 0 };
	enum rc rc =
		argc == 2 ? logbook_open_read(argv[1], &lb, &err) : err_set(&err, RC_ARG, 0, "verify_logbook FILE");

	if (rc == RC_OK)
		rc = logbook_verify(lb, &err);
	logbook_close(lb);
	if (rc != RC_OK)
		fprintf(stderr, "%s\n", err.what);
	return rc != RC_OK;
}
