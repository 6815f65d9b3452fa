"""Every choice of the detector in one frozen, validated value, each with its unit and its source.

"Engineering choice" means: set on tuning captures of the simulator (the protocol stands in
DEVELOPERS.md), not taken from print.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass, field
from typing import Final, NamedTuple

from detect.claw import ClawConstants, ClawModel
from detect.condition_params import ConditionParams
from detect.errors import ParameterError

BIN_NS: Final = 50_000_000
"""One bin [ns]: 20 Hz. 10 Hz reproduced 100 Hz means of claw vacuum, 1 Hz did not (Lazovic 2016)."""
BIN_S: Final = BIN_NS * 1e-9
DETECTOR_VERSION: Final = 10
"""Raised when the same readings and parameters may give other results."""


@dataclass(frozen=True, slots=True)
class UnitParams:
    """When a unit counts as attached, settled and removed.

    Attributes
    ----------
    on_kpa, off_kpa:
        Claw vacuum above which a unit is on and below which it is off [kPa] (engineering choice: about
        half and a quarter of an ordinary claw vacuum; removal is usual at 10 kPa or less).
    on_s, off_s:
        How long the vacuum must stay there [s] (engineering choice; the deepest slips last under 3 s
        and reseal).
    settle_min_s, settle_max_s:
        Attaching takes at least and at most this long [s]; air is normal meanwhile. A unit that is
        not steady by then is watched all the same (attaching takes 15-20 s, common practice, no source).
    settle_dry_s:
        Before this [s] a unit without milk is still being attached: attaching ends before the first
        milk (common practice, no source).
    steady_kpa:
        The vacuum is steady when it stays within this of its mean of 2 s [kPa] (engineering choice).
    sudden_fall_s:
        A normal take-off empties through the vent in about 1 s; a vacuum that collapses faster than
        this [s] was opened by hand or hoof (engineering choice from the decay of a vented claw).
    linger_s:
        A unit lying open under a running line stays between ``off_kpa`` and half its vacuum for longer
        than this [s] (engineering choice).
    """

    on_kpa: float = 20.0
    off_kpa: float = 10.0
    on_s: float = 0.5
    off_s: float = 2.5
    settle_min_s: float = 4.0
    settle_dry_s: float = 20.0
    settle_max_s: float = 25.0
    steady_kpa: float = 5.0
    sudden_fall_s: float = 0.35
    linger_s: float = 1.0


@dataclass(frozen=True, slots=True)
class AirParams:
    """When admitted air counts as an event.

    Attributes
    ----------
    threshold:
        Likeness to a sudden fall, in standard deviations of the stall's own noise, that opens an event
        (engineering choice).
    tail_factor, tail_share, tail_gain:
        Slugs in the milk tube have heavy tails that no mean scale shows: the likeness exceeded in
        ``tail_share`` of all bins, followed in relative steps of ``tail_gain``, times ``tail_factor`` is
        a second bar (engineering choice).
    belief:
        Constant and weights of the logarithm of an event's likeness to a reseal, of that of the stall's
        tail, and of an onset within 16 s of the first cup, in the log odds that it was air and no slug
        (logistic regression on tuning captures of several simulated worlds).
    least_belief:
        An event less likely than this is dropped (engineering choice).
    close_share:
        An opening ends when its air falls under this share of its peak (engineering choice).
    train_s:
        Openings with pauses under this [s] are one event (Spencer & Volz 1990: counter blocked 5 s).
    longest_s:
        Longest opening [s]; a leak that lasts longer becomes the new baseline (engineering choice).
    fall_off_l_min, fall_off_share:
        An opening this wide [L/min free air], or one that holds the vacuum under this share of its
        baseline for 1 s, is a unit off its teats (proposal derived from the claw model: 10 mm opening
        = 650 L/min at 24 kPa).
    """

    threshold: float = 5.0
    tail_factor: float = 1.7
    tail_share: float = 0.012
    tail_gain: float = 0.05
    belief: tuple[float, float, float, float] = (-3.95, 3.2, -2.6, -7.5)
    least_belief: float = 0.5
    close_share: float = 0.2
    train_s: float = 5.0
    longest_s: float = 30.0
    fall_off_l_min: float = 300.0
    fall_off_share: float = 0.5


@dataclass(frozen=True, slots=True)
class PlantParams:
    """When a dip belongs to the whole plant.

    Attributes
    ----------
    dip_kpa:
        Common fall that opens a plant event [kPa] (proposal: the regulated vacuum is kept within 2 kPa).
    touched_kpa:
        A stall is touched when its own vacuum falls this far meanwhile [kPa].
    fewest:
        Fewest attached stalls for a common signal without a plant sensor (engineering choice).
    """

    dip_kpa: float = 1.5
    touched_kpa: float = 1.0
    fewest: int = 4


@dataclass(frozen=True, slots=True)
class MilkingParams:
    """When a milking begins and ends, and what counts as low flow.

    Attributes
    ----------
    low_flow_kg_min:
        Under this the teat's inside nears claw vacuum [kg/min] (proposal; take-off is commonly set to
        0.2-0.4 kg/min).
    reattach_s:
        A unit put on again within this [s] continues the milking when nobody says who stands there.
    same_cow_s:
        A unit put on again within this [s] continues the milking of the same cow: a cow that goes
        round twice is one milking (a rotation takes 8-10 min).
    shortest_s, least_kg:
        An attachment shorter and lighter than both is no milking (engineering choice).
    wash_share:
        When this share of the stalls stands under vacuum without a cow, the plant is being washed.
    meter_lag_s:
        The milk meter still counts this long after the unit came off [s] (meters integrate 2-5 s).
    """

    low_flow_kg_min: float = 0.5
    reattach_s: float = 120.0
    same_cow_s: float = 900.0
    shortest_s: float = 30.0
    least_kg: float = 0.5
    wash_share: float = 0.3
    meter_lag_s: float = 5.0


@dataclass(frozen=True, slots=True)
class SupportParams:
    """When a unit counts as not carried.

    Attributes
    ----------
    swing_share:
        A taut cord passes the pulsation on to the arm; a loose one passes under this share of the
        stall's own norm (prototype trials: 0.6; engineering choice).
    out_log_odds:
        Log odds of a pose, against the stall's other milkings or this milking's own level, from which it
        stands off (engineering choice: 12 to 1).
    hold_s:
        How long the evidence must stand before it is said [s] (engineering choice).
    clear_s:
        How long it must be gone before the stretch ends [s] (engineering choice).
    """

    swing_share: float = 0.48
    out_log_odds: float = 2.5
    hold_s: float = 4.0
    clear_s: float = 6.0


@dataclass(frozen=True, slots=True)
class TimelineParams:
    """How long a moment waits for its messages.

    Attributes
    ----------
    patience_s:
        A stream that lags this far behind the others [s of device time] is no longer waited for
        (engineering choice: above the re-order hold of the ingester).
    horizon_s:
        How far ahead of the others a stream may run [s] before its clock is doubted.
    doubt_readings:
        So many readings in a row outside of that shift the stream's clock (engineering choice).
    flow_cover_s:
        One milk-flow reading speaks for this long [s] (the contract's 1 Hz).
    """

    patience_s: float = 4.0
    horizon_s: float = 20.0
    doubt_readings: int = 40
    flow_cover_s: float = 1.0


@dataclass(frozen=True, slots=True)
class DetectorParams:
    """All parameters of the composed detector."""

    claw: ClawModel = field(default_factory=ClawModel)
    unit: UnitParams = field(default_factory=UnitParams)
    air: AirParams = field(default_factory=AirParams)
    plant: PlantParams = field(default_factory=PlantParams)
    milking: MilkingParams = field(default_factory=MilkingParams)
    support: SupportParams = field(default_factory=SupportParams)
    timeline: TimelineParams = field(default_factory=TimelineParams)
    condition: ConditionParams = field(default_factory=ConditionParams)

    def __post_init__(self) -> None:
        """Refuse parameters that contradict each other or leave their range."""
        checks = {
            "unit.on_kpa": self.unit.on_kpa > self.unit.off_kpa > 0.0,
            "unit.settle_max_s": self.unit.settle_max_s > self.unit.settle_min_s > 0.0,
            "air.threshold": self.air.threshold > 1.0,
            "air.least_belief": 0.0 <= self.air.least_belief < 1.0,
            "air.close_share": 0.0 < self.air.close_share < 1.0,
            "air.longest_s": self.air.longest_s > self.air.train_s > 0.0,
            "plant.dip_kpa": self.plant.dip_kpa > 0.0,
            "milking.wash_share": 0.0 < self.milking.wash_share <= 1.0,
            "support.swing_share": 0.0 < self.support.swing_share < 1.0,
            "timeline.horizon_s": self.timeline.horizon_s > self.timeline.patience_s > 0.0,
        }
        for name, holds in checks.items():
            if not holds:
                raise ParameterError("value is outside its range", where=name)

    @property
    def digest(self) -> str:
        """Return eight hex digits that change with any parameter."""
        return hashlib.sha256(repr(asdict(self)).encode()).hexdigest()[:8]

    def numbers(self) -> KernelNumbers:
        """Return what the compiled kernel needs, in bins."""
        unit, air = self.unit, self.air
        return KernelNumbers(
            claw=self.claw.constants(),
            on_kpa=unit.on_kpa,
            off_kpa=unit.off_kpa,
            on_bins=bins(unit.on_s),
            off_bins=bins(unit.off_s),
            settle_min=bins(unit.settle_min_s),
            settle_dry=bins(unit.settle_dry_s),
            settle_max=bins(unit.settle_max_s),
            steady_kpa=unit.steady_kpa,
            sudden_fall_s=unit.sudden_fall_s,
            linger_s=unit.linger_s,
            threshold=air.threshold,
            tail_factor=air.tail_factor,
            tail_share=air.tail_share,
            tail_gain=air.tail_gain,
            belief=air.belief,
            least_belief=air.least_belief,
            close_share=air.close_share,
            train_bins=bins(air.train_s),
            longest_bins=bins(air.longest_s),
            fall_off_share=air.fall_off_share,
            dip_kpa=self.plant.dip_kpa,
            touched_kpa=self.plant.touched_kpa,
            fewest=self.plant.fewest,
            low_flow=self.milking.low_flow_kg_min,
            meter_lag=bins(self.milking.meter_lag_s),
            swing_share=self.support.swing_share,
            out_log_odds=self.support.out_log_odds,
            hold_bins=bins(self.support.hold_s),
            clear_bins=bins(self.support.clear_s),
        )


class KernelNumbers(NamedTuple):
    """Parameters of the compiled kernel; times in bins of 50 ms."""

    claw: ClawConstants
    on_kpa: float
    off_kpa: float
    on_bins: int
    off_bins: int
    settle_min: int
    settle_dry: int
    settle_max: int
    steady_kpa: float
    sudden_fall_s: float
    linger_s: float
    threshold: float
    tail_factor: float
    tail_share: float
    tail_gain: float
    belief: tuple[float, float, float, float]
    least_belief: float
    close_share: float
    train_bins: int
    longest_bins: int
    fall_off_share: float
    dip_kpa: float
    touched_kpa: float
    fewest: int
    low_flow: float
    meter_lag: int
    swing_share: float
    out_log_odds: float
    hold_bins: int
    clear_bins: int


def bins(seconds: float) -> int:
    """Return a duration [s] in whole bins, at least one."""
    return max(1, round(seconds / BIN_S))
