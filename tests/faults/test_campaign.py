"""A small form of the campaign of kills; the whole one is `make faults`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.campaign import Campaign, Tally


@pytest.mark.slow
@pytest.mark.parametrize("seed", [11, 12])
def test_a_killed_write_leaves_honest_records_and_can_be_resumed(tmp_path: Path, seed: int) -> None:
    campaign = Campaign(tmp_path, seed=seed)
    campaign.set_up()
    tally = Tally()
    campaign.run(6, tally)
    assert sum(tally.outcomes.values()) == 6
