"""The score of unsupported stretches says what a person counting by hand would say."""

from __future__ import annotations

import pytest

from dashboards.matching import NS_PER_S
from dashboards.score.spells import SupportSpell
from dashboards.score.support import score_support


def spell(start_s: float, end_s: float, **other: object) -> SupportSpell:
    return SupportSpell("p", 1, round(start_s * NS_PER_S), round(end_s * NS_PER_S), **other)  # type: ignore[arg-type]


def test_support_tells_slack_from_drag() -> None:
    """States are compared on matched stretches; a second found spell in one true one is no false one."""
    truth = [spell(0, 100, state="slack", support_share=0.2)]
    found = [
        spell(10, 40, state="drag", detected_ns=30 * NS_PER_S, support_share=0.3),
        spell(50, 90, state="slack", detected_ns=60 * NS_PER_S),
        spell(300, 310, state="slack"),
    ]
    result = score_support(truth, found, milkings=10)
    assert result.states == {"slack": {"drag": 1}}
    assert result.state_right.share == 0.0
    assert result.false_per_100_milkings == pytest.approx(10.0)
    assert result.counts.repeats == 1
    assert result.delay_s == pytest.approx({"p50": 30.0, "p95": 30.0})
    assert result.share_error == pytest.approx({"p50": 0.1, "p95": 0.1})


def test_untold_states_and_shares_are_no_figures() -> None:
    """A truth that only says when gives recall, and nothing on state or share."""
    result = score_support([spell(0, 100)], [spell(0, 100, state="slack", support_share=0.5)], milkings=0)
    assert result.counts.recall == 1.0
    assert result.state_right.share is None
    assert result.share_error is None
    assert result.delay_s is None
    assert result.false_per_100_milkings is None
