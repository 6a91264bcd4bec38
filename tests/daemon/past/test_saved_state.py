"""The kept state: plain JSON, read again without loss, and refused with a sentence where it cannot be used."""

import json
from pathlib import Path

import pytest

from boxes.losing_box import DOWN, four
from boxes.simulated_past import HOUR, Story
from laneproof.engine import Engine
from laneproof.past.saved_state import SCHEMA, LedgerStateError, load_state


def test_the_state_is_plain_json_and_says_its_version() -> None:
    state = Story().observe(four()).observe(four(), after=HOUR, log=(DOWN,)).ledger.as_state()
    assert json.loads(json.dumps(state, allow_nan=False)) == state
    assert state["schema"] == SCHEMA


def test_what_an_earlier_version_kept_is_read_and_written_without_loss() -> None:
    kept = json.loads(Path(__file__).with_name("state_1.json").read_text(encoding="utf-8"))
    engine = Engine(None)
    engine.restore((), kept)
    new: dict[str, object] = {"still": {}, "rests": {}}  # of fans, which that version did not keep
    assert engine.as_state() == kept | {"box": kept["box"] | new}


@pytest.mark.parametrize(
    ("state", "said"),
    [
        ({}, "version None"),
        ({"schema": 99}, "version 99"),
        ({"schema": SCHEMA, "drops": {"drops": 7}}, "damaged at drops.drops"),
        ({"schema": SCHEMA, "timeline": {"now": "yesterday"}}, "damaged at timeline.now"),
    ],
)
def test_a_state_that_cannot_be_used_is_refused_with_a_sentence(state: dict[str, object], said: str) -> None:
    with pytest.raises(LedgerStateError, match=said):
        load_state(state)
