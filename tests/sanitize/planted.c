/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One defect of each kind that the sanitizers are there for, by name: planted KIND. A tree that does not find it proves
 * nothing. */
#include <limits.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int shared;

static void *count(void *arg)
{
	int *last = arg;
	for (int i = 0; i < 100000; i++)
		shared++;
	*last = shared;
	return NULL;
}

static int race(void)
{
	pthread_t thread;
	int last[2];
	if (pthread_create(&thread, NULL, count, &last[0]) != 0)
		return -1;
	count(&last[1]);
	pthread_join(thread, NULL);
	return last[0] + last[1];
}

static int beyond(size_t size)
{
	char *volatile block = malloc(size); /* volatile: UBSan of gcc 14 sees the size else, and speaks first */
	if (!block)
		return -1;
	memset(block, 1, size);
	int ret = block[size];
	free(block);
	return ret;
}

static int lost(size_t size)
{
	char *volatile block = malloc(size);
	int ret = block != NULL;
	block = NULL;
	return ret;
}

static int unset(size_t size)
{
	int *volatile block = malloc(size * sizeof *block);
	if (!block)
		return -1;
	int ret = block[size - 1] > 3 ? 7 : 9;
	free(block);
	return ret;
}

int main(int argc, char **argv)
{
	const char *kind = argc > 1 ? argv[1] : "";
	volatile int large = INT_MAX;
	int value = -1;
	if (strcmp(kind, "beyond") == 0)
		value = beyond((size_t)argc * 8);
	else if (strcmp(kind, "lost") == 0)
		value = lost((size_t)argc * 8);
	else if (strcmp(kind, "overflow") == 0)
		value = large + argc;
	else if (strcmp(kind, "unset") == 0)
		value = unset((size_t)argc * 8);
	else if (strcmp(kind, "race") == 0)
		value = race();
	printf("%d\n", value);
	return 0;
}
