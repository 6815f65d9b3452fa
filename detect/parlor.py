"""The composed detector of one parlor: readings in, results out.

Everything here is arithmetic on what was fed in. Feed the same readings and the same results come
out, whatever the framing; cut anywhere, :meth:`ParlorDetector.checkpoint` and
:meth:`ParlorDetector.restore`, and they still do.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from detect.arm_state import RATES
from detect.assemble import Figures, OpenMilking, StallBook
from detect.batch import ReadingBatch
from detect.carry import close_support
from detect.cause import attribute
from detect.checkpoint import Checkpoint
from detect.condition import look_round, take_look
from detect.errors import ParameterError
from detect.history import SlipHistory
from detect.kernel import advance
from detect.memory import restore_detector, store_detector
from detect.norms import zeros_kpa
from detect.params import BIN_NS, BIN_S, DETECTOR_VERSION, DetectorParams
from detect.readings import CowAtStall, Reading
from detect.results import Result
from detect.scene import NOTE_DTYPE, Witness, new_scenes, take_notes
from detect.state import HAPPENING_DTYPE, HARMONICS, PLANT_DTYPE, Bins, Happening, Now, Opening, new_stalls
from detect.tell import air_event, air_evidence, gap_event, plant_event, support_event
from detect.timeline import Timeline
from detect.trail import Trail
from detect.unit import OPEN_MILKING, end_hanging
from detect.units import atmosphere_kpa
from detect.views import PlantNow, StallNow

CUT: Final = 200
"""Bins (10 s) between looks at what has timed out; counted from 1970, so that no framing moves them."""
LEFT: Final = 2
"""Kernel's word for a milking whose cow has left; the next attaching begins a new one."""
MOST_STALLS: Final = 500


@dataclass(frozen=True, slots=True)
class Site:
    """Where the parlor stands.

    Attributes
    ----------
    altitude_m:
        Height above sea level [m]; sets the local atmospheric pressure.
    """

    altitude_m: float = 0.0


