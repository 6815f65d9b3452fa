"""One stall through time: a cow steps on, is milked, and leaves; what goes wrong goes wrong here.

Advanced once a second. It decides what the pneumatics are driven with (valve, milk, openings), what
the arm does and what the identification says, and keeps the truth about all of it.
"""

from __future__ import annotations

import math

import numpy as np

from simulator.arm import Pose, carried, fallen, parked, uncarried
from simulator.faults import FaultBook, FaultKind
from simulator.herd import Cow
from simulator.ledger import Ledger
from simulator.network import CowNotice
from simulator.scenario import Scenario
from simulator.seal import Seal, Situation
from simulator.session import Drive, Second, Session, StallState, attach_openings, crossed, draw_session
from simulator.slips import Cause, EventKind, Opening, draw_openings, gap_area_mm2
from simulator.temper import Temper
from simulator.truth import AirSpan, Truth
from simulator.wash import Wash


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
        self.ledger = Ledger(number, truth)
        self.temper = Temper(scenario.routine.restless_per_h, rng)
        self._washing = Wash(self.drive, scenario.shifts.air_every_s, rng)
        self._set = scenario
        self._book = book
        self._seal = seal
        self._rng = rng
        self._place = self._before = math.nan
        self._cow: Cow | None = None
        self._session: Session | None = None
        self._attach_place = 0.0
        self._due_s = math.inf
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

    def ride_in(self, cow: Cow, place: float, milker: str) -> None:
        """Begin the record with a cow who boarded before it, the stall being at ``place``."""
        deck = self._set.deck
        self._place = place
        self._greet(cow, 0.0, milker)
        elapsed = (place - self._attach_place) * deck.stall_s
        if elapsed < 10.0:
            self._attach_place = max(self._attach_place, place + 1.0 / deck.stall_s)
            return
        session = self._session = self._draw_session(cow, -elapsed)
        session.fast_forward(elapsed, self._set.routine)
        if session.low_s >= self._set.routine.take_off_delay_s:
            self._session = None
            self.state = StallState.DONE
            return
        self.drive.valve.open(-elapsed)
        self.drive.milk.open(-elapsed)
        self.drive.flow_after_kg_min = session.flow_kg_min
        self.state = StallState.MILKING
        self._move_arm(-elapsed)

    def step(self, now: Second) -> None:
        """Live through one second."""
        self._before = now.place if math.isnan(self._place) else self._place
        self._place = now.place
        self.drive.flow_before_kg_min = self.drive.flow_after_kg_min
        self.drive.flow_after_kg_min = 0.0
        self.drive.openings = [o for o in self.drive.openings if o.end_s > now.start_s]
        self._pass_bridge(now)
        act = self._acts.get(self.state)
        if act is not None:
            act(now)

    def close_record(self, end_s: float) -> None:
        """Write down what is still going on at the end of the record [s]."""
        self.ledger.close(end_s)
        if self._session is not None and self.state not in (StallState.DETACHING, StallState.DONE):
            self.ledger.end_milking(self._session, end_s)

    # --- the bridge: stepping on and off ---

    def _pass_bridge(self, now: Second) -> None:
        deck = self._set.deck
        if self._passed(deck.exit_place) and self.state in (StallState.WAITING, StallState.DONE):
            self._leave(now.start_s)
        if self._passed(deck.enter_place) and self.state is StallState.EMPTY:
            self._enter(now)

    def _passed(self, mark: float) -> bool:
        return crossed(self._before, self._place, mark)

    def _enter(self, now: Second) -> None:
        cow = now.next_cow()
        if cow is None:
            return
        self._greet(cow, now.start_s, now.milker)

    def _greet(self, cow: Cow, at_s: float, milker: str) -> None:
        """Let a cow step on, and read her tag unless that fails."""
        self._cow = cow
        self.state = StallState.WAITING
        deck = self._set.deck
        self._attach_place = deck.attach_place + float(self._rng.uniform(0.0, deck.attach_spread))
        if self._rng.random() >= self._set.herd.unread_share:
            notice = CowNotice(at_s, cow.name, milker, cow.group, parity=cow.parity, dim=cow.dim)
            self.notices.append(notice)

    def _leave(self, at_s: float) -> None:
        self._cow = None
        self.state = StallState.EMPTY
        self.notices.append(CowNotice(at_s, None))

    def _wait(self, now: Second) -> None:
        if self._passed(self._attach_place):
            self._begin_milking(now)

    # --- attaching ---

    def _begin_milking(self, now: Second) -> None:
        if self._cow is None:
            return
        start = now.start_s + 0.5 * float(self._rng.random())
        self._session = self._draw_session(self._cow, start)
        self.drive.valve.open(start)
        self._put_on(start)

    def _draw_session(self, cow: Cow, start_s: float) -> Session:
        share = self._book.size(FaultKind.ARM_UNSUPPORTED, self.number, start_s)
        return draw_session(cow, start_s, self._set, share, rng=self._rng)

    def _put_on(self, start_s: float) -> list[Opening]:
        """Attach four cups from ``start_s`` on: air steps down from cup to cup."""
        length = float(self._rng.uniform(4.0, 9.0))
        openings = attach_openings(start_s, length, self._rng)
        self.drive.openings += openings
        self.drive.milk.open(start_s + 0.6 * length)
        self._due_s = start_s + length
        self.state = StallState.ATTACHING
        self._move_arm(start_s)
        return openings

    def _attach_on(self, now: Second) -> None:
        if now.end_s > self.drive.milk.from_s:
            self._let_flow(now)
        if now.end_s >= self._due_s:
            self.state = StallState.MILKING

    # --- milking ---

    def _milk(self, now: Second) -> None:
        session = self._need_session()
        self._let_flow(now)
        self._watch_support(now)
        if session.folds and session.folded is None:
            session.folded = session.dry_quarter()
        if now.start_s <= session.kick_s < now.end_s:
            self._fall(session.kick_s, Cause.COW)
            return
        self._maybe_slip(now)
        if self.state is StallState.MILKING:
            self._maybe_take_off(now)

    def _let_flow(self, now: Second) -> None:
        session = self._need_session()
        flow = session.udder.step(now.end_s - now.start_s, now.claw_kpa, session.folded)
        session.best_kg_min = max(session.best_kg_min, flow)
        self.drive.flow_after_kg_min = flow

    def _maybe_slip(self, now: Second) -> None:
        session = self._need_session()
        at = now.start_s + float(self._rng.random()) * (now.end_s - now.start_s)
        situation = Situation(
            carrying=session.carrying(at, self._set.cluster.hose_kg),
            flows_kg_min=session.udder.flow_kg_min,
            claw_kpa=now.claw_kpa,
            plant_kpa=now.plant_kpa,
            fault_n=self._book.size(FaultKind.BAD_LINER, self.number, at) or 0.0,
            cow_n=self.temper.loosens_n(now.start_s, session.cow.temper, session.flow_kg_min),
        )
        slip = self._seal.draw(situation, self._rng)
        if slip is None or any(o.end_s > now.start_s for o in self.drive.openings):
            return
        openings = draw_openings(at, self._set.law, self._rng)
        self.drive.openings += openings
        running = self.ledger.running_slip(at)
        if running is not None:
            running.openings += openings
        else:
            self.ledger.begin_air(
                EventKind.LINER_SLIP, slip.cause, openings, session=session, quarter=slip.quarter
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
        self.ledger.begin_air(EventKind.FALL_OFF, cause, [opening], session=session)
        self.drive.openings.append(opening)
        self.drive.milk.shut(at_s)
        self.drive.flow_after_kg_min = session.flow_kg_min
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
        self.ledger.cut_slips(at_s)

    def _lie(self, now: Second) -> None:
        session = self._need_session()
        if now.end_s < self._due_s:
            self._maybe_take_off(now)
            return
        span = self.ledger.open_fall()
        start = max(self._due_s, now.start_s)
        span.openings[0].end_s = start + 0.4
        span.openings += self._put_on(start)
        session.reattaches += 1

    # --- taking off ---

    def _maybe_take_off(self, now: Second) -> None:
        session, routine = self._need_session(), self._set.routine
        low = now.meter_kg_min < routine.take_off_kg_min and now.end_s - session.start_s > routine.least_on_s
        session.low_s = session.low_s + now.end_s - now.start_s if low else 0.0
        if session.low_s >= routine.take_off_delay_s or self._is_cut_off(session):
            self._take_off(now)

    def _is_cut_off(self, session: Session) -> bool:
        """Tell whether the unit comes off because the ride is over."""
        last = self._set.deck.exit_place - 8.0 / self._set.deck.stall_s
        if not self._passed(last):
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
            span = self.ledger.open_fall()
            span.until_s = at
            span.openings[-1].end_s = at + 1.0
        elif early is None and self._rng.random() < self._set.routine.manual_pull_share:
            shut = at + float(self._rng.uniform(0.5, 2.5))
            arm = at - 0.1
            self._pull(at, shut, Cause.UNKNOWN)
        else:
            shut, arm = at, at + (self._decay_delay_s if early is None else early)
            self._break_slips(at)
            self._pull(arm + 0.25, arm + 1.0, Cause.STALL_FAULT).least_kpa = 10.0
        self.drive.valve.shut(shut)
        self.drive.milk.shut(at)
        self._seep(shut, arm)
        self.pose = parked(self._set.arm, arm)
        self.state = StallState.DETACHING
        self._due_s = shut + 4.0
        self.ledger.end_lapse(session, at)
        self.ledger.end_milking(session, shut)

    def _seep(self, from_s: float, to_s: float) -> None:
        """Let a shut-off that does not seal pass air to the line until the arm has pulled."""
        bore_mm = self._book.size(FaultKind.LEAKY_SHUT_OFF, self.number, from_s)
        self.drive.seep_mm2 = 0.0 if bore_mm is None else gap_area_mm2(bore_mm)
        self.drive.seep.open(from_s)
        self.drive.seep.shut(to_s)

    def _pull(self, at_s: float, until_s: float, cause: Cause) -> AirSpan:
        """Pull the cups off the teats at ``at_s``; the span ends at ``until_s`` [s]."""
        self._break_slips(at_s)
        opening = Opening(at_s, until_s + 1.0, gap_area_mm2(float(self._rng.uniform(10.0, 14.0))), 0.1, 0.3)
        span = self.ledger.begin_air(EventKind.VACUUM_REMOVAL, cause, [opening], session=self._need_session())
        span.until_s = until_s
        self.drive.openings.append(opening)
        return span

    def _finish(self, now: Second) -> None:
        if now.end_s >= self._due_s:
            self._session = None
            self.state = StallState.DONE

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
            self.ledger.end_lapse(session, lapse.to_s)
            self._move_arm(lapse.to_s)

    # --- washing ---

    def begin_wash(self, at_s: float) -> None:
        """Hang the unit in the wash."""
        self.state = StallState.WASHING
        self._washing.begin(at_s)

    def end_wash(self, at_s: float) -> None:
        """Take the unit out of the wash."""
        self.state = StallState.EMPTY
        self._washing.end(at_s)

    def _wash(self, now: Second) -> None:
        self._washing.step(now.start_s)
