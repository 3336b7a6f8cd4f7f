/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "message/message.h"

#include <dlfcn.h>
#include <errno.h>
#include <mosquitto.h>
#include <pthread.h>
#include <semaphore.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define KEEPALIVE_S 30
#define ANSWER_S 10 /* that the broker has to acknowledge a message */
#define LOOK_MS 100
#define WHY 160

/* Loaded when messages are wanted: its cryptography takes longer to start than all the rest of the program. */
#define LIBRARY "libmosquitto.so.1"
#define CALLS(call) \
	call(lib_init) call(lib_cleanup) call(new) call(destroy) call(username_pw_set) call(tls_set) call(connect) \
		call(disconnect) call(publish) call(loop) call(publish_callback_set) call(strerror)
#define CALL_MEMBER(name) __typeof__(mosquitto_##name) *name;
#define CALL_LOAD(name) load(library, "mosquitto_" #name, &ret->name, sizeof ret->name) &&

struct calls {
	CALLS(CALL_MEMBER)
};

struct messenger {
	struct calls call;
	char broker[256], topic[256], user[128], password[256], ca_file[512];
	int port;
	char text[MESSAGE_QUEUE][MESSAGE_TEXT];
	atomic_uint sent, done; /* counts; done <= sent */
	atomic_bool ending;
	sem_t wake; /* a message, or the end */
	char why[2][WHY];
	atomic_int which; /* of why; -1: none */
	pthread_t thread;
};

static bool load(void *library, const char *name, void *ret, size_t size)
{
	void *found = dlsym(library, name);

	memcpy(ret, &found, size);
	return found != NULL;
}

static enum rc load_library(struct calls *ret, struct err *err)
{
	void *library = dlopen(LIBRARY, RTLD_NOW | RTLD_LOCAL);

	if (library && CALLS(CALL_LOAD) ret->lib_init() == MOSQ_ERR_SUCCESS)
		return RC_OK;
	return err_set(err, RC_ARG, 0,
		       "rig.ini: [message] needs " LIBRARY
		       ", which cannot be loaded; install libmosquitto1, or leave the "
		       "section out");
}

static void on_publish(struct mosquitto *link, void *ctx, int id)
{
	(void)link;
	(void)id;
	*(bool *)ctx = true;
}

/* 0, or what libmosquitto says. */
static int deliver(struct messenger *m, struct mosquitto *link, const char *text, const bool *acknowledged)
{
	int rc = MOSQ_ERR_SUCCESS;

	if (m->user[0])
		rc = m->call.username_pw_set(link, m->user, m->password[0] ? m->password : NULL);
	if (rc == MOSQ_ERR_SUCCESS && m->ca_file[0])
		rc = m->call.tls_set(link, m->ca_file, NULL, NULL, NULL, NULL);
	if (rc == MOSQ_ERR_SUCCESS)
		rc = m->call.connect(link, m->broker, m->port, KEEPALIVE_S);
	if (rc == MOSQ_ERR_SUCCESS)
		rc = m->call.publish(link, NULL, m->topic, (int)strlen(text), text, 1, false);
	for (int ms = 0; rc == MOSQ_ERR_SUCCESS && !*acknowledged; ms += LOOK_MS)
		rc = ms < 1000 * ANSWER_S ? m->call.loop(link, LOOK_MS, 1) : MOSQ_ERR_CONN_LOST;
	m->call.disconnect(link);
	return rc;
}

static void tell_why(struct messenger *m, int rc)
{
	int next = atomic_load(&m->which) == 0 ? 1 : 0;

	snprintf(m->why[next], WHY, "the broker %.60s port %d took no message: %.60s", m->broker, m->port,
		 rc == MOSQ_ERR_ERRNO ? strerror(errno) : m->call.strerror(rc));
	atomic_store(&m->which, next);
}

static bool try_once(struct messenger *m, const char *text)
{
	bool acknowledged = false;
	struct mosquitto *link = m->call.new(NULL, true, &acknowledged);
	int rc = MOSQ_ERR_NOMEM;

	if (link) {
		m->call.publish_callback_set(link, on_publish);
		rc = deliver(m, link, text, &acknowledged);
		m->call.destroy(link);
	}
	if (!acknowledged)
		tell_why(m, rc);
	return acknowledged;
}

