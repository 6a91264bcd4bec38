"""Power management of a function, and who is left alone."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.pcie.power import POWER_ATTRIBUTES, find_why_asleep, parse_power
from laneproof_collectors.questions import unread_from_errno
from laneproof_collectors.snapshot import FunctionPower
from laneproof_collectors.unread import Reason, Unread
from support.unread_answers import unread

FOLDER = "/sys/devices/pci0000:00/0000:00:01.1"
AWAKE = [b"active\n", b"D0\n", b"on\n"]


def absent(name: str) -> Unread:
    return unread_from_errno(f"{FOLDER}/{name}", 2)


def test_a_function_that_is_awake() -> None:
    power = parse_power(AWAKE, folder=FOLDER, link_states={"l1_aspm": b"0\n", "clkpm": b"1\n"})
    assert power == FunctionPower(
        runtime_status="active",
        state="D0",
        control="on",
        link_states={"l1_aspm": False, "clkpm": True},
    )
    assert find_why_asleep(power) == ""


def test_what_the_kernel_does_not_offer_is_none() -> None:
    power = parse_power([absent(name) for name in POWER_ATTRIBUTES], folder=FOLDER)
    assert power == FunctionPower(runtime_status=None, state=None, control=None, link_states={})
    assert find_why_asleep(power) == ""


def test_what_is_no_word_names_its_file() -> None:
    power = parse_power([b"active\n", b"D0 D3\n", b""], folder=FOLDER, link_states={"l1_aspm": b"maybe\n"})
    unread = [power.state, power.control, power.link_states["l1_aspm"]]
    assert [value.what for value in unread if isinstance(value, Unread)] == [
        f"{FOLDER}/power_state",
        f"{FOLDER}/power/control",
        f"{FOLDER}/link/l1_aspm",
    ]
    assert power.runtime_status == "active"


def test_a_switch_that_vanished_after_it_was_listed_is_unread() -> None:
    power = parse_power(AWAKE, folder=FOLDER, link_states={"l1_aspm": absent("link/l1_aspm")})
    assert unread(power.link_states["l1_aspm"]).reason is Reason.ABSENT


@pytest.mark.parametrize("status", ["suspended", "suspending"])
def test_a_function_that_is_suspended_is_left_alone(status: str) -> None:
    power = parse_power([f"{status}\n".encode(), b"D3hot\n", b"auto\n"], folder=FOLDER)
    assert find_why_asleep(power) == f"it sleeps ({status}), and a reading would wake it"


@pytest.mark.parametrize("state", ["D3hot", "D3cold"])
def test_a_function_in_a_deep_state_is_left_alone(state: str) -> None:
    power = parse_power([b"unsupported\n", f"{state}\n".encode(), b"on\n"], folder=FOLDER)
    assert find_why_asleep(power) == f"it sleeps ({state}), and a reading would wake it"


@pytest.mark.parametrize(
    ("status", "state"), [(b"active\n", b"unknown\n"), (b"error\n", b"D0\n"), (b"resuming\n", b"D0\n")]
)
def test_other_words_are_no_sleep(status: bytes, state: bytes) -> None:
    """Documentation/ABI/testing/sysfs-devices-power and sysfs-bus-pci; a function whose driver left is `unknown`."""
    assert find_why_asleep(parse_power([status, state, b"on\n"], folder=FOLDER)) == ""


def test_where_nothing_says_whether_it_sleeps_it_is_left_alone() -> None:
    denied = unread_from_errno(f"{FOLDER}/power/runtime_status", 13)
    assert "could not be read" in find_why_asleep(parse_power([denied, denied, denied], folder=FOLDER))
    assert find_why_asleep(parse_power([denied, b"D0\n", denied], folder=FOLDER)) == ""


def test_functions_that_rest_alike_are_one_value() -> None:
    assert parse_power(AWAKE, folder="/a") is parse_power(AWAKE, folder="/b")


@given(
    st.lists(st.binary(max_size=20), min_size=3, max_size=3),
    st.dictionaries(st.text(max_size=5), st.binary(max_size=4)),
)
def test_any_bytes_give_values_or_reasons(raws: list[bytes], states: dict[str, bytes]) -> None:
    power = parse_power(raws, folder=FOLDER, link_states=states)
    assert isinstance(power.state, str | Unread)
    assert power.link_states.keys() == states.keys()
    assert isinstance(find_why_asleep(power), str)
