/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Preloaded in tests: the n-th call of a kind goes wrong, counted from main on over all threads.
 * FAIL_CALL=KIND:N one call, KIND:N- that and all after it. KIND: read (sockets and small files), write, disk-read,
 * disk-write, sync, memory, clock, open, step (of SQLite; a sqlite3_exec is one).
 * FAIL_FROM=SECONDS: counted from where the program asks a virtual bench to go on to that bench time.
 * FAIL_DO=error (the usual errno; the default), signal:NUMBER (raised, the call goes on), sleep:MS (it takes longer),
 * jump:SECONDS (the wall clock is so far off from there on), hangup (the terminal is gone: SIGHUP, and what is written
 * to standard output and error is refused with EIO), unread (nobody reads them any more: EPIPE and SIGPIPE), bereave
 * (SIGKILL to the children: the warden). The warden's own calls are neither counted nor failed.
 * FAIL_ONLY=TEXT: open counts only paths that hold it. FAIL_COUNT=FILE: "KIND CALLS" of each kind at exit, and
 * "came 1" where what FAIL_CALL orders was done. */
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <link.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum kind { READ, WRITE, DISK_READ, DISK_WRITE, SYNC, MEMORY, CLOCK, OPEN, STEP, KINDS };

static const char *const kind_word[] = { "read",   "write", "disk-read", "disk-write", "sync",
					 "memory", "clock", "open",      "step" };

#define SQLITE_IOERR_CODE 10

static struct {
	atomic_bool armed;
	atomic_ulong calls[KINDS];
	int kind;
	unsigned long at;
	bool all_after;
	enum deed { ERROR, SIGNAL, SLEEP, JUMP, HANGUP, UNREAD, BEREAVE } deed;
	long value;
	const char *only, *count_file;
	atomic_bool jumped, came;
	long long from_us;   /* of bench time, 0: from main on */
	atomic_bool reached; /* that time */
	struct range {
		uintptr_t begin, end;
	} units, sqlite; /* where these libraries are loaded */
} shim = { .kind = -1 };

/* glibc's own: dlsym would allocate. */
void *__libc_malloc(size_t size);
void *__libc_calloc(size_t n, size_t size);
void *__libc_realloc(void *old, size_t size);
void *__libc_memalign(size_t align, size_t size);

static void find(const char *name, void *ret)
{
	void *f = dlsym(RTLD_NEXT, name);

	if (f == NULL)
		abort();
	memcpy(ret, &f, sizeof f);
}

static void sleep_ms(long ms)
{
	struct timespec t = { .tv_sec = ms / 1000, .tv_nsec = ms % 1000 * 1000000 };

	while (nanosleep(&t, &t) != 0)
		;
}

/* Standard output and error are from now on where the far end of to is gone. */
static void replace_output(int to)
{
	dup2(to, STDOUT_FILENO);
	dup2(to, STDERR_FILENO);
	close(to);
}

static void hang_up(void)
{
	int master = posix_openpt(O_RDWR | O_NOCTTY);

	if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0)
		abort();
	int terminal = open(ptsname(master), O_RDWR | O_NOCTTY);
	if (terminal < 0)
		abort();
	replace_output(terminal);
	close(master);
	raise(SIGHUP);
}

static void stop_reading(void)
{
	int end[2];

	if (pipe(end) != 0)
		abort();
	close(end[0]);
	replace_output(end[1]);
}

static void kill_children(void)
{
	char path[60], list[200];
	ssize_t n;

	snprintf(path, sizeof path, "/proc/self/task/%d/children", (int)getpid());
	int fd = open(path, O_RDONLY);
	if (fd < 0 || (n = pread(fd, list, sizeof list - 1, 0)) < 0)
		abort();
	close(fd);
	list[n] = '\0';
	for (char *at = list, *end; strtol(at, &end, 10) > 0; at = end)
		kill((pid_t)strtol(at, NULL, 10), SIGKILL);
}

/* Should this call fail? */
static bool goes_wrong(enum kind kind)
{
	if (!atomic_load(&shim.armed))
		return false;
	bool counts = (int)kind != shim.kind || atomic_load(&shim.reached);
	unsigned long n = atomic_fetch_add(&shim.calls[kind], counts) + counts;
	if (!counts || (int)kind != shim.kind || (shim.all_after ? n < shim.at : n != shim.at))
		return false;
	atomic_store(&shim.came, true);
	switch (shim.deed) {
	case ERROR: return true;
	case SIGNAL: raise((int)shim.value); break;
	case SLEEP: sleep_ms(shim.value); break;
	case JUMP: atomic_store(&shim.jumped, true); break;
	case HANGUP: hang_up(); break;
	case UNREAD: stop_reading(); break;
	case BEREAVE: kill_children(); break;
	}
	return false;
}

/* "?7 advance 12345678 0" of the control line (docs/tether.md). */
static void look_at_time(const char *buf, size_t n)
{
	static const char word[] = " advance ";
	const char *at = atomic_load(&shim.reached) ? NULL : memmem(buf, n, word, sizeof word - 1);

	if (at != NULL && strtoll(at + sizeof word - 1, NULL, 10) >= shim.from_us)
		atomic_store(&shim.reached, true);
}

