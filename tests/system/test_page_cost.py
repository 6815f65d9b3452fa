"""Twenty browsers cost the service next to nothing."""

from __future__ import annotations

import pytest

from tests.system.page_cost import measure


@pytest.mark.system
def test_twenty_browsers_are_cheap() -> None:
    """Under 3 % of a core and 60 MB more than without a page, and 3 kB/s for each browser."""
    cost = measure(5.0)
    print(cost)
    assert cost.cpu_percent <= 3.0
    assert cost.memory_mb <= 60.0
    assert 100 <= cost.bytes_s <= 3000
