"""Checks against NVM Express Base Specification 2.0, as libnvme's types.h and the kernel's nvme.h lay it out."""

import json
import struct
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.nvme.health_and_identity import (
    parse_autonomous_transitions,
    parse_health,
    parse_identify,
)
from laneproof_collectors.snapshot import AutonomousTransitions, HealthLog, NvmeIdentity
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import known, unread

WHAT = "log 02h of nvme0"

# Field -> offset and length in bytes, section 5.16.1.3; temperatures apart, which the log holds in kelvin.
HEALTH_LAYOUT = {
    "critical_warning": (0, 1),
    "available_spare_percent": (3, 1),
    "available_spare_threshold_percent": (4, 1),
    "percentage_used": (5, 1),
    "endurance_group_warning": (6, 1),
    "data_units_read": (32, 16),
    "data_units_written": (48, 16),
    "host_read_commands": (64, 16),
    "host_write_commands": (80, 16),
    "controller_busy_minutes": (96, 16),
    "power_cycles": (112, 16),
    "power_on_hours": (128, 16),
    "unsafe_shutdowns": (144, 16),
    "media_errors": (160, 16),
    "error_log_entries": (176, 16),
    "warning_temperature_minutes": (192, 4),
    "critical_temperature_minutes": (196, 4),
    "thermal_transitions_1": (216, 4),
    "thermal_transitions_2": (220, 4),
    "thermal_seconds_1": (224, 4),
    "thermal_seconds_2": (228, 4),
}


def health_page(values: dict[str, int], *, kelvin: int = 0, sensors: dict[int, int] | None = None) -> bytes:
    page = bytearray(512)
    for name, value in values.items():
        offset, length = HEALTH_LAYOUT[name]
        page[offset : offset + length] = value.to_bytes(length, "little")
    page[1:3] = kelvin.to_bytes(2, "little")
    for number, reading in (sensors or {}).items():
        page[198 + 2 * number : 200 + 2 * number] = reading.to_bytes(2, "little")
    return bytes(page)


def good_health(page: bytes) -> HealthLog:
    return known(parse_health(page, what=WHAT))


def test_every_field_of_the_health_log_is_read_from_its_own_bytes() -> None:
    values = {name: number for number, name in enumerate(HEALTH_LAYOUT, start=1)}
    log = good_health(health_page(values, kelvin=315, sensors={1: 300, 8: 320}))
    assert {name: getattr(log, name) for name in values} == values
    assert log.composite_temperature_celsius == 42.0
    assert log.sensor_celsius == {1: 27.0, 8: 47.0}
    assert (log.source, log.absent) == ("log", ())


def test_zero_kelvin_means_that_no_temperature_is_reported() -> None:
    assert good_health(health_page({"power_cycles": 1})).composite_temperature_celsius is None


@pytest.mark.parametrize("length", [0, 1, 231, 511, 513, 4096])
def test_health_log_of_a_wrong_length_is_unread_and_says_the_length(length: int) -> None:
    log = unread(parse_health(b"\1" * length, what=WHAT))
    assert str(log) == f"could not read {WHAT}: {length} bytes instead of 512"


@pytest.mark.parametrize(
    ("page", "why"),
    [
        (b"\xff" * 512, "FFh"),
        (b"\xff" * 232 + b"\0" * 280, "FFh"),
        (bytes(512), "every byte reads 0"),
        (bytes(232) + b"\x5a" * 280, "every byte reads 0"),
        (
            health_page({"available_spare_percent": 101, "available_spare_threshold_percent": 200}),
            "reads 200, at most 100",
        ),
        (health_page({"available_spare_percent": 101}, kelvin=0xFFFF), "65262 °C"),
        (health_page({"available_spare_percent": 101}, kelvin=7), "-266 °C"),
    ],
)
def test_page_that_cannot_be_a_drives_is_unread_as_a_whole(page: bytes, why: str) -> None:
    log = unread(parse_health(page, what=WHAT))
    assert (log.what, log.reason) == (WHAT, Reason.MALFORMED)
    assert why in log.why


@pytest.mark.parametrize(
    ("values", "kelvin", "absent"),
    [
        # "0% to 100%": NVM Express Base Specification 2.0, 5.16.1.3, available spare and its threshold
        ({"available_spare_percent": 101}, 300, ("available_spare_percent",)),
        ({"available_spare_threshold_percent": 200}, 300, ("available_spare_threshold_percent",)),
        # as a real drive reports them, both never filled
        (
            {"available_spare_threshold_percent": 255, "percentage_used": 255},
            300,
            ("available_spare_threshold_percent", "percentage_used"),
        ),
        ({"percentage_used": 255}, 300, ()),  # more than 254 %: the same section
        ({}, 0xFFFF, ("composite_temperature_celsius",)),
        ({}, 7, ("composite_temperature_celsius",)),
    ],
)
def test_one_field_that_cannot_be_is_unread_and_the_others_count(
    values: dict[str, int], kelvin: int, absent: tuple[str, ...]
) -> None:
    others = {"critical_warning": 4, "media_errors": 77, "power_cycles": 9}
    log = good_health(health_page(others | values, kelvin=kelvin))
    assert log.absent == absent
    assert {name: getattr(log, name) for name in others} == others
    assert log.composite_temperature_celsius == (27.0 if kelvin == 300 else None)
    assert all(getattr(log, name) == value for name, value in values.items() if name not in absent)


