/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/command.h"

#include "bench/hands.h"
#include "bench/physics.h"
#include "bench/serve.h"
#include "bench/truth.h"
#include "bench/world.h"
#include "terminal/cli.h"
#include "profile/textfile.h"
#include "profile/profile.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/signalfd.h>
#include <sys/stat.h>
#include <unistd.h>

struct options {
	const char *seed, *step, *at;
	bool once, pty, no_truth, template;
};

/* What the bench holds while it runs. */
struct bench {
	struct world_config config;
	struct world *world;
	struct serve_config serve;
	int lock_fd;
};

/* The same files once more, for the bench's own rules. */
static enum rc read_stated(const char *rig_path, const char *weights_path, struct bench *b, struct err *err)
{
	char *rig = NULL, *weights = NULL;
	enum rc rc = textfile_read(rig_path, TEXTFILE_MAX, &rig, err);

	if (rc == RC_OK && access(weights_path, F_OK) == 0)
		rc = textfile_read(weights_path, TEXTFILE_MAX, &weights, err);
	if (rc == RC_OK)
		rc = stated_parse(rig, weights, &b->config.stated, err);
	free(rig);
	free(weights);
	return rc;
}

static enum rc read_profiles(const struct cli *cli, struct bench *b, struct mistakes *m, struct err *err)
{
	char path[PROFILE_PATH * 2], rig_path[PROFILE_PATH * 2];
	struct err first = { 0 };
	enum rc rc;

	rc = cli_path(cli, "rig.ini", rig_path, sizeof rig_path, err);
	if (rc == RC_OK)
		rc = profile_read_rig(rig_path, &b->config.rig, NULL, m, err);
	if (rc != RC_OK && rc != RC_ARG)
		return rc;
	if (rc == RC_ARG)
		first = *err;
	rc = cli_path(cli, "weights.ini", path, sizeof path, err);
	if (rc == RC_OK && access(path, F_OK) == 0)
		rc = profile_read_weights(path, &b->config.weights, NULL, m, err);
	if (rc == RC_OK || rc == RC_ARG)
		first = first.rc == RC_OK && rc == RC_ARG ? *err : first;
	else
		return rc;
	if (first.rc == RC_OK && (rc = read_stated(rig_path, path, b, err)) != RC_OK)
		return rc;
	rc = cli_path(cli, "virtual.ini", path, sizeof path, err);
	if (rc == RC_OK)
		rc = physics_read(path, b->config.seed, &b->config.physics, m, err);
	if (rc != RC_OK && rc != RC_ARG)
		return rc;
	first = first.rc == RC_OK && rc == RC_ARG ? *err : first;
	if (first.rc == RC_OK && !b->config.rig.is_virtual)
		return err_set(err, RC_ARG, 0,
			       "rig.ini: has no [virtual] section, so this rig is a real one; a virtual bench "
			       "needs control = unix:run/control.sock there");
	if (first.rc != RC_OK)
		*err = first;
	return first.rc;
}

/* One bench a folder: the lock ends with the process, however it ends. */
static enum rc take_folder(const struct cli *cli, struct bench *b, char *run, size_t size, struct err *err)
{
	char path[PROFILE_PATH * 2];
	enum rc rc = cli_path(cli, "run", run, size, err);

	if (rc != RC_OK)
		return rc;
	if (mkdir(run, 0777) != 0 && errno != EEXIST)
		return err_set(err, RC_IO, errno, "%s: cannot be made: %s", run, strerror(errno));
	rc = cli_path(cli, "run/bench.lock", path, sizeof path, err);
	if (rc != RC_OK)
		return rc;
	b->lock_fd = open(path, O_RDWR | O_CREAT | O_NOFOLLOW | O_CLOEXEC, 0640);
	if (b->lock_fd < 0)
		return err_set(err, RC_IO, errno, "%s: cannot be made: %s", path, strerror(errno));
	if (flock(b->lock_fd, LOCK_EX | LOCK_NB) != 0)
		return err_set(err, RC_ARG, 0, "%s: another bench is running in this folder; stop it first", run);
	return RC_OK;
}

static enum rc open_world(const struct options *o, struct bench *b, const char *run, struct err *err)
{
	struct true_rig truth;
	enum rc rc = RC_OK;

	true_rig_draw(b->config.seed, &b->config.stated, &b->config.physics, &truth);
	if (!o->no_truth)
		rc = truth_open(run, b->config.seed, &b->config.physics, &truth, &b->config.weights,
				&b->config.truth_csv, err);
	return rc == RC_OK ? world_new(&b->config, &b->world, err) : rc;
}

