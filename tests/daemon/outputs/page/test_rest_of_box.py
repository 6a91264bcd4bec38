"""The rest of the box on the page."""

from dataclasses import replace
from typing import Any

import pytest

from boxes.snapshot_box import Box, declare, kelp_box, make_firmware
from laneproof.outputs.page.rest_of_box import (
    write_arrays,
    write_declaration,
    write_machine,
    write_network,
    write_overdue,
)
from laneproof_collectors.unread import Reason, Unread
from support.html_tree import Node, read_html

GAP = Unread("it", "made up", Reason.FAILED)


def rows(markup: str) -> list[dict[str, str]]:
    return [
        {str(part.attributes["data-label"]): part.text for part in row.content if isinstance(part, Node)}
        for row in read_html(markup).one("tbody").all("tr")
    ]


def array(**facts: Any) -> dict[str, str]:
    written = write_arrays(kelp_box(2).with_array("md0", ("nvme0n1", "nvme1n1"), **facts).snapshot())
    assert written is not None
    (row,) = rows(written)
    return row


def test_an_array_is_reported_with_what_is_missing_and_what_runs() -> None:
    row = array(degraded=1, state="clean", sync_action="recover", sync_completed=0.25)
    assert row["Missing"] == "1"
    assert row["State"].startswith("clean, 2 of ")
    assert row["Running"] == "recover, 25%"
    assert array(degraded=0)["Missing"] == "none"


@pytest.mark.parametrize(
    ("action", "words"), [("idle", "nothing"), (None, "nothing"), (GAP, "unverified"), ("check", "check")]
)
def test_what_runs_on_an_array(action: object, words: str) -> None:
    assert array(sync_action=action)["Running"] == words


def test_what_was_not_read_of_an_array_is_unverified() -> None:
    row = array(degraded=GAP, level=GAP, state=GAP)
    assert (row["Missing"], row["Level"], row["State"].split(",")[0]) == ("unverified",) * 3


def test_groups_that_are_not_there_are_left_out_and_unread_ones_say_so() -> None:
    snapshot = Box().snapshot()
    assert write_arrays(snapshot) is None
    assert write_network(snapshot) == (None, None)
    unread = replace(snapshot, arrays=GAP)
    assert "could not read it: made up" in str(write_arrays(unread))


def test_ports_and_bonds_are_reported() -> None:
    box = Box().with_network("0000:00/03.0", "enp3s0", speed=2500).with_bond("bond0", ("enp3s0", "enp4s0"))
    ports, bonds = write_network(box.snapshot())
    assert ports is not None
    assert bonds is not None
    assert rows(ports)[0]["Speed"] == "2500 Mbit/s"
    assert rows(bonds)[0]["Carrying"] == "2 of 2 members"
    down, _ = write_network(Box().with_network("0000:00/03.0", "enp3s0", speed=None).snapshot())
    assert down is not None
    assert rows(down)[0]["Speed"] == "not reported"


def test_the_machine_is_reported() -> None:
    firmware = make_firmware(board_name="Tidewrack M5", bios_version="1.20", bios_date="03/14/2026")
    shown = read_html(write_machine(Box().with_group(firmware=firmware).snapshot())).text
    assert "Tidewrack M5" in shown
    assert "1.20 of 03/14/2026" in shown
    assert "Read 2026-09-21 14:13 UTC" in shown
    assert "Up for 1 h 0 min" in shown
    assert "2 d 3 h" in str(write_machine(replace(Box().snapshot(), up_seconds=51 * 3600.0)))
    assert "unverified" in str(
        write_machine(Box().with_group(firmware=make_firmware(bios_version=GAP, bios_date=GAP)).snapshot())
    )
    assert "Board" not in str(write_machine(replace(Box().snapshot(), firmware=GAP)))


def test_the_declaration_is_reported_only_where_something_is_wrong() -> None:
    assert write_declaration(declare(""), None) is None
    assert "None is in force." in str(write_declaration(None, "wrong"))
    notice = read_html(str(write_declaration(declare(""), "line 3: a\nline 9: b"))).one(class_="message", role="alert")
    assert "The last good one stays in force." in notice.text
    assert [element.text for element in notice.all("li")] == ["line 3: a", "line 9: b"]


def test_nobody_overdue_is_nothing_said() -> None:
    assert write_overdue({}) is None
