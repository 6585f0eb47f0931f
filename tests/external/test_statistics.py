"""Statistics against published numbers; statsmodels as a second reference for random effects and tests.

Tables lie in ``reference_values.json``; each check names the publication its numbers come from.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from thrumline.pipeline.kernels import (
    effects,
    equivalence,
    moderation,
    power,
    random_effects,
    repeatability,
    uncertainty_budget,
)

pytestmark = pytest.mark.external

REFERENCE = json.loads((Path(__file__).parent / "reference_values.json").read_text())

# G. A. Colditz et al., JAMA 271, 698-702, 1994; results in van Houwelingen et al., Stat. Med. 21, 589-624, 2002
BCG = REFERENCE["bcg"]
# M. Borenstein et al., Introduction to Meta-Analysis, 2009, Table 14.1
BORENSTEIN = REFERENCE["borenstein_14_1"]
# R. N. Kacker, Metrologia 41, 132-136, 2004
KACKER = REFERENCE["kacker2004"]


# --- two means: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.3 (AUTO83B) ---

AUTO83B = (effects.Summary(20.14458, 6.41470, 249), effects.Summary(30.48101, 6.10771, 79))


def test_welch_statistic_of_auto83b():
    found = effects.mean_difference(*AUTO83B)
    assert found.estimate / found.std_error == pytest.approx(-12.946, abs=5e-4)
    assert found.dof == pytest.approx(136.8750, abs=5e-3)


def test_pooled_statistic_of_auto83b_is_not_the_one_we_use():
    """The Handbook's equal-variance t is -12.62059 on 326 df; ours must differ from it and follow Welch."""
    first, second = AUTO83B
    pooled = ((first.n - 1) * first.std**2 + (second.n - 1) * second.std**2) / (first.n + second.n - 2)
    t = (first.mean - second.mean) / np.sqrt(pooled * (1 / first.n + 1 / second.n))
    assert t == pytest.approx(-12.62059, abs=1e-5)
    found = effects.mean_difference(first, second)
    assert abs(found.estimate / found.std_error - t) > 0.3


def test_welch_interval_agrees_with_statsmodels():
    """statsmodels CompareMeans(usevar='unequal') as the second reference."""
    weightstats = pytest.importorskip("statsmodels.stats.weightstats")
    a, b = np.log([4.0, 4.4, 3.9]), np.log([4.5, 5.0, 4.6, 4.4])
    theirs = weightstats.CompareMeans.from_data(b, a).tconfint_diff(alpha=0.05, usevar="unequal")
    ours = effects.log_ratio(np.exp(a), np.exp(b))
    assert (ours.low, ours.high) == pytest.approx(theirs, rel=1e-9)


# --- percent change: E. C. Fieller, J. R. Stat. Soc. B 16, 175-185, 1954; worked example of closed form ---

RATIO = REFERENCE["ratio_example"]
VARIANCES = (RATIO["se_mod"] ** 2, RATIO["se_base"] ** 2)


def percents(limits):
    return [100 * (limit - 1) for limit in limits]


def test_fieller_limits_of_the_worked_example():
    t = effects.t_quantile(0.95, RATIO["df"])
    limits = effects.fieller_interval(RATIO["mod"], RATIO["base"], VARIANCES, t)
    assert percents(limits) == pytest.approx([1.72721, 24.28263], abs=1e-5)
    assert percents(limits) == pytest.approx(RATIO["fieller_pct"], abs=1e-9)


def test_delta_limits_of_the_worked_example():
    t = effects.t_quantile(0.95, RATIO["df"])
    limits = effects.delta_ratio_interval(RATIO["mod"], RATIO["base"], VARIANCES, t)
    assert percents(limits) == pytest.approx([1.25880, 23.74120], abs=1e-5)


def test_log_ratio_limits_of_the_worked_example():
    relative = np.hypot(RATIO["se_mod"] / RATIO["mod"], RATIO["se_base"] / RATIO["base"])
    found = effects.t_interval(np.log(RATIO["mod"] / RATIO["base"]), relative, RATIO["df"], 0.95)
    limits = [effects.percent_change(found.low), effects.percent_change(found.high)]
    assert limits == pytest.approx([1.80217, 24.32201], abs=1e-5)


def test_t_multiplier_of_the_worked_example():
    """Student's t, 95 % two-sided, 10 df: 2.228139 in any printed table (Student, Biometrika 6, 1908, and since)."""
    assert effects.t_quantile(0.95, 10) == pytest.approx(2.228139, abs=5e-7)


