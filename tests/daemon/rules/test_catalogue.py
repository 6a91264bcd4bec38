"""All rules together: their examples, acceptances, one finding an identity, and never a false 'holds'."""

import json
import re
import typing
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from boxes.snapshot_box import L1, SATA, Box, declare, kelp_box, make_memory
from laneproof.declaration.build import Build
from laneproof.findings import Finding, Kind, verdict
from laneproof.rules import RULES, judge_all
from laneproof.rules.rule import Pass, Rule
from laneproof_collectors.snapshot import (
    EdacController,
    Fan,
    MountedFileSystem,
    Setting,
    Snapshot,
    TemperatureReading,
    Thermal,
)
from laneproof_collectors.unread import Unread

UNREAD = Unread("something", "permission denied")


# --- the list ---------------------------------------------------------------------------------------------------------


def test_names_are_unique_and_in_kebab_case() -> None:
    names = [rule.name for rule in RULES]
    assert len(set(names)) == len(names)
    assert all(name == name.lower() and name.replace("-", "").isalpha() for name in names)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)
def test_page_of_each_rule_shows_what_holds_and_what_does_not(rule: Rule) -> None:
    assert {outcome == "holds" for outcome, *_ in rule.examples} == {True, False}
    assert not any(re.search(r"\dT\d\d:", text) for example in rule.examples for text in example), "a time for programs"
    assert rule.why
    assert rule.next_steps


def test_examples_of_each_rule_are_checked_by_its_own_tests() -> None:
    checked = [
        name
        for file in Path(__file__).parent.glob("*/test_*.py")
        for name in re.findall(r"def test_examples\(\).*\n    check_examples\(\s*(\w+)", file.read_text("utf-8"))
    ]
    assert sorted(checked) == sorted(rule.name.upper().replace("-", "_") for rule in RULES)


# --- acceptances ------------------------------------------------------------------------------------------------------

NARROW = """
position = [
  { label = "a", path = "0000:00/01.1", link = { generation = 4, lanes = 4 } },
  { label = "b", path = "0000:00/01.2", link = { generation = 4, lanes = 4 } },
]
"""
LAST_DAY = 1_790_000_000.0  # 2026-09-21 14:13:20 UTC


def narrow_box() -> Box:
    box = Box()
    for path in ("0000:00/01.1", "0000:00/01.2"):
        box.with_port(path, trained=(4, 2)).with_drive(path)
    return box


def judge_accepting(more: str, box: Box | None = None, *, rule: str = "link-narrow") -> tuple[Finding, ...]:
    build = declare(NARROW + f'[[accept]]\nrule = "{rule}"\nbecause = "cable on order"\n{more}\n')
    return judge_all(Pass.of(build, (box or narrow_box()).snapshot(taken_at=LAST_DAY)))


def accepted(findings: tuple[Finding, ...]) -> dict[str | None, str | None]:
    return {finding.position: finding.accepted for finding in findings}


@pytest.mark.parametrize(
    ("rule", "position", "of_a", "of_b"),
    [
        ("link-narrow", 'position = "a"', "cable on order", None),
        ("link-narrow", "", "cable on order", "cable on order"),  # wherever the rule speaks
        ("link-slow", "", None, None),
    ],
)
def test_acceptance_is_of_a_rule_and_of_a_position_where_it_names_one(
    rule: str, position: str, of_a: str | None, of_b: str | None
) -> None:
    assert accepted(judge_accepting(position, rule=rule)) == {"a": of_a, "b": of_b}


@pytest.mark.parametrize(
    ("until", "holds"), [("2026-09-20", False), ("2026-09-21", True), ("2026-09-22", True), ("2027-06-30", True)]
)
def test_acceptance_holds_to_the_end_of_its_last_day(until: str, holds: bool) -> None:
    assert (accepted(judge_accepting(f"until = {until}"))["a"] is not None) == holds


