"""The audit's text: what stands first, and that it fits the reader's terminal whatever a device calls itself."""

import re
from dataclasses import replace

from boxes.snapshot_box import Box, kelp_box
from boxes.troubled_box import BUILD, Judged, judge, make_snapshot, troubled
from laneproof.engine import Engine
from laneproof.findings import Cause
from laneproof.outputs.audit_text import write_audit
from laneproof.outputs.text_style import NARROWEST, Style
from laneproof_collectors.unread import Reason, Unread

ESCAPE = re.compile(r"\x1b\[[0-9;]*m")
PLAIN = Style()


def write(judged: Judged, style: Style = PLAIN) -> str:
    return write_audit(judged.build, judged.snapshot, judged.findings, style)


def test_the_verdict_stands_first_with_what_it_counts() -> None:
    first = write(troubled()).splitlines()[0]
    assert first == "kelp-1: DIFFERS - 4 differ, 1 sign of failure, 1 unverified, 1 accepted"


def test_a_box_as_declared_holds_in_one_line_and_a_tree() -> None:
    text = write(judge('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"', kelp_box(1).snapshot()))
    assert text.splitlines() == [
        "kelp-1: HOLDS - everything declared holds",
        "",
        "Inventory, declared → trained",
        "  0000:00",
        "  └─ 01.1 riser-1    gen4 x4  nvme0 4 TB Fulmar N4",
    ]


def test_each_kind_has_its_heading_and_the_loudest_stands_first() -> None:
    text = write(troubled())
    places = [text.index(f"\n{heading}\n") for heading in (
        "Signs of failure", "Not as declared", "Could not be verified", "Accepted for now",
        "Inventory, declared → trained",
    )]  # fmt: skip
    assert places == sorted(places)


def test_a_finding_says_what_why_and_what_next() -> None:
    lines = write(troubled()).splitlines()
    at = lines.index("  riser-2  signal-errors (critical)")
    assert lines[at + 1 : at + 6] == [
        "    riser-2 counts 5 receiver errors in 10 s at 16 GT/s x4, above what the",
        "      standard allows",
        "    likely cause: the signal path (socket, carrier, adapter or cable), 82%: both",
        "      ends count; a flexible cable is between",
        "    next: Reseat the cable with the box off.",
    ]


def test_an_undetermined_cause_is_not_called_likely() -> None:
    cause = Cause(cause="undetermined", probability=0.4, because=("no cause stands out",))
    facts = troubled()
    undecided = tuple(replace(finding, causes=(cause,)) for finding in facts.findings)
    text = write(replace(facts, findings=undecided))
    assert "    cause undetermined: no cause stands out\n" in text
    assert "likely undetermined" not in text


def test_what_is_accepted_is_reported_with_the_owners_reason_and_not_among_the_rest() -> None:
    text = write(troubled())
    before, after = text.split("Accepted for now")
    assert "deck-1  link-slow" in after
    assert "(because spare cable on order)" in re.sub(r"\s+", " ", after)
    assert "link-slow (" not in before


def test_the_tree_marks_trouble_and_doubt_by_a_character() -> None:
    tree = write(troubled()).split("trained\n")[-1]
    marks = {label: bool(re.search(rf"{label} +! ", tree)) for label in ("riser-1", "riser-2", "riser-3", "deck-1")}
    assert marks == {"riser-1": False, "riser-2": True, "riser-3": True, "deck-1": True}
    assert re.search(r"riser-1 +\? ", tree)


def test_declared_and_trained_stand_at_each_hop() -> None:
    tree = write(troubled()).split("trained\n")[-1]
    assert re.search(r"01\.2 riser-2 +! gen4 x4 → gen4 x2  nvme1 4 TB Gannet", tree)
    assert re.search(r"01\.3 riser-3 +! gen4 x4 → no link  empty", tree)
    assert re.search(r"02\.1 +gen4 x8\n", tree)


def test_a_position_whose_bridge_is_missing_hangs_on_the_root_by_its_whole_path() -> None:
    build = '[[position]]\nlabel = "lost"\npath = "0000:00/1c.0/00.0/02.0"\noccupant = { kind = "nvme" }'
    assert "  └─ 1c.0/00.0/02.0 lost  ! " in write(judge(build, Box().snapshot()))


def test_what_both_ends_could_do_is_reported_where_nothing_is_declared() -> None:
    snapshot = kelp_box(0).with_port("0000:00/01.1", target=1).with_drive("0000:00/01.1").snapshot()
    assert "gen1 x4 of gen4 x4" in write(judge(None, snapshot))


def test_without_a_declaration_draft_is_offered_and_with_one_it_is_not() -> None:
    snapshot = make_snapshot()
    text = write(judge(None, snapshot))
    assert "'laneproof draft -o build.toml'" in text
    assert text.splitlines()[0].startswith("kelp-1: ")  # the machine's own name
    assert "laneproof draft" not in write(judge(BUILD, snapshot))


def test_a_tree_that_could_not_be_read_says_so_and_shows_no_empty_box() -> None:
    gap = Unread("/sys/bus/pci/devices", "permission denied (EACCES)", Reason.DENIED)
    text = write(judge(None, Box().with_group(functions=gap).snapshot()))
    assert "UNVERIFIED" in text.splitlines()[0]
    assert text.count("could not read /sys/bus/pci/devices: permission denied") >= 1
    assert "no drive" not in text


def test_a_narrow_tree_gives_each_link_a_line_of_its_own_under_its_position() -> None:
    text = write(troubled(), Style(width=NARROWEST))
    assert "  ├─ 01.2 riser-2  !\n  │    gen4 x4 → gen4 x2  nvme1" in text


def test_colour_repeats_what_the_words_say() -> None:
    assert write(troubled(), Style(colour=True)).startswith("\x1b[1;31mkelp-1: DIFFERS\x1b[0m - ")


def test_ascii_is_enough_for_a_terminal_that_has_no_more() -> None:
    text = write(troubled(), Style(unicode=False))
    assert "gen4 x4 -> gen4 x2" in text
    assert "`- 02.1" in text


def test_a_word_in_another_script_is_reported_as_far_as_ascii_goes() -> None:
    judged = judge('[[position]]\nlabel = "Fach Süd °2"\npath = "0000:00/01.1"', kelp_box(1).snapshot())
    assert "01.1 Fach S?d  deg 2" in write(judged, Style(unicode=False))
    assert "01.1 Fach Süd °2" in write(judged)


def test_four_dozen_drives_stay_a_line_each() -> None:
    judged = judge(None, kelp_box(24).snapshot())
    assert write(judged).count("Fulmar N4") == 24
    assert Engine(None).observe(judged.snapshot).snapshot == judged.snapshot  # judging leaves the facts as they were


def test_the_text_is_the_same_for_findings_in_any_order() -> None:
    judged = troubled()
    assert write(judged) == write(replace(judged, findings=tuple(reversed(judged.findings))))
