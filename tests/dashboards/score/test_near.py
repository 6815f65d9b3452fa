"""The noise comes out of the detector's own ear, and the report says what can be heard in it."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from dashboards.main import main as quietclaw
from dashboards.score.bound import Boxcar, autocovariance, bar, matched_filter, outputs, recall
from dashboards.score.near import LAGS, main, needed_bar, report
from dashboards.score.quiet import CLEAR_S, LEAVING_S, SETTLED_S, Ear, Piece, listen, quiet_stretches
from dashboards.score.spells import AirSpell, MilkingSpell, Record
from dashboards.score.truth import read_truth
from detect.params import BIN_NS, BIN_S
from detect.parlor import ParlorDetector
from detect.readings import MilkFlow, StallVacuum

NS = 1_000_000_000


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("near")
    assert (
        quietclaw(["simulate", "--seed", "3", "--stalls", "4", "--hours", "0.25", "--out", str(folder)]) == 0
    )
    return folder


@pytest.fixture(scope="module")
def pieces(trial: Path) -> list[list[Piece]]:
    return listen(trial / "capture.parquet")


def test_quiet_is_well_within_a_milking_and_clear_of_events() -> None:
    """A milking of 300 s with an event at 150 s leaves two stretches, counted in bins."""
    values = np.arange(400 / BIN_S)
    truth = Record((AirSpell("p", 1, 150 * NS, 151 * NS),), (MilkingSpell("p", 1, 0, 300 * NS),), (), ())
    first, second = quiet_stretches([[(0, values)], [(0, values)]], truth)
    assert (first[0] * BIN_S, second[-1] * BIN_S) == pytest.approx((SETTLED_S, 285.0))
    assert first[-1] * BIN_S == pytest.approx(150.0 - CLEAR_S - BIN_S)
    assert second[0] * BIN_S == pytest.approx(151.0 + CLEAR_S + BIN_S)


def test_the_ear_hears_a_quiet_unit_near_zero(trial: Path, pieces: list[list[Piece]]) -> None:
    """Most of each milking can be read, and what is heard is far below a slip's air."""
    truth = read_truth(trial)
    stretches = quiet_stretches(pieces, truth)
    quiet_s = sum(stretch.size for stretch in stretches) * BIN_S
    milked_s = sum((m.end_ns - m.start_ns) / NS - SETTLED_S - LEAVING_S for m in truth.milkings or ())
    assert quiet_s > 0.7 * milked_s > 60.0
    everything = np.concatenate(stretches)
    assert np.isfinite(everything).all()
    assert abs(float(np.median(everything))) < 3.0
    assert 0.05 < float(everything.std()) < 15.0


def test_pieces_follow_each_other_within_the_milkings(trial: Path, pieces: list[list[Piece]]) -> None:
    """The pieces of a stall do not overlap, and none reaches out of the true milkings by more than 2 s."""
    truth = read_truth(trial)
    for stall, heard in enumerate(pieces, start=1):
        spans = [(first, first + values.size) for first, values in heard]
        assert all(end <= begin for (_, end), (begin, _) in pairwise(spans))
        milkings = [m for m in truth.milkings or () if m.stall == stall]
        for first, end in spans:
            middle_ns = (first + end) // 2 * BIN_NS
            own = next(m for m in milkings if m.start_ns <= middle_ns <= m.end_ns)
            assert first * BIN_NS >= own.start_ns
            assert end * BIN_NS <= own.end_ns + 2 * NS


def test_an_ear_ends_where_the_detector_is() -> None:
    """Fed a quiet unit bin by bin, the last piece ends at the bin the detector has worked."""
    detector = ParlorDetector(parlor="p", stalls=1)
    ear = Ear(detector)
    rng = np.random.default_rng(1)
    for second in range(60):
        kpa = 42.0 + 0.2 * rng.standard_normal(100)
        detector.feed(MilkFlow(1, (1000 + second) * NS, 3.0))
        detector.feed(StallVacuum(1, (1000 + second) * NS, 100.0, kpa))
        ear.read()
    first, values = ear.pieces()[0][-1]
    assert first + values.size == detector.timeline.done_bin
    assert values.size > 20.0 / BIN_S


def test_the_report_names_noise_and_slips(trial: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command prints the noise, and for each slip an index and a recall between 0 and 1."""
    assert main([str(trial / "capture.parquet"), str(trial)]) == 0
    text = capsys.readouterr().out
    assert "Noise of the air estimate:" in text
    rows = [line.split() for line in text.splitlines() if line.startswith("   ")]
    assert len(rows) == 16
    assert all(0.0 <= float(row[4]) <= 1.0 for row in rows)


def test_white_noise_reports_the_closed_form() -> None:
    """For made white noise the printed index of 1 s and 0.15 L is A sqrt(D / S), within sampling error."""
    rng = np.random.default_rng(2)
    stretches = [rng.standard_normal(4000) * 6.0 for _ in range(40)]
    row = next(line for line in report(stretches, 300.0) if line.startswith("      1.00 0.15"))
    assert float(row.split()[3]) == pytest.approx(9.0 * (1.0 / (36.0 * BIN_S)) ** 0.5, rel=0.05)


def test_heavy_tails_need_a_higher_bar() -> None:
    """Gaussian noise needs about the Gaussian bar; noise with rare bursts needs a higher one."""
    rng = np.random.default_rng(4)
    plain = [rng.standard_normal(200_000)]
    bursts = [plain[0] * np.where(rng.random(200_000) < 0.01, 6.0, 1.0)]
    slip = Boxcar(0.25, 2.0)
    needed = []
    for noise in (plain, bursts):
        matched = matched_filter(autocovariance(noise, LAGS), slip, BIN_S)
        made = outputs(matched, noise)
        needed.append(needed_bar(made, 20))
        expected = bar(20 / 200_000, matched.neighbour)
    assert needed[0] == pytest.approx(expected, abs=0.25)
    assert needed[1] > expected + 0.5
    assert recall(5.0, needed[1]) < recall(5.0, needed[0])


def test_wrong_words_end_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No argument, and a folder without a truth, give exit code 2 and a reason."""
    assert main([]) == 2
    assert main([str(tmp_path / "none.parquet"), str(tmp_path)]) == 2
    assert "no such file as truth_events.parquet" in capsys.readouterr().err
