"""The short form of the fault table; all of it: `python -m tests.faults`."""

from pathlib import Path

import pytest

from tests.conftest import MOSQUITTO, REDIS, require
from tests.faults.faults import short_form
from tests.faults.table import measure
from tests.faults.ward import running_ward


@pytest.mark.alone
async def test_faults_of_real_parts_are_told_pass_and_cost_no_second(tmp_path: Path) -> None:
    require(MOSQUITTO, "mosquitto")
    require(REDIS, "redis-server")
    async with running_ward(tmp_path) as ward:
        rows = await measure(ward, short_form(), lambda _: None)
    assert len(rows) == 7
    for row in rows:
        assert row.faults == [], (row, ward.last_lines())
        if row.fault.hold_s > 5:
            assert row.said, "nobody is told"