static void wait_again(struct messenger *m)
{
	struct timespec until;

	clock_gettime(CLOCK_REALTIME, &until);
	until.tv_sec += MESSAGE_AGAIN_S;
	while (!atomic_load(&m->ending) && (sem_timedwait(&m->wake, &until) == 0 || errno == EINTR))
		continue;
}

static void *work(void *ctx)
{
	struct messenger *m = ctx;

	for (;;) {
		unsigned done = atomic_load(&m->done);
		if (done == atomic_load(&m->sent)) {
			if (atomic_load(&m->ending))
				return NULL;
			sem_wait(&m->wake);
			continue;
		}
		if (try_once(m, m->text[done % MESSAGE_QUEUE]))
			atomic_store(&m->done, done + 1);
		else if (atomic_load(&m->ending))
			return NULL;
		else
			wait_again(m);
	}
}

static enum rc read_password(struct messenger *m, const char *path, struct err *err)
{
	FILE *f = path[0] ? fopen(path, "re") : NULL;

	if (!path[0])
		return RC_OK;
	bool read = f && fgets(m->password, sizeof m->password, f);
	int found = errno;
	if (f)
		fclose(f);
	m->password[strcspn(m->password, "\r\n")] = '\0';
	return read ? RC_OK
		    : err_set(err, RC_ARG, found, "[message] password_file: %.200s cannot be read, or is empty", path);
}

/* Signals are for the thread that watches them. */
static int start_thread(struct messenger *m)
{
	sigset_t all, before;

	sigfillset(&all);
	pthread_sigmask(SIG_SETMASK, &all, &before);
	int failed = pthread_create(&m->thread, NULL, work, m);
	pthread_sigmask(SIG_SETMASK, &before, NULL);
	return failed;
}

enum rc messenger_start(const struct message_setup *setup, struct messenger **ret, struct err *err)
{
	struct messenger *m = calloc(1, sizeof *m);

	*ret = NULL;
	if (!m)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	snprintf(m->broker, sizeof m->broker, "%s", setup->broker);
	snprintf(m->topic, sizeof m->topic, "%s", setup->topic);
	snprintf(m->user, sizeof m->user, "%s", setup->user);
	snprintf(m->ca_file, sizeof m->ca_file, "%s", setup->ca_file);
	m->port = setup->port;
	atomic_init(&m->which, -1);
	enum rc rc = read_password(m, setup->password_file, err);
	if (rc == RC_OK)
		rc = load_library(&m->call, err);
	if (rc == RC_OK && sem_init(&m->wake, 0, 0) != 0)
		rc = err_set(err, RC_NOMEM, errno, "no semaphore for messages");
	if (rc == RC_OK && start_thread(m) != 0)
		rc = err_set(err, RC_NOMEM, 0, "no thread for messages");
	if (rc != RC_OK) {
		free(m);
		return rc;
	}
	*ret = m;
	return RC_OK;
}

bool messenger_send(struct messenger *m, const char *text)
{
	unsigned sent = atomic_load(&m->sent);

	if (sent - atomic_load(&m->done) >= MESSAGE_QUEUE || strlen(text) >= MESSAGE_TEXT)
		return false;
	snprintf(m->text[sent % MESSAGE_QUEUE], MESSAGE_TEXT, "%s", text);
	atomic_store(&m->sent, sent + 1);
	sem_post(&m->wake);
	return true;
}

const char *messenger_why(struct messenger *m)
{
	int which = atomic_load(&m->which);

	return which < 0 ? "" : m->why[which];
}

unsigned messenger_stop(struct messenger *m, double wait_s, char *ret_why, size_t size)
{
	struct timespec until;

	snprintf(ret_why, size, "%s", "");
	if (!m)
		return 0;
	atomic_store(&m->ending, true);
	sem_post(&m->wake);
	clock_gettime(CLOCK_REALTIME, &until);
	until.tv_sec += (time_t)wait_s;
	int late = pthread_timedjoin_np(m->thread, NULL, &until);
	unsigned left = atomic_load(&m->sent) - atomic_load(&m->done);
	const char *why = messenger_why(m);
	snprintf(ret_why, size, "%s", why[0] ? why : "the broker did not answer in time");
	if (late) /* it waits for a broker that does not answer: its memory is left to it until the program ends */
		return left;
	sem_destroy(&m->wake);
	m->call.lib_cleanup();
	free(m);
	return left;
}
