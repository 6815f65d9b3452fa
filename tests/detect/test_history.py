"""What the past is worth: rates of the parlor, ladders of stalls and cows, forgetting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from detect.cause import CIRCUMSTANCES, Evidence, attribute
from detect.history import (
    BASE_PER_S,
    COW_LADDER,
    COW_MEMORY_S,
    EXCESS,
    MOST_COWS,
    PARLOR_MEMORY_S,
    STALL_LADDER,
    STALL_MEMORY_S,
    SlipHistory,
    ladder_mean,
)
from detect.kinds import AirKind, Cause, SupportState
from detect.scene import NOTE_DTYPE

PLAIN = Evidence(kind=AirKind.LINER_SLIP)
LOOSE = Evidence(kind=AirKind.LINER_SLIP, state=SupportState.SLACK)
Note = np.void


def note(all_s: float = 0.0, stall_s: float = 0.0, *strength_s: float) -> Note:
    """Return a note with exposures: attached time of all, of the stall, and of the circumstances."""
    row = np.zeros(1, NOTE_DTYPE)[0]
    row["all_s"], row["stall_s"] = all_s, stall_s
    row["all_strength_s"][: len(strength_s)] = strength_s
    return row


def slip(history: SlipHistory, evidence: Evidence, exposures: Note, *, stall: int = 0) -> dict[Cause, float]:
    """Let one slip be shared out and counted; return its shares."""
    verdict = attribute(evidence, history.excess(stall, None, exposures))
    history.count(stall, evidence, verdict.shares)
    return dict(verdict.shares)


@pytest.mark.source("scipy.stats.poisson")
@given(count=st.integers(0, 40), expected=st.floats(0.01, 30.0))
def test_a_ladders_mean_is_the_posterior_mean(count: int, expected: float) -> None:
    """The excess of a stall is what Bayes' rule makes of a Poisson count over the ladder."""
    sizes, prior = np.array(STALL_LADDER).T
    weight = prior * poisson.pmf(count, expected * (1.0 + sizes))
    assert ladder_mean(STALL_LADDER, float(count), expected) == pytest.approx(weight @ sizes / weight.sum())


def test_priors_sum_to_one() -> None:
    """A ladder is a distribution."""
    assert sum(prior for _, prior in STALL_LADDER) == pytest.approx(1.0)


def test_a_new_parlor_starts_from_the_prior() -> None:
    """Nothing counted, the excesses are those of the simulated parlors."""
    excess = SlipHistory(2).excess(0, None, note())
    assert excess.by_cause == pytest.approx(EXCESS)


def test_a_parlor_ends_at_its_own_rates() -> None:
    """Slack units that slip as often as others lose their share, ones that slip thirtyfold gain it."""
    harmless, harmful = SlipHistory(1), SlipHistory(1)
    for k in range(1, 301):
        now = 500.0 * k
        slip(harmless, PLAIN, note(now, now, 0.3 * now))
        slip(harmful, LOOSE if k % 2 else PLAIN, note(now, now, 0.03 * now))
    now = 500.0 * 301
    cause = Cause.WEIGHT_NOT_CARRIED
    assert harmless.excess(0, None, note(now, now, 0.3 * now)).by_cause[cause] < 0.1
    assert harmful.excess(0, None, note(now, now, 0.03 * now)).by_cause[cause] > 25.0
    assert harmless.base_per_s == pytest.approx(1 / 500.0, rel=0.15)


def test_one_bad_milking_blames_no_stall_and_many_do() -> None:
    """Two slips in a stall's first milking leave it ordinary for the most part; three in each do not."""
    history = SlipHistory(40)
    for k in range(24):  # the others slip at the base rate
        slip(history, PLAIN, note(500.0 * k, 12.5 * k), stall=10 + k)
    for k in range(2):
        first = slip(history, PLAIN, note(12_000.0, 250.0 + k), stall=3)
    assert first[Cause.STALL_FAULT] < first[Cause.UNKNOWN]
    for k in range(20):
        last = slip(history, PLAIN, note(15_000.0 + 3000.0 * k, 300.0 + 100.0 * k), stall=3)
    assert last[Cause.STALL_FAULT] > 0.7
    assert slip(history, PLAIN, note(80_000.0, 2_000.0), stall=4)[Cause.STALL_FAULT] < 0.1


