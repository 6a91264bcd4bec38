from laneproof.declaration.assumptions import BASES, Assumptions
from laneproof.desk.problems import BudgetNotes


def test_assumption_is_reported_once_it_was_used() -> None:
    notes = BudgetNotes(assume=Assumptions())
    assert notes.assumptions == ()
    assert notes.figure("nvme_watts") == notes.figure("nvme_watts") == 9.0
    (used,) = notes.assumptions
    assert (used.key, used.value, used.unit, used.declared) == ("nvme_watts", 9.0, "W", False)
    assert (used.says, used.source) == ("an NVMe drive at full load", BASES["nvme_watts"].source)


def test_owners_own_figure_is_reported_as_declared() -> None:
    notes = BudgetNotes(assume=Assumptions.model_validate({"nvme_watts": 5}))
    assert notes.figure("nvme_watts") == 5.0
    assert (notes.assumptions[0].declared, notes.assumptions[0].source) == (True, "declared")


def test_figures_stand_in_the_order_of_their_keys_and_before_words() -> None:
    notes = BudgetNotes(assume=Assumptions())
    notes.assumption("the sea is salt", "common practice, no source")
    for key in ("board_watts", "max_payload_bytes", "nvme_watts"):
        notes.figure(key)
    assert [used.key for used in notes.assumptions] == ["max_payload_bytes", "nvme_watts", "board_watts", None]


def test_remark_is_made_once() -> None:
    notes = BudgetNotes(assume=Assumptions())
    notes.remark("a")
    notes.remark("a")
    assert notes.remarks == ["a"]
