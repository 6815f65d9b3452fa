"""The page's colours can be told apart by everybody, and words can be read."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import pytest

STYLE = (Path(__file__).parents[2] / "dashboards" / "page" / "style.css").read_text()
TEXTS = ("ink", "dim")
SHAPES = ("body", "slip", "fall", "loose", "dip")


def palette(look: str) -> dict[str, str]:
    block = re.search((r":root\.light" if look == "light" else r":root") + r"\{(.*?)\}", STYLE, re.DOTALL)
    assert block is not None
    return dict(re.findall(r"--(\w+):(#[0-9a-f]{6})\b", block[1]))


def luminance(colour: str) -> float:
    channels = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_measure_itself_is_right() -> None:
    """Black on white is 21:1, and a grey known to just pass does."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.source("WCAG 2.2, success criteria 1.4.3 and 1.4.11 and relative luminance (from memory)")
@pytest.mark.parametrize("look", ["dark", "light"])
def test_words_have_contrast_of_four_and_a_half_and_shapes_of_three(look: str) -> None:
    """Level AA for text on both grounds, and for every shape that means something."""
    colours = palette(look)
    for ground in ("ground", "sheet"):
        assert all(contrast(colours[name], colours[ground]) >= 4.5 for name in TEXTS)
        assert all(contrast(colours[name], colours[ground]) >= 3.0 for name in SHAPES)


@pytest.mark.parametrize("look", ["dark", "light"])
def test_slips_stand_out_from_milk_in_grey(look: str) -> None:
    """Without colour a notch is still told from the lane's body it stands on."""
    colours = palette(look)
    for name in ("slip", "fall", "loose"):
        assert contrast(colours[name], colours["body"]) >= 1.5, name


def test_no_two_meanings_share_a_colour() -> None:
    """Colour is not the only sign, but where it is one it is one of a kind."""
    for look in ("dark", "light"):
        colours = palette(look)
        assert all(colours[a] != colours[b] for a, b in combinations((*TEXTS, *SHAPES), 2))
