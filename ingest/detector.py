"""The detector of a configured parlor."""

from __future__ import annotations

from detect.parlor import ParlorDetector, Site
from ingest.config import Config


def make_detector(config: Config) -> ParlorDetector:
    """Make the detector of a configured parlor, the same for live, replay and fleet."""
    parlor = config.parlor
    return ParlorDetector(parlor=parlor.name, stalls=parlor.stalls, site=Site(altitude_m=parlor.altitude_m))
