/* SPDX-License-Identifier: GPL-3.0-or-later */
/* calc quantity, calc t, calc conform: a written quantity, its coverage factor, and whether it meets a claim. */
#include "calib/number/conformity.h"
#include "calib/number/coverage.h"
#include "calib/number/number.h"
#include "calib/number/uncertain.h"
#include "calc/calc.h"
#include "calc/calc_option.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])

/* ---- quantity ---- */

static int print_quantity(const struct cli *cli, const struct quantity *q, const char *unit)
{
	char bracket[200], text[200];
	double k = dist_coverage_factor(q->dist, q->beta, q->dof, 0.95);

	quantity_format(text, sizeof text, q->value, q->u, k, 0.95, unit);
	quantity_format_bracket(bracket, sizeof bracket, q->value, q->u, unit);
	if (!cli->json) {
		printf("%s\n%s\n", text, bracket);
		if (q->has_u)
			printf("u = %.6g %s, %s, degrees of freedom %s\n", q->u, strcmp(unit, "1") ? unit : "",
			       dist_name(q->dist), isinf(q->dof) ? "infinite" : "as stated");
		return 0;
	}
	json_t *doc = calc_json(q->value, q->u, unit);
	json_object_set_new(doc, "topic", cli_text("quantity"));
	json_object_set_new(doc, "has_uncertainty", json_boolean(q->has_u));
	json_object_set_new(doc, "distribution", q->has_u ? cli_text(dist_name(q->dist)) : json_null());
	json_object_set_new(doc, "dof", cli_real(q->dof));
	json_object_set_new(doc, "k", cli_real(k));
	json_object_set_new(doc, "U", cli_real(k * q->u));
	json_object_set_new(doc, "text", cli_text(text));
	json_object_set_new(doc, "bracket", cli_text(bracket));
	return cli_print_json(doc);
}

int calc_quantity(int argc, char **argv)
{
	const char *unit = NULL;
	const struct cli_option options[] = {
		{ "unit", "U", "unit of the answer; the one that is written", &unit, NULL },
	};
	const struct cli_spec spec = {
		"calc quantity",
		"calc quantity TEXT [options]",
		"How a quantity is read: value, standard uncertainty, distribution. Limits without a word are "
		"rectangular; rect, "
		"tri, trap=B, normal, k=K and dof=N may follow; (d) after the digits is a standard uncertainty in the "
		"last digit.",
		"  bridle calc quantity \"250.0 mm \xc2\xb1 0.2 mm\" --unit mm  u = 0.115 mm (GUM 4.3.7)\n"
		"  bridle calc quantity \"100.02147(35) g\" --unit g    u = 0.00035 g (GUM 7.2.2)\n",
		options,
		COUNT(options),
		1,
		1,
	};
	struct cli cli;
	struct quantity q;
	struct err err;
	char written[64];
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (!rc && cli.help_shown)
		return 0;
	if (!rc)
		rc = unit ? RC_OK : quantity_written_unit(cli.args[0], written, sizeof written, &err);
	if (!rc)
		rc = quantity_parse(cli.args[0], unit ? unit : written, &q, &err);
	return rc ? cli_fail(&cli, &err, NULL, NULL) : print_quantity(&cli, &q, unit ? unit : written);
}

/* ---- t ---- */

static enum rc read_t(const char *dof_text, const char *coverage_text, double *dof, double *coverage, struct err *err)
{
	struct quantity q;
	enum rc rc = RC_OK;

	if (!dof_text)
		return err_set(err, RC_ARG, 0, "--dof is missing; give the degrees of freedom, or inf");
	if (strcmp(dof_text, "inf") != 0)
		rc = number_parse(dof_text, dof, err);
	if (rc)
		err_prefix(err, "--dof: ");
	if (!rc && coverage_text) {
		rc = calc_option("coverage", coverage_text, "1", true, &q, err);
		*coverage = rc ? NAN : q.value;
	}
	if (!rc && !(*dof >= 1))
		rc = err_set(err, RC_ARG, 0, "--dof is %g; expected 1 or more", *dof);
	if (!rc && !(*coverage > 0 && *coverage < 1))
		rc = err_set(err, RC_ARG, 0, "--coverage is %g; expected a number between 0 and 1, such as 0.95",
			     *coverage);
	return rc;
}

int calc_t(int argc, char **argv)
{
	const char *dof_text = NULL, *coverage_text = NULL;
	const struct cli_option options[] = {
		{ "dof", "N", "degrees of freedom, may be fractional, or inf", &dof_text, NULL },
		{ "coverage", "P", "two-sided coverage probability; 0.95", &coverage_text, NULL },
	};
	const struct cli_spec spec = {
		"calc t",
		"calc t --dof N [--coverage P] [options]",
		"Coverage factor k for a two-sided interval by Student's t, JCGM 100:2008, annex G.",
		"  bridle calc t --dof 16 --coverage 0.99\n  gives 2.92 (JCGM 100:2008, table G.2)\n",
		options,
		COUNT(options),
		0,
		0,
	};
	struct cli cli;
	struct err err;
	double dof = INFINITY, coverage = 0.95;
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (!rc && cli.help_shown)
		return 0;
	if (!rc)
		rc = read_t(dof_text, coverage_text, &dof, &coverage, &err);
	if (rc)
		return cli_fail(&cli, &err, NULL, NULL);
	double k = unc_coverage_factor(dof, coverage);
	if (!cli.json) {
		printf("k = %.6g\n", k);
		return 0;
	}
	json_t *doc = json_object();
	json_object_set_new(doc, "topic", cli_text("t"));
	json_object_set_new(doc, "dof", cli_real(dof));
	json_object_set_new(doc, "coverage", cli_real(coverage));
	json_object_set_new(doc, "k", cli_real(k));
	return cli_print_json(doc);
}

