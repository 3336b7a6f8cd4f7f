/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Serves tether and control line in a folder, in lock-step with the host (docs/tether.md, "The bench clock"). */
#include "stranger.h"

#include <errno.h>
#include <fcntl.h>
#include <getopt.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#define STEP 200e-6

struct bench {
	struct rig rig;
	struct node node;
	uint64_t seed;
	int listen_tether, listen_control, tether, control;
	uint64_t received, sent;
	char in[256];
	int in_length;
	FILE *truth;
	double truth_due;
};

static volatile sig_atomic_t over;

static void stop(int sig)
{
	(void)sig;
	over = 1;
}

static int listen_at(const char *folder, const char *name)
{
	struct sockaddr_un at = { .sun_family = AF_UNIX };
	int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);

	snprintf(at.sun_path, sizeof at.sun_path, "%s/%s", folder, name);
	unlink(at.sun_path);
	if (fd < 0 || bind(fd, (struct sockaddr *)&at, sizeof at) || listen(fd, 4)) {
		perror(at.sun_path);
		exit(3);
	}
	return fd;
}

/* One row of doubles, little end first: time s, then integrals: torque at the brake and at the flange (N·m·s), angle
 * (rad), work at the brake and at the flange (J), energy at the actuator's terminals and at the supply (J); winding,
 * cell (°C). */
static void write_truth(struct bench *b)
{
	const struct rig *r = &b->rig;
	const double row[] = { r->t,        r->int_brake,     r->int_flange, r->int_angle, r->int_work_brake,
			       r->int_work, r->int_terminals, r->int_supply, r->winding,   r->cell_temp };

	fwrite(row, sizeof row, 1, b->truth);
	b->truth_due = r->t + (r->contactor ? 0.01 : 0.1);
}

static void go_to(struct bench *b, double t)
{
	struct rig *r = &b->rig;
	int steps = (int)ceil((t - r->t) / STEP - 1e-6);

	for (int left = steps; left > 0; left--) {
		rig_step(r, (t - r->t) / left);
		node_tick(&b->node);
		if (r->t >= b->truth_due)
			write_truth(b);
	}
	r->t = t;
}

static void drop_tether(struct bench *b)
{
	close(b->tether);
	b->tether = -1;
	node_hung_up(&b->node);
}

static bool send_all(int fd, const char *buf, int size)
{
	while (size > 0) {
		ssize_t n = send(fd, buf, (size_t)size, MSG_NOSIGNAL);
		if (n < 0 && (errno == EAGAIN || errno == EINTR)) {
			struct pollfd wait = { .fd = fd, .events = POLLOUT };
			if (poll(&wait, 1, 2000) <= 0)
				return false;
			continue;
		}
		if (n <= 0)
			return false;
		buf += n;
		size -= (int)n;
	}
	return true;
}

static void carry_out(struct bench *b)
{
	char buf[4096];
	int n;

	while ((n = node_carried(&b->node, buf, sizeof buf)) > 0)
		if (b->tether >= 0) {
			if (!send_all(b->tether, buf, n)) {
				drop_tether(b);
				return;
			}
			b->sent += (uint64_t)n;
		}
}

static void take_tether(struct bench *b)
{
	struct pollfd p = { .fd = b->listen_tether, .events = POLLIN };

	if (b->tether >= 0 || poll(&p, 1, 0) <= 0)
		return;
	b->tether = accept4(b->listen_tether, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
	b->received = b->sent = 0;
	node_hung_up(&b->node);
}

/* Reads what has come; gives false when the host has hung up. */
static bool read_tether(struct bench *b)
{
	char buf[4096];
	ssize_t n;

	if (b->tether < 0)
		return false;
	while ((n = recv(b->tether, buf, sizeof buf, 0)) > 0) {
		for (ssize_t i = 0; i < n; i++)
			node_byte(&b->node, (unsigned char)buf[i]);
		b->received += (uint64_t)n;
	}
	if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
		drop_tether(b);
		return false;
	}
	return true;
}

