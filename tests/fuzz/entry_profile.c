/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Any bytes as a file that people write; the first byte says which (r, a, p, w: rig, actuator, plan, weights). Never a
 * crash; a refusal has a sentence and leaves the result alone. */
#include "profile/profile.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

union any {
	struct rig_profile rig;
	struct actuator_profile actuator;
	struct plan_profile plan;
	struct weights_profile weights;
};

static enum rc parse(char which, const char *text, union any *ret, struct mistakes *m, struct err *err)
{
	switch (which) {
	case 'r': return profile_parse_rig(text, "f.ini", &ret->rig, m, err);
	case 'a': return profile_parse_actuator(text, "f.ini", &ret->actuator, m, err);
	case 'p': return profile_parse_plan(text, "f.ini", &ret->plan, m, err);
	default: return profile_parse_weights(text, "f.ini", &ret->weights, m, err);
	}
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
	static union any any, before;
	struct mistakes m = { 0 };
	struct err err = { 0 };
	char *text = n > 0 ? malloc(n) : NULL;

	if (!text)
		return 0;
	memcpy(text, data + 1, n - 1);
	text[n - 1] = '\0';
	memset(&before, 0xA5, sizeof before);
	memcpy(&any, &before, sizeof any);
	if (parse((char)data[0], text, &any, &m, &err) != RC_OK &&
	    (!err.what[0] || m.n == 0 || memcmp(&any, &before, sizeof any) != 0))
		abort();
	free(text);
	return 0;
}
