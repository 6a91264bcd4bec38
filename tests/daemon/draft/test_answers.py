"""What the owner says of positions goes into the draft, and arrays follow."""

from boxes.snapshot_box import kelp_box, make_array
from laneproof.declaration.file import parse_build
from laneproof.draft.answers import Answer, apply_answers
from laneproof.draft.facts import gather_draft
from laneproof.draft.file import write_draft


def test_the_owners_words_leave_no_question_open() -> None:
    box = kelp_box(2).with_group(arrays=(make_array("md0", ("nvme0n1", "nvme1n1")),))
    draft = gather_draft(box.snapshot(), box_name="kelp-1")
    first, second = (position.path for position in draft.positions)
    answers = {first: Answer(label="upper", through=("board", "key-adapter")), second: Answer(label="lower")}
    text = write_draft(apply_answers(draft, answers))
    build = parse_build(text, name="drafted")
    assert [position.label for position in build.position] == list(build.array[0].members) == ["upper", "lower"]
    assert [part.kind for part in build.position[0].through] == ["board", "key-adapter"]
    position_lines = text[text.index("[[position]]") :]
    assert position_lines.count("TODO") == 1  # the second one's through, which nobody said
    assert 'label = "upper"\n' in text