static enum rc open_lines(const struct cli *cli, const struct options *o, struct bench *b, struct err *err)
{
	enum rc rc;

	if (o->pty)
		rc = listen_pty(&b->serve.tether, err);
	else
		rc = listen_open(b->config.rig.link, cli->bench, &b->serve.tether, err);
	if (rc != RC_OK) {
		if (strncmp(b->config.rig.link, "serial:", 7) == 0 && !o->pty)
			err_prefix(err, "rig.ini: [tether] link: with --pty the bench serves a serial line; ");
		return rc;
	}
	rc = listen_open(b->config.rig.control, cli->bench, &b->serve.control, err);
	for (size_t i = 0; i < b->config.rig.n_lines && rc == RC_OK; i++) {
		rc = listen_open(instruments_line(&b->config.rig, i)->link, cli->bench, &b->serve.more[i], err);
		b->serve.n_more += rc == RC_OK;
	}
	return rc;
}

static enum rc catch_signals(struct bench *b, struct err *err)
{
	sigset_t set;

	sigemptyset(&set);
	sigaddset(&set, SIGINT);
	sigaddset(&set, SIGTERM);
	sigaddset(&set, SIGHUP);
	sigprocmask(SIG_BLOCK, &set, NULL);
	b->serve.stop_fd = signalfd(-1, &set, SFD_CLOEXEC);
	return b->serve.stop_fd >= 0 ? RC_OK
				     : err_set(err, RC_IO, errno, "cannot watch for signals: %s", strerror(errno));
}

/* Whoever comes first at such a line drives the bench. */
static void warn_of_open(const struct listener *l)
{
	if (l->is_open)
		fprintf(stderr,
			"%s: other machines can reach this line, and the first to come drives the bench. To keep it on "
			"this machine, name tcp:127.0.0.1:PORT in rig.ini\n",
			l->shown);
}

static void warn_of_all_open(const struct serve_config *s)
{
	warn_of_open(&s->tether);
	warn_of_open(&s->control);
	for (size_t i = 0; i < s->n_more; i++)
		warn_of_open(&s->more[i]);
}

static int announce(const struct cli *cli, const struct bench *b)
{
	const struct serve_config *s = &b->serve;

	if (cli->json)
		return cli_print_json(json_pack("{s:s,s:I,s:s,s:s,s:b}", "rig", b->config.rig.name, "seed",
						(json_int_t)b->config.seed, "tether", s->tether.shown, "control",
						s->control.shown, "pty", s->tether.is_pty));
	printf("virtual bench \"%s\", seed %llu, ready\ntether  %s\ncontrol %s\n", b->config.rig.name,
	       (unsigned long long)b->config.seed, s->tether.shown, s->control.shown);
	for (size_t i = 0; i < s->n_more; i++)
		printf("%-7s %s\n", instruments_line(&b->config.rig, i)->name, s->more[i].shown);
	return fflush(stdout) == 0 ? 0 : 3;
}

static void close_all(struct bench *b)
{
	listen_close(&b->serve.tether);
	listen_close(&b->serve.control);
	for (size_t i = 0; i < b->serve.n_more; i++)
		listen_close(&b->serve.more[i]);
	world_free(b->world);
	if (b->config.truth_csv != NULL)
		fclose(b->config.truth_csv);
	if (b->serve.stop_fd >= 0)
		close(b->serve.stop_fd);
	if (b->lock_fd >= 0)
		close(b->lock_fd);
}

static enum rc whole_number(const char *option, const char *text, int64_t least, int64_t most, int64_t *ret,
			    struct err *err)
{
	if (text != NULL && !tether_decimal(text, least, most, ret))
		return err_set(err, RC_ARG, 0, "--%s: found \"%s\", expected a whole number from %lld to %lld", option,
			       text, (long long)least, (long long)most);
	return RC_OK;
}

static enum rc read_options(const struct options *o, struct bench *b, struct err *err)
{
	int64_t seed = 1, step_us = WORLD_STEP_US;
	enum rc rc = whole_number("seed", o->seed, 0, INT64_MAX, &seed, err);

