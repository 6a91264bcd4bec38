"""What the declaration says of positions and links, held against boxes made by hand."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from contracts.hand_made import (
    BRIDGE_CLASS,
    ETHERNET_CLASS,
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


def test_slow_and_narrow_are_two_findings(audit: Audit) -> None:
    assert told(audit(box(width=1, speed="2.5 GT/s PCIe"), four()).json()) == {
        ("link-slow", "riser-1"),
        ("link-narrow", "riser-1"),
    }


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


def test_beyond_hardware_names_the_port_where_the_port_is_the_limit(audit: Audit) -> None:
    machine = box(speed="8.0 GT/s PCIe")
    machine.files[f"/sys/devices/{port_of(1)}/max_link_speed"] = "8.0 GT/s PCIe\n"
    said = audit(machine, four()).json()
    assert told(said) == {("link-slow", "riser-1"), ("link-beyond-hardware", "riser-1")}


@pytest.mark.parametrize(("trained", "width"), [("16.0 GT/s PCIe", 4), ("8.0 GT/s PCIe", 2)])
def test_link_above_plan_is_a_lost_limit(audit: Audit, trained: str, width: int) -> None:
    build = HEAD + SLOT + position(1, link="{ generation = 3, lanes = 1 }", occupant='{ kind = "nvme" }')
    build += "".join(position(number, occupant='{ kind = "nvme" }') for number in (2, 3, 4))
    ended = audit(box(speed=trained, width=width), build)
    assert ended.status == 1
    assert {rule for rule, _ in told(ended.json())} == {"link-above-limit"}
    assert {where for _, where in told(ended.json())} == {"riser-1"}


def test_only_what_is_declared_of_a_link_is_compared(audit: Audit) -> None:
    build = HEAD + SLOT + "".join(position(number, link="", occupant='{ kind = "nvme" }') for number in (1, 2, 3, 4))
    said = audit(box(), build)
    assert said.status == 0


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


def test_position_meant_to_be_empty(audit: Audit) -> None:
    build = HEAD + SLOT + "".join(position(number, occupant='{ kind = "nvme" }') for number in (1, 2, 3))
    build += position(4, link="", occupant='{ kind = "none" }')
    assert audit(box(without=(4,)), build).status == 0
    ended = audit(box(), build)
    assert ended.status == 1
    assert told(ended.json()) == {("occupant-unexpected", "riser-4")}


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


def test_reporting_undeclared_drives_is_the_default(audit: Audit) -> None:
    machine = box()
    machine.drive(7, "pci0000:00/0000:00:1d.0")
    assert {rule for rule, _ in told(audit(machine, four()).json())} == {"occupant-unexpected"}


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


def test_occupant_of_another_kind_differs(audit: Audit) -> None:
    machine = box(without=(1,))
    machine.function(
        place_of(1),
        ETHERNET_CLASS,
        current_link_speed="16.0 GT/s PCIe",
        max_link_speed="16.0 GT/s PCIe",
        current_link_width="4",
        max_link_width="4",
    )
    ended = audit(machine, four())
    assert ended.status == 1
    assert told(ended.json()) == {("occupant-differs", "riser-1")}
    build = four().replace('occupant = { kind = "nvme" }', 'occupant = { kind = "network" }', 1)
    assert audit(machine, build).status == 0


def test_kind_left_out_is_not_compared(audit: Audit) -> None:
    machine = box(without=(1,))
    machine.function(place_of(1), "0x120000")
    build = (
        HEAD
        + SLOT
        + position(1, link="")
        + "".join(position(number, occupant='{ kind = "nvme" }') for number in (2, 3, 4))
    )
    assert audit(machine, build).status == 0
    machine.remove(place_of(1))
    assert audit(machine, build).status == 0, "nothing was declared of the occupant"


@pytest.mark.parametrize(("percent", "status"), [(0.0, 0), (0.9, 0), (-0.9, 0), (1.5, 1), (-1.5, 1)])
def test_capacities_are_equal_within_one_percent(audit: Audit, percent: float, status: int) -> None:
    sectors = round(4 * TB * (1 + percent / 100)) // 512
    build = HEAD + position(1, occupant='{ kind = "nvme", capacity = "4 TB" }').replace(
        'slot = "riser"\nbranch = 1\n', ""
    )
    build = build.replace("[box]", '[box]\nundeclared = "ignore"')
    assert audit(box(capacity_bytes=sectors * 512), build).status == status


def test_capacity_from_the_namespace_where_the_drive_does_not_tell(audit: Audit) -> None:
    machine = box()
    for number, answers in machine.nvme.items():
        machine.nvme[number] = answers | Machine().nvme
    build = four().replace('kind = "nvme"', 'kind = "nvme", capacity = "4 TB"')
    for name in list(machine.nvme):
        whole = Machine()
        whole.drive(int(name[4:]), place_of(int(name[4:]) + 1), capacity_bytes=0)
        machine.nvme[name]["identify"] = whole.nvme[name]["identify"]
    assert audit(machine, build).status == 0


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


def test_two_swapped_drives_are_told_as_moved(audit: Audit) -> None:
    build = (
        HEAD
        + SLOT
        + "".join(
            position(number, occupant=f'{{ kind = "nvme", serial = "PEL0000{number - 1}" }}') for number in (1, 2, 3, 4)
        )
    )
    machine = box(without=(1, 2))
    machine.drive(0, place_of(1), serial="PEL00001")
    machine.drive(1, place_of(2), serial="PEL00000")
    said = audit(machine, build).json()
    assert told(said) == {("occupant-differs", "riser-1"), ("occupant-differs", "riser-2")}
    for finding in said["findings"]:
        assert {"riser-1", "riser-2"} <= set(finding["summary"].replace(",", " ").replace(":", " ").split())


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


def test_split_whose_first_branch_holds_more_lanes_than_its_share(audit: Audit) -> None:
    machine = box(without=(2, 3, 4), width=8)
    machine.files[f"/sys/devices/{port_of(1)}/max_link_width"] = "16\n"
    machine.files[f"/sys/devices/{place_of(1)}/max_link_width"] = "8\n"
    assert found(audit(machine, four()).json(), "bifurcation-not-active")


def test_silent_branch_with_a_bridge_is_empty_and_the_split_is_active(audit: Audit) -> None:
    said = audit(box(without=(2, 3, 4)), four()).json()
    assert told(said) == {("position-empty", f"riser-{number}") for number in (2, 3, 4)}


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


def test_port_speaks_where_the_device_cannot(audit: Audit) -> None:
    """Both ends of a link read the same rate and lanes; one of them is enough."""
    machine = box(speed="8.0 GT/s PCIe")
    for name in ("current_link_speed", "current_link_width", "max_link_speed", "max_link_width"):
        path = f"/sys/devices/{place_of(1)}/{name}"
        del machine.files[path]
        machine.errors[path] = "EINVAL"
    assert ("link-slow", "riser-1") in told(audit(machine, four()).json(), "differs")


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


def test_old_speed_words_are_read(audit: Audit) -> None:
    """Kernels to 5.6 wrote no 'PCIe' and '8 GT/s' (drivers/pci/pci-sysfs.c)."""
    machine = box()
    for number in (1, 2, 3, 4):
        for folder in (port_of(number), place_of(number)):
            machine.files |= {
                f"/sys/devices/{folder}/current_link_speed": "8 GT/s\n",
                f"/sys/devices/{folder}/max_link_speed": "8 GT/s\n",
            }
    assert audit(machine, four(link="{ generation = 3, lanes = 4 }")).status == 0
    said = audit(machine, four()).json()
    assert {rule for rule, _ in told(said)} == {"link-slow", "link-beyond-hardware"}


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


def test_accepted_difference_counts_through_its_last_day(audit: Audit) -> None:
    accept = '[[accept]]\nrule = "link-slow"\nposition = "riser-1"\nuntil = 2026-09-21\nbecause = "spare on order"\n'
    assert audit(box(speed="8.0 GT/s PCIe"), four() + accept).status == 0


def test_firmware_of_a_drive_differs(audit: Audit) -> None:
    build = four().replace('occupant = { kind = "nvme" }', 'occupant = { kind = "nvme", firmware = "1.0.3" }', 1)
    assert audit(box(), build).status == 0
    ended = audit(box(firmware="2.0.0"), build)
    assert ended.status == 1
    (finding,) = ended.json()["findings"]
    assert finding["rule"] == "firmware-differs"
    assert finding["position"] == "riser-1"
    assert "2.0.0" in str(finding["observed"])
    assert "1.0.3" in str(finding["declared"])


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


def test_text_begins_with_the_verdict_and_fits_80_columns(tmp_path: Path) -> None:
    recording = write(tmp_path / "box.jsonl", box(width=1, speed="2.5 GT/s PCIe", without=(2,)).frame())
    (tmp_path / "build.toml").write_text(four())
    ended = program("audit", "--from", recording, "--build", tmp_path / "build.toml")
    assert ended.status == 1
    lines = ended.out.splitlines()
    assert "differs" in lines[0].lower()
    assert max(map(len, lines)) <= 80
    assert "\x1b" not in ended.out, "no colour in a pipe"
    assert "riser-1" in ended.out


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
    assert fine.status == 0
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
