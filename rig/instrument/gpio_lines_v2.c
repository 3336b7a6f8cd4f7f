/* SPDX-License-Identifier: GPL-3.0-or-later */
/* libgpiod 2.x. All inputs are one request with one queue of edges in order; a gap in its numbers is a loss. */
#include "instrument/gpio_lines.h"

#include <dirent.h>
#include <errno.h>
#include <gpiod.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CONSUMER "bridle"
#define KERNEL_EDGES 1024 /* the most that it keeps */
#define READ_EDGES 64

struct v2 {
	struct gpiod_chip *chip;
	struct gpiod_line_request *inputs, *output;
	struct gpiod_edge_event_buffer *buffer;
	unsigned offset[GPIO_INPUTS];
	unsigned wired; /* 1u << use */
	unsigned long newest;
};

static unsigned use_of(const struct v2 *v, unsigned offset)
{
	unsigned use = 0;

	while (use < GPIO_INPUTS && !(v->wired >> use & 1 && v->offset[use] == offset))
		use++;
	return use;
}

static bool read_some(struct v2 *v, struct gpio_edge *edge, size_t most, size_t *n, bool *ret_lost)
{
	size_t room = most - *n < READ_EDGES ? most - *n : READ_EDGES;
	int came = gpiod_line_request_read_edge_events(v->inputs, v->buffer, room);

	for (int i = 0; i < came; i++) {
		struct gpiod_edge_event *e = gpiod_edge_event_buffer_get_event(v->buffer, (unsigned long)i);
		unsigned long number = gpiod_edge_event_get_global_seqno(e);

		*ret_lost |= number != v->newest + 1;
		v->newest = number;
		edge[(*n)++] = (struct gpio_edge){
			.t_ns = (int64_t)gpiod_edge_event_get_timestamp_ns(e),
			.use = (uint8_t)use_of(v, gpiod_edge_event_get_line_offset(e)),
			.active = gpiod_edge_event_get_event_type(e) == GPIOD_EDGE_EVENT_RISING_EDGE,
		};
	}
	return came >= 0;
}

static enum rc take(void *ctx, int wait_ms, struct gpio_edge *edge, size_t most, size_t *ret_n, bool *ret_lost)
{
	struct v2 *v = ctx;
	struct pollfd p = { .fd = v->inputs ? gpiod_line_request_get_fd(v->inputs) : -1, .events = POLLIN };
	int n = poll(&p, 1, wait_ms);

	*ret_n = 0;
	*ret_lost = false;
	while (n > 0 && *ret_n < most) {
		if (p.revents & (POLLHUP | POLLERR | POLLNVAL) || !read_some(v, edge, most, ret_n, ret_lost))
			return RC_IO;
		n = poll(&p, 1, 0);
	}
	return RC_OK;
}

static enum rc levels(void *ctx, unsigned *ret_active)
{
	struct v2 *v = ctx;
	unsigned active = 0;

	for (unsigned use = 0; use < GPIO_INPUTS; use++) {
		if (!(v->wired >> use & 1))
			continue;
		enum gpiod_line_value value = gpiod_line_request_get_value(v->inputs, v->offset[use]);
		if (value == GPIOD_LINE_VALUE_ERROR)
			return RC_IO;
		active |= (value == GPIOD_LINE_VALUE_ACTIVE ? 1u : 0u) << use;
	}
	*ret_active = active;
	return RC_OK;
}

static void close_v2(void *ctx)
{
	struct v2 *v = ctx;

	if (v->inputs)
		gpiod_line_request_release(v->inputs);
	if (v->output)
		gpiod_line_request_release(v->output);
	if (v->buffer)
		gpiod_edge_event_buffer_free(v->buffer);
	if (v->chip)
		gpiod_chip_close(v->chip);
	free(v);
}

static bool has_label(const char *path, const char *label)
{
	struct gpiod_chip *chip = gpiod_chip_open(path);
	struct gpiod_chip_info *info = chip ? gpiod_chip_get_info(chip) : NULL;
	bool ret = info && strcmp(gpiod_chip_info_get_label(info), label) == 0;

	if (info)
		gpiod_chip_info_free(info);
	if (chip)
		gpiod_chip_close(chip);
	return ret;
}

static struct gpiod_chip *open_label(const char *label)
{
	struct gpiod_chip *ret = NULL;
	struct dirent **entry;
	int n = scandir("/dev", &entry, NULL, alphasort);

	for (int i = 0; i < n; i++) {
		char path[300];

		snprintf(path, sizeof path, "/dev/%s", entry[i]->d_name);
		if (ret == NULL && gpiod_is_gpiochip_device(path) && has_label(path, label))
			ret = gpiod_chip_open(path);
		free(entry[i]);
	}
	if (n >= 0)
		free(entry);
	if (ret == NULL)
		errno = ENOENT;
	return ret;
}

static struct gpiod_chip *open_chip(const char *chip)
{
	char path[300];

	if (chip[0] == '/')
		return gpiod_chip_open(chip);
	snprintf(path, sizeof path, "/dev/%s", chip);
	return gpiod_is_gpiochip_device(path) ? gpiod_chip_open(path) : open_label(chip);
}