static void advance(struct bench *b, uint64_t us, uint64_t received, char *out, size_t size)
{
	double t = (double)us * 1e-6;

	if (t < b->rig.t - 1e-9) {
		snprintf(out, size, "no past");
		return;
	}
	while (read_tether(b) && b->received < received) {
		struct pollfd p = { .fd = b->tether, .events = POLLIN };
		if (poll(&p, 1, 2000) <= 0) {
			snprintf(out, size, "no bytes");
			return;
		}
	}
	go_to(b, t);
	carry_out(b);
	snprintf(out, size, "ok %llu %llu", (unsigned long long)us, (unsigned long long)(b->tether >= 0 ? b->sent : 0));
}

static void control_line(struct bench *b, char *line)
{
	char answer[160], out[200], *word[20], *save = NULL, *sum = strrchr(line, '=');
	int words = 0;
	const char *why;

	if (!sum || sum == line || line_sum(line, (size_t)(sum - line - 1)) != strtoul(sum + 1, NULL, 16))
		return;
	sum[-1] = 0;
	for (char *w = strtok_r(line, " ", &save); w && words < 20; w = strtok_r(NULL, " ", &save))
		word[words++] = w;
	if (words < 2 || *word[0] != '?')
		return;
	take_tether(b);
	snprintf(answer, sizeof answer, "no args");
	if (!strcmp(word[1], "hello"))
		snprintf(answer, sizeof answer, words > 2 && !strcmp(word[2], "1") ? "ok 1 bench %llu" : "no version 1",
			 (unsigned long long)b->seed);
	else if (!strcmp(word[1], "now"))
		snprintf(answer, sizeof answer, "ok %llu", (unsigned long long)llround(b->rig.t * 1e6));
	else if (!strcmp(word[1], "advance") && words == 4)
		advance(b, strtoull(word[2], NULL, 10), strtoull(word[3], NULL, 10), answer, sizeof answer);
	else if (!strcmp(word[1], "hand")) {
		why = rig_hand(&b->rig, word + 2, words - 2);
		snprintf(answer, sizeof answer, why ? "no %s" : "ok", why);
	}
	snprintf(out, sizeof out, "!%s %s", word[0] + 1, answer);
	snprintf(answer, sizeof answer, " =%04X\n", line_sum(out, strlen(out)));
	strncat(out, answer, sizeof out - strlen(out) - 1);
	if (!send_all(b->control, out, (int)strlen(out)))
		over = 1;
}

static void read_control(struct bench *b)
{
	char buf[1024];
	ssize_t n = recv(b->control, buf, sizeof buf, 0);

	if (n <= 0) {
		close(b->control);
		b->control = -1;
		b->in_length = 0;
		return;
	}
	for (ssize_t i = 0; i < n; i++) {
		if (buf[i] != '\n') {
			if (b->in_length < (int)sizeof b->in - 1)
				b->in[b->in_length++] = buf[i];
			continue;
		}
		b->in[b->in_length] = 0;
		b->in_length = 0;
		control_line(b, b->in);
	}
}

