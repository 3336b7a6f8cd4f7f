/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The commands. Each is one file: arguments in, core called, text or JSON out. The exit status is
 * 0 done, 1 the measurement says no, 2 the request cannot be understood, 3 the rig or the machine failed. */
#ifndef BRIDLE_COMMAND_COMMAND_H
#define BRIDLE_COMMAND_COMMAND_H

/* argv[0] is the command's own name. */
int cmd_new(int argc, char **argv);
int cmd_check(int argc, char **argv);
int cmd_probe(int argc, char **argv);
int cmd_hang(int argc, char **argv);
int cmd_map(int argc, char **argv);
int cmd_ready(int argc, char **argv);
int cmd_sweep(int argc, char **argv);
int cmd_hold(int argc, char **argv);
int cmd_play(int argc, char **argv);
int cmd_obey(int argc, char **argv);
int cmd_ripple(int argc, char **argv);
int cmd_suit(int argc, char **argv);
int cmd_tame(int argc, char **argv);
int cmd_endure(int argc, char **argv);
int cmd_reduce(int argc, char **argv);
int cmd_report(int argc, char **argv);
int cmd_share(int argc, char **argv);
int cmd_certificate(int argc, char **argv);
int cmd_pack(int argc, char **argv);
int cmd_verify(int argc, char **argv);
int cmd_compare(int argc, char **argv);
int cmd_study(int argc, char **argv);
int cmd_log(int argc, char **argv);
int cmd_calc(int argc, char **argv);
int cmd_bench(int argc, char **argv);

#endif
