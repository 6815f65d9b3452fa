"""One stall's book of what happens while it happens, written to the truth when it is over."""

from __future__ import annotations

import math

from simulator.session import Session
from simulator.slips import Cause, EventKind, Opening
from simulator.truth import SQUAWK_PAUSE_S, AirSpan, Onset, Truth


class Ledger:
    """Open air admissions, lapses and milkings of one stall.

    Parameters
    ----------
    stall
        Stall number from 1.
    truth
        Where finished entries go.
    """

    def __init__(self, stall: int, truth: Truth) -> None:
        self._stall = stall
        self._truth = truth
        self.spans: list[AirSpan] = []

    def begin_air(
        self,
        kind: EventKind,
        cause: Cause,
        openings: list[Opening],
        *,
        session: Session,
        quarter: int | None = None,
    ) -> AirSpan:
        """Open an entry for air that comes in through ``openings``."""
        onset = Onset(session.flow_kg_min, session.phase(), quarter, session.cow.name)
        span = AirSpan(kind, cause, openings, onset)
        self.spans.append(span)
        return span

    def running_slip(self, at_s: float) -> AirSpan | None:
        """Return the slip that an opening at ``at_s`` [s] would belong to as a squawk, or None."""
        for span in self.spans:
            if span.kind is EventKind.LINER_SLIP and at_s - span.end_s < SQUAWK_PAUSE_S:
                return span
        return None

    def open_fall(self) -> AirSpan:
        """Return the entry of the unit that lies on the floor."""
        return next(s for s in self.spans if s.kind is EventKind.FALL_OFF and math.isinf(s.end_s))

    def cut_slips(self, at_s: float) -> None:
        """End all slips at ``at_s`` [s] at the latest."""
        for span in self.spans:
            if span.kind is EventKind.LINER_SLIP:
                span.cut(at_s)

    def settle(self, until_s: float) -> None:
        """Write down the air admissions that can grow no more at ``until_s`` [s]."""
        for span in self.spans:
            if span.is_settled(until_s):
                self._truth.add_event(span, self._stall)
        self.spans = [span for span in self.spans if not (span.void or span.is_settled(until_s))]

    def close(self, end_s: float) -> None:
        """Write down the air admissions that go on at the end of the record [s]."""
        for span in self.spans:
            if not span.void and span.start_s < end_s:
                span.cut(end_s)
                self._truth.add_event(span, self._stall)
        self.spans = []

    def end_lapse(self, session: Session, at_s: float) -> None:
        """Write down a lapse of support that ends at ``at_s`` [s], if there is one."""
        lapse = session.lapse
        if lapse is not None and session.lapse_began_s is not None:
            self._truth.add_support(self._stall, (session.lapse_began_s, at_s), lapse.state, lapse.share)
            session.lapse = None

    def end_milking(self, session: Session, end_s: float) -> None:
        """Write down a milking that ends at ``end_s`` [s]."""
        self.end_lapse(session, end_s)
        self._truth.add_milking(self._stall, session.cow.name, (session.start_s, end_s), session.figures())