static double machine_time(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Without a control line bench time follows the machine's clock while somebody is there or the node is not at rest. */
static void follow_machine(struct bench *b, double *last)
{
	double now = machine_time(), passed = fmin(now - *last, 0.25);
	bool goes = b->control < 0 && (b->tether >= 0 || b->node.state == LIVE || b->node.state == STOPPING);

	*last = now;
	if (!goes)
		return;
	read_tether(b);
	go_to(b, b->rig.t + passed);
	carry_out(b);
}

static void serve(struct bench *b)
{
	double last = machine_time();

	while (!over) {
		struct pollfd p[2] = { { .fd = b->listen_tether, .events = POLLIN }, { .events = POLLIN } };
		bool runs = b->control < 0 && (b->tether >= 0 || b->node.state == LIVE || b->node.state == STOPPING);

		if (b->tether >= 0)
			p[0].fd = -1; /* one host at a time */
		p[1].fd = b->control >= 0 ? b->control : b->listen_control;
		if (poll(p, 2, runs ? 5 : 200) < 0 && errno != EINTR)
			return;
		follow_machine(b, &last);
		if (p[1].revents && b->control >= 0)
			read_control(b);
		else if (p[1].revents)
			b->control = accept4(b->listen_control, NULL, NULL, SOCK_CLOEXEC);
		if (b->control < 0)
			take_tether(b);
		if (b->tether >= 0 && b->control < 0) {
			char byte;
			if (recv(b->tether, &byte, 1, MSG_PEEK | MSG_DONTWAIT) == 0)
				drop_tether(b);
		} else if (p[0].revents && b->control >= 0)
			take_tether(b);
	}
}

static void usage(void)
{
	fprintf(stderr,
		"Usage: stranger_bench --folder DIR [--kind powder|hysteresis] [--pick quad|single] [--seed N]\n"
		"                      [--papers] [--effect NAME=FACTOR]...\n"
		"Serves DIR/tether.sock and DIR/control.sock, writes DIR/truth.bin; the folder's profiles too when it "
		"has none.\n"
		"--papers writes the profiles and ends; --curve VOLTS,DEGC prints the actuator's true curve and ends. "
		"Effects:");
	for (int i = 0; i < EF_COUNT; i++)
		fprintf(stderr, " %s", effect_names[i]);
	fprintf(stderr, "\n");
	exit(2);
}

static void set_effect(double *effect, const char *text)
{
	const char *is = strchr(text, '=');

	for (int i = 0; is && i < EF_COUNT; i++)
		if (strlen(effect_names[i]) == (size_t)(is - text) &&
		    !strncmp(effect_names[i], text, (size_t)(is - text))) {
			effect[i] = atof(is + 1);
			return;
		}
	usage();
}

int main(int argc, char **argv)
{
	static const struct option options[] = { { "folder", 1, 0, 'f' }, { "kind", 1, 0, 'k' },
						 { "pick", 1, 0, 'p' },   { "seed", 1, 0, 's' },
						 { "effect", 1, 0, 'e' }, { "papers", 0, 0, 'w' },
						 { "curve", 1, 0, 'c' },  { 0, 0, 0, 0 } };
	static struct bench b;
	const char *folder = NULL, *curve = NULL;
	bool hysteresis = false, single = false, only_papers = false;
	double effect[EF_COUNT], volts, winding;
	char path[500];
	struct papers papers;
	int c;

	for (int i = 0; i < EF_COUNT; i++)
		effect[i] = i == EF_ARM_SLIP ? 0 : 1;
	b.seed = 1;
	while ((c = getopt_long(argc, argv, "", options, NULL)) != -1) {
		if (c == 'f')
			folder = optarg;
		else if (c == 'k')
			hysteresis = !strcmp(optarg, "hysteresis");
		else if (c == 'p')
			single = !strcmp(optarg, "single");
		else if (c == 's')
			b.seed = strtoull(optarg, NULL, 10);
		else if (c == 'e')
			set_effect(effect, optarg);
		else if (c == 'w')
			only_papers = true;
		else if (c == 'c')
			curve = optarg;
		else
			usage();
	}
	if (!folder)
		usage();
	papers = papers_of(hysteresis, single);
	if (!papers_write(&papers, folder)) {
		perror(folder);
		return 3;
	}
	if (only_papers)
		return 0;
	signal(SIGTERM, stop);
	signal(SIGINT, stop);
	rig_draw(&b.rig, &papers, b.seed * 2 + hysteresis, effect);
	node_start(&b.node, &b.rig, b.seed);
	if (curve && sscanf(curve, "%lf,%lf", &volts, &winding) == 2) {
		rig_curve(&b.rig, volts, winding, stdout);
		return 0;
	}
	b.tether = b.control = -1;
	snprintf(path, sizeof path, "%s/truth.bin", folder);
	if (!(b.truth = fopen(path, "wb"))) {
		perror(path);
		return 3;
	}
	b.listen_tether = listen_at(folder, "tether.sock");
	b.listen_control = listen_at(folder, "control.sock");
	printf("tether unix:%s/tether.sock\ncontrol unix:%s/control.sock\n", folder, folder);
	fflush(stdout);
	serve(&b);
	write_truth(&b);
	fclose(b.truth);
	return 0;
}
