"""The watchdog asks for a new connection after a silence, and ever more rarely while it lasts."""

from __future__ import annotations

from ingest.watchdog import LONGEST_S, Watchdog


def test_pauses_double_until_something_comes() -> None:
    """30, 60, 120 s and so on at most to the longest; one message begins anew."""
    now_s = 0.0
    watchdog = Watchdog(30.0, clock_s=lambda: now_s)
    barked = []
    while now_s < 6000.0:
        now_s += 1.0
        if watchdog.barks(heard=False):
            barked.append(now_s)
    pauses = [late - early for early, late in zip([0.0, *barked], barked, strict=False)]
    assert pauses[:5] == [31.0, 61.0, 121.0, 241.0, 481.0]
    assert set(pauses[5:]) == {LONGEST_S + 1.0}
    assert not watchdog.barks(heard=True)
    now_s += 31.0
    assert watchdog.barks(heard=False)


def test_a_parlor_that_speaks_is_left_alone() -> None:
    """As long as something comes there is no new connection."""
    now_s = 0.0
    watchdog = Watchdog(30.0, clock_s=lambda: now_s)
    for _ in range(100):
        now_s += 29.0
        assert not watchdog.barks(heard=True)
        assert not watchdog.barks(heard=False)