class ParlorDetector:
    """Detect air admissions, unsupported units, plant dips and milkings of one parlor.

    Parameters
    ----------
    parlor:
        Slug of the parlor, part of every identifier.
    stalls:
        Number of stalls; readings carry stall numbers 1..stalls.
    site:
        Where the parlor stands.
    params:
        All parameters; their digest is part of :attr:`label`.

    Raises
    ------
    ParameterError
        If the number of stalls is not in 1..500.

    Examples
    --------
    >>> detector = ParlorDetector(parlor="willowmere", stalls=2)
    >>> detector.feed(CowAtStall(stall=1, t_ns=0, cow="17"))
    []
    """

    def __init__(
        self, *, parlor: str, stalls: int, site: Site | None = None, params: DetectorParams | None = None
    ) -> None:
        if not 1 <= stalls <= MOST_STALLS:
            raise ParameterError(f"{stalls} is outside 1..{MOST_STALLS}", where="stalls")
        params = params or DetectorParams()
        altitude_m = site.altitude_m if site else 0.0
        self.parlor = parlor
        self.params = replace(params, claw=replace(params.claw, atmosphere_kpa=atmosphere_kpa(altitude_m)))
        self.label = f"{DETECTOR_VERSION}+{self.params.digest}"
        self.timeline = Timeline(stalls, self.params.timeline)
        self.state = new_stalls(stalls)
        self.plant = np.zeros(1, PLANT_DTYPE)
        self.books = [StallBook(parlor, stall) for stall in range(1, stalls + 1)]
        self.cow_feed = False  # somebody tells who stands where
        self.trail: Trail | None = None  # set by a face that draws traces; no result depends on it
        self.history = SlipHistory(stalls)
        self._rows = np.zeros(64 + stalls * CUT // 2, HAPPENING_DTYPE)
        scenes, whole = new_scenes(stalls)
        self.witness = Witness(scenes, whole, np.zeros(self._rows.size, NOTE_DTYPE))
        self._numbers = self.params.numbers()

    @property
    def counters(self) -> dict[str, int]:
        """Return how many samples were late, how many readings ran ahead, and the like."""
        return dict(self.timeline.counters)

    def feed(self, reading: Reading) -> list[Result]:
        """Take one reading and return what became certain by it.

        Raises
        ------
        ParameterError
            If the reading's stall does not exist.
        """
        return self.feed_batch(ReadingBatch.of([reading]))

    def feed_batch(self, batch: ReadingBatch) -> list[Result]:
        """Take many readings, with the same results as one by one.

        Raises
        ------
        ParameterError
            If a reading's stall does not exist; nothing of the batch is taken then.
        """
        self.timeline.make_room(batch)
        results: list[Result] = []
        at = 0
        while at < len(batch):
            at, open_bin = self.timeline.lay(batch, at)
            results += self._work(open_bin)
        return results

    def flush(self) -> list[Result]:
        """End the record: work what is left and close what is open, as incomplete."""
        results = self._work(self.timeline.closed_bin())
        results += self._work(self.timeline.end_bin())
        end = self.timeline.done_bin
        for index in range(len(self.books)):
            results += self._end_hanging(index)
            if self.state[index]["astray"]:
                now = self._between()
                close_support(self.state[index], end, end + 1, now)
                results += self._take_all(int(now.used[0]))
            results += self._close(index, ended=False)
        self.state["stray_run"] = self.state["fine_run"] = 0
        return results

    def checkpoint(self) -> Checkpoint:
        """Return the whole state as bytes."""
        return store_detector(self)

    def restore(self, checkpoint: Checkpoint) -> None:
        """Continue from a checkpoint.

        Raises
        ------
        CheckpointError
            If it comes from another version, other parameters or another number of stalls.
        """
        restore_detector(self, checkpoint)

    def now(self) -> list[StallNow]:
        """Return every stall as of the last worked bin."""
        t_ns = max(self.timeline.done_bin, 0) * BIN_NS
        return [self._stall_now(index, t_ns) for index in range(len(self.books))]

    def plant_now(self) -> PlantNow:
        """Return the vacuum plant as of the last worked bin."""
        p = self.plant[0]
        since = int(p["dip_bin"]) * BIN_NS if p["dip_run"] > 0 else None
        return PlantNow(max(self.timeline.done_bin, 0) * BIN_NS, since, max(0.0, -float(p["common"])))

    def _stall_now(self, index: int, t_ns: int) -> StallNow:
        s, book = self.state[index], self.books[index]
        leaking = s["opening"] == Opening.OPEN or s["hanging"] > 0
        low_bins = max(self.timeline.done_bin - s["hang_from"], 0) if s["hanging"] else s["low_run"]
        return StallNow(
            stall=book.stall,
            t_ns=t_ns,
            vacuum_kpa=None if np.isnan(s["kpa"]) or s["missing"] > 0 else float(s["kpa"]),
            flow_kg_min=None if np.isnan(s["flow"]) else float(s["flow"]),
            attached=bool(s["attached"]),
            milking_id=book.milking.milking_id if book.milking else None,
            cow=book.cow,
            unsupported_since_ns=int(s["astray_bin"]) * BIN_NS if s["astray"] else None,
            silent_s=float(s["missing"]) * BIN_S,
            air_since_ns=int(s["ev_on"]) * BIN_NS if leaking else None,
            air_l=max(0.0, float(s["ev_l"])) if leaking else 0.0,
            low_s=float(low_bins) * BIN_S if leaking else 0.0,
        )

    def _work(self, to_bin: int) -> list[Result]:
        """Work the closed bins in stretches that end at cow changes and at whole ten seconds."""
        results: list[Result] = []
        line = self.timeline
        while 0 <= line.done_bin < to_bin:
            for cow in self._cows_due(line.done_bin):
                results += self._cow(cow)
            end = min(to_bin, (line.done_bin // CUT + 1) * CUT)
            end = min([end, *(c.t_ns // BIN_NS for c in line.cows)])
            results += self._stretch(line.take(end))
            if end % CUT == 0:
                results += self._conditions(end)
                results += self._look_round(end)
        return results

    def _conditions(self, at_bin: int) -> list[Result]:
        """Look for what needs a technician; only a milking unit tells of vent, pulsation and leaks."""
        known = [book.milking is not None and not book.milking.wash for book in self.books]
        look = take_look(self.state, at_bin, np.array(known), self.params)
        return list(look_round(look, self.parlor, self.params))

    def _cows_due(self, at_bin: int) -> list[CowAtStall]:
        due = [cow for cow in self.timeline.cows if cow.t_ns // BIN_NS <= at_bin]
        if due:
            self.timeline.cows = [cow for cow in self.timeline.cows if cow.t_ns // BIN_NS > at_bin]
            due.sort(key=lambda cow: (cow.t_ns, cow.stall))
        return due

    def _stretch(self, grid: Bins) -> list[Result]:
        results: list[Result] = []
        for part in [grid] if self.trail is None else grid.each():
            count = advance(self.state, self.plant, part, (self._rows, self.witness), self._numbers)
            results += self._take_all(count)
            if self.trail is not None:
                self.trail.add(part, self.state)
        return results

    def _between(self) -> Now:
        """Return the moment between two bins, for what the kernel's parts tell outside of its call."""
        nothing = np.zeros((2, RATES)), np.zeros((1, 2, HARMONICS))  # nothing is read between two bins
        return Now(self.timeline.done_bin, 0.0, 0.0, 0.0, 0.0, self._rows, np.zeros(1, np.int64), *nothing)

    def _end_hanging(self, index: int) -> list[Result]:
        """Tell of a fall while its milking is still open."""
        if self.state[index]["hanging"] == 0:
            return []
        now = self._between()
        end_hanging(self.state[index], now, self._numbers)
        take_notes(self.state, self.witness, now, 0)
        return self._take_all(int(now.used[0]))

    def _take_all(self, count: int) -> list[Result]:
        return [result for k in range(count) for result in self._take(self._rows[k], self.witness.notes[k])]

    def _take(self, h: Any, note: Any) -> list[Result]:
        """Turn one happening of the kernel into results."""
        what, index = int(h["what"]), int(h["stall"])
        if what == Happening.PLANT_CLOSED:
            return [plant_event(h, self.parlor)]
        book = self.books[index]
        if what == Happening.AIR_CLOSED:
            return self._air(h, index, note)
        if what == Happening.SUPPORT_CLOSED:
            event = support_event(h, book)
            late = book.milking is None or h["from_bin"] < book.milking.start_bin
            return book.look_back(event) if late else book.keep(event)
        if what == Happening.ATTACHED:
            return self._attached(h, index)
        if what == Happening.DETACHED and book.milking:
            book.milking.end_bin = int(h["to_bin"])
        if what == Happening.GAP_CLOSED and h["flag"] and book.milking:
            _count_gap(book.milking, h)
        return []

    def _attached(self, h: Any, index: int) -> list[Result]:
        book, at_bin = self.books[index], int(h["from_bin"])
        if not h["flag"] and book.milking:
            book.milking.reattaches += 1
            return []
        results = self._finish(index, book.left or Figures(), ended=True)
        book.attach(at_bin, begun=bool(h["value"]))
        return results

    def _air(self, h: Any, index: int, note: Any) -> list[Result]:
        book = self.books[index]
        if book.milking is None:
            return []
        evidence = air_evidence(h, note, self.params)
        verdict = attribute(evidence, self.history.excess(index, book.cow, note))
        book.milking.unexplained_slips += self.history.count(index, evidence, verdict.shares)
        event = air_event(h, book, evidence, verdict=verdict, params=self.params, label=self.label)
        return book.keep(event)

    def _cow(self, reading: CowAtStall) -> list[Result]:
        """Take over who stands at a stall from this bin on."""
        self.cow_feed = self.cow_feed or reading.cow is not None
        index = reading.stall - 1
        book, s = self.books[index], self.state[index]
        hung = self._end_hanging(index) if reading.cow != book.cow else []
        if reading.cow is None:
            if book.milking and not s["attached"] and book.left is None:
                book.left = self._figures(index)
                s["open"] = LEFT
            book.cow = book.milker = book.group = None
            return hung
        milking = book.milking
        results = hung
        if milking and not s["attached"] and milking.cow != reading.cow:
            results += self._close(index, ended=True)
        elif milking and book.left is not None:
            book.left, s["open"] = None, OPEN_MILKING  # she came round again
        return results + book.identify(reading)

    def _look_round(self, at_bin: int) -> list[Result]:
        """Close milkings that timed out, recognise a wash, and where nobody names cows, a milking."""
        params, results, attached = self.params.milking, [], self.state["attached"].tolist()
        bare = [i for i, book in enumerate(self.books) if attached[i] and book.cow is None]
        washing = self.cow_feed and len(bare) >= max(2.0, params.wash_share * len(self.books))
        for index in bare if washing else []:
            milking = self.books[index].milking
            if milking and milking.cow is None and not milking.sure:
                milking.wash = True
        for index in bare if not self.cow_feed else []:
            results += self.books[index].release(self._figures(index), params)
        for index, book in enumerate(self.books):
            if book.milking is None or attached[index]:
                continue
            patience = params.reattach_s if book.milking.cow is None else params.same_cow_s
            if (at_bin - book.milking.end_bin) * BIN_S > patience:
                results += self._close(index, ended=True)
        return results

    def _close(self, index: int, *, ended: bool) -> list[Result]:
        """Close a stall's milking between two stretches; one that still runs ends here, incomplete."""
        book, s = self.books[index], self.state[index]
        if book.milking is None:
            return []
        if s["attached"]:
            book.milking.end_bin = self.timeline.done_bin
            ended = False
        s["open"] = 0
        return self._finish(index, book.left or self._figures(index), ended=ended)

    def _finish(self, index: int, figures: Figures, *, ended: bool) -> list[Result]:
        """Write a milking's row, and what was missing of it."""
        book = self.books[index]
        gap, milking = gap_event(book), book.milking
        results = book.close(figures, self.params.milking, ended=ended)
        if results and milking:
            self.history.close_milking(milking.cow, milking.unexplained_slips, figures.on_bins * BIN_S)
            results += gap
        return results

    def _figures(self, index: int) -> Figures:
        s = self.state[index]
        end = int(s["off_bin"]) if not s["attached"] else self.timeline.done_bin
        zero_kpa = float(zeros_kpa(s["norms"], self.params.condition.calibration_kpa))
        last = int(s["milk_bin"]) if s["milk_bin"] >= 0 else int(s["first_bin"])
        return Figures(
            on_bins=int(s["on_bins"]),
            data_bins=int(s["data_bins"]),
            yield_kg=float(s["yield_kg"]),
            two_minute_kg=float(s["two_minute_kg"]),
            peak_flow_kg_min=float(s["peak_flow"]),
            peak_kpa=float(s["peak_kpa"]) - zero_kpa if s["sec_count"] >= 10 else None,
            low_flow_s=max(0.0, (end - last - 1) * BIN_S),
            removal_kpa=None if np.isnan(s["removal_kpa"]) else float(s["removal_kpa"]) - zero_kpa,
            astray_bins=int(s["astray_bins"]),
        )


def _count_gap(milking: OpenMilking, h: Any) -> None:
    if milking.gaps == 0:
        milking.gap_from = int(h["from_bin"])
    milking.gaps += 1
    milking.gap_bins += int(h["to_bin"]) - int(h["from_bin"])
    milking.gap_to = int(h["to_bin"])
