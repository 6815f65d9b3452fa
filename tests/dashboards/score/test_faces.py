"""The score's text, data and picture show the same figures."""

from __future__ import annotations

import json
import re
from xml.parsers import expat

import pytest

from dashboards.score.picture import ONSET_STEP_S, draw
from dashboards.score.spells import AirSpell, MilkingSpell, Record, SupportSpell
from dashboards.score.text import as_dict, as_text
from dashboards.score.whole import Score, score

S = 1_000_000_000


def air(start_s: float, **other: object) -> AirSpell:
    fields: dict[str, object] = {"kind": "liner_slip", "depth_kpa": 4.0, "air_l": 0.2, "cause": "cow"}
    return AirSpell("p", 1, round(start_s * S), round((start_s + 1) * S), **(fields | other))  # type: ignore[arg-type]


TRUTH = Record(
    (air(10), air(20), air(30), air(40)),
    (MilkingSpell("p", 1, 0, 300 * S, 10.0),),
    (SupportSpell("p", 1, 0, 90 * S, "slack"),),
    None,
    ("plant",),
)
FOUND = Record(
    (
        air(10, confidence=0.9, cause_share=0.7, detected_ns=11 * S),
        air(20.12, confidence=0.8, cause_share=0.6, cause="stall_fault"),
        air(31.9, confidence=0.7, cause_share=0.6),
    ),
    TRUTH.milkings,
    (),
    (),
)


@pytest.fixture
def result() -> Score:
    return score(TRUTH, FOUND)


def test_text_and_data_agree(result: Score) -> None:
    """Three of four events found is 75 % in words and 0.75 in the data, which is JSON."""
    data = json.loads(json.dumps(as_dict(result)))
    text = as_text(result)
    assert data["events"]["counts"]["recall"] == 0.75
    assert "3 of 4 true ones found (75.0 %" in text
    assert data["events"]["causes"]["right"]["part"] == 2
    assert "cause right      66.7 %" in text
    assert data["plant"] is None
    assert "Plant dips       the truth does not tell" in text
    assert "Note: the truth does not tell: plant" in text
    assert "onset_errors_s" not in data["events"]


def test_the_text_shows_every_figure_of_the_curve(result: Score) -> None:
    """Each of the few cuts stands in a line of its own with recall and rate, limits in brackets."""
    text = as_text(result)
    for cut, recall in (("0.700", "75.0 %"), ("0.800", "50.0 %"), ("0.900", "25.0 %")):
        assert re.search(rf"{cut} +{re.escape(recall)} \[[\d.]+-[\d.]+\]", text)


def test_unknown_figures_are_dashes_not_zeros() -> None:
    """What cannot be known is shown as a dash."""
    text = as_text(score(Record(), Record()))
    assert "recall of events of 0.15 L and more -\n" in text
    assert "wrong per 100 milkings -: false 0 (no rate)" in text
    silent = as_text(score(Record(None, None, None, None), Record()))
    assert silent.count("the truth does not tell") == 4


def bars(picture: str, colour: str) -> list[tuple[float, float]]:
    """Return left edge and height [px] of the filled boxes of one colour that are not empty."""
    boxes = re.findall(
        rf'<rect x="([\d.]+)" y="[\d.]+" width="([\d.]+)" height="([\d.]+)" fill="{colour}"', picture
    )
    return [(float(x), float(height)) for x, width, height in boxes if float(height) > 0 and float(width) > 5]


def test_the_picture_is_well_formed_and_drops_no_onset(result: Score) -> None:
    """The SVG is well-formed; an onset error beyond the scale stands in the outermost bar."""
    assert result.events is not None
    picture = draw(result.events)
    expat.ParserCreate().Parse(picture, True)
    assert "n 3" in picture
    drawn = bars(picture, "#e69f00")
    step = 320.0 * ONSET_STEP_S / 1.0
    places = [round((x - 71.0) / step) for x, _ in drawn]
    assert places == [10, 12, 19]
    assert [height for _, height in drawn] == [200.0, 200.0, 200.0]


def test_the_picture_shows_recall_where_there_is_truth(result: Score) -> None:
    """The one band with true events has a bar of three quarters of the height."""
    assert result.events is not None
    heights = [height for _, height in bars(draw(result.events), "#0072b2")]
    assert heights == [150.0]


def test_nothing_found_can_be_drawn() -> None:
    """A history without any event, and a truth without a milking, still give a picture."""
    empty = score(Record(), Record()).events
    assert empty is not None
    expat.ParserCreate().Parse(draw(empty), True)
