/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/page/report_write.h"

#include <ctype.h>
#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <signal.h>
#include <spawn.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define LONGEST_s 120
#define LOOK_ns 20000000 /* between two looks whether it has ended */
#define PDF_MAX ((off_t)200 << 20)

extern char **environ;

static enum rc failed(struct err *err, const char *why, const char *log)
{
	return err_set(err, RC_IO, 0, "Chromium %s, so there is no %s: see %s, or print the page from any browser", why,
		       PAGE_PDF, log);
}

/* file://, with what has a meaning in an address by its number (RFC 3986, 2.1). */
static bool address_of(const char *path, char *buf, size_t size)
{
	size_t used = (size_t)snprintf(buf, size, "file://");

	for (const unsigned char *c = (const unsigned char *)path; *c; c++) {
		if (used + 4 > size)
			return false;
		bool plain = isalnum(*c) || strchr("/._-~", *c);
		used += (size_t)snprintf(buf + used, size - used, plain ? "%c" : "%%%02X", *c);
	}
	return true;
}

static int remove_one(const char *path, const struct stat *st, int what, struct FTW *at)
{
	(void)st;
	(void)what;
	(void)at;
	remove(path);
	return 0;
}

static void remove_all(const char *folder)
{
	nftw(folder, remove_one, 8, FTW_DEPTH | FTW_PHYS);
}

/* What ends this program is held back while there is a browser to end and a folder to remove. */
struct signals {
	sigset_t held, before;
};

static void hold_signals(struct signals *s)
{
	static const int ends[] = { SIGINT, SIGTERM, SIGHUP };
	struct sigaction action;

	sigemptyset(&s->held);
	for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++)
		if (sigaction(ends[i], NULL, &action) == 0 && action.sa_handler != SIG_IGN)
			sigaddset(&s->held, ends[i]);
	sigprocmask(SIG_BLOCK, &s->held, &s->before);
}

static bool one_came(const struct signals *s)
{
	sigset_t come;

	return sigpending(&come) == 0 && sigandset(&come, &come, &s->held) == 0 && !sigisemptyset(&come);
}

/* The names that distributions give it. It holds no signal back. */
static int start(pid_t *pid, char *const *argv, const char *log, const struct signals *s)
{
	static const char *const names[] = { "chromium", "chromium-browser" };
	posix_spawn_file_actions_t actions;
	posix_spawnattr_t attributes;
	int failure = ENOENT;

	posix_spawnattr_init(&attributes);
	posix_spawnattr_setsigmask(&attributes, &s->before);
	posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK);
	posix_spawn_file_actions_init(&actions);
	posix_spawn_file_actions_addopen(&actions, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
	posix_spawn_file_actions_addopen(&actions, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
	posix_spawn_file_actions_addopen(&actions, STDERR_FILENO, log, O_WRONLY | O_CREAT | O_TRUNC | O_NOFOLLOW, 0640);
	for (size_t i = 0; i < sizeof names / sizeof names[0] && failure == ENOENT; i++)
		failure = posix_spawnp(pid, names[i], &actions, &attributes, argv, environ);
	posix_spawn_file_actions_destroy(&actions);
	posix_spawnattr_destroy(&attributes);
	return failure;
}

/* NULL: it ended in order. */
static const char *wait_for(pid_t pid, const struct signals *s)
{
	const struct timespec pause = { .tv_nsec = LOOK_ns };
	int64_t waited_ns = 0;
	int status = 0;

	for (; waited_ns < (int64_t)LONGEST_s * 1000000000 && !one_came(s); waited_ns += LOOK_ns) {
		pid_t ended = waitpid(pid, &status, WNOHANG);
		if (ended == pid)
			return WIFEXITED(status) && WEXITSTATUS(status) == 0 ? NULL : "failed";
		if (ended < 0 && errno != EINTR)
			return "was lost";
		nanosleep(&pause, NULL);
	}
	kill(pid, SIGKILL);
	waitpid(pid, &status, 0);
	return one_came(s) ? "was interrupted" : "did not end within two minutes";
}

static enum rc browse(const char *folder, const char *address, const char *pdf, const char *log,
		      const struct signals *s, struct err *err)
{
	char profile[FILES_PATH + 40], to[FILES_PATH + 40];
	/* Its sandbox cannot be had as root; the page is this program's own and has nothing from elsewhere. */
	char *argv[] = { (char *)"chromium",
			 (char *)"--headless",
			 (char *)"--disable-gpu",
			 (char *)"--no-pdf-header-footer",
			 (char *)"--no-first-run",
			 (char *)"--no-default-browser-check",
			 (char *)"--disable-dev-shm-usage",
			 (char *)"--disable-extensions",
			 (char *)"--disable-sync",
			 (char *)"--disable-component-update",
			 (char *)"--disable-background-networking",
			 profile,
			 to,
			 (char *)(geteuid() == 0 ? "--no-sandbox" : "--hide-scrollbars"),
			 (char *)(uintptr_t)address,
			 NULL };
	pid_t pid;

	snprintf(profile, sizeof profile, "--user-data-dir=%s/profile", folder);
	snprintf(to, sizeof to, "--print-to-pdf=%s", pdf);
	int failure = start(&pid, argv, log, s);
	if (failure) {
		unlink(log); /* was made for it, and is empty */
		return err_set(err, RC_IO, failure,
			       "Chromium cannot be started (%s), so there is no %s: install the package chromium, or "
			       "print the page from any browser",
			       strerror(failure), PAGE_PDF);
	}
	const char *why = wait_for(pid, s);
	return why ? failed(err, why, log) : RC_OK;
}

/* Both moments of a PDF (ISO 32000-1, 14.3.3), in place. */
static void set_moment(uint8_t *bytes, size_t n, int64_t wall_ns)
{
	static const char *const keys[] = { "/CreationDate (D:", "/ModDate (D:" };
	time_t t = (time_t)(wall_ns / 1000000000);
	struct tm tm;
	char text[16];

	if (wall_ns == 0 || gmtime_r(&t, &tm) == NULL || strftime(text, sizeof text, "%Y%m%d%H%M%S", &tm) != 14)
		return;
	for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
		uint8_t *at = memmem(bytes, n, keys[i], strlen(keys[i]));
		at += at ? strlen(keys[i]) : 0;
		for (size_t k = 0; at && k < 14 && at + k < bytes + n && isdigit(at[k]); k++)
			at[k] = (uint8_t)text[k];
	}
}

