"""Times and stalls as people write them."""

from __future__ import annotations

import pytest

from dashboards.instants import instant_ns, stall_list
from detect.errors import InputError


@pytest.mark.source("RFC 3339, section 5.8 (from memory): 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z")
def test_an_offset_is_honoured_and_none_means_utc() -> None:
    """The same instant written in two zones is one number."""
    assert instant_ns("1996-12-19T16:39:57-08:00", where="--at") == 851_042_397_000_000_000
    assert instant_ns("1996-12-20T00:39:57", where="--at") == 851_042_397_000_000_000


@pytest.mark.parametrize("text", ["yesterday", "2026-13-01", "", "12:30"])
def test_what_is_no_instant_is_refused_with_its_option(text: str) -> None:
    """The user learns which option is wrong."""
    with pytest.raises(InputError, match="--at: "):
        instant_ns(text, where="--at")


def test_ranges_and_numbers_mix() -> None:
    """3,17,20-22 is five stalls."""
    assert stall_list("3, 17,20-22", where="--stalls") == (3, 17, 20, 21, 22)


@pytest.mark.parametrize("text", ["", "a", "0", "5-3", "1-5000", "-3", "3,,4"])
def test_impossible_stalls_are_refused(text: str) -> None:
    """No stall is guessed from a typing error."""
    with pytest.raises(InputError, match="--stalls: "):
        stall_list(text, where="--stalls")
