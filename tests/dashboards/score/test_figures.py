"""Shares, rates, quantiles and confusion are the ordinary ones."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dashboards.score.figures import agreement, bands, confusion, quantiles, rate, share, share_of


def test_a_share_carries_its_limits() -> None:
    """Three of four is 0.75; nothing of nothing is no share."""
    assert share(3, 4).share == 0.75
    assert share(0, 0) == share_of([])
    assert share(0, 0).share is None
    assert share(0, 0).interval is None
    assert share_of([True, False, True, True]) == share(3, 4)


def test_a_rate_needs_milkings() -> None:
    """Two in fifty milkings are four in a hundred; without milkings there is a count and no rate."""
    assert rate(2, 50).per_100 == pytest.approx(4.0)
    assert rate(2, 0).per_100 is None
    assert rate(2, 0).count == 2


@pytest.mark.source("scipy.stats.scoreatpercentile: linear between the ranks")
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40))
def test_quantiles_are_the_linear_ones(values: list[float]) -> None:
    """Percentiles agree with another implementation of the same definition."""
    found = quantiles(values, 10, 50, 95)
    assert found is not None
    expected = stats.scoreatpercentile(values, [10, 50, 95])
    assert list(found.values()) == pytest.approx(list(expected), abs=1e-6)


def test_untold_words_are_no_confusion() -> None:
    """A pair of which one side is silent stands nowhere; the rest agrees in one of two."""
    table = confusion([("a", "a"), ("a", "b"), (None, "a"), ("b", None)])
    assert table == {"a": {"a": 1, "b": 1}}
    assert agreement(table) == share(1, 2)


def test_a_band_is_open_above() -> None:
    """An edge belongs to the band that begins there."""
    low, high = bands([1.0, 2.0, None], {1}, (1.0, 2.0, float("inf")))
    assert (low.truth, low.matched, high.truth, high.matched, high.high) == (1, 0, 1, 1, None)
