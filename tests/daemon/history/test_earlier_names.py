"""A history of version 1 gets today's names: what stood then goes on, and nothing is raised a second time."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from boxes.passes import Passes, make_finding
from laneproof.engine import Engine
from laneproof.findings import Cause, Change
from laneproof.history.compressed_json import pack, unpack
from laneproof.history.earlier_names import rename_note
from laneproof.history.history import History
from laneproof.history.store import Store
from laneproof.rules import RULES

VERSION_1 = Path(__file__).parent / "version_1.sql"
RENAMED = {
    "aggregate-incomplete": "bond-incomplete",
    "link-above-plan": "link-above-limit",
    "split-not-active": "bifurcation-not-active",
    "network-link-unsteady": "network-link-flapping",
    "trains-short-on-some-boots": "link-degraded-on-some-boots",
    "slow-against-siblings": "drive-fail-slow",
    "wear-ahead": "endurance-ending",
    "overheating": "overheating",
}
"""The rules of version 1 that have another name since, and one that kept its own though a cause lost it."""


def _finding(rule: str, position: str | None, key: str, cause: str | None = None) -> str:
    causes = [] if cause is None else [{"cause": cause, "probability": 0.75, "because": ["it is warm"]}]
    return json.dumps({
        "rule": rule, "kind": "sign", "severity": "warning", "position": position, "subject": "nvme0",
        "summary": "as it was", "declared": None, "observed": "as it was", "evidence": {"reason": "split-not-active"},
        "causes": causes, "next_steps": [], "since": 1790000000.0, "key": key,
    })  # fmt: skip


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A file as version 1 wrote it, with all that has another name since."""
    file = tmp_path / "history.db"
    with closing(sqlite3.connect(file)) as connection, connection:
        connection.executescript(VERSION_1.read_text())
        rows = [(rule, f"slot-{number}", _finding(rule, f"slot-{number}", "0000:00/01.1", "overheating"))
                for number, rule in enumerate(RENAMED)]  # fmt: skip
        rows.append(("reading-incomplete", "aggregates", _finding("reading-incomplete", None, "aggregates")))
        connection.execute("DELETE FROM changes")
        connection.execute("DELETE FROM findings")
        for number, (rule, subject, finding) in enumerate(rows, 1):
            connection.execute(
                "INSERT INTO findings (id, rule, subject, raised_at, finding) VALUES (?, ?, ?, 1790000000.0, ?)",
                (number, rule, subject, finding),
            )
            connection.execute(
                "INSERT INTO changes VALUES (?, ?, 1790000000.0, 1, 'raised', ?)", (number, number, finding)
            )
        connection.execute("INSERT INTO findings VALUES (99, 'wear-ahead', 'x', 1790000000.0, NULL, 'damaged')")
        number, packed = connection.execute("SELECT id, content FROM inventories ORDER BY id DESC").fetchone()
        inventory = unpack(packed)
        inventory["aggregates"] = [{"name": "bond0", "mode": "802.3ad", "members": []}]
        inventory["unread"] = {"aggregates": "no answer in time"}
        connection.execute("UPDATE inventories SET content = ? WHERE id = ?", (pack(inventory), number))
        detail = json.dumps({"episode": 4, "cause": "overheating", "evidence": {"was_hot": True}})
        connection.execute(
            "INSERT INTO notes VALUES (2, 1790000200.0, 'outcome', '', 'FN0001', 'episode 4 was overheating', ?)",
            (detail,),
        )
    return file


@pytest.fixture(params=["the daemon", "a reader"])
def history(kept: Path, request: pytest.FixtureRequest) -> Iterator[History]:
    """The same history as the daemon opens it, and as a command does while the daemon of version 1 still runs."""
    with closing(Store.open(str(kept)) if request.param == "the daemon" else History.open(str(kept))) as opened:
        yield opened


def test_standing_findings_have_todays_names(history: History) -> None:
    standing = {finding.identity: finding for finding in history.load_standing()}
    expected = {(name, f"slot-{number}") for number, name in enumerate(RENAMED.values())}
    assert standing.keys() == expected | {("reading-incomplete", "bonds")}
    assert {finding.rule for finding in standing.values()} <= {rule.name for rule in RULES}
    heat = standing["overheating", "slot-7"]
    assert heat.causes == (Cause(cause="heat", probability=0.75, because=("it is warm",)),)
    assert heat.evidence["reason"] == "bifurcation-not-active"


def test_what_became_of_findings_has_them_too(history: History) -> None:
    raised = [change.finding.rule for change in history.read_finding_changes()]
    assert raised == [*RENAMED.values(), "reading-incomplete"]


def test_an_inventory_knows_its_bonds(history: History) -> None:
    newest = history.read_inventories()[-1].inventory
    assert [bond.name for bond in newest.bonds or ()] == ["bond0"]
    assert newest.unread == {"bonds": "no answer in time"}


def test_a_cause_that_turned_out_is_a_confirmed_one(history: History) -> None:
    note, confirmed = history.read_notes()
    assert (note.kind, note.text) == ("note", "moved drive to riser-2")
    assert (confirmed.kind, confirmed.text) == ("confirmed", "episode 4 was heat")
    assert confirmed.detail == {"episode": 4, "cause": "heat", "evidence": {"was_hot": True}}


def test_a_reader_leaves_the_file_as_it_is(kept: Path) -> None:
    before = kept.read_bytes()
    History.open(str(kept)).close()
    assert kept.read_bytes() == before
    assert [file.name for file in kept.parent.iterdir()] == ["history.db"]


def test_what_stood_is_not_raised_a_second_time(kept: Path) -> None:
    with closing(Store.open(str(kept))) as store:
        engine = Engine(None)
        engine.restore(store.load_standing(), store.load_state("engine"))
        passes = Passes(t=1790000900.0, up=600.0)
        passes.standing = tuple(
            make_finding(name, position=f"slot-{number}") for number, name in enumerate(RENAMED.values())
        )
        passes.standing += (make_finding("reading-incomplete", position=None, key="bonds"),)
        store.add_pass(passes.take())
        lives = store.read_findings()
        assert [life.finding.rule for life in lives if life.cleared_at is None] == [
            finding.rule for finding in passes.standing
        ]
        assert len(lives) == len(passes.standing)
        assert {change.change for change in store.read_finding_changes()} == {Change.RAISED}


@pytest.mark.parametrize(
    ("kept", "renamed"),
    [
        (("outcome", "episode 4 was heat", {}), ("confirmed", "episode 4 was heat", {})),
        (("note", "overheating", {"cause": "overheating"}), ("note", "overheating", {"cause": "overheating"})),
        (("outcome", "overheating!", {"cause": "overheating"}), ("confirmed", "overheating!", {"cause": "heat"})),
    ],
)
def test_only_a_confirmed_cause_is_renamed(
    kept: tuple[str, str, dict[str, str]], renamed: tuple[str, str, dict[str, str]]
) -> None:
    assert rename_note(*kept) == renamed


def test_a_label_of_the_owners_stays_as_it_is(kept: Path) -> None:
    with closing(sqlite3.connect(kept)) as connection, connection:
        text = _finding("link-slow", "aggregate", "0000:00/01.2")
        connection.execute(
            "INSERT INTO findings (rule, subject, raised_at, finding) VALUES (?, ?, 1790000000.0, ?)",
            ("link-slow", "aggregate", text),
        )
    with closing(Store.open(str(kept))) as store:
        assert [finding.position for finding in store.load_standing() if finding.rule == "link-slow"] == ["aggregate"]
