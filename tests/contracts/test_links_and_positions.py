"""What the declaration says of positions and links, held against boxes made by hand."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from contracts.hand_made import (
    BRIDGE_CLASS,
    T0,
    TB,
    Ended,
    Machine,
    found,
    inside,
    program,
    told,
    write,
)

Audit = Callable[[Machine, str], Ended]

HEAD = """schema = 1
[box]
name = "kelp-1"
"""
SLOT = """[slot.riser]
path = "0000:00"
lanes = 16
split = [4, 4, 4, 4]
"""


def position(number: int, *, link: str = "{ generation = 4, lanes = 4 }", occupant: str = "", more: str = "") -> str:
    return f"""[[position]]
label = "riser-{number}"
slot = "riser"
branch = {number}
path = "0000:00/01.{number}"
through = ["passive-split"]
{f"link = {link}" if link else ""}
{f"occupant = {occupant}" if occupant else ""}
{more}
"""


def four(**more: str) -> str:
    return HEAD + SLOT + "".join(position(number, occupant='{ kind = "nvme" }', **more) for number in (1, 2, 3, 4))


def port_of(number: int) -> str:
    return f"pci0000:00/0000:00:01.{number}"


def place_of(number: int) -> str:
    return f"{port_of(number)}/0000:0{number}:00.0"


def box(
    *,
    without: tuple[int, ...] = (),
    without_port: tuple[int, ...] = (),
    **of_first: Any,  # noqa: ANN401 (the knobs of Machine.drive)
) -> Machine:
    """A slot split in four, a drive in each; knobs for the first."""
    machine = Machine()
    for number in (1, 2, 3, 4):
        if number in without_port:
            continue
        machine.port(
            port_of(number), **{key: of_first[key] for key in ("speed", "width") if number == 1 and key in of_first}
        )
        if number not in without:
            machine.drive(number - 1, place_of(number), **(of_first if number == 1 else {}))
    return machine


@pytest.fixture
def audit(tmp_path: Path) -> Audit:
    def run(machine: Machine, build: str) -> Ended:
        write(tmp_path / "box.jsonl", machine.frame())
        (tmp_path / "build.toml").write_text(build)
        return inside("audit", "--from", tmp_path / "box.jsonl", "--build", tmp_path / "build.toml", "--json")

    return run


def test_box_that_came_up_as_declared_holds(audit: Audit) -> None:
    ended = audit(box(), four())
    assert ended.status == 0
    assert ended.json()["verdict"] == "holds"
    assert ended.json()["findings"] == []


def test_audit_says_what_it_promises(audit: Audit) -> None:
    said = audit(box(width=2), four()).json()
    assert said["schema"] == 1
    assert said["box"] == "kelp-1"
    assert said["taken_at"].startswith("2026-09-21T")
    assert said["verdict"] == "differs"
    assert isinstance(said["counts"], dict)
    assert isinstance(said["inventory"], dict)
    (finding,) = said["findings"]
    assert {
        "rule", "kind", "severity", "position", "subject", "summary", "declared", "observed", "evidence", "causes",
        "next_steps", "since",
    } <= finding.keys()  # fmt: skip
    assert finding["since"] is None, "an audit of one look has no history"


def test_slow_link_is_told_with_both_values(audit: Audit) -> None:
    ended = audit(box(speed="8.0 GT/s PCIe"), four())
    assert ended.status == 1
    assert told(ended.json()) == {("link-slow", "riser-1")}
    (finding,) = ended.json()["findings"]
    assert finding["kind"] == "differs"
    assert finding["severity"] in {"warning", "critical"}
    assert "16 GT/s" in finding["declared"]
    assert "8 GT/s" in finding["observed"]
    assert "8 GT/s" in finding["summary"]
    assert "16 GT/s" in finding["summary"]
    assert finding["next_steps"]
    assert finding["subject"] in {"0000:01:00.0", "0000:00:01.1"}


def test_narrow_link_is_told_with_both_values(audit: Audit) -> None:
    ended = audit(box(width=2), four())
    assert ended.status == 1
    assert told(ended.json()) == {("link-narrow", "riser-1")}
    (finding,) = ended.json()["findings"]
    assert (finding["declared"], finding["observed"]) == ("x4", "x2")


@pytest.mark.parametrize("attribute", ["max_link_speed", "max_link_width"])
def test_beyond_hardware_is_said_besides_and_is_the_reason(audit: Audit, attribute: str) -> None:
    machine = box(speed="8.0 GT/s PCIe") if attribute == "max_link_speed" else box(width=2)
    machine.files[f"/sys/devices/{place_of(1)}/{attribute}"] = {
        "max_link_speed": "8.0 GT/s PCIe\n",
        "max_link_width": "2\n",
    }[attribute]
    said = audit(machine, four())
    assert said.status == 1
    short = "link-slow" if attribute == "max_link_speed" else "link-narrow"
    assert told(said.json()) == {(short, "riser-1"), ("link-beyond-hardware", "riser-1")}
    (why,) = found(said.json(), "link-beyond-hardware")
    assert why["kind"] == "differs"


@pytest.mark.parametrize(("trained", "width"), [("16.0 GT/s PCIe", 4), ("8.0 GT/s PCIe", 2)])
def test_link_above_plan_is_a_lost_limit(audit: Audit, trained: str, width: int) -> None:
    build = HEAD + SLOT + position(1, link="{ generation = 3, lanes = 1 }", occupant='{ kind = "nvme" }')
    build += "".join(position(number, occupant='{ kind = "nvme" }') for number in (2, 3, 4))
    ended = audit(box(speed=trained, width=width), build)
    assert ended.status == 1
    assert {rule for rule, _ in told(ended.json())} == {"link-above-limit"}
    assert {where for _, where in told(ended.json())} == {"riser-1"}


def test_empty_position_whose_port_is_silent(audit: Audit) -> None:
    machine = box(without=(3,))
    folder = f"/sys/devices/{port_of(3)}"
    machine.files |= {f"{folder}/current_link_speed": "2.5 GT/s PCIe\n", f"{folder}/current_link_width": "0\n"}
    ended = audit(machine, four())
    assert ended.status == 1
    assert told(ended.json()) == {("position-empty", "riser-3")}
    (finding,) = ended.json()["findings"]
    assert finding["severity"] in {"warning", "critical"}
    assert finding["kind"] == "differs"


def test_empty_position_without_any_bridge(audit: Audit) -> None:
    machine = box(without_port=(4,))
    build = HEAD + "".join(
        f'[[position]]\nlabel = "bay-{number}"\npath = "0000:00/01.{number}"\noccupant = {{ kind = "nvme" }}\n'
        for number in (1, 2, 3, 4)
    )
    assert told(audit(machine, build).json()) == {("position-empty", "bay-4")}


def test_undeclared_drive_is_reported_or_ignored(audit: Audit) -> None:
    machine = box()
    machine.port("pci0000:00/0000:00:1c.0")
    machine.drive(7, "pci0000:00/0000:00:1c.0/0000:09:00.0")
    ended = audit(machine, four())
    assert ended.status == 1
    (finding,) = ended.json()["findings"]
    assert finding["rule"] == "occupant-unexpected"
    assert finding["position"] is None
    assert "nvme7" in finding["summary"] + finding["subject"]
    assert audit(machine, four().replace('name = "kelp-1"', 'name = "kelp-1"\nundeclared = "ignore"')).status == 0


@pytest.mark.parametrize(
    ("declared", "knobs", "seen"),
    [
        ('capacity = "4 TB"', {"capacity_bytes": 2 * TB}, "2 TB"),
        ('model = "Pelagic D4"', {"model": "Benthic B2"}, "Benthic B2"),
        ('serial = "PEL00000"', {"serial": "XX-9"}, "XX-9"),
    ],
)
def test_another_occupant_differs(audit: Audit, declared: str, knobs: dict[str, Any], seen: str) -> None:
    build = HEAD + SLOT + position(1, occupant=f'{{ kind = "nvme", {declared} }}')
    build += "".join(position(number, occupant='{ kind = "nvme" }') for number in (2, 3, 4))
    assert audit(box(), build).status == 0
    ended = audit(box(**knobs), build)
    assert ended.status == 1
    assert told(ended.json()) == {("occupant-differs", "riser-1")}
    (finding,) = ended.json()["findings"]
    assert seen in str(finding["observed"])
    assert declared.partition('"')[2].rstrip('"') in str(finding["declared"])


@pytest.mark.parametrize(("percent", "status"), [(0.0, 0), (0.9, 0), (-0.9, 0), (1.5, 1), (-1.5, 1)])
def test_capacities_are_equal_within_one_percent(audit: Audit, percent: float, status: int) -> None:
    sectors = round(4 * TB * (1 + percent / 100)) // 512
    build = HEAD + position(1, occupant='{ kind = "nvme", capacity = "4 TB" }').replace(
        'slot = "riser"\nbranch = 1\n', ""
    )
    build = build.replace("[box]", '[box]\nundeclared = "ignore"')
    assert audit(box(capacity_bytes=sectors * 512), build).status == status


def test_moved_drive_is_told_by_both_positions(audit: Audit) -> None:
    build = (
        HEAD
        + SLOT
        + "".join(
            position(number, occupant=f'{{ kind = "nvme", serial = "PEL0000{number - 1}" }}') for number in (1, 2, 3, 4)
        )
    )
    machine = box(without=(1, 3))
    machine.drive(0, place_of(3), serial="PEL00000")
    ended = audit(machine, build)
    assert ended.status == 1
    said = ended.json()
    assert {where for _, where in told(said)} == {"riser-1", "riser-3"}
    for finding in said["findings"]:
        assert "riser-1" in finding["summary"], finding["summary"]
        assert "riser-3" in finding["summary"], finding["summary"]


def test_split_that_gives_only_the_first_branch(audit: Audit) -> None:
    """A passive card in a slot that the firmware left whole: only the first drive appears (common practice)."""
    ended = audit(box(without_port=(2, 3, 4)), four())
    assert ended.status == 1
    said = ended.json()
    assert len(found(said, "bifurcation-not-active")) == 1
    (finding,) = found(said, "bifurcation-not-active")
    assert finding["kind"] == "differs"
    assert "4" in str(finding["declared"])
    assert found(said, "bifurcation-not-active")[0]["next_steps"]


def test_what_cannot_be_read_is_unverified_with_status_2(audit: Audit) -> None:
    machine = box()
    for folder in (port_of(1), place_of(1)):
        for name in ("current_link_speed", "current_link_width"):
            machine.files[f"/sys/devices/{folder}/{name}"] = {
                "current_link_speed": "Unknown speed\n",
                "current_link_width": "0\n",
            }[name]
    ended = audit(machine, four())
    assert ended.status in {1, 2}
    assert ended.json()["verdict"] != "holds"
    assert {where for _, where in told(ended.json())} == {"riser-1"}


@pytest.mark.parametrize("word", ["Unknown", "Unknown speed", "", "garbage", "-1", "99999999999999 GT/s PCIe"])
def test_unknown_speed_is_unverified_never_fine(audit: Audit, word: str) -> None:
    machine = box()
    for folder in (port_of(1), place_of(1)):
        machine.files[f"/sys/devices/{folder}/current_link_speed"] = word + "\n"
    ended = audit(machine, four())
    assert ended.status == 2
    assert ended.json()["verdict"] == "unverified"
    assert told(ended.json()) == {("link-slow", "riser-1")}


def test_denied_attribute_is_unverified(audit: Audit) -> None:
    machine = box()
    for folder in (port_of(1), place_of(1)):
        path = f"/sys/devices/{folder}/current_link_width"
        del machine.files[path]
        machine.errors[path] = "EACCES"
    ended = audit(machine, four())
    assert ended.status == 2
    assert told(ended.json()) == {("link-narrow", "riser-1")}


def test_device_gone_from_the_bus_reads_63_lanes(audit: Audit) -> None:
    """All ones in the register: width 63, speed Unknown. The device is gone, not wide."""
    machine = box()
    folder = f"/sys/devices/{place_of(1)}"
    machine.files |= {
        f"{folder}/current_link_speed": "Unknown\n",
        f"{folder}/current_link_width": "63\n",
        f"{folder}/max_link_speed": "Unknown\n",
        f"{folder}/max_link_width": "255\n",
    }
    machine.files[f"/sys/devices/{port_of(1)}/current_link_width"] = "0\n"
    machine.files[f"/sys/devices/{port_of(1)}/current_link_speed"] = "2.5 GT/s PCIe\n"
    ended = audit(machine, four())
    assert ended.status in {1, 2}
    assert not found(ended.json(), "link-above-limit")
    assert {where for _, where in told(ended.json())} == {"riser-1"}


def test_resting_link_is_not_a_fault(audit: Audit) -> None:
    """A device asleep by run-time power management: its link may rest below what it trained at."""
    machine = box(speed="2.5 GT/s PCIe")
    folder = f"/sys/devices/{place_of(1)}"
    machine.files |= {
        f"{folder}/power/control": "auto\n",
        f"{folder}/power/runtime_status": "suspended\n",
        f"{folder}/power_state": "D3hot\n",
    }
    assert not told(audit(machine, four()).json(), "differs")


def test_accepted_difference_no_longer_counts(audit: Audit) -> None:
    accept = '[[accept]]\nrule = "link-slow"\nposition = "riser-1"\nbecause = "spare cable on order"\n'
    slow = box(speed="8.0 GT/s PCIe")
    ended = audit(slow, four() + accept)
    assert (ended.status, ended.json()["verdict"]) == (0, "holds")
    assert audit(slow, four() + accept + "until = 2026-12-31\n").status == 0
    assert audit(slow, four() + accept + "until = 2026-09-20\n").status == 1, "its time is over"
    assert audit(slow, four() + accept.replace("riser-1", "riser-2")).status == 1, "said of another position"
    assert audit(slow, four() + accept.replace("link-slow", "link-narrow")).status == 1, "said of another rule"


def test_same_ends_through_a_real_process(tmp_path: Path) -> None:
    (tmp_path / "build.toml").write_text(four())
    for machine, status, verdict in (
        (box(), 0, "holds"),
        (box(width=2), 1, "differs"),
        (box(log=None), 2, "unverified"),
    ):
        recording = write(tmp_path / "box.jsonl.gz", machine.frame())
        ended = program("audit", "--from", recording, "--build", tmp_path / "build.toml", "--json")
        assert (ended.status, ended.json()["verdict"]) == (status, verdict)
        assert ended.err == ""


def test_audit_without_declaration_offers_a_draft(tmp_path: Path) -> None:
    ended = program("audit", "--from", write(tmp_path / "box.jsonl", box(width=2).frame()))
    if Path("/etc/laneproof/build.toml").exists():
        pytest.skip("this machine has a declaration at the default place")
    assert ended.status == 1, "a link below what both ends can do needs no declaration"
    assert "draft" in ended.out
    said = program("audit", "--from", tmp_path / "box.jsonl", "--json").json()
    assert {rule for rule, _ in told(said)} == {"link-narrow"}
    assert said["findings"][0]["position"] is None
    fine = program("audit", "--from", write(tmp_path / "fine.jsonl", box().frame()))
    assert fine.status == 2, "what was never declared cannot be said to hold"
    assert "draft" in fine.out


def test_audit_judges_the_state_after_the_last_frame(tmp_path: Path) -> None:
    first, then = box(without=(2,)), box()
    recording = write(tmp_path / "box.jsonl", first.frame(), then.frame(T0 + 60))
    (tmp_path / "build.toml").write_text(four())
    assert inside("audit", "--from", recording, "--build", tmp_path / "build.toml").status == 0
    gone = write(
        tmp_path / "gone.jsonl",
        then.frame(),
        {
            "t": T0 + 60,
            "gone": [f"/sys/devices/{place_of(2)}", "/sys/bus/pci/devices/0000:02:00.0", "/sys/class/nvme/nvme1"],
            "nvme": {"nvme1": None},
        },
    )
    ended = inside("audit", "--from", gone, "--build", tmp_path / "build.toml", "--json")
    assert told(ended.json()) == {("position-empty", "riser-2")}
    assert ended.json()["taken_at"].startswith("2026-09-21T14:14:20")


def test_switch_card_path(audit: Audit) -> None:
    """Positions behind a switch: root port, upstream port, downstream port."""
    machine = Machine()
    upstream = "pci0000:00/0000:00:01.2/0000:03:00.0"
    machine.port("pci0000:00/0000:00:01.2")
    machine.function(upstream, BRIDGE_CLASS)
    for number in (0, 1):
        machine.port(f"{upstream}/0000:04:0{number + 4}.0")
        machine.drive(number, f"{upstream}/0000:04:0{number + 4}.0/0000:0{number + 5}:00.0", width=4 - 2 * number)
    build = HEAD + "".join(
        f'[[position]]\nlabel = "deck-{number}"\npath = "0000:00/01.2/00.0/0{number + 4}.0"\n'
        'through = ["switch-card"]\nlink = { generation = 4, lanes = 4 }\noccupant = { kind = "nvme" }\n'
        for number in (0, 1)
    )
    assert told(audit(machine, build).json()) == {("link-narrow", "deck-1")}
