"""One milking while it lasts."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.arm import SupportState
from simulator.herd import Cow
from simulator.scenario import Routine
from simulator.session import Session, Window, attach_openings
from simulator.statics import Carrying
from simulator.support import Lapse
from simulator.truth import Phase
from simulator.udder import Quarter, Udder


def _session(*, poor_front: bool = False, lapse: Lapse | None = None) -> Session:
    cow = Cow("cow0001", "main", 2, 100, 1.0, 0.0, 1.0, None)
    first = Quarter(0.9 if poor_front else 2.7, 0.95, 30.0)
    others = [Quarter(2.7, 0.95, 30.0), Quarter(3.5, 1.15, 30.0), Quarter(3.5, 1.15, 30.0)]
    return Session(cow, Udder((first, *others), 5.0), 0.0, lapse, float("inf"), folds=False)


def _milk(session: Session, seconds: int) -> list[Phase]:
    phases = []
    for _ in range(seconds):
        session.best_kg_min = max(session.best_kg_min, session.udder.step(1.0, 42.0))
        phases.append(session.phase())
    return phases


def test_a_milking_runs_through_its_phases_in_order():
    """Let-down, peak, decline and low flow follow each other, each once, judged by flow."""
    phases = _milk(_session(), 600)
    order = [phase for i, phase in enumerate(phases) if i == 0 or phase is not phases[i - 1]]
    assert order == [Phase.LET_DOWN, Phase.PEAK, Phase.DECLINE, Phase.LOW_FLOW]


def test_a_dry_quarter_is_seen_only_while_the_others_give_milk():
    """The poor front quarter is dry in mid-milking; at the end all are, and none is named."""
    session = _session(poor_front=True)
    _milk(session, 30)
    assert session.dry_quarter() is None
    _milk(session, 140)
    assert session.dry_quarter() == 0
    _milk(session, 600)
    assert session.dry_quarter() is None


def test_a_lapse_takes_the_arm_s_share_away():
    """During a slack lapse the arm carries its share of the hose; before and after, all of it."""
    session = _session(lapse=Lapse(SupportState.SLACK, 0.2, 10.0, 20.0))
    assert session.carrying(5.0, 1.0) == Carrying(1.0, 0.0, None)
    assert session.carrying(15.0, 1.0) == Carrying(0.2, 0.0, None)
    assert session.carrying(20.0, 1.0) == Carrying(1.0, 0.0, None)


def test_fast_forwarding_milks_what_the_time_allows_and_stops_at_the_take_off():
    """After two minutes milk is left; after twenty the take-off has come."""
    midway, done = _session(), _session()
    midway.fast_forward(120.0, Routine())
    done.fast_forward(1200.0, Routine())
    assert midway.low_s == 0.0
    assert midway.flow_kg_min > 2.0
    assert done.low_s >= Routine().take_off_delay_s
    assert done.udder.time_s < 600.0


def test_attaching_lets_less_and_less_air_in():
    """The hanging cups' air steps down from cup to cup, with one burst each, and ends with the attaching."""
    openings = attach_openings(100.0, 8.0, np.random.default_rng(1))
    hanging, bursts = openings[::2], openings[1::2]
    areas = [o.area_mm2 for o in hanging]
    assert areas == sorted(areas, reverse=True)
    assert len(bursts) == 4
    assert all(o.end_s - o.start_s < 0.61 for o in bursts)
    assert max(o.end_s for o in openings) == pytest.approx(108.0)


def test_a_window_shuts_at_the_earliest_time_asked_for():
    """Shutting twice keeps the first end; opening anew forgets it."""
    window = Window()
    window.open(1.0)
    window.shut(5.0)
    window.shut(9.0)
    assert (window.from_s, window.to_s) == (1.0, 5.0)
    window.open(20.0)
    assert window.to_s == float("inf")
