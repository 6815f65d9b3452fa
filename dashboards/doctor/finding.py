"""What the doctor finds: one finding a check, with what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from detect.errors import BrokerError, InputError, StoreError


class Check(StrEnum):
    """What is looked at; the first ten are the commonest mistakes."""

    BROKER = "broker reachable"
    TOPICS = "topic root and parlor"
    UNITS = "units"
    STALL_MAP = "stalls not swapped"
    CLOCKS = "clocks"
    SILENCE = "no silent stall"
    ZERO = "sensors at zero when open"
    DISK = "room on the disk"
    WRITER = "one writer"
    VERSION = "version of the history"
    ACCESS = "secrets and access"


class Verdict(StrEnum):
    """How a check came out."""

    GOOD = "ok"
    DOUBT = "look"
    BAD = "BAD"


@dataclass(frozen=True, slots=True)
class Finding:
    """One outcome: what was seen, and what to do about it unless it is good."""

    check: Check
    verdict: Verdict
    seen: str
    advice: str = ""


def good(check: Check, seen: str) -> Finding:
    """Return a finding without fault."""
    return Finding(check, Verdict.GOOD, seen)


def bad(check: Check, seen: str, advice: str) -> Finding:
    """Return a mistake and what to do."""
    return Finding(check, Verdict.BAD, seen, advice)


def doubt(check: Check, seen: str, advice: str) -> Finding:
    """Return something that may be right, and how to make sure."""
    return Finding(check, Verdict.DOUBT, seen, advice)


_EXIT_CODES = {
    Check.BROKER: BrokerError.exit_code,
    Check.DISK: StoreError.exit_code,
    Check.WRITER: StoreError.exit_code,
    Check.VERSION: StoreError.exit_code,
}


def exit_code(findings: Sequence[Finding]) -> int:
    """Return 0 without a mistake, else the highest of 4 broker, 3 store, 2 anything else."""
    codes = [_EXIT_CODES.get(f.check, InputError.exit_code) for f in findings if f.verdict is Verdict.BAD]
    return max(codes, default=0)


def as_text(findings: Sequence[Finding]) -> str:
    """Return the findings one below the other, advice indented."""
    lines = []
    for finding in findings:
        lines.append(f"{finding.verdict.value:<5}{finding.check.value}: {finding.seen}")
        if finding.advice:
            lines.append(f"     -> {finding.advice}")
    return "\n".join(lines)