	if (rc == RC_OK)
		rc = whole_number("step", o->step, 1, 1000, &step_us, err);
	if (rc == RC_OK && 1000 % step_us != 0)
		rc = err_set(err, RC_ARG, 0,
			     "--step: found %lld, expected a divisor of 1000 such as 25, 50 or 100 (µs)",
			     (long long)step_us);
	if (rc == RC_OK && o->at)
		rc = agenda_parse(o->at, &b->config.agenda, err);
	b->config.act = hands_act;
	b->config.seed = (uint64_t)seed;
	b->config.step_us = (int)step_us;
	b->serve.once = o->once;
	return rc;
}

static enum rc run(const struct cli *cli, const struct options *o, struct mistakes *m, struct err *err)
{
	struct bench *b = calloc(1, sizeof *b);
	char run_folder[PROFILE_PATH * 2];
	enum rc rc;

	if (b == NULL)
		return err_set(err, RC_NOMEM, 0, "out of memory for the virtual bench");
	b->lock_fd = b->serve.stop_fd = b->serve.tether.fd = b->serve.control.fd = -1;
	rc = read_options(o, b, err);
	if (rc == RC_OK)
		rc = read_profiles(cli, b, m, err);
	if (rc == RC_OK)
		rc = take_folder(cli, b, run_folder, sizeof run_folder, err);
	if (rc == RC_OK)
		rc = open_world(o, b, run_folder, err);
	if (rc == RC_OK)
		rc = catch_signals(b, err);
	if (rc == RC_OK)
		rc = open_lines(cli, o, b, err);
	if (rc == RC_OK)
		warn_of_all_open(&b->serve);
	if (rc == RC_OK && announce(cli, b) != 0)
		rc = err_set(err, RC_IO, errno, "standard output cannot be written");
	b->serve.world = b->world;
	if (rc == RC_OK)
		rc = serve(&b->serve, err);
	close_all(b);
	free(b);
	return rc;
}

static void print_more_help(void)
{
	puts("\nFaults, begun on the control line by \"hand fault NAME [VALUE]\", ended by \"hand\n"
	     "mend\"; what stands in brackets at the end is the default:");
	faults_list(stdout);
	puts("\nThe bench reads rig.ini and weights.ini of its folder (their uncertainties bound\n"
	     "the true errors, which the seed draws) and virtual.ini, the physics that the\n"
	     "controller never reads; --template prints one with every key explained. It makes\n"
	     "run/ there: the sockets, and the truth for tests, truth.json and truth.csv.\n"
	     "docs/tether.md describes both lines. Exit status: 0 ended by a signal or --once,\n"
	     "2, 3 as everywhere.");
}

int cmd_bench(int argc, char **argv)
{
	struct options o = { 0 };
	const struct cli_option table[] = {
		{ "seed", "N", "draws the bench's true errors and its noise (1)", &o.seed, NULL },
		{ "once", NULL, "end when a host's control line has closed and the node is idle or safe", NULL,
		  &o.once },
		{ "pty", NULL, "serve the tether on a pseudo-terminal, whose name is printed", NULL, &o.pty },
		{ "no-truth", NULL, "do not write run/truth.json and run/truth.csv", NULL, &o.no_truth },
		{ "step", "US", "step of the physics in µs, a divisor of 1000 (50)", &o.step, NULL },
		{ "at", "ACTS", "what the hands do at bench times, s: \"40 fault estop; 55 mend\"", &o.at, NULL },
		{ "template", NULL, "print a commented virtual.ini and end", NULL, &o.template },
	};
	const struct cli_spec spec = {
		.name = "bench",
		.usage = "bench [options]",
		.about = "Serves a virtual bench: actuator, drive, supply, brake, lever, cell, pick-up, meter and "
			 "node, behind the "
			 "same bytes that a real rig speaks. Ends by Ctrl-C or SIGTERM.",
		.examples = "  bridle bench --bench docs/examples/heron-lock --seed 7\n"
			    "  bridle bench --bench mybench --once --no-truth &\n"
			    "  bridle bench --at \"40 fault node-silent\"\n"
			    "  bridle bench --template > mybench/virtual.ini\n",
		CLI_TAKES(table),
	};
	struct mistakes m = { 0 };
	struct err err = { 0 };
	struct cli cli;

	if (cli_parse(&spec, argc, argv, &cli, &err) != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown) {
		print_more_help();
		return 0;
	}
	if (o.template) {
		physics_template(stdout);
		return fflush(stdout) == 0 ? 0 : 3;
	}
	return run(&cli, &o, &m, &err) == RC_OK ? 0 : cli_fail(&cli, &err, NULL, &m);
}
