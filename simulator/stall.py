"""One stall through time: a cow steps on, is milked, and leaves; what goes wrong goes wrong here.

Advanced once a second. It decides what the pneumatics are driven with (valve, milk, openings), what
the arm does and what the identification says, and keeps the truth about all of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum, auto

import numpy as np

from simulator.arm import Pose, SupportState, carried, fallen, parked, uncarried
from simulator.faults import FaultBook, FaultKind
from simulator.herd import Cow, kick_off_per_milking, udder_of
from simulator.network import CowNotice
from simulator.scenario import Scenario
from simulator.seal import Seal, Situation
from simulator.slips import Cause, EventKind, Opening, draw_openings, gap_area_mm2
from simulator.statics import Carrying
from simulator.support import Lapse, draw_lapse
from simulator.truth import AirSpan, Phase, Truth
from simulator.udder import QUARTERS, Udder


class StallState(Enum):
    """What a stall is busy with."""

    EMPTY = auto()
    WAITING = auto()
    ATTACHING = auto()
    MILKING = auto()
    FALLEN = auto()
    DETACHING = auto()
    DONE = auto()
    WASHING = auto()


@dataclass(frozen=True, slots=True)
class Second:
    """One second as a stall sees it: from ``start_s`` to ``end_s`` [s of the record].

    ``place`` is where the stall stands, ``claw_kpa`` and ``plant_kpa`` are the means of the second
    before, ``meter_kg_min`` the newest reading, ``next_cow`` gives the next cow, or None when no more board.
    """

    start_s: float
    end_s: float
    place: float
    claw_kpa: float
    plant_kpa: float
    meter_kg_min: float
    milker: str
    next_cow: Callable[[], Cow | None]


@dataclass(slots=True)
class Session:
    """One milking while it lasts."""

    cow: Cow
    udder: Udder
    start_s: float
    lapse: Lapse | None
    kick_s: float
    folds: bool
    slips: int = 0
    fall_offs: int = 0
    reattaches: int = 0
    best_kg_min: float = 0.0
    low_s: float = 0.0
    goes_round: bool | None = None
    folded: int | None = None
    lapse_began_s: float | None = None


@dataclass(slots=True)
class Window:
    """A half-open span of time [s] in which something is on."""

    from_s: float = math.inf
    to_s: float = math.inf

    def open(self, at_s: float) -> None:
        """Switch on at an instant, until further notice."""
        self.from_s, self.to_s = at_s, math.inf

    def shut(self, at_s: float) -> None:
        """Switch off at an instant."""
        self.to_s = min(self.to_s, at_s)


@dataclass(slots=True)
class Drive:
    """What the pneumatics of a stall are driven with."""

    valve: Window = field(default_factory=Window)
    milk: Window = field(default_factory=Window)
    openings: list[Opening] = field(default_factory=list)
    flow_before_kg_min: float = 0.0
    flow_after_kg_min: float = 0.0


def crossed(before: float, now: float, mark: float) -> bool:
    """Tell whether a stall that moved from one place to another on the ring passed a mark."""
    if now >= before:
        return before < mark <= now
    return mark > before or mark <= now


_SQUAWK_PAUSE_S = 5.0  # openings with shorter pauses are one event (contract)
_WASH_KG_MIN = 4.0


class Stall:
    """One stall with its unit, arm and whoever stands in it.

    Parameters
    ----------
    number
        Stall number from 1.
    scenario, book, seal, truth
        Settings, faults, slip margins, and where truth is written.
    rng
        The stall's own chance.
    """

    def __init__(
        self,
        number: int,
        scenario: Scenario,
        *,
        book: FaultBook,
        seal: Seal,
        truth: Truth,
        rng: np.random.Generator,
    ) -> None:
        self.number = number
        self.state = StallState.EMPTY
        self.drive = Drive()
        self.pose: Pose = parked(scenario.arm, 0.0)
        self.notices: list[CowNotice] = []
        self.spans: list[AirSpan] = []
        self._set = scenario
        self._book = book
        self._seal = seal
        self._truth = truth
        self._rng = rng
        self._place = math.nan
        self._cow: Cow | None = None
        self._session: Session | None = None
        self._attach_place = 0.0
        self._due_s = math.inf
        self._restless = (0.0, 0.0)
        self._decay_delay_s = scenario.routine.decay_delay_s * float(rng.uniform(0.9, 1.15))
        self._acts = {
            StallState.WAITING: self._wait,
            StallState.ATTACHING: self._attach_on,
            StallState.MILKING: self._milk,
            StallState.FALLEN: self._lie,
            StallState.DETACHING: self._finish,
            StallState.WASHING: self._wash,
        }

    @property
    def occupied(self) -> bool:
        """Whether a cow stands in the stall."""
        return self._cow is not None

    def step(self, now: Second) -> None:
        """Live through one second."""
        before = now.place if math.isnan(self._place) else self._place
        self._place = now.place
        self.drive.flow_before_kg_min = self.drive.flow_after_kg_min
        self.drive.flow_after_kg_min = 0.0
        self.drive.openings = [o for o in self.drive.openings if o.end_s > now.start_s]
        self._pass_bridge(before, now)
        act = self._acts.get(self.state)
        if act is not None:
            act(now, before)

    def settle_spans(self, until_s: float) -> None:
        """Write down the air admissions that can grow no more at ``until_s`` [s]."""
        for span in self.spans:
            pause = _SQUAWK_PAUSE_S if span.kind is EventKind.LINER_SLIP else 0.0
            if span.end_s + pause <= until_s and not span.void:
                self._write_span(span)
        self.spans = [
            s
            for s in self.spans
            if not s.void and s.end_s + (_SQUAWK_PAUSE_S if s.kind is EventKind.LINER_SLIP else 0.0) > until_s
        ]

    def close_record(self, end_s: float) -> None:
        """Write down what is still going on at the end of the record [s]."""
        for span in self.spans:
            if not span.void and span.start_s < end_s:
                span.cut(end_s)
                self._write_span(span)
        self.spans = []
        if self._session is not None and self.state not in (StallState.DETACHING, StallState.DONE):
            self._close_session(end_s)

    def _write_span(self, span: AirSpan) -> None:
        cow = None if self._cow is None else self._cow.name
        self._truth.add_event(span, self.number, cow, QUARTERS)

    # --- the bridge: stepping on and off ---

    def _pass_bridge(self, before: float, now: Second) -> None:
        deck = self._set.deck
        if crossed(before, now.place, deck.exit_place) and self.state in (
            StallState.WAITING,
            StallState.DONE,
        ):
            self._leave(now.start_s)
        if crossed(before, now.place, deck.enter_place) and self.state is StallState.EMPTY:
            self._enter(now)

    def _enter(self, now: Second) -> None:
        cow = now.next_cow()
        if cow is None:
            return
        self._cow = cow
        self.state = StallState.WAITING
        deck = self._set.deck
        self._attach_place = deck.attach_place + float(self._rng.uniform(0.0, deck.attach_spread))
        if self._rng.random() >= self._set.herd.unread_share:
            self.notices.append(
                CowNotice(now.start_s, cow.name, now.milker, cow.group, parity=cow.parity, dim=cow.dim)
            )

    def _leave(self, at_s: float) -> None:
        self._cow = None
        self.state = StallState.EMPTY
        self.notices.append(CowNotice(at_s, None))

    def _wait(self, now: Second, before: float) -> None:
        if crossed(before, now.place, self._attach_place):
            self._begin_milking(now)

    # --- attaching ---

    def _begin_milking(self, now: Second) -> None:
        cow = self._cow
        if cow is None:
            return
        rng, routine = self._rng, self._set.routine
        start = now.start_s + 0.5 * float(rng.random())
        share = self._book.size(FaultKind.ARM_UNSUPPORTED, self.number, start)
        kicks = rng.random() < kick_off_per_milking(cow.parity, cow.dim)
        self._session = Session(
            cow=cow,
            udder=udder_of(cow, self._set.herd, rng),
            start_s=start,
            lapse=draw_lapse(routine, share, start, rng),
            kick_s=start + float(rng.uniform(15.0, 240.0)) if kicks else math.inf,
            folds=bool(rng.random() < routine.fold_share),
        )
        self.drive.valve.open(start)
        self._put_on(start)

    def _put_on(self, start_s: float) -> list[Opening]:
        """Attach four cups from ``start_s`` on: air steps down from cup to cup."""
        length = float(self._rng.uniform(4.0, 9.0))
        times = start_s + length * np.array([0.0, 0.25, 0.5, 0.75, 1.0])
        openings = []
        for cup, hanging_mm in enumerate((4.5, 3.6, 2.6, 1.5)):
            begin, end = float(times[cup]), float(times[cup + 1])
            openings.append(Opening(begin, end, gap_area_mm2(hanging_mm), 0.1, 0.1))
            burst = float(self._rng.uniform(0.25, 0.6))
            bore = float(self._rng.uniform(4.0, 7.0))
            openings.append(Opening(end - burst, end, gap_area_mm2(bore), 0.08, 0.08))
        self.drive.openings += openings
        self.drive.milk.open(start_s + 0.6 * length)
        self._due_s = start_s + length
        self.state = StallState.ATTACHING
        self._move_arm(start_s)
        return openings

    def _attach_on(self, now: Second, before: float) -> None:
        del before
        if now.end_s > self.drive.milk.from_s:
            self._let_flow(now)
        if now.end_s >= self._due_s:
            self.state = StallState.MILKING

    # --- milking ---

    def _milk(self, now: Second, before: float) -> None:
        session = self._need_session()
        self._let_flow(now)
        self._watch_support(now)
        if session.folds and session.folded is None:
            session.folded = self._dry_quarter(session)
        if now.start_s <= session.kick_s < now.end_s:
            self._fall(session.kick_s, Cause.COW)
            return
        self._maybe_slip(now)
        if self.state is StallState.MILKING:
            self._maybe_take_off(now, before)

    def _let_flow(self, now: Second) -> None:
        session = self._need_session()
        flow = session.udder.step(now.end_s - now.start_s, now.claw_kpa, session.folded)
        session.best_kg_min = max(session.best_kg_min, flow)
        self.drive.flow_after_kg_min = flow

    @staticmethod
    def _dry_quarter(session: Session) -> int | None:
        """Return a quarter that is dry while the others still give much milk."""
        udder = session.udder
        if udder.time_s > 60.0 and udder.total_flow_kg_min > 0.8:
            for index, flow in enumerate(udder.flow_kg_min):
                if flow < 0.05:
                    return index
        return None

    def _phase(self, session: Session) -> Phase:
        flow = session.udder.total_flow_kg_min
        ready = sum(q.plateau_kg_min for q in session.udder.quarters)
        given = sum(session.udder.milked_kg) / max(0.1, sum(q.yield_kg for q in session.udder.quarters))
        if session.best_kg_min < 0.6 * ready and given < 0.3:
            return Phase.LET_DOWN
        if flow < 0.5:
            return Phase.LOW_FLOW
        return Phase.PEAK if flow >= 0.7 * session.best_kg_min else Phase.DECLINE

    def _carrying(self, session: Session, at_s: float) -> Carrying:
        hose = self._set.cluster.hose_kg
        lapse = session.lapse
        if lapse is None or not lapse.stands_at(at_s):
            return Carrying(hose, 0.0, session.folded)
        return Carrying(hose * lapse.share, float(lapse.state is SupportState.DRAG), session.folded)

    def _restless_n(self, now: Second, session: Session) -> float:
        """Return how much a restless cow loosens the cups [N]."""
        until_s, strength = self._restless
        if now.start_s < until_s:
            return strength
        idle = 3.0 if session.udder.total_flow_kg_min < 0.5 else 1.0
        chance = self._set.routine.restless_per_h / 3600.0 * session.cow.temper * idle
        if self._rng.random() < chance * (now.end_s - now.start_s):
            self._restless = (
                now.start_s + float(self._rng.uniform(3.0, 8.0)),
                float(self._rng.uniform(4.0, 8.0)),
            )
        return 0.0

    def _maybe_slip(self, now: Second) -> None:
        session = self._need_session()
        at = now.start_s + float(self._rng.random()) * (now.end_s - now.start_s)
        situation = Situation(
            carrying=self._carrying(session, at),
            flows_kg_min=session.udder.flow_kg_min,
            claw_kpa=now.claw_kpa,
            plant_kpa=now.plant_kpa,
            fault_n=self._book.size(FaultKind.BAD_LINER, self.number, at) or 0.0,
            cow_n=self._restless_n(now, session),
        )
        slip = self._seal.draw(situation, self._rng)
        if slip is None or any(o.end_s > now.start_s for o in self.drive.openings):
            return
        openings = draw_openings(at, self._set.law, self._rng)
        self.drive.openings += openings
        running = next((s for s in self.spans if s.kind is EventKind.LINER_SLIP), None)
        if running is not None and at - running.end_s < _SQUAWK_PAUSE_S:
            running.openings += openings
        else:
            flow = session.udder.total_flow_kg_min
            self.spans.append(
                AirSpan(EventKind.LINER_SLIP, slip.cause, slip.quarter, flow, self._phase(session), openings)
            )
            session.slips += 1
        heavy = slip.cause is Cause.WEIGHT_NOT_CARRIED
        if heavy and self._rng.random() < self._set.law.fall_share:
            session.kick_s = math.inf
            self._fall(openings[0].end_s, Cause.WEIGHT_NOT_CARRIED)

    # --- falling off ---

    def _fall(self, at_s: float, cause: Cause) -> None:
        session = self._need_session()
        self._break_slips(at_s)
        bore = float(self._rng.uniform(9.0, 15.0))
        opening = Opening(at_s, math.inf, gap_area_mm2(bore), float(self._rng.uniform(0.08, 0.4)), 0.3)
        flow = session.udder.total_flow_kg_min
        self.spans.append(AirSpan(EventKind.FALL_OFF, cause, None, flow, self._phase(session), [opening]))
        self.drive.openings.append(opening)
        self.drive.milk.shut(at_s)
        self.drive.flow_after_kg_min = flow
        session.udder.stop()
        session.fall_offs += 1
        again = self._rng.random() < self._set.routine.reattach_share
        self._due_s = at_s + 3.0 + float(self._rng.exponential(14.0)) if again else math.inf
        self.state = StallState.FALLEN
        self.pose = fallen(self._set.arm, carried(self._set.arm, at_s, session.cow.claw_height_mm))

    def _break_slips(self, at_s: float) -> None:
        """End all openings of cups: the unit leaves the teats or is shut off."""
        for opening in self.drive.openings:
            opening.end_s = min(opening.end_s, max(at_s, opening.start_s))
        for span in self.spans:
            if span.kind is EventKind.LINER_SLIP:
                span.cut(at_s)

    def _lie(self, now: Second, before: float) -> None:
        session = self._need_session()
        if now.end_s < self._due_s:
            self._maybe_take_off(now, before)
            return
        span = next(s for s in self.spans if s.kind is EventKind.FALL_OFF and math.isinf(s.end_s))
        start = max(self._due_s, now.start_s)
        span.openings[0].end_s = start + 0.4
        span.openings += self._put_on(start)
        session.reattaches += 1

    # --- taking off ---

    def _maybe_take_off(self, now: Second, before: float) -> None:
        session, routine = self._need_session(), self._set.routine
        low = now.meter_kg_min < routine.take_off_kg_min and now.end_s - session.start_s > routine.least_on_s
        session.low_s = session.low_s + now.end_s - now.start_s if low else 0.0
        if session.low_s >= routine.take_off_delay_s or self._is_cut_off(now, before, session):
            self._take_off(now)

    def _is_cut_off(self, now: Second, before: float, session: Session) -> bool:
        """Tell whether the unit comes off because the ride is over."""
        last = self._set.deck.exit_place - 8.0 / self._set.deck.stall_s
        if not crossed(before, now.place, last):
            return False
        if session.goes_round is None and self.state is StallState.MILKING:
            session.goes_round = bool(self._rng.random() < self._set.routine.go_round_share)
            return not session.goes_round
        return True

    def _take_off(self, now: Second) -> None:
        session = self._need_session()
        at = now.start_s + float(self._rng.random())
        early = self._book.size(FaultKind.EARLY_ARM, self.number, at)
        if self.state is StallState.FALLEN:
            shut, arm = at, at + self._decay_delay_s
            span = next(s for s in self.spans if s.kind is EventKind.FALL_OFF and math.isinf(s.end_s))
            span.until_s = at
            span.openings[-1].end_s = at + 1.0
        elif early is None and self._rng.random() < self._set.routine.manual_pull_share:
            shut = at + float(self._rng.uniform(0.5, 2.5))
            arm = at - 0.1
            self._pull(at, shut, Cause.UNKNOWN)
        else:
            shut, arm = at, at + (self._decay_delay_s if early is None else early)
            self._break_slips(at)
            self._pull(arm + 0.25, arm + 1.0, Cause.STALL_FAULT)
            self.spans[-1].least_kpa = 10.0
        self.drive.valve.shut(shut)
        self.drive.milk.shut(at)
        self.pose = parked(self._set.arm, arm)
        self.state = StallState.DETACHING
        self._due_s = shut + 4.0
        self._end_lapse(session, at)
        self._close_session(shut)

    def _pull(self, at_s: float, until_s: float, cause: Cause) -> None:
        """Pull the cups off the teats at ``at_s``; the span ends at ``until_s`` [s]."""
        session = self._need_session()
        self._break_slips(at_s)
        opening = Opening(at_s, until_s + 1.0, gap_area_mm2(float(self._rng.uniform(10.0, 14.0))), 0.1, 0.3)
        flow = session.udder.total_flow_kg_min
        span = AirSpan(EventKind.VACUUM_REMOVAL, cause, None, flow, self._phase(session), [opening], until_s)
        self.spans.append(span)
        self.drive.openings.append(opening)

    def _finish(self, now: Second, before: float) -> None:
        del before
        if now.end_s >= self._due_s:
            self._session = None
            self.state = StallState.DONE

    def _close_session(self, end_s: float) -> None:
        session = self._need_session()
        self._end_lapse(session, end_s)
        self._truth.milkings.append(
            {
                "parlor": self._truth.parlor,
                "stall": self.number,
                "cow": session.cow.name,
                "start_at": self._truth.instant_us(session.start_s),
                "end_at": self._truth.instant_us(end_s),
                "yield_kg": sum(session.udder.milked_kg),
                "slips": session.slips,
                "fall_offs": session.fall_offs,
                "reattaches": session.reattaches,
            }
        )

    def _need_session(self) -> Session:
        if self._session is None:
            raise RuntimeError(f"stall {self.number} is {self.state.name} without a milking")
        return self._session

    # --- support ---

    def _move_arm(self, at_s: float) -> None:
        """Send the arm to where it carries the unit, or fails to."""
        session = self._need_session()
        pose = carried(self._set.arm, at_s, session.cow.claw_height_mm)
        lapse = session.lapse
        if lapse is not None and lapse.stands_at(at_s):
            pose = uncarried(pose, lapse.state, self._rng)
            session.lapse_began_s = at_s if session.lapse_began_s is None else session.lapse_began_s
        self.pose = pose

    def _watch_support(self, now: Second) -> None:
        session = self._need_session()
        lapse = session.lapse
        if lapse is None:
            return
        if session.lapse_began_s is None and lapse.stands_at(now.end_s):
            self._move_arm(now.start_s if lapse.from_s < now.start_s else lapse.from_s)
        elif session.lapse_began_s is not None and lapse.to_s <= now.end_s:
            self._end_lapse(session, lapse.to_s)
            self._move_arm(lapse.to_s)

    def _end_lapse(self, session: Session, at_s: float) -> None:
        lapse = session.lapse
        if lapse is not None and session.lapse_began_s is not None:
            self._truth.add_support(self.number, (session.lapse_began_s, at_s), lapse.state, lapse.share)
            session.lapse = None

    # --- washing ---

    def begin_wash(self, at_s: float) -> None:
        """Hang the unit in the wash."""
        self.state = StallState.WASHING
        self.drive.valve.open(at_s + float(self._rng.uniform(0.0, 5.0)))
        self.drive.milk.open(self.drive.valve.from_s + 2.0)
        self._due_s = at_s + 10.0

    def end_wash(self, at_s: float) -> None:
        """Shut the wash off; the jetters drain through the open cups."""
        self.drive.valve.shut(at_s)
        self.drive.milk.shut(at_s)
        self.drive.openings = [Opening(at_s, at_s + 3.0, gap_area_mm2(6.0), 0.3, 0.3)]
        self.state = StallState.EMPTY

    def _wash(self, now: Second, before: float) -> None:
        del before
        self.drive.flow_after_kg_min = _WASH_KG_MIN * float(self._rng.uniform(0.6, 1.2))
        if now.start_s >= self._due_s:
            bore, length = float(self._rng.uniform(5.0, 9.0)), float(self._rng.uniform(1.5, 3.5))
            at = now.start_s + float(self._rng.random())
            self.drive.openings.append(Opening(at, at + length, gap_area_mm2(bore), 0.2, 0.3))
            self._due_s += self._set.shifts.air_every_s
