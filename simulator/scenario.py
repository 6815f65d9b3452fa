"""A scenario: every setting of one simulated record, validated, with named presets."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import Final

import numpy as np

from simulator.arm import Arm
from simulator.claw import HIGH_LINE, LOW_LINE, Tube, Unit
from simulator.faults import Fault, FaultKind
from simulator.herd import Herd
from simulator.plant import Plant
from simulator.platform import Deck
from simulator.pulsation import Pulsation
from simulator.sensors import Sensors
from simulator.slips import SlipLaw
from simulator.slugging import Slugging
from simulator.statics import Cluster

DEFAULT_START_NS: Final = 1_930_278_600 * 1_000_000_000
"""2031-03-03T04:30:00Z: an arbitrary fixed morning."""


@dataclass(frozen=True, slots=True)
class Routine:
    """How the cows are milked (engineering choices within the usual ranges unless a source is named).

    Parameters
    ----------
    take_off_kg_min, take_off_delay_s, least_on_s
        Take-off below this flow for this long, never before this time; 0.2 to 0.4 kg/min is common.
    decay_delay_s
        Time from shut-off to the pull of the arm.
    go_round_share
        Share of unfinished cows that ride a second turn; the others are cut off.
    manual_pull_share
        Share of milkings that end by pulling the unit off under vacuum.
    unsupported_share
        Share of milkings in which the unit is not carried for a while.
    caught_share
        Share of those in which the hose is caught and drags.
    reattach_share
        Share of fallen units that are put on again.
    fold_share
        Share of milkings in which the cup of a dry quarter is taken off and folded over the claw.
    restless_per_h
        Spells of stepping an hour of a cow of mean temper.
    """

    take_off_kg_min: float = 0.4
    take_off_delay_s: float = 10.0
    least_on_s: float = 90.0
    decay_delay_s: float = 1.7
    go_round_share: float = 0.5
    manual_pull_share: float = 0.02
    unsupported_share: float = 0.11
    caught_share: float = 0.2
    reattach_share: float = 0.65
    fold_share: float = 0.01
    restless_per_h: float = 3.0


@dataclass(frozen=True, slots=True)
class Shifts:
    """When milking and washing happen.

    Parameters
    ----------
    length_s
        Time during which cows board; afterwards the platform empties, then it is washed.
    every_s
        Start of one shift to the start of the next.
    wash_s
        Length of the wash; 0 for none.
    air_every_s
        Time between the air slugs of the wash.
    """

    length_s: float = 3.5 * 3600.0
    every_s: float = 8.0 * 3600.0
    wash_s: float = 900.0
    air_every_s: float = 25.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """All settings of one simulated record.

    Parameters
    ----------
    seed
        Decides everything random; the same seed gives the same bytes.
    duration_s
        Length of the record [s], a whole number.
    start_ns
        Start of the record [ns since 1970-01-01 UTC].
    parlor, root
        Parlor slug and first level of the topics.
    altitude_m
        Height above sea level [m].
    tube
        Physics world of the long milk tube.
    vent_mm
        Diameter of the claw's vent; 1.2 mm lets in about 10 L/min, the usual amount.
    unit, plant, pulsation, cluster, law, slugging, herd, deck, arm, routine, shifts, sensors, faults
        Settings of each subject.
    plant_dips_per_h
        Unscheduled dips of the plant an hour.
    loaded
        Whether the record begins with a full platform in the middle of a shift.
    """

    seed: int = 1
    duration_s: float = 3600.0
    start_ns: int = DEFAULT_START_NS
    parlor: str = "willowmere"
    root: str = "milking"
    altitude_m: float = 0.0
    tube: Tube = Tube.MILK_PLUG
    vent_mm: float = 1.2
    unit: Unit = LOW_LINE
    plant: Plant = field(default_factory=Plant)
    pulsation: Pulsation = field(default_factory=Pulsation)
    cluster: Cluster = field(default_factory=Cluster)
    law: SlipLaw = field(default_factory=SlipLaw)
    slugging: Slugging = field(default_factory=Slugging)
    herd: Herd = field(default_factory=Herd)
    deck: Deck = field(default_factory=Deck)
    arm: Arm = field(default_factory=Arm)
    routine: Routine = field(default_factory=Routine)
    shifts: Shifts = field(default_factory=Shifts)
    sensors: Sensors = field(default_factory=Sensors)
    faults: tuple[Fault, ...] = ()
    plant_dips_per_h: float = 2.0
    loaded: bool = False

    def __post_init__(self) -> None:
        if self.duration_s < 1.0 or self.duration_s != int(self.duration_s):
            raise ValueError(f"duration_s {self.duration_s} is not a whole number of seconds from 1 on")
        if not 1 <= self.deck.stalls <= 999:
            raise ValueError(f"stalls {self.deck.stalls} is outside 1..999")
        if not self.parlor or "/" in self.parlor or "/" in self.root:
            raise ValueError("parlor and root must be plain words without a slash")
        if self.vent_mm <= 0.0:
            raise ValueError(f"vent_mm {self.vent_mm} is not positive: a claw without a vent does not drain")
        for part in (self.law, self.herd, self.arm, self.routine, self.sensors):
            _check_shares(part)
        for fault in self.faults:
            if fault.stall is not None and not 1 <= fault.stall <= self.deck.stalls:
                raise ValueError(
                    f"fault {fault.kind} names stall {fault.stall}, the deck has {self.deck.stalls}"
                )


def _check_shares(part: SlipLaw | Herd | Arm | Routine | Sensors) -> None:
    """Refuse a share outside 0..1 in one part of a scenario."""
    for setting in fields(part):
        value = getattr(part, setting.name)
        if setting.name.endswith("_share") and not 0.0 <= value <= 1.0:
            raise ValueError(f"{type(part).__name__}.{setting.name} {value} is outside 0..1")


_TURN_S: Final = 480.0  # a turn of 8 min, as 60 stalls at 8 s


def plain(*, seed: int = 1, stalls: int = 40, hours: float = 1.0) -> Scenario:
    """Return an ordinary morning: a few bad liners, one arm out of set, a low line.

    Parameters
    ----------
    seed
        Seed of the record; it also picks the faulty stalls.
    stalls
        Stalls of the rotary; it turns in 8 minutes, or 8 s a stall if that is longer.
    hours
        Length of the record [h].
    """
    rng = np.random.default_rng([seed, 7])
    order = [int(stall) for stall in rng.permutation(stalls) + 1]
    duration = float(round(hours * 3600.0))
    liners, arms = order[: round(stalls / 20)], order[round(stalls / 20) :][: round(stalls / 40)]
    faults = [Fault(FaultKind.BAD_LINER, stall, 0.0, duration, 4.0) for stall in liners]
    faults += [Fault(FaultKind.ARM_UNSUPPORTED, stall, 0.0, duration, 0.1) for stall in arms]
    deck = Deck(stalls=stalls, stall_s=max(8.0, _TURN_S / stalls))
    return Scenario(seed=seed, duration_s=duration, deck=deck, faults=tuple(faults))


def no_inertia(*, seed: int = 1, stalls: int = 40, hours: float = 1.0) -> Scenario:
    """Return the ordinary morning in a world whose long milk tube has no inertia."""
    return replace(plain(seed=seed, stalls=stalls, hours=hours), tube=Tube.QUASI_STEADY)


def heavy_slugging(*, seed: int = 1, stalls: int = 40, hours: float = 1.0) -> Scenario:
    """Return the ordinary morning on a high line whose tubes slug heavily."""
    slugs = Slugging(ripple_kpa=0.6, plugs_per_s=0.2, plug_kpa=2.0, plug_spread=0.7)
    return replace(plain(seed=seed, stalls=stalls, hours=hours), unit=HIGH_LINE, slugging=slugs)


def fluttering(*, seed: int = 1, stalls: int = 40, hours: float = 1.0) -> Scenario:
    """Return the ordinary morning with liners that flutter more often than not."""
    return replace(plain(seed=seed, stalls=stalls, hours=hours), law=SlipLaw(flutter_share=0.7))


def no_plant_sensor(*, seed: int = 1, stalls: int = 40, hours: float = 1.0) -> Scenario:
    """Return the ordinary morning without a vacuum sensor at the plant."""
    base = plain(seed=seed, stalls=stalls, hours=hours)
    return replace(base, sensors=replace(base.sensors, plant_hz=None))


def quarter_sensors(*, seed: int = 1, stalls: int = 40, hours: float = 1.0) -> Scenario:
    """Return the ordinary morning with a vacuum sensor in every short milk tube too."""
    base = plain(seed=seed, stalls=stalls, hours=hours)
    return replace(base, sensors=replace(base.sensors, quarters=True))


def worn_parlor(*, seed: int = 1, stalls: int = 40, hours: float = 1.0) -> Scenario:
    """Return the ordinary morning in a parlor that needs a technician: one fault each of seven kinds."""
    base = plain(seed=seed, stalls=stalls, hours=hours)
    sizes = (
        (FaultKind.BLOCKED_VENT, 0.15),
        (FaultKind.STEADY_LEAK, 1.6),
        (FaultKind.LEAKY_SHUT_OFF, 1.2),
        (FaultKind.PULSATION_OFF, 1.0),
        (FaultKind.PULSATION_RATE, 0.75),
        (FaultKind.FROZEN_SENSOR, 1.0),
        (FaultKind.SENSOR_OFFSET, 1.8),
    )
    order = np.random.default_rng([seed, 8]).permutation(stalls) + 1
    from_s = 0.3 * base.duration_s
    worn = tuple(
        Fault(kind, int(stall), from_s, base.duration_s, size)
        for (kind, size), stall in zip(sizes, order, strict=False)
    )
    return replace(base, faults=base.faults + worn)


def weak_plant(*, seed: int = 1, stalls: int = 40, hours: float = 1.0) -> Scenario:
    """Return the ordinary morning on a pump without reserve that sags by 12 kPa for 90 s every 10 minutes."""
    base = plain(seed=seed, stalls=stalls, hours=hours)
    plant = replace(base.plant, reserve_l_min=150.0, reserve_per_unit_l_min=3.0)
    begins = np.arange(300.0, base.duration_s - 90.0, 600.0)
    sags = tuple(Fault(FaultKind.PLANT_DIP, None, float(t), float(t) + 90.0, 12.0) for t in begins)
    return replace(base, plant=plant, faults=base.faults + sags)


PRESETS: Final[dict[str, Callable[..., Scenario]]] = {
    "plain": plain,
    "no_inertia": no_inertia,
    "heavy_slugging": heavy_slugging,
    "fluttering": fluttering,
    "no_plant_sensor": no_plant_sensor,
    "quarter_sensors": quarter_sensors,
    "weak_plant": weak_plant,
    "worn_parlor": worn_parlor,
}
"""The named presets."""
