"""The score's text, data and picture show the same figures."""

from __future__ import annotations

import json
import re
from xml.parsers import expat

from dashboards.score import AirSpell, MilkingSpell, Record, SupportSpell, score
from dashboards.score_svg import DELAY_BINS, draw
from dashboards.score_text import as_dict, as_text

S = 1_000_000_000


def air(start_s: int, detected_ns: int | None = None) -> AirSpell:
    return AirSpell("p", 1, start_s * S, (start_s + 1) * S, "liner_slip", 4.0, 0.2, "cow", detected_ns)


TRUTH = Record(
    (air(10), air(20), air(30), air(40)),
    (MilkingSpell("p", 1, 0, 300 * S, 10.0),),
    (SupportSpell("p", 1, 0, 90 * S, "slack"),),
    None,
)
FOUND = Record((air(10, 11 * S), air(20, 60 * S), air(30, 31 * S)), TRUTH.milkings, (), ())


def test_text_and_data_agree() -> None:
    """Three of four events found is 75 % in words and 0.75 in the data, which is JSON."""
    result = score(TRUTH, FOUND)
    data = json.loads(json.dumps(as_dict(result)))
    assert data["events"]["counts"]["recall"] == 0.75
    assert "3 of 4 true ones found (75 %)" in as_text(result)
    assert data["plant"] is None
    assert "the truth does not tell" in as_text(result)


def test_unknown_figures_are_dashes_not_zeros() -> None:
    """What cannot be known is shown as a dash."""
    text = as_text(score(Record((), (), (), ()), Record((), (), (), ())))
    assert "recall of events of 2 kPa and more -, false per 100 milkings -" in text


def test_the_picture_is_well_formed_and_keeps_late_delays() -> None:
    """The SVG is well-formed, and a delay past the last bin stands in the last bar, none is dropped."""
    picture = draw(score(TRUTH, FOUND).events)
    expat.ParserCreate().Parse(picture, True)
    assert "n 3" in picture
    bars = re.findall(r'height="([\d.]+)" fill="#e69f00"', picture)
    assert len(bars) == DELAY_BINS
    assert [float(bar) for bar in bars if float(bar) > 0] == [180.0, 90.0]
