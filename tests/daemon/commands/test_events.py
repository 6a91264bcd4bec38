"""The command that lists what happened."""

from pathlib import Path

import pytest

from boxes.passes import Passes, change_of, make_finding
from boxes.recorded_box import BUILD
from contracts.hand_made import Ended, inside
from laneproof.engine import STATE_NAME, Engine
from laneproof.findings import Change
from laneproof.history.events import Event
from laneproof.history.notes import KeptNote
from laneproof.history.store import Store
from laneproof_collectors.kernel_log.reading import kernel_events

DAY = 86400.0


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    store, passes = Store.open(str(tmp_path / "history.db")), Passes()
    store.add_pass(passes.take())
    store.add_events([Event(t=passes.t, kind="link_down", text="Link Down", path="0000:00/01.1")])
    passes.wait(5 * DAY)
    finding = make_finding(since=passes.t)
    passes.standing = (finding,)
    store.add_pass(passes.take(change_of(Change.RAISED, finding, passes.t)))
    store.add_note(KeptNote(t=passes.t, kind="note", text="reseated the cable", path="0000:00/01.1"))
    store.close()
    (tmp_path / "build.toml").write_text(BUILD)
    monkeypatch.setattr("laneproof.commands.box_past.now_by_clock", lambda: passes.t + 60)
    monkeypatch.setenv("COLUMNS", "120")
    return tmp_path


def run(folder: Path, *arguments: str) -> Ended:
    return inside("events", *arguments, "--state", folder, "--build", folder / "build.toml")


def test_what_happened_in_the_last_week_is_listed(folder: Path) -> None:
    ended = run(folder)
    assert (ended.status, ended.err) == (0, "")
    said, events = ended.out.split("not known.\n")
    # Between the two passes lie five days, and the week began with two more.
    assert " ".join(said.split()).startswith("Not watched for 7 days of that time (")
    assert [line.split()[1:4] for line in events.splitlines()] == [
        ["the", "box", "booted"],
        ["riser-1", "link", "down"],
        ["riser-1", "finding", "raised"],
        ["riser-1", "note", "reseated"],
    ]


def test_hours_in_which_nobody_watched_are_not_hours_without_events(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    later = Passes().t + 12 * DAY
    monkeypatch.setattr("laneproof.commands.box_past.now_by_clock", lambda: later)
    ended = run(folder, "--since", "3d")
    assert ended.out == (
        "Nobody watched in that time: what happened then is not known.\nNothing was reported or noticed in that time.\n"
    )
    answer = run(folder, "--since", "3d", "--json").json()
    assert answer["unwatched"] == [{"since": answer["since"], "until": answer["until"]}]


def test_since_leaves_out_what_came_before(folder: Path) -> None:
    ended = run(folder, "--since", "1d")
    assert "link down" not in ended.out
    assert "finding raised" in ended.out


def test_a_disconnect_is_listed_as_an_episode_with_its_number_beside_what_the_kernel_reported(folder: Path) -> None:
    engine, passes = Engine(None), Passes()
    engine.observe(passes.take().snapshot)
    record = f"4,1,{round((passes.up + 30) * 1e6)},-;nvme nvme0: controller is down; will reset: CSTS=0xffffffff"
    engine.observe(passes.after(60.0).snapshot, kernel_events([record]))
    store = Store.open(str(folder / "history.db"))
    store.save_state(STATE_NAME, engine.as_state())
    store.close()
    answer = run(folder, "--json").json()
    (episode,) = (event for event in answer["events"] if event["kind"] == "episode")
    assert (episode["position"], episode["drive"], episode["detail"]["episode"]) == ("riser-1", "FN0001", 1)
    assert " episode 1: dropped off the bus" in run(folder).out


def test_json_holds_all_of_it(folder: Path) -> None:
    answer = run(folder, "--json").json()
    assert [event["kind"] for event in answer["events"]] == ["booted", "link_down", "finding_raised", "note"]
    assert answer["events"][1]["position"] == "riser-1"


def test_the_demo_has_events() -> None:
    kinds = {event["kind"] for event in inside("events", "--demo", "--json").json()["events"]}
    assert {"booted", "finding_raised", "changed"} <= kinds
