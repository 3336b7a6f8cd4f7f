/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "link/link_holder.h"
#include "link/link_private.h"

#include <errno.h>
#include <stdbool.h>
#include <libserialport.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <termios.h>

#define USB "usb:"

struct serial {
	struct sp_port *port;
	int fd;
};

/* Past a hang-up the library reads nothing, for ever and without an error: only poll tells. */
static int hung_up(int fd)
{
	struct pollfd p = { .fd = fd, .events = POLLIN };

	return poll(&p, 1, 0) > 0 && (p.revents & (POLLHUP | POLLERR | POLLNVAL)) != 0;
}

static ssize_t serial_read(void *part, char *buf, size_t size, int wait_ms, int *ret_errno)
{
	struct serial *s = part;
	enum sp_return n;

	if (wait_ms > 0)
		part_wait(s->fd, POLLIN, part_now_ms() + wait_ms);
	n = sp_nonblocking_read(s->port, buf, size);
	if (n > 0)
		return n;
	if (n == SP_OK && !hung_up(s->fd))
		return 0;
	*ret_errno = n == SP_ERR_FAIL ? sp_last_error_code() : 0;
	return PART_GONE;
}

static ssize_t serial_write(void *part, const char *buf, size_t n, int *ret_errno)
{
	struct serial *s = part;
	enum sp_return done = sp_nonblocking_write(s->port, buf, n);

	if (done >= 0)
		return done;
	*ret_errno = done == SP_ERR_FAIL ? sp_last_error_code() : EIO;
	return PART_GONE;
}

static void serial_close(void *part)
{
	struct serial *s = part;

	sp_close(s->port);
	sp_free_port(s->port);
	free(s);
}

static bool serial_set_characters(void *part, int parity_even, int stop_bits)
{
	struct serial *s = part;

	return sp_set_parity(s->port, parity_even ? SP_PARITY_EVEN : SP_PARITY_NONE) == SP_OK &&
	       sp_set_stopbits(s->port, stop_bits) == SP_OK;
}

static const struct part_ops serial_ops = { serial_read, serial_write, serial_close, serial_set_characters, NULL };

static enum rc say(struct err *err, enum sp_return r, const char *name, const char *doing, const char *hint)
{
	char *text = r == SP_ERR_FAIL ? sp_last_error_message() : NULL;
	int code = r == SP_ERR_FAIL ? sp_last_error_code() : 0;
	enum rc rc = err_set(err,
			     r == SP_ERR_ARG   ? RC_ARG
			     : r == SP_ERR_MEM ? RC_NOMEM
					       : RC_IO,
			     code, "link \"serial:%s\": cannot %s%s%s; %s", name, doing, text != NULL ? ": " : "",
			     text != NULL ? text : "", hint);

	sp_free_error_message(text);
	return rc;
}

static enum rc say_busy(struct sp_port *port, const char *name, struct err *err)
{
	char who[80];

	link_holder(sp_get_port_name(port), who, sizeof who);
	return err_set(err, RC_SAYS_NO, 0, "link \"serial:%s\": another program drives this rig%s; end that one first",
		       name, who);
}

static enum sp_return configure(struct sp_port *port, int baud)
{
	enum sp_return r = sp_set_baudrate(port, baud);

	if (r == SP_OK)
		r = sp_set_bits(port, 8);
	if (r == SP_OK)
		r = sp_set_parity(port, SP_PARITY_NONE);
	if (r == SP_OK)
		r = sp_set_stopbits(port, 1);
	if (r == SP_OK)
		r = sp_set_flowcontrol(port, SP_FLOWCONTROL_NONE);
	return r;
}

/* By the adapter's own serial number. RC_IO: none is there with it, or more than one. */
static enum rc find_usb(const char *number, struct sp_port **ret, struct err *err)
{
	struct sp_port **all;
	size_t n = 0;

