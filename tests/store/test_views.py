"""The ready-made views count what they say."""

from __future__ import annotations

from detect.kinds import AirKind, Quarter
from store.history import Batch, History
from tests.store.drawn import PARLOR, air_event, milking, rows


def test_slips_per_100_counts_whole_milkings_only(history: History) -> None:
    """Three slips in four whole milkings are 75 per 100; a milking seen in part does not count."""
    slips = [2, 0, 1, 0]
    whole = [
        milking(n, stall=5, slips=s, slip_air_l=0.5 * s, unsupported_s=40.0) for n, s in enumerate(slips)
    ]
    history.commit(Batch(PARLOR, [*whole, milking(9, stall=5, slips=50, complete=False)]))
    sql = "SELECT stall, milkings, slips, slips_per_100, slip_air_l, unsupported_ratio FROM slips_per_100"
    assert rows(history, sql) == [(5, 4, 3, 75.0, 1.5, 0.1)]


def test_stall_day_splits_at_midnight_utc(history: History) -> None:
    """Milkings on both sides of midnight UTC fall on their own day."""
    midnight = 1_760_054_400_000_000_000
    pair = [milking(n, stall=1, start_ns=midnight + n - 1, end_ns=midnight + 10**11, slips=n) for n in (0, 1)]
    history.commit(Batch(PARLOR, pair))
    found = rows(history, "SELECT day::VARCHAR, milkings, slips FROM stall_day ORDER BY day")
    assert found == [("2025-10-09", 1, 0), ("2025-10-10", 1, 1)]


def test_quarter_slips_counts_slips_whose_quarter_is_known(history: History) -> None:
    """Two rear slips of three are two thirds; slips without a quarter and falls do not count."""
    named = [Quarter.LEFT_REAR, Quarter.RIGHT_REAR, Quarter.RIGHT_FRONT, None]
    slips = [air_event(n, stall=5, kind=AirKind.LINER_SLIP, quarter=q) for n, q in enumerate(named)]
    fall = air_event(9, stall=5, kind=AirKind.FALL_OFF)
    history.commit(Batch(PARLOR, [*slips, fall]))
    sql = "SELECT stall, slips, lf, rf, lr, rr, front, rear, round(rear_ratio, 3) FROM quarter_slips"
    assert rows(history, sql) == [(5, 3, 0, 1, 1, 1, 1, 2, 0.667)]