def test_acceptance_that_ended_is_remembered_in_the_next_steps() -> None:
    finding = judge_accepting("until = 2026-01-01")[0]
    assert finding.accepted is None
    assert "accepted until 2026-01-01 (cable on order)" in finding.next_steps[0]


def test_what_could_not_be_verified_is_not_accepted() -> None:
    box = narrow_box().without_registers()
    for path in ("0000:00/01.1", "0000:00/01.1/00.0"):
        box.edit(path, lambda function: replace(function, link=replace(function.link, trained_lanes=UNREAD)))
    findings = judge_accepting("", box)
    assert accepted(findings) == {"a": None, "b": "cable on order"}
    assert verdict(findings, declared=True) == "unverified"


# --- a box where everything is declared -------------------------------------------------------------------------------

DECLARED = """
firmware = { board = "Mole 3", bios_version = "1.40", bios_date = "03/14/2026" }
memory = { total = "64 GiB", modules = 2, speed_mt_s = 5600, ecc = false }
array = [{ name = "md0", level = "raid1", members = ["riser-1", "riser-2"] }]
bond = [{ name = "bond0", mode = "802.3ad", members = ["wan0", "wan1"], member_speed_mbit_s = 10000 }]
fan = [{ label = "fan1" }]
file_system = [{ mount = "/srv/archive", full_above = 0.8 }]
slot.riser = { path = "0000:00", lanes = 16, split = [4, 4, 4, 4] }
[kernel]
command_line = ["nvme_core.default_ps_max_latency_us=0"]
aspm_policy = "performance"
links_aspm = "off"
nvme_default_ps_max_latency_us = 0
port_power_management = "on"
release = "6.12"
[[position]]
label = "bay"
path = "0000:00/17.0/ata-1"
occupant = { kind = "sata", model = "Gannet S8", serial = "GSsda", capacity = "8 TB", firmware = "7" }
""" + "".join(
    f"""
[[position]]
label = "riser-{number}"
slot = "riser"
branch = {number}
path = "0000:00/01.{number}"
link = {{ generation = 4, lanes = 4 }}
occupant = {{ kind = "nvme", model = "Fulmar N4", serial = "FN000{number}", capacity = "4 TB", firmware = "2.1" }}
"""
    for number in (1, 2)
)


def full_box() -> Box:
    box = kelp_box(2).with_device("0000:00/17.0", class_code=SATA).with_sata_drive("0000:00/17.0/ata-1")
    for number in (0, 1):
        box.with_port(f"0000:00/1c.{number}").with_network(f"0000:00/1c.{number}", f"wan{number}")
    box.with_array("md0", ("nvme0n1", "nvme1n1"), level="raid1").with_bond("bond0", ("wan0", "wan1"))
    edac = (EdacController(name="mc0", correctable=0, uncorrectable=0),)
    reading = TemperatureReading(label="VRM", celsius=50.0, maximum_celsius=90.0, critical_celsius=100.0)
    fans = tuple(Fan(chip="board", label=label, rpm=900, minimum_rpm=300, alarm=False) for label in ("fan1", "fan2"))
    archive = MountedFileSystem(
        mount="/srv/archive", device="/dev/md0", kind="xfs", size_bytes=100, available_bytes=60, free_bytes=60,
        read_only=False, declared_read_only=False,
    )  # fmt: skip
    return box.with_group(
        memory=replace(make_memory(), edac=edac),
        thermal=Thermal(temperatures=(("board", reading),), fans=fans, throttle_counts={"package-0": 0}),
        file_systems=(archive,),
    )


BUILD, SOUND = declare(DECLARED), full_box().snapshot()


def judge(snapshot: Snapshot, build: Build | None = BUILD) -> tuple[Finding, ...]:
    return judge_all(Pass.of(build, snapshot))


def test_sound_box_holds() -> None:
    assert judge(SOUND) == ()
    assert judge(SOUND, None) == ()


