"""laneproof confirm: an episode that exists, a cause that is known, kept with what was known of the case."""

from pathlib import Path

import pytest

from laneproof.cli import main
from laneproof.engine import STATE_NAME
from laneproof.history.store import Store
from laneproof.rules.example_past import DAY, Story, counting_box
from laneproof.service.owner_notes import Inbox

DOWN = "nvme nvme0: controller is down; will reset: CSTS=0xffffffff, PCI_STATUS=0x10"


@pytest.fixture
def state(tmp_path: Path) -> Path:
    story = Story().look(counting_box((0, 0, 0, 0)))
    for _ in range(2):
        story.look(counting_box((0, 0, 0, 0)), after=DAY, log=(DOWN,))
    from laneproof.commands.serve import HISTORY  # noqa: PLC0415

    store = Store.open(str(tmp_path / HISTORY))
    store.save_state(STATE_NAME, {"ledger": story.ledger.as_state()})
    store.close()
    return tmp_path


def test_a_cause_that_turned_out_is_kept_with_its_features(state: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["confirm", "2", "signal-path", "--state", str(state)]) == 0
    assert "kept: episode 2 was signal-path" in capsys.readouterr().out
    (left,) = Inbox(state).read()
    assert left.kind == "confirmed"
    assert left.drive == "FN0000"
    assert (left.detail["episode"], left.detail["cause"]) == (2, "signal-path")
    assert left.detail["evidence"]["drops_or_resets"] is True
    assert None not in left.detail["evidence"].values()


def test_an_outcome_that_is_told_months_later_still_knows_what_was_seen(tmp_path: Path) -> None:
    story = Story().look(counting_box((0, 0, 0, 0))).look(counting_box((0, 0, 0, 0)), after=DAY, log=(DOWN,))
    story.look(counting_box((0, 0, 0, 0)), after=200 * DAY)
    store = Store.open(str(tmp_path / "history.db"))
    store.save_state(STATE_NAME, {"ledger": story.ledger.as_state()})
    store.close()
    assert main(["confirm", "1", "signal-path", "--state", str(tmp_path)]) == 0
    (left,) = Inbox(tmp_path).read()
    assert left.detail["evidence"]["drops_or_resets"] is True


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("9", "signal-path"), "no episode has the number 9; the last ones are 1, 2"),
        (("1", "signal-pth"), "did you mean 'signal-path'?"),
        (("1", "gremlins"), "one of signal-path, power-management"),
        (("none", "signal-path"), "see 'laneproof confirm --help'"),
    ],
)
def test_what_cannot_be_is_refused(
    state: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    with_state = ["confirm", *words, "--state", str(state)]
    try:
        status = main(with_state)
    except SystemExit as end:  # the parser's own
        status = int(end.code or 0)
    assert status == 64
    assert said in capsys.readouterr().err
    assert Inbox(state).read() == ()


def test_a_history_without_episodes_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from laneproof.commands.serve import HISTORY  # noqa: PLC0415

    Store.open(str(tmp_path / HISTORY)).close()
    assert main(["confirm", "1", "signal-path", "--state", str(tmp_path)]) == 65
    assert "holds no episodes yet" in capsys.readouterr().err