# --- equivalence: D. J. Schuirmann 1987; D. Lakens, Soc. Psychol. Personal. Sci. 8, 355-362, 2017 ---


def test_independent_equivalence_after_lakens():
    first, second = effects.Summary(5.25, 0.95, 95), effects.Summary(5.22, 0.83, 89)
    found = equivalence.independent_equivalence(first, second, (-0.384, 0.384))
    assert (found.t_lower, found.t_upper) == pytest.approx((3.153015, -2.696056), abs=1e-6)
    assert (found.p_lower, found.p_upper) == pytest.approx((0.0009458745, 0.003838994), abs=1e-8)
    assert found.dof == pytest.approx(181.1344, abs=1e-4)
    assert (found.low, found.high) == pytest.approx((-0.1870843, 0.2470843), abs=1e-6)
    assert found.equivalent


def test_paired_equivalence_after_lakens():
    first, second = effects.Summary(5.83, 1.17, 65), effects.Summary(5.75, 1.30, 65)
    found = equivalence.paired_equivalence(first, second, 0.745, (-0.34, 0.34))
    assert (found.t_lower, found.t_upper) == pytest.approx((3.803437, -2.354508), abs=1e-6)
    assert (found.p_lower, found.p_upper) == pytest.approx((0.0001606103, 0.01081349), abs=1e-8)
    assert (found.low, found.high) == pytest.approx((-0.1043032, 0.2643032), abs=1e-6)
    assert found.equivalent


def test_two_one_sided_tests_agree_with_statsmodels():
    """statsmodels ttost_ind(usevar='unequal') as the second reference."""
    weightstats = pytest.importorskip("statsmodels.stats.weightstats")
    a, b = np.array([4.0, 4.4, 3.9, 4.2]), np.array([4.1, 4.3, 4.05, 4.0])
    band = equivalence.log_band(10.0)
    _, lower, upper = weightstats.ttost_ind(np.log(b), np.log(a), *band, usevar="unequal")
    found = equivalence.ratio_equivalence(a, b, 10.0)
    assert (found.t_lower, found.p_lower) == pytest.approx((lower[0], lower[1]), rel=1e-9)
    assert (found.t_upper, found.p_upper) == pytest.approx((upper[0], upper[1]), rel=1e-9)


# --- random effects ---


def test_bcg_effects_follow_from_the_counts():
    """ln risk ratio and its variance of each trial, from the printed 2 x 2 tables."""
    for row, y, v in zip(BCG["rows"], BCG["logRR"], BCG["var"], strict=True):
        tp, tn, cp, cn = row[-4:]
        assert y == pytest.approx(np.log(tp / (tp + tn) * (cp + cn) / cp), abs=1e-9)
        assert v == pytest.approx(1 / tp - 1 / (tp + tn) + 1 / cp - 1 / (cp + cn), abs=1e-9)


def test_bcg_common_effect_and_heterogeneity():
    pooled = random_effects.pooled_effect(BCG["logRR"], BCG["var"])
    spread = random_effects.heterogeneity(BCG["logRR"], BCG["var"])
    assert (pooled.effect, pooled.std_error) == pytest.approx((-0.4303, 0.0405), abs=5e-5)
    assert (spread.q, spread.dof) == (pytest.approx(152.2330, abs=5e-5), 12)
    assert spread.i2 == pytest.approx(92.12, abs=5e-3)


# W. Viechtbauer, J. Stat. Softw. 36(3), 2010 (DL, REML); Paule-Mandel derived
ESTIMATORS = [
    (random_effects.dersimonian_laird_tau2, 0.308760, -0.714117, 0.178742),
    (random_effects.reml_tau2, 0.313243, -0.714532, 0.179782),
    (random_effects.paule_mandel_tau2, 0.318068, -0.714968, 0.180892),
]


@pytest.mark.parametrize(("estimator", "tau2", "mu", "se"), ESTIMATORS)
def test_bcg_random_effects(estimator, tau2, mu, se):
    found = random_effects.pooled_effect(BCG["logRR"], BCG["var"], estimator(BCG["logRR"], BCG["var"]))
    assert found.tau2 == pytest.approx(tau2, abs=1e-6)
    assert found.effect == pytest.approx(mu, abs=1e-6)
    assert found.std_error == pytest.approx(se, abs=1e-6)


