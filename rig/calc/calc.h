/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The topics of `bridle calc`: the numerics by themselves, from a file or options to text or JSON, so that any
 * published example can be put through. argv[0] is the topic's own name; the exit status is that of a command. */
#ifndef BRIDLE_CALC_CALC_H
#define BRIDLE_CALC_CALC_H

/* calc_regress.c, calc_nonlinear.c, calc_anova.c, calc_mean.c, calc_allan.c */
int calc_regress(int argc, char **argv);
int calc_nonlinear(int argc, char **argv);
int calc_anova(int argc, char **argv);
int calc_mean(int argc, char **argv);
int calc_allan(int argc, char **argv);

/* calc_brake.c */
int calc_settle(int argc, char **argv);
int calc_brakemap(int argc, char **argv);
int calc_lag(int argc, char **argv);

/* calc_weights.c */
int calc_gravity(int argc, char **argv);
int calc_air(int argc, char **argv);
int calc_weight(int argc, char **argv);

/* calc_claims.c */
int calc_t(int argc, char **argv);
int calc_conform(int argc, char **argv);
int calc_quantity(int argc, char **argv);

/* calc_model.c */
int calc_budget(int argc, char **argv);
int calc_montecarlo(int argc, char **argv);

#endif
