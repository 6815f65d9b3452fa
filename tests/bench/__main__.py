"""Measure speed and size: ``python -m tests.bench``, with ``--only NAME`` for one part.

One table of Markdown, each figure the median of at least five runs. Rates "of a core" are by processor
time, so that other work on the machine counts as little as it can; what users wait for is by the clock.
"""

from __future__ import annotations

import argparse

from tests.bench.figures import FULL, HEADER, TINY, machine
from tests.bench.parts import PARTS


def main() -> None:
    """Run the chosen parts and print the table."""
    parser = argparse.ArgumentParser(description="Measure speed and size.")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS))
    parser.add_argument("--tiny", action="store_true", help="see only whether it runs")
    chosen = parser.parse_args()
    print(f"{machine()}\n\n{HEADER}", flush=True)
    for name in chosen.only:
        for row in PARTS[name](TINY if chosen.tiny else FULL):
            print(row, flush=True)


if __name__ == "__main__":
    main()
