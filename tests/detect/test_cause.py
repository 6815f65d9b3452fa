"""Causes: shares, and what moves them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from detect.cause import LEAST_SHARE, LOW_PLANT_KPA, Evidence, attribute, cause_shares
from detect.kinds import AirKind, Cause

NOTHING = Evidence(
    kind=AirKind.LINER_SLIP,
    unsupported=False,
    plant_deficit_kpa=0.0,
    flow_share=0.9,
    stall_excess=1.0,
    milkings=0,
    arm_jerk=False,
)
EVIDENCE = st.builds(
    Evidence,
    kind=st.sampled_from(AirKind),
    unsupported=st.booleans(),
    plant_deficit_kpa=st.floats(0.0, 40.0),
    flow_share=st.floats(0.0, 1.5),
    stall_excess=st.floats(0.0, 50.0),
    milkings=st.integers(0, 10_000),
    arm_jerk=st.booleans(),
)


@given(evidence=EVIDENCE)
def test_shares_sum_to_one(evidence: Evidence) -> None:
    """Every cause has a share, and together they are the whole."""
    shares = cause_shares(evidence)
    assert set(shares) == set(Cause)
    assert all(0.0 < share < 1.0 for share in shares.values())
    assert sum(shares.values()) == pytest.approx(1.0)


@given(evidence=EVIDENCE)
def test_a_named_cause_has_a_sufficient_share(evidence: Evidence) -> None:
    """A cause is named only with at least the least share, and it is then the largest."""
    cause, share = attribute(evidence)
    shares = cause_shares(evidence)
    assert share == shares[cause]
    if cause is not Cause.UNKNOWN:
        assert share >= LEAST_SHARE
        assert share == max(shares.values())


STRONGER = [
    ({"unsupported": True}, Cause.WEIGHT_NOT_CARRIED),
    ({"plant_deficit_kpa": LOW_PLANT_KPA + 2.0}, Cause.LOW_PLANT_VACUUM),
    ({"flow_share": 0.5}, Cause.QUARTER_DRY),
    ({"flow_share": 0.2}, Cause.QUARTER_DRY),
    ({"stall_excess": 4.0, "milkings": 20}, Cause.STALL_FAULT),
    ({"arm_jerk": True}, Cause.COW),
    ({"kind": AirKind.FALL_OFF}, Cause.COW),
]


@pytest.mark.parametrize(("more", "cause"), STRONGER, ids=str)
def test_evidence_raises_its_cause_and_no_other(more: dict[str, object], cause: Cause) -> None:
    """Each piece of evidence raises the share of its own cause and lowers all others."""
    before, after = cause_shares(NOTHING), cause_shares(replace(NOTHING, **more))  # type: ignore[arg-type]
    assert after[cause] > before[cause]
    assert all(after[other] < before[other] for other in Cause if other is not cause)


@given(evidence=EVIDENCE)
def test_a_loose_unit_is_never_evidence_against_its_weight(evidence: Evidence) -> None:
    """Whatever else is known, a unit that is not carried makes its weight likelier."""
    carried, loose = replace(evidence, unsupported=False), replace(evidence, unsupported=True)
    assert cause_shares(loose)[Cause.WEIGHT_NOT_CARRIED] > cause_shares(carried)[Cause.WEIGHT_NOT_CARRIED]


def test_thin_evidence_is_called_unknown() -> None:
    """With nothing known, or only that flow has begun to fall, the cause is unknown."""
    assert attribute(NOTHING)[0] is Cause.UNKNOWN
    assert attribute(replace(NOTHING, flow_share=0.5))[0] is Cause.UNKNOWN


def test_clear_evidence_is_named() -> None:
    """A loose unit, a low plant and a stall far worse than its parlor are named."""
    assert attribute(replace(NOTHING, unsupported=True))[0] is Cause.WEIGHT_NOT_CARRIED
    assert attribute(replace(NOTHING, plant_deficit_kpa=5.0))[0] is Cause.LOW_PLANT_VACUUM
    assert attribute(replace(NOTHING, stall_excess=6.0, milkings=30))[0] is Cause.STALL_FAULT


def test_a_stall_with_few_milkings_is_not_blamed() -> None:
    """One bad milking of four is no stall fault."""
    few = cause_shares(replace(NOTHING, stall_excess=6.0, milkings=4))
    assert few == cause_shares(NOTHING)


def test_a_plant_within_its_limit_is_not_blamed() -> None:
    """Up to 2 kPa the plant does what it should."""
    assert cause_shares(replace(NOTHING, plant_deficit_kpa=LOW_PLANT_KPA)) == cause_shares(NOTHING)
