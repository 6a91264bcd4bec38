"""A drive's own temperature limits, from smartctl's text and its JSON."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.disks.smart import parse_drive
from laneproof_collectors.disks.smart_limits import Limits, parse_temperature_limits
from support.unread_answers import known

# Lines as smartctl 7 prints them; parse_text of smart.py leaves two spaces of each wide gap.
SATA_LINES = (
    "SCT Temperature History Version:     2",
    "Min/Max recommended Temperature:      5/60 Celsius",
    "Min/Max Temperature Limit:           -41/85 Celsius",
)
SAS_LINES = ("Current Drive Temperature:     31 C", "Drive Trip Temperature:        65 C")


@pytest.mark.parametrize(
    ("answer", "lines", "expected"),
    [
        ({}, SATA_LINES, (60.0, 85.0)),
        ({}, SAS_LINES, (None, 65.0)),
        ({"temperature": {"current": 31, "drive_trip": 65}}, (), (None, 65.0)),
        ({"temperature": {"op_limit_max": 60}}, (), (60.0, None)),
        ({"ata_sct_status": {"temperature": {"op_limit_max": 55}}}, (), (55.0, None)),
        ({"ata_sct_temperature_history": {"temperature": {"op_limit_max": 60, "limit_max": 85}}}, (), (60.0, 85.0)),
        ({"temperature": {"op_limit_max": 70}}, SATA_LINES, (60.0, 85.0)),  # the text comes first
        ({}, (), (None, None)),
        ({}, ("Min/Max recommended Temperature:      0/0 Celsius",), (None, None)),  # left at 0 by its maker
        ({"temperature": {"drive_trip": 255}}, (), (None, None)),
        ({"temperature": [60], "ata_sct_status": None}, (), (None, None)),
        ({"temperature": {"op_limit_max": True, "limit_max": "85"}}, (), (None, None)),
    ],
)
def test_limits(answer: dict[str, Any], lines: tuple[str, ...], expected: tuple[float | None, float | None]) -> None:
    assert parse_temperature_limits(answer, lines) == Limits(*expected)


def test_drives_report_holds_its_limits() -> None:
    reported = {
        "device": {"protocol": "ATA"},
        "model_name": "Gannet S8",
        "smart_status": {"passed": True},
        "temperature": {"current": 58, "op_limit_max": 60},
        "smartctl": {"output": list(SATA_LINES)},
    }
    report = known(parse_drive(reported, device="sda"))
    assert (report.recommended_celsius, report.most_celsius) == (60.0, 85.0)


json = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.dictionaries(
        st.sampled_from(["temperature", "ata_sct_status", "op_limit_max", "drive_trip"]), inner
    ),
)


@given(st.dictionaries(st.sampled_from(["temperature", "ata_sct_status"]), json), st.lists(st.text(), max_size=5))
def test_any_answer_gives_limits_in_a_sensible_range(answer: dict[str, Any], lines: list[str]) -> None:
    for limit in parse_temperature_limits(answer, lines):
        assert limit is None or 30 <= limit <= 110