def _messy_box() -> Box:
    box = (
        Box()
        .with_port("0000:00/01.1", trained=(1, 1), aspm=L1)
        .with_drive("0000:00/01.1", health={"critical_warning": 9}, firmware="9", controller={"serial": UNREAD})
    )
    box.with_port("0000:00/01.2", lanes=16).with_drive("0000:00/01.2", serial="FN0001")
    box.with_port("0000:00/02.1").with_drive("0000:00/02.1", serial="X", health=UNREAD)
    box.with_port("0000:00/02.2").with_drive("0000:00/02.2", serial="Y", trained=(3, 2))
    box.with_firmware(bios_version="2", board_name=UNREAD, kernel_release="7").with_memory("8 GiB")
    box.with_power(command_line=(), nvme_max_latency_us=Setting(value="1", origin="sysfs"), aspm_policy=None)
    return box.with_array("md0", ("nvme0n1",), level="raid5", degraded=1).with_array("md1", ("nvme2n1",), degraded=1)


@pytest.mark.parametrize("build", [BUILD, None], ids=["build", "none"])
def test_one_pass_has_one_finding_an_identity(build: Build | None) -> None:
    findings = judge(_messy_box().snapshot(), build)
    identities = [finding.identity for finding in findings]
    assert len(findings) > 5
    assert sorted(set(identities)) == sorted(identities)


@pytest.mark.parametrize("build", [BUILD, None], ids=["build", "none"])
def test_every_finding_is_whole_and_the_loudest_come_first(build: Build | None) -> None:
    findings = judge(_messy_box().snapshot(), build)
    ranks = [finding.severity.rank for finding in findings]
    assert ranks == sorted(ranks, reverse=True)
    for finding in findings:
        assert finding.summary
        assert "\n" not in finding.summary
        assert finding.key
        assert finding.next_steps
        assert json.loads(json.dumps(finding.as_json()))["rule"] == finding.rule
        if finding.kind is Kind.DIFFERS and finding.position and finding.rule != "occupant-unexpected":
            assert finding.observed


# --- never a false 'holds', never a false difference, from what could not be read -------------------------------------

Route = tuple[str | int, ...]


def _may_be_unread(annotation: object) -> bool:
    return Unread in typing.get_args(annotation) or annotation is Unread


def _routes(value: object, path: Route = ()) -> Iterator[Route]:
    """Give the route to each fact of a snapshot that may be `Unread`."""
    if is_dataclass(value) and not isinstance(value, Unread | type):
        hints = typing.get_type_hints(type(value), include_extras=False)
        for field in fields(value):
            if _may_be_unread(hints[field.name]):
                yield (*path, field.name)
            yield from _routes(getattr(value, field.name), (*path, field.name))
    elif isinstance(value, tuple):
        for index, item in enumerate(value):
            yield from _routes(item, (*path, index))


def _put(value: Any, path: Route, what: object) -> Any:  # noqa: ANN401 (any fact)
    head, *rest = path
    if isinstance(value, Unread):
        return value  # inside what was taken away before
    if isinstance(head, int):
        return (*value[:head], _put(value[head], tuple(rest), what) if rest else what, *value[head + 1 :])
    return replace(value, **{head: _put(getattr(value, head), tuple(rest), what) if rest else what})


ROUTES = tuple(_routes(SOUND))


def test_the_facts_have_many_routes_to_what_may_be_unread() -> None:
    assert len(ROUTES) > 150
    assert ("functions", 0, "link", "trained_lanes") in ROUTES


def check_unread(snapshot: Snapshot, build: Build | None) -> tuple[Finding, ...]:
    findings = judge(snapshot, build)
    assert {finding.kind for finding in findings} <= {Kind.UNVERIFIED}, [finding.summary for finding in findings]
    return findings


