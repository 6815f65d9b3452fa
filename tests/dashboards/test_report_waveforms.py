"""Typical slips are drawn from the capture that covers them, and gaps stay gaps."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from dashboards.report.waveforms import draw_waveforms
from detect.errors import InputError
from detect.kinds import Phase
from store.history import Batch, History
from store.inquiry.daily import Period
from tests.store.drawn import PARLOR, SECOND_NS, T0_NS, air_event

DAY = datetime.fromtimestamp(T0_NS / 1e9, UTC).date()
PERIOD = Period(DAY, DAY + timedelta(days=1))


def capture(path: Path, *, without: range = range(0)) -> Path:
    """Write two minutes of stall 3 at 100 Hz in frames of half a second, some of them left out."""
    rows = []
    for n in range(240):
        t_ms = T0_NS // 1_000_000 + 500 * n
        if n not in without:
            payload = {"seq": n, "t_ms": t_ms, "rate_hz": 100, "kpa": [41.0 if n % 4 else 30.0] * 50}
            rows.append((t_ms * 1_000_000, f"milking/{PARLOR}/stall/3/vacuum", json.dumps(payload).encode()))
    rows.append((T0_NS + 60 * SECOND_NS, f"milking/{PARLOR}/stall/3/vacuum", b"{broken"))
    schema = {"recv_ns": pl.Int64, "topic": pl.String, "payload": pl.Binary}
    pl.DataFrame(rows, schema=schema, orient="row").write_parquet(path)
    return path


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    slips = [
        air_event(60 + n, stall=3, phase=Phase.DECLINE, depth_kpa=depth, event_id=f"e{n}")
        for n, depth in enumerate((2.0, 9.0, 30.0))
    ]
    with History.open(tmp_path / "farm.duckdb") as opened:
        opened.commit(Batch(PARLOR, slips))
        yield opened


def test_the_median_slip_of_a_phase_is_drawn(history: History, tmp_path: Path) -> None:
    """Of three slips the one of median depth, with all samples around it; a broken message is passed over."""
    ((svg, caption),) = draw_waveforms(history, PARLOR, PERIOD, capture(tmp_path / "c.parquet"))
    assert "9 kPa deep" in caption
    assert "Typical of decline: stall 3" in caption
    curve = max(svg.split('points="')[1:], key=len).partition('"')[0]
    assert curve.count(",") == pytest.approx(1000, abs=2)


def test_missing_frames_part_the_curve(history: History, tmp_path: Path) -> None:
    """Two seconds without frames are a hole in the line."""
    whole, holed = (
        draw_waveforms(history, PARLOR, PERIOD, capture(tmp_path / name, without=lost))[0][0].count(
            "<polyline"
        )
        for name, lost in (("w.parquet", range(0)), ("h.parquet", range(124, 128)))
    )
    assert holed == whole + 1


def test_a_capture_of_other_days_draws_nothing(history: History, tmp_path: Path) -> None:
    """Slips outside of the period or the capture are not drawn; no capture is the user's error."""
    file = capture(tmp_path / "c.parquet")
    assert draw_waveforms(history, PARLOR, Period(date(2020, 1, 1), date(2020, 1, 2)), file) == []
    with pytest.raises(InputError, match="no such capture"):
        draw_waveforms(history, PARLOR, PERIOD, tmp_path / "none")