	if (sp_list_ports(&all) != SP_OK)
		return err_set(err, RC_IO, 0, "link \"serial:usb:%s\": cannot list the serial ports", number);
	*ret = NULL;
	for (size_t i = 0; all[i] != NULL; i++) {
		const char *has = sp_get_port_usb_serial(all[i]);

		if (has == NULL || strcmp(has, number) != 0)
			continue;
		if (n++ == 0 && sp_copy_port(all[i], ret) != SP_OK)
			*ret = NULL;
	}
	sp_free_port_list(all);
	if (n == 1 && *ret != NULL)
		return RC_OK;
	if (*ret != NULL)
		sp_free_port(*ret);
	if (n == 1)
		return err_set(err, RC_NOMEM, 0, "out of memory for a serial port");
	return err_set(
		err, RC_IO, 0,
		n > 1 ? "link \"serial:usb:%s\": %zu ports have this serial number; name one by its place, as "
			"ls /dev/serial/by-path/* shows it"
		      : "link \"serial:usb:%s\": no port has this USB serial number now (%zu found); plug it in, or "
			"see ls /dev/serial/by-id/*",
		number, n);
}

/* A link such as those of /dev/serial/by-id is followed: not every version of the library does. */
static enum rc find_path(const char *rest, struct sp_port **ret, struct err *err)
{
	char *real = strncmp(rest, "/dev/", 5) == 0 ? realpath(rest, NULL) : NULL;
	enum sp_return r = sp_get_port_by_name(real ? real : rest, ret);

	free(real);
	if (r == SP_OK)
		return RC_OK;
	/* a device that is named rightly and not there is a cable, not a wrong request */
	if (strncmp(rest, "/dev/", 5) == 0 && r == SP_ERR_ARG)
		return err_set(err, RC_IO, 0,
			       "link \"serial:%s\": there is no such port now; plug the node in, or put the name that "
			       "ls /dev/serial/by-id/* shows into rig.ini",
			       rest);
	return say(err, r, rest, "find the port", "expected a serial port such as serial:/dev/ttyACM0");
}

/* Closing a port drops DTR unless it is told not to, and opening raises it: many boards restart at that edge. */
static void keep_dtr(int fd)
{
	struct termios t;

	if (tcgetattr(fd, &t) != 0)
		return;
	t.c_cflag &= ~(tcflag_t)HUPCL;
	tcsetattr(fd, TCSANOW, &t);
}

enum rc part_open_serial(const char *rest, int baud, struct part *ret, struct err *err)
{
	struct serial *s;
	enum sp_return r;
	enum rc rc;

	if (baud <= 0) /* the library would leave the port's speed as it is */
		return err_set(err, RC_ARG, 0, "link \"serial:%s\": a baud rate of %d, expected one such as 115200",
			       rest, baud);
	s = calloc(1, sizeof *s);
	if (s == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for a serial port");
	rc = strncmp(rest, USB, strlen(USB)) == 0 ? find_usb(rest + strlen(USB), &s->port, err)
						  : find_path(rest, &s->port, err);
	if (rc != RC_OK)
		goto no_port;
	r = sp_open(s->port, SP_MODE_READ_WRITE);
	if (r != SP_OK) {
		/* libserialport locks the port by itself from 0.1.2 on */
		int why = r == SP_ERR_FAIL ? sp_last_error_code() : 0;
		rc = why == EWOULDBLOCK || why == EBUSY
			     ? say_busy(s->port, rest, err)
			     : say(err, r, rest, "open it",
				   "is it plugged in, and may this user open it (group dialout)?");
		goto no_open;
	}
	r = sp_get_port_handle(s->port, &s->fd);
	/* Two hosts on one line: the set-points of the one would let go of what the other drives. */
	if (r == SP_OK && flock(s->fd, LOCK_EX | LOCK_NB) != 0) {
		rc = say_busy(s->port, rest, err);
		goto no_setup;
	}
	if (r == SP_OK)
		r = configure(s->port, baud);
	if (r != SP_OK) {
		rc = say(err, r, rest, "set it up",
			 "expected a port that takes this baud rate, 8 data bits, no parity");
		goto no_setup;
	}
	keep_dtr(s->fd);
	*ret = (struct part){ .ops = &serial_ops, .ctx = s, .fd = s->fd };
	return RC_OK;

no_setup:
	sp_close(s->port);
no_open:
	sp_free_port(s->port);
no_port:
	free(s);
	return rc;
}