@pytest.mark.parametrize("route", ROUTES, ids=lambda route: ".".join(map(str, route)))
def test_any_one_unread_fact_makes_no_difference_out_of_nothing(route: Route) -> None:
    snapshot = _put(SOUND, route, UNREAD)
    check_unread(snapshot, BUILD)
    check_unread(snapshot, None)


@settings(max_examples=60)
@given(st.sets(st.sampled_from(ROUTES), max_size=40))
@example({("controllers",), ("functions", 0, "class_code"), ("functions", 6, "class_code")})
def test_any_set_of_unread_facts_makes_no_difference_out_of_nothing(routes: set[Route]) -> None:
    snapshot = SOUND
    for route in sorted(routes, key=lambda taken: (len(taken), str(taken))):
        snapshot = _put(snapshot, route, UNREAD)
    check_unread(snapshot, BUILD)


def _forget(*routes: Route) -> Callable[[Snapshot], Snapshot]:
    def forget(snapshot: Snapshot) -> Snapshot:
        for route in routes:
            snapshot = _put(snapshot, route, UNREAD)
        return snapshot

    return forget


def _index(snapshot: Snapshot, own_path: str) -> int:
    assert isinstance(snapshot.functions, tuple)
    return next(number for number, function in enumerate(snapshot.functions) if function.own_path == own_path)


def _both_ends(*names: str) -> tuple[Route, ...]:
    ends = [_index(SOUND, path) for path in ("0000:00/01.1", "0000:00/01.1/00.0")]
    return tuple(("functions", end, *name.split(".")) for end in ends for name in names)


# What each rule says of its own facts is tested beside it; these are facts that several share, or that none tests.
COMPARED = {
    "bios date": (_forget(("firmware", "bios_date")), "firmware-differs"),
    "kernel release": (_forget(("firmware", "kernel_release")), "firmware-differs"),
    "port power": (_forget(("power", "port_power_management")), "power-setting-differs"),
    "port's registers": (
        lambda snapshot: _without_files(_forget(_both_ends("express")[0])(snapshot)),
        "power-setting-differs",
    ),
    "drive's idle states": (
        _forget(("controllers", 0, "autonomous_transitions"), ("controllers", 0, "latency_tolerance_us")),
        "power-setting-differs",
    ),
    "rate": (_forget(*_both_ends("express", "link.trained_gt_s")), "link-slow"),
    "class": (_forget(("functions", _index(SOUND, "0000:00/17.0"), "class_code"), ("drives",)), "reading-incomplete"),
    "model": (_forget(("controllers", 0, "model")), "occupant-differs"),
    "serial": (_forget(("controllers", 0, "serial")), "occupant-differs"),
    "capacity": (
        _forget(("controllers", 0, "identity"), ("controllers", 0, "namespaces", 0, "size_bytes")),
        "occupant-differs",
    ),
    "drive firmware": (_forget(("controllers", 0, "firmware")), "firmware-differs"),
    "sata capacity": (_forget(("drives", 0, "capacity_bytes")), "occupant-differs"),
    "array member": (_forget(("arrays", 0, "members", 0, "state")), "array-degraded"),
}


def _without_files(snapshot: Snapshot) -> Snapshot:
    return _put(snapshot, (*_both_ends("power.link_states")[1],), {})


@pytest.mark.parametrize(("forget", "rule"), COMPARED.values(), ids=COMPARED)
def test_declared_comparison_that_cannot_be_made_is_unverified(
    forget: Callable[[Snapshot], Snapshot], rule: str
) -> None:
    findings = check_unread(forget(SOUND), BUILD)
    assert rule in {finding.rule for finding in findings}
    assert verdict(findings, declared=True) == "unverified"


def test_everything_unread_is_unverified() -> None:
    snapshot = SOUND
    for route in sorted(ROUTES, key=lambda taken: (-len(taken), str(taken))):
        snapshot = _put(snapshot, route, UNREAD)
    assert verdict(check_unread(snapshot, BUILD), declared=True) == "unverified"