static int refused(int error)
{
	errno = error;
	return -1;
}

/* Looked for once: over all the libraries it takes longer than the call. */
#define REAL(name, ret_type, ...) \
	static ret_type (*_Atomic found)(__VA_ARGS__); \
	ret_type (*real)(__VA_ARGS__) = atomic_load_explicit(&found, memory_order_relaxed); \
	if (real == NULL) { \
		find(#name, &real); \
		atomic_store_explicit(&found, real, memory_order_relaxed); \
	}

ssize_t read(int fd, void *buf, size_t n)
{
	REAL(read, ssize_t, int, void *, size_t);
	return goes_wrong(READ) ? refused(EIO) : real(fd, buf, n);
}

ssize_t recv(int fd, void *buf, size_t n, int flags)
{
	REAL(recv, ssize_t, int, void *, size_t, int);
	return goes_wrong(READ) ? refused(ECONNRESET) : real(fd, buf, n, flags);
}

ssize_t write(int fd, const void *buf, size_t n)
{
	REAL(write, ssize_t, int, const void *, size_t);
	return goes_wrong(WRITE) ? refused(EIO) : real(fd, buf, n);
}

ssize_t send(int fd, const void *buf, size_t n, int flags)
{
	REAL(send, ssize_t, int, const void *, size_t, int);
	look_at_time(buf, n);
	return goes_wrong(WRITE) ? refused(EPIPE) : real(fd, buf, n, flags);
}

ssize_t pread64(int fd, void *buf, size_t n, off64_t at)
{
	REAL(pread64, ssize_t, int, void *, size_t, off64_t);
	return goes_wrong(DISK_READ) ? refused(EIO) : real(fd, buf, n, at);
}

ssize_t pwrite64(int fd, const void *buf, size_t n, off64_t at)
{
	REAL(pwrite64, ssize_t, int, const void *, size_t, off64_t);
	return goes_wrong(DISK_WRITE) ? refused(ENOSPC) : real(fd, buf, n, at);
}

int ftruncate64(int fd, off64_t size)
{
	REAL(ftruncate64, int, int, off64_t);
	return goes_wrong(DISK_WRITE) ? refused(ENOSPC) : real(fd, size);
}

int fsync(int fd)
{
	REAL(fsync, int, int);
	return goes_wrong(SYNC) ? refused(EIO) : real(fd);
}

int fdatasync(int fd)
{
	REAL(fdatasync, int, int);
	return goes_wrong(SYNC) ? refused(EIO) : real(fd);
}

static struct range code_of(const struct dl_phdr_info *info)
{
	for (int i = 0; i < info->dlpi_phnum; i++) {
		const ElfW(Phdr) *part = &info->dlpi_phdr[i];
		uintptr_t begin = info->dlpi_addr + part->p_vaddr;

		if (part->p_type == PT_LOAD && part->p_flags & PF_X)
			return (struct range){ begin, begin + part->p_memsz };
	}
	return (struct range){ 0, 0 };
}

/* UDUNITS-2 reads its table of units without a look at what malloc gives, and crashes. That is the library's own,
 * before anything is energised: its allocations are neither counted nor failed. SQLite's own steps within sqlite3_exec
 * neither: exec takes the result of the statement's end, so a step that was not made there would be told as good. */
static int find_libraries(struct dl_phdr_info *info, size_t size, void *none)
{
	(void)size;
	(void)none;
	if (strstr(info->dlpi_name, "libudunits2") != NULL)
		shim.units = code_of(info);
	if (strstr(info->dlpi_name, "libsqlite3") != NULL)
		shim.sqlite = code_of(info);
	return 0;
}

static bool within(const struct range *code, const void *caller)
{
	return (uintptr_t)caller - code->begin < code->end - code->begin;
}

#ifndef OWN_ALLOCATOR /* a sanitizer brings one */
static void *none(void)
{
	errno = ENOMEM;
	return NULL;
}

void *malloc(size_t size)
{
	if (within(&shim.units, __builtin_return_address(0)))
		return __libc_malloc(size);
	return goes_wrong(MEMORY) ? none() : __libc_malloc(size);
}

void *calloc(size_t n, size_t size)
{
	if (within(&shim.units, __builtin_return_address(0)))
		return __libc_calloc(n, size);
	return goes_wrong(MEMORY) ? none() : __libc_calloc(n, size);
}

void *realloc(void *old, size_t size)
{
	return size > 0 && goes_wrong(MEMORY) ? none() : __libc_realloc(old, size);
}

void *aligned_alloc(size_t align, size_t size)
{
	return goes_wrong(MEMORY) ? none() : __libc_memalign(align, size);
}
#endif

int clock_gettime(clockid_t which, struct timespec *ret)
{
	REAL(clock_gettime, int, clockid_t, struct timespec *);
	if (goes_wrong(CLOCK))
		return refused(EINVAL);
	int rc = real(which, ret);
	if (rc == 0 && which == CLOCK_REALTIME && atomic_load(&shim.jumped))
		ret->tv_sec += shim.value;
	return rc;
}

static bool open_goes_wrong(const char *path)
{
	return (shim.only == NULL || strstr(path, shim.only) != NULL) && goes_wrong(OPEN);
}

int open64(const char *path, int flags, ...)
{
	REAL(open64, int, const char *, int, ...);
	va_list args;

	va_start(args, flags);
	mode_t mode = flags & O_CREAT ? va_arg(args, mode_t) : 0;
	va_end(args);
	return open_goes_wrong(path) ? refused(EACCES) : real(path, flags, mode);
}

FILE *fopen64(const char *path, const char *mode)
{
	REAL(fopen64, FILE *, const char *, const char *);
	if (!open_goes_wrong(path))
		return real(path, mode);
	errno = EACCES;
	return NULL;
}

int sqlite3_step(void *statement);
int sqlite3_step(void *statement)
{
	REAL(sqlite3_step, int, void *);
	if (within(&shim.sqlite, __builtin_return_address(0)))
		return real(statement);
	return goes_wrong(STEP) ? SQLITE_IOERR_CODE : real(statement);
}

typedef int row_of(void *ctx, int n, char **values, char **names);
int sqlite3_exec(void *db, const char *sql, row_of *row, void *ctx, char **message);
int sqlite3_exec(void *db, const char *sql, row_of *row, void *ctx, char **message)
{
	REAL(sqlite3_exec, int, void *, const char *, row_of *, void *, char **);
	if (within(&shim.sqlite, __builtin_return_address(0)))
		return real(db, sql, row, ctx, message);
	return goes_wrong(STEP) ? SQLITE_IOERR_CODE : real(db, sql, row, ctx, message);
}

/* --- what is asked for --- */

static int kind_of(const char *word, size_t length)
{
	for (int i = 0; i < KINDS; i++)
		if (strlen(kind_word[i]) == length && strncmp(kind_word[i], word, length) == 0)
			return i;
	fprintf(stderr, "failcall: no such kind: %s\n", word);
	exit(99);
}

static void read_orders(void)
{
	static const char *const deed_word[] = { "error", "signal", "sleep", "jump", "hangup", "unread", "bereave" };
	const char *call = getenv("FAIL_CALL"), *deed = getenv("FAIL_DO"), *from = getenv("FAIL_FROM");
	char *end;

	shim.from_us = from != NULL ? (long long)(strtod(from, NULL) * 1e6) : 0;
	shim.reached = shim.from_us == 0;
	dl_iterate_phdr(find_libraries, NULL);

	shim.only = getenv("FAIL_ONLY");
	shim.count_file = getenv("FAIL_COUNT");
	if (call != NULL) {
		size_t length = strcspn(call, ":");
		shim.kind = kind_of(call, length);
		shim.at = call[length] ? strtoul(call + length + 1, &end, 10) : 1;
		shim.all_after = call[length] && *end == '-';
	}
	if (deed != NULL) {
		size_t length = strcspn(deed, ":"), i = 0;
		while (i <= BEREAVE && (strlen(deed_word[i]) != length || strncmp(deed_word[i], deed, length) != 0))
			i++;
		if (i > BEREAVE) {
			fprintf(stderr, "failcall: no such deed: %s\n", deed);
			exit(99);
		}
		shim.deed = (enum deed)i;
		shim.value = deed[length] ? strtol(deed + length + 1, NULL, 10) : 0;
	}
}

static int (*real_main)(int, char **, char **);

static int counted_main(int argc, char **argv, char **environment)
{
	atomic_store(&shim.armed, strcmp(program_invocation_short_name, "bridle-warden") != 0);
	return real_main(argc, argv, environment);
}

typedef int program_main(int, char **, char **);
int __libc_start_main(program_main *program, int argc, char **argv, void (*init)(void), void (*fini)(void),
		      void (*rtld_fini)(void), void *stack_end);
int __libc_start_main(program_main *program, int argc, char **argv, void (*init)(void), void (*fini)(void),
		      void (*rtld_fini)(void), void *stack_end)
{
	REAL(__libc_start_main, int, program_main *, int, char **, void (*)(void), void (*)(void), void (*)(void),
	     void *);
	real_main = program;
	read_orders();
	return real(counted_main, argc, argv, init, fini, rtld_fini, stack_end);
}

__attribute__((destructor)) static void tell_counts(void)
{
	bool counted = atomic_exchange(&shim.armed, false);
	FILE *file = shim.count_file != NULL && counted ? fopen64(shim.count_file, "w") : NULL;

	for (int i = 0; i < KINDS && file != NULL; i++)
		fprintf(file, "%s %lu\n", kind_word[i], atomic_load(&shim.calls[i]));
	if (file != NULL)
		fprintf(file, "came %d\n", atomic_load(&shim.came));
	if (file != NULL)
		fclose(file);
}