static enum rc find(const struct v2 *v, const char *chip, enum gpio_use use, const struct gpio_wire *wire,
		    unsigned *ret, struct err *err)
{
	int offset = wire->name[0] ? gpiod_chip_get_line_offset_from_name(v->chip, wire->name) : wire->offset;
	struct gpiod_line_info *info = offset < 0 ? NULL : gpiod_chip_get_line_info(v->chip, (unsigned)offset);
	enum rc rc = RC_OK;
	char number[GPIO_NAME];

	snprintf(number, sizeof number, "%d", wire->offset);
	const char *name = wire->name[0] ? wire->name : number, *by = info ? gpiod_line_info_get_consumer(info) : NULL;
	if (info == NULL)
		rc = err_set(err, RC_ARG, 0, "%s: the chip %s has no line %s; gpioinfo shows its lines",
			     gpio_use_word(use), chip, name);
	else if (gpiod_line_info_is_used(info))
		rc = err_set(err, RC_SAYS_NO, EBUSY,
			     "%s: line %s of %s is taken by \"%s\"; end that one, or wire another line",
			     gpio_use_word(use), name, chip, by && *by ? by : "the kernel");
	if (info)
		gpiod_line_info_free(info);
	*ret = (unsigned)offset;
	return rc;
}

static void set_up(struct gpiod_line_settings *s, enum gpio_use use, const struct gpio_wire *wire)
{
	gpiod_line_settings_set_active_low(s, wire->low);
	if (use == GPIO_SWITCH) {
		gpiod_line_settings_set_direction(s, GPIOD_LINE_DIRECTION_OUTPUT);
		gpiod_line_settings_set_output_value(s, GPIOD_LINE_VALUE_INACTIVE);
		return;
	}
	gpiod_line_settings_set_direction(s, GPIOD_LINE_DIRECTION_INPUT);
	gpiod_line_settings_set_edge_detection(s, GPIOD_LINE_EDGE_BOTH);
	gpiod_line_settings_set_event_clock(s, GPIOD_LINE_CLOCK_MONOTONIC);
	if (wire->bias != GPIO_AS_IS)
		gpiod_line_settings_set_bias(s, wire->bias == GPIO_PULL_UP ? GPIOD_LINE_BIAS_PULL_UP
									   : GPIOD_LINE_BIAS_PULL_DOWN);
}

static int add(struct gpiod_line_config *lines, enum gpio_use use, const struct gpio_wire *wire, unsigned offset)
{
	struct gpiod_line_settings *settings = gpiod_line_settings_new();
	int failed = -1;

	if (settings) {
		set_up(settings, use, wire);
		failed = gpiod_line_config_add_line_settings(lines, &offset, 1, settings);
		gpiod_line_settings_free(settings);
	}
	return failed;
}

static enum rc request(struct v2 *v, const char *chip, struct gpiod_line_config *lines, struct gpiod_line_request **ret,
		       struct err *err)
{
	struct gpiod_request_config *config = gpiod_request_config_new();

	if (config == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for GPIO lines");
	gpiod_request_config_set_consumer(config, CONSUMER);
	gpiod_request_config_set_event_buffer_size(config, KERNEL_EDGES);
	*ret = gpiod_chip_request_lines(v->chip, config, lines);
	int error = errno;
	gpiod_request_config_free(config);
	return *ret ? RC_OK : err_set(err, RC_IO, error, "the lines of the GPIO chip %s: %s", chip, strerror(error));
}

static enum rc open_some(struct v2 *v, const char *chip, const struct gpio_wire wire[GPIO_USES], unsigned from,
			 unsigned to, struct gpiod_line_request **ret, struct err *err)
{
	struct gpiod_line_config *lines = gpiod_line_config_new();
	enum rc rc = lines ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for GPIO lines");
	unsigned n = 0, offset = 0;

	for (unsigned use = from; use < to && rc == RC_OK; use++) {
		if (!wire[use].wired)
			continue;
		rc = find(v, chip, (enum gpio_use)use, &wire[use], &offset, err);
		if (rc == RC_OK && add(lines, (enum gpio_use)use, &wire[use], offset) != 0)
			rc = err_set(err, RC_NOMEM, 0, "out of memory for GPIO lines");
		if (use < GPIO_INPUTS) {
			v->offset[use] = offset;
			v->wired |= 1u << use;
		}
		n++;
	}
	if (rc == RC_OK && n > 0)
		rc = request(v, chip, lines, ret, err);
	if (lines)
		gpiod_line_config_free(lines);
	return rc;
}

enum rc gpio_lines_open(const char *chip, const struct gpio_wire wire[GPIO_USES], struct gpio_lines *ret,
			struct err *err)
{
	static const struct gpio_lines_ops ops = { take, levels, close_v2 };
	struct v2 *v = calloc(1, sizeof *v);
	enum rc rc = RC_OK;

	if (v == NULL || (v->buffer = gpiod_edge_event_buffer_new(READ_EDGES)) == NULL)
		rc = err_set(err, RC_NOMEM, 0, "out of memory for GPIO lines");
	else if ((v->chip = open_chip(chip)) == NULL)
		rc = err_set(err, RC_IO, errno,
			     "cannot open the GPIO chip \"%s\": %s; gpiodetect shows the chips, and the user must be "
			     "allowed to open them (group gpio)",
			     chip, strerror(errno));
	if (rc == RC_OK)
		rc = open_some(v, chip, wire, 0, GPIO_INPUTS, &v->inputs, err);
	if (rc == RC_OK)
		rc = open_some(v, chip, wire, GPIO_SWITCH, GPIO_USES, &v->output, err);
	if (rc != RC_OK) {
		if (v)
			close_v2(v);
		return rc;
	}
	*ret = (struct gpio_lines){ .ops = &ops,
				    .ctx = v,
				    .switch_fd = v->output ? gpiod_line_request_get_fd(v->output) : -1 };
	return RC_OK;
}
