"""Pooled ratios agree with R's epiR and with statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable

from store.evidence.interval import Estimate
from store.evidence.stratified import (
    Strata,
    attributable_fraction,
    clustered_log_se,
    odds_ratio,
    population_fraction,
    rate_ratio,
    risk_ratio,
)
from tests.store.published import EIGHT_HERDS

HERDS = Strata.of(*EIGHT_HERDS)
CRUDE = Strata.of(*([sum(side)] for side in EIGHT_HERDS))


def limits(found: Estimate | None) -> tuple[float, float, float]:
    assert found is not None
    return found.value, found.low, found.high


@pytest.mark.source("epiR 2.0.57, help of epi.2by2, example 6: mastitis treatment in eight herds")
def test_pooled_ratios_of_the_eight_herds() -> None:
    """Pooled and crude odds and risk ratios with their limits, to the printed digits."""
    assert limits(odds_ratio(HERDS)) == pytest.approx((5.9707688, 2.7157388, 13.1272120), abs=6e-8)
    assert limits(risk_ratio(HERDS)) == pytest.approx((1.9391247, 1.3527304, 2.7797149), abs=6e-8)
    assert limits(risk_ratio(CRUDE)) == pytest.approx((1.9073125, 1.3392268, 2.7163742), abs=6e-8)
    assert limits(odds_ratio(CRUDE))[0] == pytest.approx(5.6602871, abs=5e-8)
    assert HERDS.informative == 8


@pytest.mark.source("statsmodels 0.15 StratifiedTable")
def test_pooled_ratios_agree_with_statsmodels() -> None:
    """Another library gives the same pooled odds ratio, limits and risk ratio."""
    a, b, c, d = EIGHT_HERDS
    table = StratifiedTable([np.array([[a[i], b[i]], [c[i], d[i]]]) for i in range(8)])
    value, low, high = limits(odds_ratio(HERDS))
    assert (value, low, high) == pytest.approx(
        (table.oddsratio_pooled, *table.oddsratio_pooled_confint()), rel=1e-9
    )
    assert limits(risk_ratio(HERDS))[0] == pytest.approx(table.riskratio_pooled, rel=1e-9)


@pytest.mark.source("epiR 2.0.57, help of epi.2by2, example 4")
def test_pooled_ratio_of_rates() -> None:
    """The pooled incidence rate ratio of two strata with its limits."""
    found = rate_ratio([1308, 200], [4325264, 1530342], [884, 190], [13142619, 5586741])
    assert limits(found) == pytest.approx((4.3932445, 4.0619888, 4.7515141), abs=6e-8)


@pytest.mark.source("Willeberg 1977 as in epiR 2.0.57, help of epi.2by2, example 1: cat food")
def test_attributable_fractions() -> None:
    """Fractions among the exposed and in all follow from the risk ratio."""
    ratio = risk_ratio(Strata.of([13], [2163], [5], [3349]))
    assert ratio is not None
    assert limits(ratio) == pytest.approx((4.0075368, 1.4307339, 11.2252538), abs=6e-8)
    assert limits(attributable_fraction(ratio)) == pytest.approx((0.7504702, 0.3010580, 0.9109152), abs=6e-8)
    assert population_fraction(ratio, 13 / 18) == pytest.approx(0.5420062, abs=6e-8)


def test_an_empty_side_gives_no_ratio() -> None:
    """Without a case on one side, or with an empty stratum only, nothing is claimed."""
    assert risk_ratio(Strata.of([3], [5], [0], [9])) is None
    assert risk_ratio(Strata.of([0], [0], [0], [0])) is None
    assert odds_ratio(Strata.of([0], [5], [1], [9])) is None


def records(tables: Strata) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = [
        (exposed, case, k)
        for k in range(tables.cases.size)
        for exposed, case, count in (
            (1, 1, tables.cases[k]),
            (1, 0, tables.others[k]),
            (0, 1, tables.plain_cases[k]),
            (0, 0, tables.plain_others[k]),
        )
        for _ in range(int(count))
    ]
    exposed, case, stratum = np.array(rows, dtype=float).T
    return exposed, case, stratum


def test_clustered_errors_equal_a_jackknife_over_cows() -> None:
    """Leaving out one cow after the other spreads the log ratio as the sandwich says, within a twentieth."""
    exposed, case, stratum = (np.tile(v, 3) for v in records(HERDS))
    cow = np.arange(exposed.size) // 2
    values = []
    for out in np.unique(cow):
        e, c, s = (v[cow != out] for v in (exposed, case, stratum))
        n = 8
        tables = Strata.of(
            np.bincount(s.astype(int), e * c, n), np.bincount(s.astype(int), e * (1 - c), n),
            np.bincount(s.astype(int), (1 - e) * c, n), np.bincount(s.astype(int), (1 - e) * (1 - c), n),
        )  # fmt: skip
        values.append(np.log(limits(risk_ratio(tables))[0]))
    jackknife = np.sqrt((len(values) - 1) / len(values) * np.sum((values - np.mean(values)) ** 2))
    assert clustered_log_se(exposed, case, stratum, cow.astype(float)) == pytest.approx(jackknife, rel=0.05)


def test_cows_that_repeat_widen_the_limits() -> None:
    """The same records told twice for each cow carry no more than once: the error stays."""
    exposed, case, stratum = records(HERDS)
    cow = np.arange(exposed.size, dtype=float)
    once = clustered_log_se(exposed, case, stratum, cow)
    twice = clustered_log_se(*(np.tile(v, 2) for v in (exposed, case, stratum, cow)))
    assert twice == pytest.approx(once, rel=1e-6)
