/* SPDX-License-Identifier: GPL-3.0-or-later */
/* libgpiod 1.6. The kernel keeps 16 edges a line for it and says nothing of more, so that 16 at once may have been
 * more. Each line has a queue of its own: edges newer than the beginning of a look wait for the next one, since an
 * older edge of another line may come behind them. The library does not hand out the descriptor of an output, so that
 * line is asked for from the kernel itself (Linux 5.10). */
#include "instrument/gpio_lines.h"

#include <errno.h>
#include <fcntl.h>
#include <gpiod.h>
#include <linux/gpio.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <time.h>
#include <unistd.h>

#define CONSUMER "bridle"
#define KERNEL_EDGES 16
#define WAITING (GPIO_INPUTS * KERNEL_EDGES)

struct v1 {
	struct gpiod_chip *chip;
	struct gpiod_line *line[GPIO_INPUTS];
	struct pollfd fd[GPIO_INPUTS];
	int switch_fd;
	struct gpio_edge waiting[WAITING];
	size_t n_waiting;
};

static int64_t now_ns(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static int by_time(const void *a, const void *b)
{
	const struct gpio_edge *x = a, *y = b;

	return (x->t_ns > y->t_ns) - (x->t_ns < y->t_ns);
}

static bool read_line(struct v1 *v, unsigned use, bool *ret_lost)
{
	struct gpiod_line_event event[KERNEL_EDGES];
	unsigned room = (unsigned)(WAITING - v->n_waiting);
	int n = gpiod_line_event_read_multiple(v->line[use], event, room < KERNEL_EDGES ? room : KERNEL_EDGES);

	for (int i = 0; i < n; i++)
		v->waiting[v->n_waiting++] =
			(struct gpio_edge){ .t_ns = (int64_t)event[i].ts.tv_sec * 1000000000 + event[i].ts.tv_nsec,
					    .use = (uint8_t)use,
					    .active = event[i].event_type == GPIOD_LINE_EVENT_RISING_EDGE };
	*ret_lost |= n == KERNEL_EDGES;
	return n >= 0;
}

/* Those from before the look, the oldest first. */
static size_t hand_out(struct v1 *v, int64_t began_ns, struct gpio_edge *edge, size_t most)
{
	size_t n = 0;

	qsort(v->waiting, v->n_waiting, sizeof v->waiting[0], by_time);
	while (n < most && n < v->n_waiting && v->waiting[n].t_ns <= began_ns) {
		edge[n] = v->waiting[n];
		n++;
	}
	v->n_waiting -= n;
	memmove(v->waiting, v->waiting + n, v->n_waiting * sizeof v->waiting[0]);
	return n;
}

static enum rc take(void *ctx, int wait_ms, struct gpio_edge *edge, size_t most, size_t *ret_n, bool *ret_lost)
{
	struct v1 *v = ctx;
	int n = poll(v->fd, GPIO_INPUTS, v->n_waiting > 0 ? 0 : wait_ms);
	int64_t began_ns = now_ns();

	*ret_n = 0;
	*ret_lost = false;
	for (unsigned use = 0; n > 0 && use < GPIO_INPUTS; use++) {
		if (v->fd[use].revents & (POLLHUP | POLLERR | POLLNVAL))
			return RC_IO;
		if (v->fd[use].revents & POLLIN && v->n_waiting < WAITING && !read_line(v, use, ret_lost))
			return RC_IO;
	}
	*ret_n = hand_out(v, began_ns, edge, most);
	return RC_OK;
}

static enum rc levels(void *ctx, unsigned *ret_active)
{
	struct v1 *v = ctx;
	unsigned active = 0;

	for (unsigned use = 0; use < GPIO_INPUTS; use++) {
		int value = v->line[use] ? gpiod_line_get_value(v->line[use]) : 0;
		if (value < 0)
			return RC_IO;
		active |= (unsigned)value << use;
	}
	*ret_active = active;
	return RC_OK;
}

static void close_v1(void *ctx)
{
	struct v1 *v = ctx;

	if (v->switch_fd >= 0)
		close(v->switch_fd);
	gpiod_chip_close(v->chip); /* releases its lines */
	free(v);
}

static const char *shown(const struct gpio_wire *wire, char buf[GPIO_NAME])
{
	if (wire->name[0])
		return wire->name;
	snprintf(buf, GPIO_NAME, "%d", wire->offset);
	return buf;
}

static struct gpiod_line *find(struct v1 *v, const struct gpio_wire *wire)
{
	return wire->name[0] ? gpiod_chip_find_line(v->chip, wire->name)
			     : gpiod_chip_get_line(v->chip, (unsigned)wire->offset);
}

static enum rc refuse(const struct v1 *v, enum gpio_use use, const struct gpio_wire *wire, struct gpiod_line *line,
		      int why, struct err *err)
{
	char buf[GPIO_NAME];
	const char *name = shown(wire, buf), *key = gpio_use_word(use), *by;

	if (line == NULL)
		return err_set(err, RC_ARG, 0, "%s: the chip %s has no line %s; gpioinfo shows its lines", key,
			       gpiod_chip_name(v->chip), name);
	gpiod_line_update(line);
	by = gpiod_line_consumer(line);
	if (why == EBUSY)
		return err_set(err, RC_SAYS_NO, why,
			       "%s: line %s of %s is taken by \"%s\"; end that one, or wire another line", key, name,
			       gpiod_chip_name(v->chip), by && *by ? by : "the kernel");
	return err_set(err, RC_IO, why, "%s: line %s of %s: %s", key, name, gpiod_chip_name(v->chip), strerror(why));
}

static int flags_of(const struct gpio_wire *wire)
{
	return (wire->low ? GPIOD_LINE_REQUEST_FLAG_ACTIVE_LOW : 0) |
	       (wire->bias == GPIO_PULL_UP     ? GPIOD_LINE_REQUEST_FLAG_BIAS_PULL_UP
		: wire->bias == GPIO_PULL_DOWN ? GPIOD_LINE_REQUEST_FLAG_BIAS_PULL_DOWN
					       : 0);
}

static enum rc open_input(struct v1 *v, enum gpio_use use, const struct gpio_wire *wire, struct err *err)
{
	struct gpiod_line *line = find(v, wire);

	if (line == NULL || gpiod_line_request_both_edges_events_flags(line, CONSUMER, flags_of(wire)) != 0)
		return refuse(v, use, wire, line, errno, err);
	v->line[use] = line;
	v->fd[use] = (struct pollfd){ .fd = gpiod_line_event_get_fd(line), .events = POLLIN };
	return RC_OK;
}

static enum rc open_switch(struct v1 *v, const struct gpio_wire *wire, struct err *err)
{
	struct gpiod_line *line = find(v, wire);
	struct gpio_v2_line_request request = { .consumer = CONSUMER, .num_lines = 1 };
	char path[GPIO_NAME + 8];

	if (line == NULL)
		return refuse(v, GPIO_SWITCH, wire, line, 0, err);
	request.offsets[0] = gpiod_line_offset(line);
	request.config.flags = GPIO_V2_LINE_FLAG_OUTPUT | (wire->low ? GPIO_V2_LINE_FLAG_ACTIVE_LOW : 0);
	request.config.num_attrs = 1;
	request.config.attrs[0].attr.id = GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES;
	request.config.attrs[0].mask = 1;
	snprintf(path, sizeof path, "/dev/%s", gpiod_chip_name(v->chip));
	int chip = open(path, O_RDWR | O_CLOEXEC), error = chip < 0 ? errno : 0;
	if (chip >= 0 && ioctl(chip, GPIO_V2_GET_LINE_IOCTL, &request) != 0)
		error = errno;
	if (chip >= 0)
		close(chip);
	if (error)
		return refuse(v, GPIO_SWITCH, wire, line, error, err);
	v->switch_fd = request.fd;
	return RC_OK;
}

enum rc gpio_lines_open(const char *chip, const struct gpio_wire wire[GPIO_USES], struct gpio_lines *ret,
			struct err *err)
{
	static const struct gpio_lines_ops ops = { take, levels, close_v1 };
	struct v1 *v = calloc(1, sizeof *v);
	enum rc rc = RC_OK;

	if (v == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for GPIO lines");
	v->switch_fd = -1;
	v->chip = gpiod_chip_open_lookup(chip);
	if (v->chip == NULL) {
		rc = err_set(err, RC_IO, errno,
			     "cannot open the GPIO chip \"%s\": %s; gpiodetect shows the chips, and the user must be "
			     "allowed to open them (group gpio)",
			     chip, strerror(errno));
		free(v);
		return rc;
	}
	for (unsigned use = 0; use < GPIO_INPUTS; use++)
		v->fd[use].fd = -1;
	for (unsigned use = 0; use < GPIO_INPUTS && rc == RC_OK; use++)
		if (wire[use].wired)
			rc = open_input(v, (enum gpio_use)use, &wire[use], err);
	if (rc == RC_OK && wire[GPIO_SWITCH].wired)
		rc = open_switch(v, &wire[GPIO_SWITCH], err);
	if (rc != RC_OK) {
		close_v1(v);
		return rc;
	}
	*ret = (struct gpio_lines){ .ops = &ops, .ctx = v, .switch_fd = v->switch_fd };
	return RC_OK;
}