/* ---- conform ---- */

struct claim_check {
	struct quantity value;
	char unit[64];
	struct conform_limits limits, guarded;
	bool has_guarded;
	double probability, confidence;
	enum verdict verdict;
};

static enum rc read_limit(const char *name, const char *text, const char *unit, double *ret, struct err *err)
{
	struct quantity q;
	enum rc rc = text ? calc_option(name, text, unit, false, &q, err) : RC_OK;

	if (text && !rc && q.has_u)
		rc = err_set(err, RC_ARG, 0, "--%s: a limit has no uncertainty of its own", name);
	if (text && !rc)
		*ret = q.value;
	return rc;
}

static enum rc judge(const char *value, const char *lower, const char *upper, const char *confidence,
		     struct claim_check *c, struct err *err)
{
	struct quantity q = { .value = 0.95 };

	*c = (struct claim_check){ .limits = { -INFINITY, INFINITY } };
	if (!value)
		return err_set(err, RC_ARG, 0, "--value is missing; give the measured value with its uncertainty");
	if (!lower && !upper)
		return err_set(err, RC_ARG, 0, "no limit is given; give --lower, --upper or both");
	enum rc rc = quantity_written_unit(value, c->unit, sizeof c->unit, err);
	if (!rc)
		rc = quantity_parse(value, c->unit, &c->value, err);
	if (rc)
		err_prefix(err, "--value: ");
	if (!rc && !c->value.has_u)
		rc = err_set(err, RC_ARG, 0, "--value has no uncertainty; without one nothing can be confirmed");
	if (!rc)
		rc = read_limit("lower", lower, c->unit, &c->limits.lower, err);
	if (!rc)
		rc = read_limit("upper", upper, c->unit, &c->limits.upper, err);
	if (!rc && confidence)
		rc = calc_option("confidence", confidence, "1", true, &q, err);
	if (!rc && !(q.value > 0.5 && q.value < 1))
		rc = err_set(err, RC_ARG, 0, "--confidence is %g; expected a number above 0.5 and below 1", q.value);
	if (!rc && !(c->limits.lower <= c->limits.upper))
		rc = err_set(err, RC_ARG, 0, "--lower lies above --upper");
	if (rc)
		return rc;
	c->confidence = q.value;
	c->probability = conform_probability(c->value.value, c->value.u, c->value.dof, c->limits);
	c->verdict = conform_verdict(c->probability, c->confidence);
	c->has_guarded =
		conform_guarded(c->limits, c->value.u, c->value.dof, c->confidence, &c->guarded, NULL) == RC_OK;
	return RC_OK;
}

static int print_conform(const struct cli *cli, const struct claim_check *c)
{
	if (!cli->json) {
		printf("%s: the claim is met with probability %.4g (required confidence %g)\n",
		       verdict_name(c->verdict), c->probability, c->confidence);
		if (c->has_guarded)
			printf("guarded limits %.6g to %.6g %s\n", c->guarded.lower, c->guarded.upper,
			       strcmp(c->unit, "1") ? c->unit : "");
		else
			puts("no reading could confirm it: the guard bands use up the tolerance");
		return 0;
	}
	json_t *doc = calc_json(c->value.value, c->value.u, c->unit), *guarded = json_object();
	json_object_set_new(doc, "topic", cli_text("conform"));
	json_object_set_new(doc, "probability", cli_real(c->probability));
	json_object_set_new(doc, "confidence", cli_real(c->confidence));
	json_object_set_new(doc, "verdict", cli_text(verdict_name(c->verdict)));
	json_object_set_new(doc, "lower", cli_real(c->limits.lower));
	json_object_set_new(doc, "upper", cli_real(c->limits.upper));
	json_object_set_new(guarded, "lower", cli_real(c->guarded.lower));
	json_object_set_new(guarded, "upper", cli_real(c->guarded.upper));
	if (c->has_guarded)
		json_object_set(doc, "guarded", guarded);
	else
		json_object_set_new(doc, "guarded", json_null());
	json_decref(guarded);
	return cli_print_json(doc);
}

int calc_conform(int argc, char **argv)
{
	const char *value = NULL, *lower = NULL, *upper = NULL, *confidence = NULL;
	const struct cli_option options[] = {
		{ "value", "Q", "measured value with its uncertainty", &value, NULL },
		{ "lower", "Q", "lower limit of the claim", &lower, NULL },
		{ "upper", "Q", "upper limit of the claim", &upper, NULL },
		{ "confidence", "P", "probability that decides; 0.95", &confidence, NULL },
	};
	const struct cli_spec spec = {
		"calc conform",
		"calc conform --value Q [--lower Q] [--upper Q] [options]",
		"The probability that a claim is met, the guarded limits, and the verdict confirmed, refuted or "
		"undecided "
		"(JCGM 106:2012). The answer is in the unit of the value.",
		"  bridle calc conform --value \"-5.47 V \xc2\xb1 0.05 V normal\" --upper \"-5.40 V\"\n"
		"  gives 0.919, undecided at 0.95 (JCGM 106:2012, 7.3: 0.92)\n",
		options,
		COUNT(options),
		0,
		0,
	};
	struct cli cli;
	struct claim_check c;
	struct err err;
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (!rc && cli.help_shown)
		return 0;
	if (!rc)
		rc = judge(value, lower, upper, confidence, &c, &err);
	return rc ? cli_fail(&cli, &err, NULL, NULL) : print_conform(&cli, &c);
}