def test_bcg_hartung_knapp_has_k_minus_one_degrees_of_freedom():
    """-1.107821 ... -0.320413; with k - 2 it would be -1.111828 ... -0.316407, a published slip."""
    y, v = BCG["logRR"], BCG["var"]
    found = random_effects.hartung_knapp(y, v, random_effects.dersimonian_laird_tau2(y, v))
    assert (found.low, found.high) == pytest.approx((-1.107821, -0.320413), abs=1e-6)
    assert abs(found.low - -1.111828) > 1e-3


def test_bcg_odds_ratio_by_maximum_likelihood():
    """van Houwelingen 2002, pp. 596-597: tau^2 0.302, OR 0.476 (0.336-0.675); Hartung-Knapp 0.318-0.714."""
    counts = np.array([row[-4:] for row in BCG["rows"]], dtype=float)
    y = np.log(counts[:, 0] * counts[:, 3] / (counts[:, 1] * counts[:, 2]))
    v = (1 / counts).sum(axis=1)
    tau2 = random_effects.ml_tau2(y, v)
    pooled = random_effects.pooled_effect(y, v, tau2)
    assert tau2 == pytest.approx(0.302, abs=1e-3)
    normal = effects.t_interval(pooled.effect, pooled.std_error, np.inf, 0.95)
    assert np.exp([normal.estimate, normal.low, normal.high]) == pytest.approx([0.476, 0.336, 0.675], abs=1e-3)
    knapp = random_effects.hartung_knapp(y, v, tau2)
    assert np.exp([knapp.low, knapp.high]) == pytest.approx([0.318, 0.714], abs=1e-3)


def test_borenstein_table_14_1():
    y, v = BORENSTEIN["y"], BORENSTEIN["v"]
    tau2 = random_effects.dersimonian_laird_tau2(y, v)
    spread = random_effects.heterogeneity(y, v)
    knapp = random_effects.hartung_knapp(y, v, tau2)
    assert tau2 == pytest.approx(0.0373, abs=2e-4)
    assert knapp.estimate == pytest.approx(0.3582, abs=2e-4)
    # the printed variances carry three digits: half a digit of 0.0105 moves Q by 0.03
    assert spread.q == pytest.approx(12.00, abs=0.03)
    assert spread.i2 == pytest.approx(58.3, abs=0.15)
    assert (knapp.low, knapp.high) == pytest.approx((0.126276, 0.590103), abs=2e-4)


@pytest.mark.parametrize(
    ("estimator", "tau2", "mu", "se"),
    [
        (random_effects.paule_mandel_tau2, 0.705395309, 62.407619911, 0.338030603),
        (random_effects.dersimonian_laird_tau2, 0.288049247, 62.390138604, 0.245749668),
    ],
)
def test_kacker_2004(estimator, tau2, mu, se):
    y, v = KACKER["y"], KACKER["v"]
    found = random_effects.pooled_effect(y, v, estimator(y, v))
    assert (found.tau2, found.effect, found.std_error) == pytest.approx((tau2, mu, se), abs=1e-8)
    assert random_effects.heterogeneity(y, v).q == pytest.approx(24.801897742, abs=1e-8)


@pytest.mark.parametrize(("name", "estimator"), [("dl", "dersimonian_laird_tau2"), ("pm", "paule_mandel_tau2")])
@pytest.mark.parametrize("table", ["bcg", "borenstein", "kacker"])
def test_random_effects_agree_with_statsmodels(name, estimator, table):
    """statsmodels combine_effects as the second reference: chi2 / iterated estimators, Hartung-Knapp standard error."""
    meta = pytest.importorskip("statsmodels.stats.meta_analysis")
    y, v = {
        "bcg": (BCG["logRR"], BCG["var"]),
        "borenstein": (BORENSTEIN["y"], BORENSTEIN["v"]),
        "kacker": (KACKER["y"], KACKER["v"]),
    }[table]
    kind = {"dl": "dl", "pm": "iterated"}[name]
    theirs = meta.combine_effects(np.array(y), np.array(v), method_re=kind, use_t=True, atol=1e-12)
    tau2 = getattr(random_effects, estimator)(y, v)
    ours = random_effects.hartung_knapp(y, v, tau2)
    assert tau2 == pytest.approx(theirs.tau2, rel=1e-5)
    assert ours.estimate == pytest.approx(theirs.mean_effect_re, rel=1e-6)
    assert ours.std_error == pytest.approx(theirs.sd_eff_w_re_hksj, rel=1e-5)
    assert random_effects.heterogeneity(y, v).q == pytest.approx(theirs.q, rel=1e-8)
    assert random_effects.heterogeneity(y, v).i2 == pytest.approx(100 * max(theirs.i2, 0), abs=1e-6)