def test_sensor_that_reads_nonsense_is_named_and_left_out() -> None:
    log = good_health(health_page({"power_cycles": 1}, kelvin=300, sensors={1: 310, 2: 0xFFFF}))
    assert log.sensor_celsius == {1: 37.0}
    assert log.absent == ("sensor_celsius[2]",)


def test_failed_reading_passes_through() -> None:
    failed = Unread(WHAT, "permission denied (EACCES)", Reason.DENIED, "EACCES")
    assert parse_health(failed, what=WHAT) is failed
    assert parse_identify(failed, what=WHAT) is failed


@given(
    st.fixed_dictionaries(
        {
            name: st.integers(0, 100 if name.startswith("available") else 256**length - 1)
            for name, (_, length) in HEALTH_LAYOUT.items()
        }
    ),
    st.integers(200, 400),
)
def test_health_log_is_what_was_written(values: dict[str, int], kelvin: int) -> None:
    log = good_health(health_page(values, kelvin=kelvin))
    assert {name: getattr(log, name) for name in values} == values
    assert log.composite_temperature_celsius == kelvin - 273


# The samples' names for the fields, where they differ from ours.
SAMPLE_FIELDS = {
    "available_spare": "available_spare_percent",
    "available_spare_threshold": "available_spare_threshold_percent",
    "controller_busy_time": "controller_busy_minutes",
    "warning_temp_time": "warning_temperature_minutes",
    "critical_temp_time": "critical_temperature_minutes",
    "tmt1_transition_count": "thermal_transitions_1",
    "tmt2_transition_count": "thermal_transitions_2",
    "tmt1_total_time": "thermal_seconds_1",
    "tmt2_total_time": "thermal_seconds_2",
}
SAMPLE_TEMPERATURES = ("composite_temperature_celsius", "temp_sensors_celsius")


def test_pages_with_the_values_of_real_drives_are_read(reference: Path) -> None:
    samples = [json.loads(line) for line in (reference / "nvme-health-samples.jsonl").read_text().splitlines()]
    assert len(samples) >= 3
    for sample in samples:
        values = {
            SAMPLE_FIELDS.get(name, name): value
            for name, value in sample.items()
            if name not in ("id", "source", "note", *SAMPLE_TEMPERATURES)
        }
        celsius = sample.get("composite_temperature_celsius")
        sensors = {int(number): value + 273 for number, value in sample.get("temp_sensors_celsius", {}).items()}
        log = good_health(health_page(values, kelvin=celsius + 273 if celsius else 0, sensors=sensors))
        assert {name: getattr(log, name) for name in values} == values, sample["id"]
        assert log.composite_temperature_celsius == celsius
        assert log.sensor_celsius == {number: kelvin - 273 for number, kelvin in sensors.items()}


# --- Autonomous Power State Transition, feature 0Ch, section 5.27.1.9 -------------------------------------------------


def test_transitions_are_read_as_the_kernel_writes_them() -> None:
    # Linux drivers/nvme/host/core.c, nvme_configure_apst: (state << 3) | (milliseconds << 8)
    entries = [(3 << 3) | (100 << 8), (3 << 3) | (100 << 8), (3 << 3) | (100 << 8), (4 << 3) | (2000 << 8)]
    data = struct.pack("<32Q", *entries, *([0] * 28))
    reported = parse_autonomous_transitions(1, data, what="feature 0Ch of nvme0")
    assert reported == AutonomousTransitions(
        enabled=True, transitions={0: (3, 100), 1: (3, 100), 2: (3, 100), 3: (4, 2000)}
    )


def test_transitions_that_are_off_are_no_failure() -> None:
    reported = parse_autonomous_transitions(0, bytes(256), what="feature 0Ch of nvme0")
    assert reported == AutonomousTransitions(enabled=False, transitions={})


@pytest.mark.parametrize("data", [b"", bytes(255), b"\xff" * 256])
def test_feature_data_that_are_none_are_unread(data: bytes) -> None:
    assert isinstance(parse_autonomous_transitions(1, data, what="feature 0Ch of nvme0"), Unread)


# --- Identify Controller, section 5.17.2.1 ----------------------------------------------------------------------------


