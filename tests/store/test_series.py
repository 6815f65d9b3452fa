"""Interrupted series, controlled ratios and what could be shown."""

from __future__ import annotations

import numpy as np
import pytest

from store.evidence.contrast import Arms, controlled_ratio, own_way
from store.evidence.power import detectable_ratio
from store.evidence.series import interrupted
from tests.store.published import SEATBELTS_FRONT, SEATBELTS_KMS, SEATBELTS_LAW_AT, SEATBELTS_REAR


@pytest.mark.source("R 4.2 glm(quasipoisson) and sandwich on datasets::Seatbelts")
def test_step_of_the_seat_belt_law() -> None:
    """Step, dispersion and both kinds of limits for front seats; the rear seats as control series."""
    front = interrupted(SEATBELTS_FRONT, SEATBELTS_KMS, step_at=SEATBELTS_LAW_AT, period=12, lags=12)
    rear = interrupted(SEATBELTS_REAR, SEATBELTS_KMS, step_at=SEATBELTS_LAW_AT, period=12)
    assert front is not None
    assert front.serial is not None
    assert rear is not None
    assert (front.ratio.value, front.ratio.low, front.ratio.high) == pytest.approx(
        (0.7884779, 0.7418461, 0.8380409), abs=6e-8
    )
    assert front.dispersion == pytest.approx(8.6198358, abs=5e-7)
    assert (front.serial.low, front.serial.high) == pytest.approx((0.7322917, 0.8489751), abs=6e-8)
    assert front.wider is front.serial
    assert (rear.ratio.value, rear.ratio.low, rear.ratio.high) == pytest.approx(
        (1.1191543, 1.0558406, 1.1862646), abs=6e-8
    )


def test_a_short_series_tells_no_step() -> None:
    """Seven points on one side are too few."""
    assert interrupted([5] * 15, [100] * 15, step_at=7) is None


def arms(rng: np.random.Generator, *, ratio: float) -> Arms:
    exposure = np.full(40, 1200.0)
    treated = np.arange(40) % 2.0
    own = rng.gamma(50, 1 / 50, 40)
    before = rng.poisson(96 * own)
    after = rng.poisson(96 * own * 1.3 * np.where(treated > 0, ratio, 1.0))
    return Arms(before.astype(float), exposure, after.astype(float), exposure, treated)


def test_controlled_ratios_cover_the_truth() -> None:
    """Of 300 remedies by a factor of 0.6 the limits hold at least 93 %, and the mean is right within 2 %."""
    rng = np.random.default_rng(6)
    found = [controlled_ratio(arms(rng, ratio=0.6)) for _ in range(300)]
    values = [each.value for each in found if each is not None]
    assert len(values) == 300
    assert np.mean([each is not None and each.low <= 0.6 <= each.high for each in found]) >= 0.93
    assert np.mean(values) == pytest.approx(0.6, rel=0.02)


def test_a_stall_that_goes_its_own_way_is_found() -> None:
    """A stall whose part failed meanwhile is told from forty that did not; without one, hardly any is."""
    rng = np.random.default_rng(7)
    odd = arms(rng, ratio=0.6)
    odd.after[5] *= 4
    assert own_way(odd)[5]
    assert sum(int(own_way(arms(rng, ratio=0.6)).sum()) for _ in range(50)) <= 10


def test_without_events_or_stalls_there_is_no_controlled_ratio() -> None:
    """An arm of one stall, or without slips, cannot be compared."""
    rng = np.random.default_rng(8)
    some = arms(rng, ratio=1.0)
    assert controlled_ratio(some.only(np.arange(2))) is None
    empty = Arms(some.before * 0, some.before_exposure, some.after, some.after_exposure, some.treated)
    assert controlled_ratio(empty) is None


@pytest.mark.source("Wald sample size for two risks, 80 % power; worked backwards by hand")
def test_what_could_be_shown_shrinks_with_data() -> None:
    """The detectable ratio solves its own equation, falls with more cows, and is None without any."""
    ratio = detectable_ratio(500, 500, 0.06)
    more = detectable_ratio(5000, 5000, 0.06)
    assert ratio is not None
    assert more is not None
    spread = (1 - 0.06 * ratio) / (500 * 0.06 * ratio) + 0.94 / 30
    assert np.log(ratio) == pytest.approx(2.801585 * np.sqrt(spread), rel=1e-6)
    assert 1.0 < more < ratio
    assert detectable_ratio(0, 100, 0.1) is None
    assert detectable_ratio(2, 2, 0.9) is None
