"""One pass over a machine: the verdict is the exit status, and the JSON keeps to the exported schema."""

from pathlib import Path

import pytest
from jsonschema import Draft202012Validator, FormatChecker

from boxes.recorded_box import BUILD, Turn, make_box, record, stand, wire
from contracts.hand_made import Ended, inside
from simulation.box import SimulatedBox
from support.unread_answers import known

ACCEPTED = '[[accept]]\nrule = "link-narrow"\nbecause = "spare cable on order"\n'


@pytest.fixture(autouse=True)
def no_installed_declaration(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("laneproof.commands.inputs.DEFAULT_BUILD", str(tmp_path / "none" / "build.toml"))


def refuse(box: SimulatedBox) -> None:
    known(box.ports[0].drive).refuses_health = 6


def differ_and_refuse(box: SimulatedBox) -> None:
    wire(2)(box)
    refuse(box)


def audit(build: Path, *turns: Turn) -> Ended:
    return inside("audit", "--from", record(build.with_name("box.jsonl"), make_box(), *turns), "--build", build)


@pytest.mark.parametrize(
    ("turns", "status", "said"),
    [
        ((), 0, ["tern-2: HOLDS - everything declared holds\n"]),
        ((wire(2),), 1, ["tern-2: DIFFERS", "riser-1  link-narrow (warning)", "trained at x2, declared x4"]),
        ((refuse,), 2, ["tern-2: UNVERIFIED - 1 unverified\n"]),
        ((differ_and_refuse,), 1, ["tern-2: DIFFERS - 1 differs, 1 unverified\n"]),
        # the last frame is judged
        ((wire(2), wire(None)), 0, ["tern-2: HOLDS"]),
        ((stand, wire(2)), 1, ["tern-2: DIFFERS"]),
    ],
)
def test_the_verdict_is_the_status(build: Path, turns: tuple[Turn, ...], status: int, said: list[str]) -> None:
    ended = audit(build, *turns)
    assert ended.status == status
    assert ended.out.startswith(said[0])
    assert all(words in ended.out for words in said)


def test_an_accepted_difference_is_0(build: Path) -> None:
    build.write_text(BUILD + ACCEPTED)
    ended = audit(build, wire(2))
    assert ended.status == 0
    assert "(because spare cable on order)" in " ".join(ended.out.split())


def test_without_a_declaration_what_needs_none_is_judged_and_draft_offered(tmp_path: Path) -> None:
    ended = inside("audit", "--from", record(tmp_path / "box.jsonl", make_box(), wire(2)))
    assert ended.status == 1
    assert "link-narrow" in ended.out
    assert ended.out.rstrip().endswith("/etc/laneproof/build.toml.")
    assert "laneproof draft" in ended.out


def test_the_installed_declaration_is_taken_where_none_is_named(build: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("laneproof.commands.inputs.DEFAULT_BUILD", str(build))
    ended = inside("audit", "--from", record(build.with_name("box.jsonl"), make_box()))
    assert ended.out.startswith("tern-2: HOLDS - everything declared holds\n")


def test_the_demo_takes_another_declaration_where_one_is_named(build: Path) -> None:
    ended = inside("audit", "--demo", "--build", build)
    assert (ended.status, ended.out[:15]) == (1, "tern-2: DIFFERS")


def test_the_demos_json_keeps_to_the_exported_schema_and_says_since_when_of_nothing() -> None:
    schema = inside("schema", "audit").json()
    Draft202012Validator.check_schema(schema)
    ended = inside("audit", "--demo", "--json")
    report = ended.json()
    assert list(Draft202012Validator(schema, format_checker=FormatChecker()).iter_errors(report)) == []
    assert (ended.status, report["verdict"]) == (1, "differs")
    assert {finding["rule"] for finding in report["findings"]} >= {"link-slow", "link-narrow", "power-setting-differs"}
    assert {finding["since"] for finding in report["findings"]} == {None}


def test_the_demo_fits_80_columns_and_shows_each_position() -> None:
    out = inside("audit", "--demo").out
    assert max(map(len, out.splitlines())) <= 80
    for label in ("riser-1", "riser-2", "riser-3", "riser-4", "deck-1", "deck-2", "deck-3", "wireless"):
        assert f" {label} " in out


def test_this_machine_can_be_audited_whatever_it_is() -> None:
    ended = inside("audit", "--json")
    assert ended.status == {"holds": 0, "differs": 1, "unverified": 2}[ended.json()["verdict"]]
