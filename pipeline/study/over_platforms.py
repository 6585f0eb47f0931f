"""What holds over all platforms: listed up to two, a mean from three, a prediction from five.

Repeat variances are moderated towards the fleet here and only here: a platform's own interval and verdict rest on
its own repeats alone, so that no verdict on one vehicle leans on the behaviour of others. Over platforms the
within-platform variance is a mere weight, and two or three repeats give a poor one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..contracts import Comparison, OverPlatforms
from ..kernels import effects, moderation, random_effects
from .decibels import CHANGE, DECIBEL, PREDICTION, decibels_of_log
from .sentences import over_platforms_sentence
from .study_file import Study

MEAN_FROM, PREDICTION_FROM = 3, 5
_Key = tuple[str, str, str, str, str]
"""Candidate, position, condition, reading, combination."""
_LEAST_VARIANCE = 1e-12
"""Identical repeats must not get infinite weight."""


@dataclass(frozen=True, slots=True)
class _Fleet:
    """One candidate's platforms: log ratios with moderated variances."""

    comparisons: tuple[Comparison, ...]
    left_out: tuple[Comparison, ...]
    log_ratios: tuple[float, ...]
    variances: tuple[float, ...]
    prior: moderation.VariancePrior | None


def summaries(study: Study, comparisons: Sequence[Comparison]) -> tuple[OverPlatforms, ...]:
    """One entry per candidate, position, condition, reading and combination, in order of appearance."""
    groups: dict[_Key, list[Comparison]] = {}
    for c in comparisons:
        if c.baseline == study.baseline:
            key = (c.candidate, c.position, c.condition, c.reading, c.combination)
            groups.setdefault(key, []).append(c)
    priors = _priors(groups)
    made = []
    for key, members in groups.items():
        fleet = _fleet(members, priors.get(key[1:]))
        if len(fleet.comparisons) >= 2:
            found = _summary(study, key, fleet)
            made.append(replace(found, extra={**found.extra, "sentence": over_platforms_sentence(found, study)}))
    return tuple(made)


def _priors(
    groups: dict[_Key, list[Comparison]],
) -> dict[tuple[str, ...], moderation.VariancePrior | None]:
    """The fleet's scatter of repeats, from every part of every platform once, per position and reading."""
    pools: dict[tuple[str, ...], dict[tuple[str, str], tuple[float, int]]] = {}
    for key, members in groups.items():
        pool = pools.setdefault(key[1:], {})
        for c in members:
            for part, std, n in (
                (c.baseline, c.extra["log_std_baseline"], c.n_baseline),
                (c.candidate, c.extra["log_std_candidate"], c.n_candidate),
            ):
                if std is not None:
                    pool[(c.platform, part)] = (std**2, n - 1)
    priors: dict[tuple[str, ...], moderation.VariancePrior | None] = {}
    for what, pool in pools.items():
        variances = [variance for variance, _ in pool.values()]
        known = bool(variances) and max(variances) > 0.0
        priors[what] = moderation.variance_prior(variances, [dof for _, dof in pool.values()]) if known else None
    return priors


def _fleet(members: Sequence[Comparison], prior: moderation.VariancePrior | None) -> _Fleet:
    used = tuple(c for c in members if _enters(c))
    return _Fleet(
        used,
        tuple(c for c in members if not _enters(c)),
        tuple(float(c.extra["log_ratio"]) for c in used),
        tuple(_variance(c, prior) for c in used),
        prior,
    )


def _enters(c: Comparison) -> bool:
    """Two repeats a side and a percent that may be shown; part and session mixed up is carried by tau."""
    not_comparable = any(str(reason.code) == "not_comparable" for reason in c.reasons)
    interval = c.extra[CHANGE[1]] if c.unit == DECIBEL else c.interval_low
    return interval is not None and c.extra["log_ratio"] is not None and not not_comparable


def _variance(c: Comparison, prior: moderation.VariancePrior | None) -> float:
    own = np.array([c.extra["log_std_baseline"] ** 2, c.extra["log_std_candidate"] ** 2])
    n = np.array([c.n_baseline, c.n_candidate], dtype=np.float64)
    moderated = own if prior is None else moderation.moderated_variance(own, n - 1.0, prior)
    return float(max((moderated / n).sum(), _LEAST_VARIANCE))


def _summary(study: Study, key: _Key, fleet: _Fleet) -> OverPlatforms:
    k = len(fleet.comparisons)
    extra: dict[str, Any] = {
        "platforms": [
            {
                "platform": c.platform,
                "percent_change": c.percent_change,
                "interval_low": c.interval_low,
                "interval_high": c.interval_high,
                "variance_moderated": variance,
                **({name: c.extra[name] for name in CHANGE} if c.unit == DECIBEL else {}),
            }
            for c, variance in zip(fleet.comparisons, fleet.variances, strict=True)
        ],
        "left_out": [c.platform for c in fleet.left_out],
        "prior_degrees_of_freedom": _finite(fleet.prior.dof) if fleet.prior else None,
        "prior_log_std": float(np.sqrt(fleet.prior.variance)) if fleet.prior else None,
        "prior_is_common": bool(fleet.prior and np.isinf(fleet.prior.dof)),
        "method": "listed only",
        "confidence": study.confidence,
        "confidence_per_look": study.confidence_per_look,
    }
    if k < MEAN_FROM:
        return OverPlatforms(*key, k, None, None, None, None, None, None, None, extra)
    return _pooled(study, key, fleet, extra)


def _pooled(study: Study, key: _Key, fleet: _Fleet, extra: dict[str, Any]) -> OverPlatforms:
    y, v, k = fleet.log_ratios, fleet.variances, len(fleet.log_ratios)
    confidence = study.confidence_per_look
    tau2 = random_effects.reml_tau2(y, v)
    effect = random_effects.hartung_knapp(y, v, tau2, confidence)
    spread = random_effects.heterogeneity(y, v)
    full = k >= PREDICTION_FROM
    prediction = None
    if full:
        known = random_effects.pooled_effect(y, v, tau2)
        prediction = random_effects.prediction_interval(known.effect, known.std_error, tau2, k, confidence)
    extra |= {
        "method": "random effects (REML), interval after Hartung and Knapp",
        "log_ratio": effect.estimate,
        "std_error": effect.std_error,
        "degrees_of_freedom": effect.dof,
    }
    if full:
        extra |= {"q": spread.q, "tau_paule_mandel": float(np.sqrt(random_effects.paule_mandel_tau2(y, v)))}
    in_decibels = fleet.comparisons[0].unit == DECIBEL
    ends = (effect.estimate, effect.low, effect.high, *(prediction or (None, None)))
    percents = [None if end is None or in_decibels else effects.percent_change(end) for end in ends]
    if in_decibels:
        told = [None if end is None else decibels_of_log(end) for end in ends]
        extra |= dict(zip((*CHANGE, *PREDICTION), told, strict=True))
    return OverPlatforms(
        *key,
        n_platforms=k,
        percent_change=percents[0],
        interval_low=percents[1],
        interval_high=percents[2],
        prediction_low=percents[3],
        prediction_high=percents[4],
        tau=float(np.sqrt(tau2)) if full else None,
        i2=spread.i2 if full else None,
        extra=extra,
    )


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
