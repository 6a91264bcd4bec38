"""laneproof work: begun, shown and ended through the notifier's folder."""

from pathlib import Path

import pytest

from contracts.hand_made import Ended, inside
from laneproof.commands.errors import CommandError
from laneproof.commands.work import parse_length
from laneproof.notification.decisions import Reports, Work
from laneproof.notification.state_folder import NotifierState, StateFolder


def work(tmp_path: Path, *words: str) -> Ended:
    config = tmp_path / "notify.toml"
    config.write_text(f'urls = ["x://y"]\nstate = "{tmp_path}"\n')
    return inside("work", *words, "--config", config)


def test_work_is_begun_and_ended_by_requests(tmp_path: Path) -> None:
    assert "kept and not sent" in work(tmp_path, "start", "swap riser-2", "--for", "30m").out
    (request,) = StateFolder(tmp_path).read_requests()
    assert (request["do"], request["text"]) == ("start-work", "swap riser-2")
    assert request["until"] - request["since"] == 1800.0
    assert work(tmp_path).out.startswith("no work is planned\na request waits for the notifier")
    StateFolder(tmp_path).clear_requests()
    assert work(tmp_path, "end").status == 0
    assert StateFolder(tmp_path).read_requests() == [{"do": "end-work"}]


def test_what_was_kept_is_shown(tmp_path: Path) -> None:
    assert work(tmp_path).out == "no work is planned\n"
    planned = Work(text="swap riser-2", since=0.0, until=7200.0, kept=("riser-2: position-empty",))
    StateFolder(tmp_path).save(NotifierState(reports=Reports(work=planned)))
    assert work(tmp_path).out == (
        "swap riser-2: since 1970-01-01 00:00 UTC, until 1970-01-01 02:00 UTC; kept and not sent:\n"
        "  riser-2: position-empty\n"
    )


@pytest.mark.parametrize(("text", "seconds"), [("30m", 1800.0), ("2h", 7200.0), ("1d", 86400.0), ("7d", 604800.0)])
def test_lengths(text: str, seconds: float) -> None:
    assert parse_length(text) == seconds


@pytest.mark.parametrize("text", ["", "2", "h", "0h", "8d", "-1h", "2 h", "٢h"])
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(CommandError):
        parse_length(text)


def test_work_without_words_is_refused(tmp_path: Path) -> None:
    ended = work(tmp_path, "start")
    assert (ended.status, "say what is done" in ended.err) == (64, True)
