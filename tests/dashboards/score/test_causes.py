"""Causes are counted right, and the calibration error is the published one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binned_statistic

from dashboards.score.causes import BINS, calibration, score_causes
from dashboards.score.spells import AirSpell


def verdict(true: str | None, found: str, share: float | None = 0.5) -> tuple[AirSpell, AirSpell]:
    return AirSpell("p", 1, 0, 1, cause=true), AirSpell("p", 1, 0, 1, cause=found, cause_share=share)


def test_unknown_is_no_right_answer_unless_it_is_the_truth() -> None:
    """Of four told causes two are right; of the three named two are; the untold one counts nowhere."""
    both = [verdict("cow", "cow"), verdict("cow", "unknown"), verdict("stall_fault", "stall_fault")]
    both += [verdict("cow", "stall_fault"), verdict(None, "cow")]
    result = score_causes(both)
    assert (result.right.part, result.right.whole) == (2, 4)
    assert (result.named.part, result.named.whole) == (3, 4)
    assert (result.named_right.part, result.named_right.whole) == (2, 3)
    assert result.table == {
        "cow": {"cow": 1, "stall_fault": 1, "unknown": 1},
        "stall_fault": {"stall_fault": 1},
    }


def test_the_commonest_cause_is_the_benchmark() -> None:
    """Always telling the commonest true cause would be right in two of three."""
    result = score_causes(
        [verdict("cow", "unknown"), verdict("cow", "unknown"), verdict("quarter_dry", "cow")]
    )
    assert (result.commonest.part, result.commonest.whole) == (2, 3)


def test_calibration_as_counted_by_hand() -> None:
    """Two verdicts at 0.85, one right, and two at 0.35, none right: (2 * 0.35 + 2 * 0.35) / 4."""
    result = calibration([(0.85, True), (0.85, False), (0.35, False), (0.35, False)])
    assert result.error == pytest.approx(0.35)
    assert [(b.low, b.count, b.right) for b in result.bins] == [(0.3, 2, 0.0), (0.8, 2, 0.5)]


@pytest.mark.source("scipy.stats.binned_statistic: means and counts of equal-width bins")
@given(
    st.lists(st.tuples(st.floats(0.0, 1.0, exclude_min=True), st.booleans()), min_size=1, max_size=60).filter(
        lambda verdicts: all(not float(10 * stated).is_integer() for stated, _ in verdicts)
    )
)
def test_calibration_equals_the_binned_means(verdicts: list[tuple[float, bool]]) -> None:
    """The error is the count-weighted distance of scipy's binned means, edges of bins apart."""
    stated = np.array([share for share, _ in verdicts])
    right = np.array([float(ok) for _, ok in verdicts])
    grid = {"bins": BINS, "range": (0.0, 1.0)}
    count = binned_statistic(stated, stated, "count", **grid).statistic
    mean_share = binned_statistic(stated, stated, "mean", **grid).statistic
    mean_right = binned_statistic(stated, right, "mean", **grid).statistic
    expected = np.nansum(count * np.abs(mean_right - mean_share)) / len(verdicts)
    assert calibration(verdicts).error == pytest.approx(expected, abs=1e-12)


def test_both_ends_of_the_scale_have_a_bin() -> None:
    """A share of 0 and one of 1 are counted, in the first and the last bin."""
    assert [(b.low, b.high) for b in calibration([(0.0, False), (1.0, True)]).bins] == [
        (0.0, 0.1),
        (0.9, 1.0),
    ]


def test_no_verdict_has_no_error() -> None:
    """Without a share there is nothing to hold against the truth."""
    result = score_causes([verdict("cow", "cow", None)])
    assert result.calibration.error is None
    assert result.calibration.bins == ()