def test_slips_that_are_explained_are_not_held_against_the_stall() -> None:
    """Ten slips of a unit that was not carried say little about the liner."""
    explained, plain = SlipHistory(1), SlipHistory(1)
    for k in range(10):
        slip(explained, LOOSE, note(9000.0 + k, 900.0 + k, 400.0))
        slip(plain, PLAIN, note(9000.0 + k, 900.0 + k, 400.0))
    assert explained.stall_counts[0] < 0.4 * plain.stall_counts[0]


def test_a_cow_is_known_by_her_former_milkings() -> None:
    """After five milkings with three unexplained slips each she is named, a quiet herd mate is not."""
    history = SlipHistory(1)
    for _ in range(5):
        history.close_milking("17", 3.0, 300.0)
        history.close_milking("18", 0.0, 300.0)
    assert history.excess(0, "17", note()).cow > 2.0
    assert history.excess(0, "18", note()).cow < history.excess(0, "new", note()).cow
    assert history.excess(0, None, note()).cow == history.excess(0, "new", note()).cow


def test_the_memory_of_cows_is_bounded() -> None:
    """The cow that was not milked for longest is forgotten first."""
    history = SlipHistory(1)
    for number in range(MOST_COWS):
        history.close_milking(str(number), 0.0, 300.0)
    history.close_milking("0", 0.0, 300.0)
    history.close_milking("one more", 0.0, 300.0)
    assert len(history.cows) == MOST_COWS
    assert "0" in history.cows
    assert "1" not in history.cows


def test_old_slips_fade() -> None:
    """A stall that got new liners is ordinary again after some hundred milkings; counts stay bounded."""
    history = SlipHistory(2)
    for k in range(1, 51):
        slip(history, PLAIN, note(1000.0 * k, 100.0 * k))
    bad = history.excess(0, None, note(50_000.0, 5_000.0)).stall
    for k in range(1, 4000):  # from now on only the other stall slips, at the base rate
        slip(history, PLAIN, note(50_000.0 + 500.0 * k, 480.0 * k), stall=1)
    mended = history.excess(0, None, note(2_050_000.0, 65_000.0)).stall
    assert bad > 2.0
    assert mended < 0.5
    assert history.times[0] < PARLOR_MEMORY_S
    assert history.stall_times.max() < 1.1 * STALL_MEMORY_S


def test_falls_and_removals_are_not_counted_as_slips() -> None:
    """Only slips teach the rates of slips."""
    history = SlipHistory(1)
    for kind in (AirKind.FALL_OFF, AirKind.VACUUM_REMOVAL):
        slip(history, Evidence(kind=kind), note(100.0, 100.0))
    assert history.counts.sum() == 0.0
    assert history.base_per_s < BASE_PER_S
    assert len(CIRCUMSTANCES) == len(EXCESS)


def test_a_cow_nobody_knows_is_as_bad_as_cows_are() -> None:
    """The excess of a new cow is the mean of the ladder."""
    history = SlipHistory(1)
    mean = sum(size * prior for size, prior in COW_LADDER)
    assert history.excess(0, "new", note()).cow == pytest.approx(mean)
    assert history.excess(0, None, note()).cow == pytest.approx(mean)


def test_a_cow_s_memory_fades_with_her_attached_time() -> None:
    """What was before a milking keeps 6000 parts of 6000 and its seconds."""
    history = SlipHistory(1)
    history.close_milking("17", 3.0, 300.0)
    history.close_milking("17", 1.0, 600.0)
    keep = COW_MEMORY_S / (COW_MEMORY_S + 600.0)
    assert history.cows["17"] == (pytest.approx(3.0 * keep + 1.0), pytest.approx(300.0 * keep + 600.0))