# --- repeatability ---


def test_nist_sirstv_one_way():
    """NIST StRD, data set SiRstv, certified values."""
    table = repeatability.one_way(REFERENCE["sirstv"]["data"])
    assert table.f == pytest.approx(1.18046237440255, rel=1e-9)
    assert table.ss_between == pytest.approx(5.11462616e-2, rel=1e-8)
    assert table.ss_within == pytest.approx(2.1663656e-1, rel=1e-8)
    assert (table.dof_between, table.dof_within) == (4, 20)
    found = repeatability.precision(REFERENCE["sirstv"]["data"])
    assert found.within == pytest.approx(0.104076068334656, rel=1e-9)


def test_sirstv_in_the_terms_of_iso_5725():
    """ISO 5725-2:2019 formulas on the certified sums of squares; limits 2.8 s of ISO 5725-6."""
    found = repeatability.precision(REFERENCE["sirstv"]["data"])
    assert (found.within, found.between, found.reproducibility) == pytest.approx(
        (0.104076, 0.019772, 0.105938), abs=1e-6
    )
    assert (found.repeatability_limit, found.reproducibility_limit) == pytest.approx((0.29141, 0.29663), abs=1e-5)


def test_negative_between_laboratory_variance_is_floored():
    """ASTM E691, glucose in serum, material A: s_R = s_r = 1.0632."""
    found = repeatability.precision(REFERENCE["e691_glucose_A"]["data"])
    assert found.mean == pytest.approx(41.5183, abs=5e-5)
    assert found.within == pytest.approx(1.0632, abs=5e-5)
    assert found.between == 0.0
    assert found.reproducibility == pytest.approx(1.0632, abs=5e-5)


# --- power: from memory of printed tables, recomputed (J. Cohen, Statistical Power Analysis, 1988) ---


@pytest.mark.parametrize(
    ("size", "effect", "wanted", "n"),
    [
        (power.paired_sample_size, 0.5, 0.8, 33.367),
        (power.paired_sample_size, 1.0, 0.9, 12.585),
        (power.two_sample_size, 1.0, 0.9, 22.021),
    ],
)
def test_sample_sizes(size, effect, wanted, n):
    assert size(effect, 0.05, wanted) == pytest.approx(n, abs=1e-3)


def test_power_agrees_with_statsmodels():
    """statsmodels TTestIndPower as the second reference."""
    tests = pytest.importorskip("statsmodels.stats.power")
    for effect, n in ((1.0, 8), (2.0, 4), (0.5, 30)):
        theirs = tests.TTestIndPower().power(effect, n, 0.05)
        assert power.t_power(effect * np.sqrt(n / 2), 2 * n - 2, 0.05) == pytest.approx(theirs, rel=1e-6)


# --- uncertainty budget: JCGM 100:2008, H.1 (end gauge) ---


def test_end_gauge_budget():
    components = list(REFERENCE["gum_h1"]["components_nm"].values())
    found = uncertainty_budget.combined_uncertainty(components, [18, 24, 5, 8, 50, 2])
    assert found.combined == pytest.approx(31.664, abs=0.01)
    assert found.dof == pytest.approx(16.75, abs=0.1)
    assert found.expanded(0.99, truncate=True) == pytest.approx(93.0, abs=0.6)


def test_99_percent_multiplier_of_sixteen_degrees_of_freedom():
    """JCGM 100:2008, Table G.2: t_99(16) = 2.92."""
    assert effects.t_quantile(0.99, 16) == pytest.approx(2.92, abs=5e-3)


# --- moderation: special values of the trigamma function (Abramowitz and Stegun 1964, 6.4.2 and 6.4.4) ---


@pytest.mark.parametrize(("trigamma", "x"), [(np.pi**2 / 6, 1.0), (np.pi**2 / 2, 0.5), (np.pi**2 / 6 - 1, 2.0)])
def test_trigamma_is_inverted_at_its_known_values(trigamma, x):
    assert moderation.inverse_trigamma(trigamma) == pytest.approx(x, rel=1e-12)
