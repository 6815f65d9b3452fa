"""Many readings as columns: what the detector takes in, so that no reading costs a call of its own.

One row a reading, its numbers in one array for all of them. A row is read by compiled code; what is
rare (cows, clocks that jump) is given back as the reading it came from.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from detect.kinds import Channel, Quarter
from detect.readings import ArmPosition, CowAtStall, MilkFlow, PlantVacuum, Reading, Samples, StallVacuum

VACUUM, FLOW, ARM = 0, 1, 2
QUARTERS: Final = tuple(Channel(quarter.value) for quarter in Quarter)
"""Channels of the short milk tubes, in the order of their streams and planes."""
STREAMS: Final = 3 + len(QUARTERS)
COW: Final = -1
PLANT: Final = 0
"""Stands for the plant where other rows have their stall."""
CHANNELS: Final = {Channel.CLAW: VACUUM, **{channel: ARM + 1 + k for k, channel in enumerate(QUARTERS)}}
"""Stream of each channel of vacuum."""
_CHANNEL_OF: Final = {stream: channel for channel, stream in CHANNELS.items()}

ROW_FIELDS: Final = [
    ("stream", "i8"),  # VACUUM, FLOW, ARM, a short milk tube, or COW
    ("stall", "i8"),  # 0 is the plant
    ("t_ns", "i8"),  # device time of the first sample
    ("rate_hz", "f8"),
    ("first", "i8"),  # place of the first number; of a cow among the cows
    ("count", "i8"),  # samples; an arm has as many cords behind its angles
]
ROW_DTYPE: Final = np.dtype((np.record, ROW_FIELDS))


@dataclass(frozen=True, slots=True)
class ReadingBatch:
    """Readings in order of arrival.

    Parameters
    ----------
    rows:
        One row of ROW_DTYPE a reading, shape (readings,).
    values:
        The numbers of all rows [kPa, kg/min, deg, mm], one-dimensional float64; never changed.
    cows:
        The readings of cows, which hold words.
    """

    rows: NDArray[np.void]
    values: Samples
    cows: Sequence[CowAtStall] = field(default=())

    def __len__(self) -> int:
        return len(self.rows)

    @classmethod
    def of(cls, readings: Iterable[Reading]) -> Self:
        """Put readings into columns."""
        rows: list[tuple[int, int, int, float, int, int]] = []
        values: list[Samples] = []
        cows: list[CowAtStall] = []
        first = 0
        for reading in readings:
            if isinstance(reading, CowAtStall):
                rows.append((COW, reading.stall, reading.t_ns, 0.0, len(cows), 0))
                cows.append(reading)
                continue
            stream, stall, rate_hz, numbers = _parts(reading)
            rows.append((stream, stall, reading.t_ns, rate_hz, first, len(numbers[0])))
            values += numbers
            first += sum(map(len, numbers))
        return cls(np.array(rows, ROW_DTYPE), _joined(values), cows)

    @classmethod
    def join(cls, pieces: Sequence[Self]) -> Self:
        """Put batches one behind the other; numbers that several of them share are kept once."""
        if len(pieces) == 1:
            return pieces[0]
        rows = np.empty(sum(map(len, pieces)), ROW_DTYPE)
        places: dict[int, int] = {}
        values: list[Samples] = []
        cows: list[CowAtStall] = []
        at = total = 0
        for piece in pieces:
            own = rows[at : at + len(piece)]
            own[:] = piece.rows
            at += len(piece)
            if (place := places.get(id(piece.values))) is None:
                place = places[id(piece.values)] = total
                values.append(piece.values)
                total += len(piece.values)
            if place or cows:
                own["first"] += np.where(own["stream"] == COW, len(cows), place)
            cows += piece.cows
        return cls(rows, _joined(values), cows)

    def part(self, at: int, stop: int) -> ReadingBatch:
        """Return the batch of some rows, which shares its numbers with this one."""
        return ReadingBatch(self.rows[at:stop], self.values, self.cows)

    def claw_vacuum(self) -> ReadingBatch:
        """Return the rows of the stalls' claw vacuum alone."""
        return ReadingBatch(
            self.rows[(self.rows["stream"] == VACUUM) & (self.rows["stall"] != PLANT)], self.values
        )

    def readings(self) -> list[Reading]:
        """Return the readings one by one."""
        return [self.reading(at) for at in range(len(self))]

    def reading(self, at: int) -> Reading:
        """Return the reading of one row, with arrays of its own: it may be kept long after the batch."""
        stream, stall, t_ns, rate_hz, first, count = self.rows[at].item()
        if stream == COW:
            return self.cows[int(first)]
        if stream == FLOW:
            return MilkFlow(stall, t_ns, float(self.values[first]))
        numbers = self.values[first : first + count].copy()
        if stream == ARM:
            cord_mm = self.values[first + count : first + 2 * count].copy()
            return ArmPosition(stall, t_ns, rate_hz, numbers, cord_mm)
        if stall == PLANT:
            return PlantVacuum(t_ns, rate_hz, numbers)
        return StallVacuum(stall, t_ns, rate_hz, numbers, _CHANNEL_OF[stream])


def _parts(reading: Reading) -> tuple[int, int, float, list[Samples]]:
    """Return stream, stall, rate and numbers of a reading."""
    match reading:
        case StallVacuum():
            return CHANNELS[reading.channel], reading.stall, reading.rate_hz, [reading.vacuum_kpa]
        case PlantVacuum():
            return VACUUM, PLANT, reading.rate_hz, [reading.vacuum_kpa]
        case MilkFlow():
            return FLOW, reading.stall, 1.0, [np.array([reading.flow_kg_min])]
        case ArmPosition():
            return ARM, reading.stall, reading.rate_hz, [reading.angle_deg, reading.cord_mm]
        case _:
            raise TypeError(reading)


def _joined(values: Sequence[Samples]) -> Samples:
    """Return numbers one behind the other, without a copy where there is but one array."""
    return values[0] if len(values) == 1 else np.concatenate([*values, np.empty(0)])
