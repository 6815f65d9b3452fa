"""Parameters are frozen, validated, and every one of them is in the digest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import FrozenInstanceError, fields, replace
from typing import Any

import pytest

from detect.errors import InputError, ParameterError
from detect.params import BIN_NS, BIN_S, DetectorParams, bins
from detect.parlor import ParlorDetector, Site
from detect.readings import CowAtStall
from detect.units import atmosphere_kpa

DEFAULT = DetectorParams()


def every_field() -> Iterator[tuple[str, str]]:
    """Name each parameter by its group and its own name."""
    for group in fields(DetectorParams):
        for item in fields(getattr(DEFAULT, group.name)):
            yield group.name, item.name


def changed(group: str, name: str) -> DetectorParams:
    """Return the defaults with one parameter a little larger."""
    part: Any = getattr(DEFAULT, group)
    value = getattr(part, name)
    if isinstance(value, tuple):
        more: Any = tuple(1.01 * item for item in value)
    elif isinstance(value, int):
        more = value + 1
    else:
        more = value * 1.01 if value > 0.0 else value + 0.01
    return replace(DEFAULT, **{group: replace(part, **{name: more})})


@pytest.mark.parametrize(("group", "name"), list(every_field()))
def test_the_digest_changes_with_any_parameter(group: str, name: str) -> None:
    """A history is never silently re-labelled: any other parameter is another label."""
    other = changed(group, name)
    assert other.digest != DEFAULT.digest
    ours = ParlorDetector(parlor="willowmere", stalls=1, params=DEFAULT).label
    if (group, name) == ("claw", "atmosphere_kpa"):  # the site decides on it
        return
    assert ParlorDetector(parlor="willowmere", stalls=1, params=other).label != ours


def test_the_digest_is_the_same_for_the_same_parameters() -> None:
    """Two detectors of the same parameters have the same label, eight hex digits behind a version."""
    assert DetectorParams().digest == DEFAULT.digest
    assert len(DEFAULT.digest) == 8
    assert int(DEFAULT.digest, 16) >= 0


def test_the_site_is_part_of_the_label() -> None:
    """Another altitude is another atmosphere, and another label."""
    low = ParlorDetector(parlor="willowmere", stalls=1)
    high = ParlorDetector(parlor="willowmere", stalls=1, site=Site(altitude_m=1000.0))
    assert high.params.claw.atmosphere_kpa == pytest.approx(atmosphere_kpa(1000.0))
    assert high.label != low.label


@pytest.mark.parametrize("group", [item.name for item in fields(DetectorParams)])
def test_parameters_are_frozen(group: str) -> None:
    """No parameter can be changed under a running detector."""
    part = getattr(DEFAULT, group)
    name = fields(part)[0].name
    with pytest.raises(FrozenInstanceError):
        setattr(part, name, getattr(part, name))


@pytest.mark.parametrize(
    ("group", "wrong", "named"),
    [
        ("unit", {"off_kpa": 25.0}, "unit.on_kpa"),
        ("unit", {"settle_min_s": 30.0}, "unit.settle_max_s"),
        ("air", {"threshold": 0.5}, "air.threshold"),
        ("air", {"least_belief": 1.0}, "air.least_belief"),
        ("air", {"close_share": 1.0}, "air.close_share"),
        ("air", {"train_s": 60.0}, "air.longest_s"),
        ("plant", {"dip_kpa": 0.0}, "plant.dip_kpa"),
        ("milking", {"wash_share": 1.5}, "milking.wash_share"),
        ("support", {"swing_share": 0.0}, "support.swing_share"),
        ("timeline", {"horizon_s": 1.0}, "timeline.horizon_s"),
    ],
)
def test_a_parameter_out_of_range_is_refused_by_name(group: str, wrong: dict[str, Any], named: str) -> None:
    """The error says which parameter, and is the user's."""
    with pytest.raises(ParameterError, match=named) as caught:
        replace(DEFAULT, **{group: replace(getattr(DEFAULT, group), **wrong)})
    assert isinstance(caught.value, InputError)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("stalls", [0, -1, 501])
def test_an_impossible_number_of_stalls_is_refused(stalls: int) -> None:
    """A parlor has one to five hundred stalls."""
    with pytest.raises(ParameterError, match="stalls"):
        ParlorDetector(parlor="willowmere", stalls=stalls)


@pytest.mark.parametrize("stall", [0, 3])
def test_a_reading_of_a_stall_that_does_not_exist_is_refused(stall: int) -> None:
    """A reading names a stall of the parlor."""
    with pytest.raises(ParameterError, match=f"stall {stall}"):
        ParlorDetector(parlor="willowmere", stalls=2).feed(CowAtStall(stall, 0, None))


def test_durations_become_whole_bins() -> None:
    """A bin is 50 ms, and no duration is shorter than one."""
    assert (bins(1.0), bins(0.15), bins(0.0)) == (20, 3, 1)
    assert pytest.approx(BIN_NS * 1e-9) == BIN_S