def identify_page(*, states: int = 1, **changes: int | bytes) -> bytes:
    page = bytearray(4096)
    struct.pack_into(
        "<HH20s40s8s", page, 0, 0x1D0F, 0x1D10, b"KELP0001".ljust(20), b"TIDELINE ARC 4T".ljust(40), b"2.14    "
    )
    page[263], page[265] = states - 1, 1  # NPSS, APSTA
    struct.pack_into("<HH", page, 266, 343, 358)
    page[280:296] = (4_000_787_030_016).to_bytes(16, "little")
    for offset, value in changes.items():
        raw = value if isinstance(value, bytes) else bytes([value])
        page[int(offset[1:]) : int(offset[1:]) + len(raw)] = raw
    return bytes(page)


def good_identity(page: bytes) -> NvmeIdentity:
    return known(parse_identify(page, what="Identify of nvme0"))


def test_identity_is_read_from_the_standards_offsets() -> None:
    identity = good_identity(identify_page())
    assert (identity.serial, identity.model, identity.firmware) == ("KELP0001", "TIDELINE ARC 4T", "2.14")
    assert identity.autonomous_transitions_supported
    assert (identity.warning_temperature_celsius, identity.critical_temperature_celsius) == (70.0, 85.0)
    assert identity.total_capacity_bytes == 4_000_787_030_016


def test_what_an_identity_does_not_report_is_none() -> None:
    identity = good_identity(identify_page(_265=0, _266=bytes(4), _280=bytes(16)))
    assert identity.total_capacity_bytes is None
    assert identity.warning_temperature_celsius is None
    assert identity.critical_temperature_celsius is None
    assert not identity.autonomous_transitions_supported


def test_states_in_which_a_drive_does_nothing_are_told_apart() -> None:
    # Bit 1 of byte 3 of a 32-byte descriptor, NOPS; bit 0 there is the scale of its power.
    flags = {2048 + 3: 0, 2048 + 32 + 3: 3, 2048 + 64 + 3: 1}
    states = good_identity(identify_page(states=3, **{f"_{at}": value for at, value in flags.items()})).power_states
    assert [(state.number, state.non_operational) for state in states] == [(0, False), (1, True), (2, False)]


def test_a_state_says_how_long_entering_and_leaving_it_takes() -> None:
    """Bytes 4 and 8 of a descriptor, microseconds; 0: not reported (linux/nvme.h, ``struct nvme_id_power_state``)."""
    times = struct.pack("<II", 5000, 44_000)
    first, second = good_identity(identify_page(states=2, **{f"_{2048 + 32 + 4}": times})).power_states
    assert first.exit_us is None
    assert second.exit_us == 44_000


def test_all_thirty_two_power_states_fit() -> None:
    assert len(good_identity(identify_page(states=32)).power_states) == 32


@pytest.mark.parametrize(
    ("page", "why"),
    [
        (b"", "0 bytes"),
        (bytes(4096), "reads 0"),
        (b"\xff" * 4096, "FFh"),
        (identify_page(states=33), "33 power states"),
        (identify_page()[:4095], "4095 bytes"),
    ],
)
def test_identify_that_cannot_be_a_drives_is_unread(page: bytes, why: str) -> None:
    assert why in unread(parse_identify(page, what="Identify of nvme0")).why


# --- any bytes --------------------------------------------------------------------------------------------------------


@given(st.binary(max_size=600) | st.binary(min_size=512, max_size=512))
def test_any_bytes_give_a_fact_or_a_reason(raw: bytes) -> None:
    assert isinstance(parse_health(raw, what=WHAT), HealthLog | Unread)
    assert isinstance(parse_autonomous_transitions(len(raw), raw, what=WHAT), AutonomousTransitions | Unread)
    assert isinstance(parse_autonomous_transitions(1, raw[:256], what=WHAT), AutonomousTransitions | Unread)


@given(st.randoms(use_true_random=False))
def test_any_identify_gives_a_fact_or_a_reason(random: Random) -> None:
    page = bytearray(identify_page())
    for _ in range(random.randrange(200)):
        page[random.randrange(4096)] = random.randrange(256)
    assert isinstance(parse_identify(bytes(page), what=WHAT), NvmeIdentity | Unread)
    assert isinstance(parse_identify(random.randbytes(random.randrange(4100)), what=WHAT), NvmeIdentity | Unread)


@given(st.integers(0, 511), st.integers(0, 7))
def test_one_flipped_bit_changes_one_field_or_makes_the_page_unread(byte: int, bit: int) -> None:
    before = health_page(dict.fromkeys(HEALTH_LAYOUT, 9), kelvin=300, sensors={1: 300})
    page = bytearray(before)
    page[byte] ^= 1 << bit
    log, was = parse_health(bytes(page), what=WHAT), good_health(before)
    if isinstance(log, HealthLog):
        differing = [name for name in HealthLog.__dataclass_fields__ if getattr(log, name) != getattr(was, name)]
        assert len(differing) <= 2  # a sensor's nonsense is named in `absent` besides
        assert differing or byte >= 232 or 7 <= byte < 32  # else the byte is reserved or the maker's own
