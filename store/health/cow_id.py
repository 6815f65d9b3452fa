"""One animal, many spellings: the forms in which a cow's number is written, made comparable.

A farm number is compared without leading zeros, an ear tag without blanks, dots and dashes, and the
electronic number of ISO 11784 as 15 digits. Two schemes are never translated into each other: a
visual ear tag is not the electronic number.
"""

from __future__ import annotations

import re
from typing import Final

_PUNCTUATION: Final = re.compile(r"[^\w]|_")
_DOTTED_HEX: Final = re.compile(r"([0-9A-Fa-f]{3})\.([0-9A-Fa-f]{10})")
_ISO_DIGITS: Final = 15
NATIONAL_LIMIT: Final = 2**38
"""National animal numbers have 38 bits (ISO 11784), so not every 12 digits are one."""
COUNTRY_LIMIT: Final = 999
"""Largest country or manufacturer code."""

_PLAIN_SQL: Final = r"regexp_replace(upper(cow), '[^\p{L}\p{N}]', '', 'g')"
COW_KEY_MACRO: Final = f"""
CREATE OR REPLACE MACRO cow_key(cow) AS (
    CASE
        WHEN regexp_full_match({_PLAIN_SQL}, '[0-9]+') AND length({_PLAIN_SQL}) <> {_ISO_DIGITS}
        THEN coalesce(nullif(ltrim({_PLAIN_SQL}, '0'), ''), '0')
        ELSE {_PLAIN_SQL}
    END
);
"""
"""The same rule in SQL, so that milkings and records meet in any query."""


def cow_key(cow: str) -> str:
    """Return the spelling under which a cow's number is compared; empty when nothing is left of it.

    Notes
    -----
    "0017" and "17" are one farm number, "NL 6802 5082 9" and "nl-680250829" one ear tag. Fifteen
    digits keep their zeros: they are an electronic number whose country may begin with one.
    """
    word = _PUNCTUATION.sub("", cow.upper())
    if word.isascii() and word.isdigit() and len(word) != _ISO_DIGITS:
        return word.lstrip("0") or "0"
    return word


def tidy_cow(cow: str) -> str:
    """Return a cow's number as it is stored: trimmed, a dotted hexadecimal number as 15 digits.

    Raises
    ------
    ValueError
        When nothing is left, or 15 digits are no ISO 11784 number.

    References
    ----------
    .. [1] ISO 11784: 10 bits country or manufacturer, 38 bits national number (bit table seen in an
       ICAR paper).
    """
    trimmed = cow.strip()
    if hexadecimal := _DOTTED_HEX.fullmatch(trimmed):
        trimmed = f"{int(hexadecimal[1], 16):03d}{int(hexadecimal[2], 16):012d}"
    key = cow_key(trimmed)
    if not key:
        raise ValueError("cow is missing")
    if len(key) == _ISO_DIGITS and key.isascii() and key.isdigit():
        if not 0 < int(key[:3]) <= COUNTRY_LIMIT or int(key[3:]) >= NATIONAL_LIMIT:
            raise ValueError(f"cow {trimmed} is no ISO 11784 number")
        return key
    return trimmed
