from boxes.snapshot_box import declare
from laneproof.desk.links import budget_links
from laneproof.desk.problems import BudgetNotes
from laneproof.desk.processor import check_processor


def _check(text: str) -> BudgetNotes:
    build = declare(text)
    notes = BudgetNotes(assume=build.assume)
    links, _ = budget_links(build, notes)
    notes.remarks.clear()
    check_processor(build, links, notes)
    return notes


def _processor(lanes: int) -> str:
    return f"[processor]\nlanes = {lanes}\n"


def _drives(count: int, rest: str = "link = { generation = 4, lanes = 4 }") -> str:
    return "".join(
        f'[[position]]\nlabel = "p{at}"\npath = "0000:00/{at:02x}.0"\n{rest}\noccupant = {{ kind = "nvme" }}\n'
        for at in range(1, count + 1)
    )


def _whats(text: str) -> list[str]:
    return [problem.what for problem in _check(text).problems]


def test_six_drives_of_four_lanes_do_not_fit_on_twenty() -> None:
    (problem,) = _check(_processor(20) + _drives(6)).problems
    assert (problem.what, problem.subject) == ("processor-lanes-exceeded", "processor")
    assert problem.says == (
        "the processor has 20 lanes, and 24 are asked for: p1 x4, p2 x4, p3 x4, p4 x4, p5 x4 and p6 x4; what hangs on"
        " the chipset belongs in an [uplink], with its positions"
    )
    assert _whats(_processor(20) + _drives(5)) == []
    assert _whats(_drives(6)) == []


def test_drives_on_the_chipset_take_the_lanes_of_its_uplink_alone() -> None:
    uplink = '[uplink.chipset]\ngeneration = 4\nlanes = 4\npositions = ["p4", "p5", "p6"]\n'
    assert _whats(_processor(16) + uplink + _drives(6)) == []
    assert _whats(_processor(15) + uplink + _drives(6)) == ["processor-lanes-exceeded"]
    card = '[uplink.card]\ngeneration = 4\nlanes = 4\npath = "0000:00/07.0/00.0/01.0"\n'
    chipset = '[uplink.chipset]\ngeneration = 4\nlanes = 4\npath = "0000:00/07.0"\n'
    assert _whats(_processor(4) + card + chipset) == []


def test_slot_takes_its_branches_or_its_cards_lanes_or_its_devices() -> None:
    slot = '[slot.s]\npath = "0000:00"\nlanes = 16\n'
    in_slot = 'slot = "s"\nlink = { generation = 4, lanes = 4 }'
    assert _whats(_processor(8) + slot + "split = [8, 8]\n" + _drives(1, in_slot)) == ["processor-lanes-exceeded"]
    assert _whats(_processor(4) + slot + _drives(1, in_slot)) == []
    on_card = in_slot + '\nthrough = ["switch-card"]'
    assert _whats(_processor(16) + slot + _drives(6, on_card)) == []
    assert _whats(_processor(15) + slot + _drives(6, on_card)) == ["processor-lanes-exceeded"]


def test_position_without_lanes_is_not_counted_and_remarked_on() -> None:
    notes = _check(_processor(4) + _drives(2, ""))
    assert notes.problems == []
    assert notes.remarks == ["p1 and p2: no lanes declared, so not counted against the processor's 4"]


def test_sata_drive_and_empty_socket_take_no_lanes() -> None:
    text = '[[position]]\nlabel = "a"\npath = "0000:00/17.0/ata-1"\noccupant = { kind = "sata" }\n'
    text += '[[position]]\nlabel = "b"\npath = "0000:00/01.0"\nlink = { lanes = 4 }\noccupant = { kind = "none" }\n'
    notes = _check(_processor(1) + text)
    assert (notes.problems, notes.remarks) == ([], [])