/* *ret given to the caller; NULL when it is no PDF. */
static uint8_t *read_pdf(const char *path, size_t *ret_n)
{
	FILE *f = fopen(path, "r");
	struct stat st;
	uint8_t *bytes = NULL;

	if (f && fstat(fileno(f), &st) == 0 && st.st_size > 5 && st.st_size < PDF_MAX)
		bytes = malloc((size_t)st.st_size);
	if (bytes && (fread(bytes, 1, (size_t)st.st_size, f) != (size_t)st.st_size || memcmp(bytes, "%PDF-", 5) != 0)) {
		free(bytes);
		bytes = NULL;
	}
	*ret_n = bytes ? (size_t)st.st_size : 0;
	if (f)
		fclose(f);
	return bytes;
}

static enum rc take(const char *made, const char *dir, int64_t wall_ns, const char *log, struct err *err)
{
	char path[FILES_PATH];
	size_t n;
	uint8_t *bytes = read_pdf(made, &n);
	FILE *f = NULL;

	if (bytes == NULL)
		return failed(err, "made no PDF", log);
	set_moment(bytes, n, wall_ns);
	enum rc rc = files_open(dir, PAGE_PDF, path, &f, err);
	if (rc == RC_OK) {
		fwrite(bytes, 1, n, f);
		rc = files_close(f, path, err);
		if (rc != RC_OK)
			unlink(path);
	}
	free(bytes);
	return rc;
}

enum rc page_print(const char *dir, int64_t wall_ns, struct err *err)
{
	const char *tmp = getenv("TMPDIR");
	char folder[FILES_PATH], pdf[FILES_PATH + 20], log[FILES_PATH], page[FILES_PATH], address[3 * FILES_PATH];
	struct signals signals;
	char *where = realpath(dir, NULL);
	int n = where ? snprintf(page, sizeof page, "%s/report.html", where) : FILES_PATH;

	free(where);
	snprintf(log, sizeof log, "%s/chromium.log", dir);
	if (n >= FILES_PATH || !address_of(page, address, sizeof address) ||
	    snprintf(folder, sizeof folder, "%s/bridle-XXXXXX", tmp && *tmp ? tmp : "/tmp") >= FILES_PATH)
		return err_set(err, RC_RANGE, 0, "the path %.100s... is too long", dir);
	hold_signals(&signals);
	enum rc rc = RC_OK;
	if (mkdtemp(folder) == NULL)
		rc = err_set(err, RC_IO, errno, "a folder for a while cannot be made at %s: %s", folder,
			     strerror(errno));
	if (rc == RC_OK) {
		snprintf(pdf, sizeof pdf, "%s/page.pdf", folder);
		rc = browse(folder, address, pdf, log, &signals, err);
		if (rc == RC_OK)
			rc = take(pdf, dir, wall_ns, log, err);
		if (rc == RC_OK || one_came(&signals))
			unlink(log);
		remove_all(folder);
	}
	sigprocmask(SIG_SETMASK, &signals.before, NULL); /* one that came ends this program here */
	return rc;
}
