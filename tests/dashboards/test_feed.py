"""The feed tells what is new in few bytes, passes alerts on, and lets go of them in silence."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from dashboards.alerts.kinds import Alert, AlertRules, Finding
from dashboards.live.feed import SILENCE_S, TICK_S, LiveFeed
from dashboards.live.hub import Hub
from detect.views import PlantNow, StallNow
from ingest.pipeline import Committed
from tests.dashboards.stage import START_NS, S, Stage, committed, milked, slip


class Clock:
    """A monotonic clock set by the test."""

    now_s = 100.0

    def __call__(self) -> float:
        """Tell the time."""
        return self.now_s


class Parlor:
    """The detector's place, at one instant."""

    trail = None

    def __init__(self, t_ns: int) -> None:
        self.t_ns = t_ns

    def plant_now(self) -> PlantNow:
        """Return a plant without a dip."""
        return PlantNow(self.t_ns, None, 0.0)


class Heard(Hub):
    """A hub that keeps what it is told instead of sending it."""

    def __init__(self) -> None:
        super().__init__(lambda: b"")
        self.messages: list[tuple[str, Any]] = []

    def publish(self, message: bytes, *, stall: int | None = None) -> None:
        """Keep a message for all browsers."""
        assert stall is None
        name, data = message.decode().split("\n")[:2]
        self.messages.append((name.removeprefix("event: "), json.loads(data.removeprefix("data: "))))


@pytest.fixture
def clock() -> Clock:
    return Clock()


class Rig:
    """A feed with its ears."""

    def __init__(self, clock: Clock) -> None:
        self.alerts: list[tuple[Alert, ...]] = []
        self.feed = LiveFeed(3, rules=AlertRules(), facts={}, told=self.told, clock_s=clock)
        self.hub = self.feed.hub = Heard()
        self._second = 0

    def told(self, alerts: tuple[Alert, ...], _findings: list[Finding]) -> None:
        """Keep the alerts told."""
        self.alerts.append(alerts)

    def batch(self, *stalls: StallNow, done: Committed | None = None) -> None:
        """Let a second of the parlor be committed."""
        self._second += 1
        t_ns = START_NS + self._second * S
        seen = [replace(now, t_ns=t_ns) for now in stalls]
        self.feed.observe(done or committed(), Parlor(t_ns), seen)

    def names(self) -> list[str]:
        """Return the names of the messages."""
        return [name for name, _ in self.hub.messages]


QUIET = (milked(1), milked(2), milked(3))
OFF = replace(milked(2), vacuum_kpa=5.0, air_since_ns=START_NS, air_l=1.0, low_s=2.0)


def test_lanes_are_told_at_most_twice_a_second_and_nothing_is_lost(clock: Clock) -> None:
    """Batches that come faster share one tick, with all their columns and marks."""
    rig = Rig(clock)
    for k in range(4):
        rig.batch(*QUIET, done=committed(slip(k % 3 + 1, START_NS + k * S)))
    assert rig.names() == ["tick"]
    clock.now_s += TICK_S
    rig.batch(*QUIET)
    (first, second) = [value for _, value in rig.hub.messages]
    assert len(first["marks"]) + len(second["marks"]) == 4
    assert second["columns"] == ["GGG"] * 4
    assert set(first) == {"t", "from", "marks"}


def test_alerts_do_not_wait_for_a_tick(clock: Clock) -> None:
    """What needs a person is told with its own batch, and only when it changes."""
    rig = Rig(clock)
    rig.batch(*QUIET)
    rig.batch(milked(1), OFF, milked(3))
    rig.batch(milked(1), OFF, milked(3))
    assert rig.names() == ["tick", "alerts"]
    assert rig.hub.messages[-1][1][0]["stall"] == 2
    assert [len(alerts) for alerts in rig.alerts] == [0, 1, 1]


def test_a_silent_parlor_keeps_no_alert(clock: Clock) -> None:
    """Nobody knows what stands when nothing comes: page, meters and lamps let go."""
    rig = Rig(clock)
    rig.batch(milked(1), OFF, milked(3))
    clock.now_s += SILENCE_S - 1.0
    rig.feed.let_go()
    assert len(rig.alerts[-1]) == 1
    clock.now_s += 2.0
    rig.feed.let_go()
    assert rig.alerts[-1] == ()
    assert rig.hub.messages[-1] == ("alerts", [])


def test_lamps_and_meters_follow_the_alerts(tmp_path: Any) -> None:
    """A call stands on its topic and in the metrics; taking it says so on the topic."""
    stage = Stage(tmp_path, stalls=4)
    stage.off(3)
    stage.step()
    topic = "milking/willowmere/alert/3"
    (news,) = stage.view.announcements.news()
    assert (news[0], json.loads(news[1])["taken"]) == (topic, False)
    shown = stage.view.metrics().decode()
    assert 'quietclaw_stall_finding{finding="unit_off",stall="3"} 1.0' in shown
    assert 'quietclaw_alerts{standing="shown"} 1.0' in shown
    assert 'quietclaw_alerts_raised_total{alert="unit_off"} 1.0' in shown
    assert stage.view.acknowledge(stage.view.feed.book.alerts[0].alert_id, "Ann")
    assert json.loads(stage.view.announcements.news()[0][1])["taken"] is True
    stage.set(3, milked(3))
    for _ in range(8):
        stage.step()
    assert stage.view.announcements.news() == [(topic, b"")]
    assert 'quietclaw_stall_finding{finding="unit_off",stall="3"} 0.0' in stage.view.metrics().decode()
