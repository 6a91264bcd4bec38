"""laneproof confirm: an episode that exists, a cause that is known, kept with what was known of the case."""

from pathlib import Path

import pytest

from boxes.passes import Passes, change_of, make_finding
from boxes.simulated_past import DAY, PATHS, Story, counting_box
from boxes.snapshot_box import A_MORNING
from contracts.hand_made import Ended, inside
from laneproof.commands.history_file import HISTORY
from laneproof.engine import STATE_NAME
from laneproof.findings import Change, Kind
from laneproof.history.store import Store
from laneproof.service.owner_notes import Inbox, sort_notes

DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"


@pytest.fixture
def state(tmp_path: Path) -> Path:
    story = Story().observe(counting_box((0, 0, 0, 0)))
    for _ in range(2):
        story.observe(counting_box((0, 0, 0, 0)), after=DAY, log=(DOWN,))
    store = Store.open(str(tmp_path / HISTORY))
    store.save_state(STATE_NAME, {"ledger": story.ledger.as_state()})
    errors = make_finding("signal-errors", kind=Kind.SIGN, key=PATHS[0], evidence={"serial": "FN0000"})
    store.add_pass(Passes().take(change_of(Change.RAISED, errors, A_MORNING)))
    store.close()
    (tmp_path / "build.toml").write_text(
        f'schema = 1\nbox.name = "tern-2"\nposition = [{{ label = "riser-1", path = "{PATHS[0]}" }}, '
        f'{{ label = "riser-2", path = "{PATHS[1]}" }}]\n'
    )
    return tmp_path


def confirm(state: Path, *words: str) -> Ended:
    return inside("confirm", *words, "--state", state, "--build", state / "build.toml")


@pytest.mark.parametrize(("name", "day"), [("riser-1", ()), ("riser-1", ("--day", "2026-09-21")), (PATHS[0], ())])
def test_what_has_no_episode_is_named_by_its_position_and_the_day(
    state: Path, name: str, day: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cables that only make errors have no episode."""
    monkeypatch.setattr("laneproof.commands.confirm.now_by_clock", lambda: A_MORNING + 3 * DAY)
    ended = confirm(state, name, "signal-path", *day)
    assert ended.out.startswith(
        f"kept: {name} on 2026-09-21 was the signal path (socket, carrier, adapter or cable), with "
    )
    (left,) = Inbox(state).read()
    assert (left.path, left.drive) == (PATHS[0], "FN0000")
    assert left.detail["position"] == name
    assert left.detail["evidence"]
    _, (confirmed,) = sort_notes((left,), ())
    assert (confirmed.cause, confirmed.episode) == ("signal-path", None)


def test_a_cause_that_turned_out_is_kept_with_its_features(state: Path) -> None:
    assert "kept: episode 2 was the signal path" in confirm(state, "2", "signal-path").out
    (left,) = Inbox(state).read()
    assert left.kind == "confirmed"
    assert left.drive == "FN0000"
    assert (left.detail["episode"], left.detail["cause"]) == (2, "signal-path")
    assert left.detail["evidence"]["drops_or_resets"] is True
    assert None not in left.detail["evidence"].values()


def test_an_outcome_that_is_reported_months_later_still_knows_what_was_seen(tmp_path: Path) -> None:
    story = Story().observe(counting_box((0, 0, 0, 0))).observe(counting_box((0, 0, 0, 0)), after=DAY, log=(DOWN,))
    story.observe(counting_box((0, 0, 0, 0)), after=200 * DAY)
    store = Store.open(str(tmp_path / "history.db"))
    store.save_state(STATE_NAME, {"ledger": story.ledger.as_state()})
    store.close()
    assert inside("confirm", "1", "signal-path", "--state", tmp_path).status == 0
    (left,) = Inbox(tmp_path).read()
    assert left.detail["evidence"]["drops_or_resets"] is True


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("9", "signal-path"), "no episode has the number 9; the last ones are 1, 2"),
        (("1", "signal-pth"), "did you mean 'signal-path'?"),
        (("1", "gremlins"), "one of signal-path, power-management"),
        (("none", "signal-path"), "no episode and no position is called 'none'"),
        (("rizer-1", "signal-path"), "did you mean 'riser-1'?"),
        (("riser-1", "signal-path", "--day", "2026-09-20"), "nothing was wrong at riser-1 then; the last were signal-"),
        (("riser-2", "signal-path"), "nothing was wrong at riser-2 then; nothing was ever wrong there"),
        (("riser-1", "signal-path", "--day", "someday"), "'someday' is no moment"),
    ],
)
def test_what_cannot_be_is_refused(state: Path, words: tuple[str, ...], said: str) -> None:
    ended = confirm(state, *words)
    assert ended.status == 64
    assert said in ended.err
    assert Inbox(state).read() == ()


def test_a_history_without_episodes_says_so(tmp_path: Path) -> None:
    Store.open(str(tmp_path / HISTORY)).close()
    ended = inside("confirm", "1", "signal-path", "--state", tmp_path)
    assert ended.status == 65
    assert "holds no episodes yet" in ended.err
