/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Gives every file of the folders named to LLVMFuzzerTestOneInput, as libFuzzer would. Usage: replay FOLDER ... */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

#define LARGEST (1 << 20)

static int replay(const char *path)
{
	FILE *f = fopen(path, "rb");
	uint8_t *data = malloc(LARGEST);
	size_t n = f && data ? fread(data, 1, LARGEST, f) : 0;
	/* As many bytes as there are and no more, so that a reader that goes beyond is seen. */
	uint8_t *fit = malloc(n ? n : 1);
	int bad = !f || !data || !fit || ferror(f);

	if (bad) {
		printf("%s: cannot be read\n", path);
	} else {
		for (size_t i = 0; i < n; i++)
			fit[i] = data[i];
		LLVMFuzzerTestOneInput(fit, n);
	}
	free(fit);
	free(data);
	if (f)
		fclose(f);
	return bad;
}

static int folder(const char *name, int *count)
{
	DIR *dir = opendir(name);
	char path[1200];
	int bad = dir == NULL;

	for (struct dirent *e; dir && (e = readdir(dir));)
		if (e->d_name[0] != '.') {
			snprintf(path, sizeof path, "%s/%s", name, e->d_name);
			bad |= replay(path);
			(*count)++;
		}
	if (dir)
		closedir(dir);
	return bad;
}

int main(int argc, char **argv)
{
	int count = 0, bad = 0;

	for (int i = 1; i < argc; i++)
		bad |= folder(argv[i], &count);
	printf("%d inputs\n", count);
	return bad || count == 0;
}
