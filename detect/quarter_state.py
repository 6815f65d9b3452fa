"""What the compiled detector remembers of a unit's four short milk tubes."""

from __future__ import annotations

from typing import Final

RING: Final = 64
"""Bins kept of every tube (3.2 s); a power of two, longer than an onset is looked for."""
TUBES: Final = 4
TUBE_FIELDS: Final = [
    ("rest", "f8", RING * TUBES),  # claw less tube vacuum by bin number
    ("usual", "f8", TUBES),  # what is usual of it
    ("n", "i8"),  # bins behind that
    ("event_on", "i8"),  # onset of the event in hand, 0 for none
    ("fallen", "f8", TUBES),  # how far each tube fell under the claw meanwhile [kPa s]
]
