"""A question is asked until its answer can be taken; without a terminal none is asked."""

import os
import sys
from io import StringIO

import pytest

from laneproof.commands.errors import CommandError
from laneproof.commands.questions import Questions
from support.terminal import Terminal


@pytest.mark.parametrize(
    ("typed", "offered", "answer"),
    [("yes\n", False, True), ("N\n", True, False), ("\n", True, True), ("maybe\n  no \n", True, False)],
)
def test_yes_and_no_are_told_apart(monkeypatch: pytest.MonkeyPatch, typed: str, offered: bool, answer: bool) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal(typed))
    assert Questions(take_offered=False).confirm("Go on?", offered=offered) is answer


def test_a_wrong_answer_is_explained_and_asked_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdin", Terminal("four\n4\n"))
    assert Questions(take_offered=False).ask("Lanes", int) == 4
    assert "invalid literal" in capsys.readouterr().out


def test_where_nobody_is_asked_the_offer_is_taken_and_a_wrong_offer_is_a_fault() -> None:
    questions = Questions(take_offered=True)
    assert questions.ask("Lanes", int, offered="4") == 4
    with pytest.raises(ValueError, match="invalid literal"):
        questions.ask("Lanes", int, offered="four")


@pytest.mark.parametrize("stdin", [None, StringIO("yes\n")])
def test_without_a_terminal_nobody_is_asked(monkeypatch: pytest.MonkeyPatch, stdin: StringIO | None) -> None:
    monkeypatch.setattr(sys, "stdin", stdin)
    with pytest.raises(CommandError, match="with --yes") as caught:
        Questions(take_offered=False)
    assert caught.value.status == os.EX_USAGE
