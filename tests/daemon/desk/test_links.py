import pytest

from boxes.snapshot_box import declare
from laneproof.desk.links import LinkBudget, SharedLink, budget_links
from laneproof.desk.problems import BudgetNotes


def _budget(text: str) -> tuple[dict[str, LinkBudget], tuple[SharedLink, ...], BudgetNotes]:
    build = declare(text)
    notes = BudgetNotes(assume=build.assume)
    links, shared = budget_links(build, notes)
    return {link.label: link for link in links}, shared, notes


def _position(label: str, path: str, rest: str = "link = { generation = 4, lanes = 4 }") -> str:
    return f'[[position]]\nlabel = "{label}"\npath = "{path}"\n{rest}\n'


def test_link_carries_what_the_specification_says() -> None:
    # PCI Express base specification: transfer rate times line code over 8; Intel AN 456 and AN 829: 256 bytes of
    # payload cost 24 bytes with a header of 4 double words, which reading takes, and 20 with one of 3
    link = _budget(_position("a", "0000:00/01.1", "link = { generation = 3, lanes = 8 }"))[0]["a"]
    assert link.link_bytes_per_second == pytest.approx(8e9 * 128 / 130 / 8 * 8)
    assert link.payload_bytes_per_second == pytest.approx(8e9 * 128 / 130 / 8 * 8 * 256 / 280)
    assert link.write_payload_bytes_per_second == pytest.approx(8e9 * 128 / 130 / 8 * 8 * 256 / 276)


def test_payload_follows_the_owners_own_figure() -> None:
    links, _, notes = _budget("[assume]\nmax_payload_bytes = 128\n" + _position("a", "0000:00/01.1"))
    assert links["a"].payload_bytes_per_second == pytest.approx(7_876_923_077 * 128 / 152)
    (used,) = notes.assumptions
    assert (used.key, used.value, used.declared) == ("max_payload_bytes", 128, True)


def test_link_is_the_least_of_socket_and_device() -> None:
    rest = "link = { generation = 4, lanes = 4 }\noccupant = { generation = 3, lanes = 2 }"
    links, _, _ = _budget(_position("a", "0000:00/01.1", rest))
    assert (links["a"].generation, links["a"].lanes, links["a"].limited_by) == (3, 2, None)


def test_what_holds_a_device_back_is_named() -> None:
    rest = 'key = "E"\nthrough = ["key-adapter"]\nlink = { generation = 3 }\noccupant = { generation = 4, lanes = 4 }'
    links, _, _ = _budget(_position("a", "0000:00/01.1", rest))
    assert (links["a"].generation, links["a"].lanes, links["a"].limited_by) == (3, 1, "link and key E")


def test_branch_and_slot_limit_a_link_that_does_not_say_itself() -> None:
    slot = '[slot.s]\npath = "0000:00"\ngeneration = 4\nlanes = 8\nsplit = [4, 4]\n'
    links, _, _ = _budget(slot + _position("a", "0000:00/01.1", 'slot = "s"\nbranch = 1\n'))
    assert (links["a"].generation, links["a"].lanes) == (4, 4)


@pytest.mark.parametrize(
    ("path", "rest", "remarks"),
    [
        (
            "0000:00/01.1",
            "link = { generation = 4 }",
            ["a: neither its link nor its device says generation and lanes, so it has no ceiling"],
        ),
        ("0000:00/01.1", 'occupant = { kind = "none" }', []),
        (
            "0000:00/14.0/usb-1",
            'occupant = { kind = "usb" }',
            ["a: what a USB drive gets depends on its port and its bridge, so it has no ceiling"],
        ),
    ],
)
def test_what_has_no_ceiling_says_why_if_it_should_have(path: str, rest: str, remarks: list[str]) -> None:
    links, _, notes = _budget(_position("a", path, rest))
    assert links["a"].link_bytes_per_second is None
    assert notes.remarks == remarks


def test_sata_drive_has_the_ceiling_of_its_own_link() -> None:
    # Serial ATA revision 3: 6 Gb/s with 8b/10b coding is 600 MB/s
    links, _, notes = _budget(_position("a", "0000:00/17.0/ata-1", 'occupant = { kind = "sata" }'))
    assert links["a"].link_bytes_per_second == 600_000_000
    # A data frame holds 2,048 double words at most; its start, header, check and end are one each (from memory).
    assert links["a"].payload_bytes_per_second == pytest.approx(600e6 * 2048 / 2052)
    assert [assumption.says for assumption in notes.assumptions] == ["SATA drives are linked at 6 Gb/s"]


_SWITCH = (
    '[slot.s]\npath = "0000:00/03.1"\ngeneration = 4\nlanes = 8\n'
    + _position(
        "a", "0000:00/03.1/00.0/01.0", 'slot = "s"\nthrough = ["switch-card"]\nlink = { generation = 4, lanes = 4 }'
    )
    + _position(
        "b", "0000:00/03.1/00.0/02.0", 'slot = "s"\nthrough = ["switch-card"]\nlink = { generation = 4, lanes = 4 }'
    )
    + _position(
        "c", "0000:00/03.1/00.0/03.0", 'slot = "s"\nthrough = ["switch-card"]\nlink = { generation = 3, lanes = 2 }'
    )
)


def test_drives_behind_a_switch_card_share_the_link_of_its_slot() -> None:
    links, (shared,), _ = _budget(_SWITCH)
    assert shared.positions == ("a", "b", "c")
    assert shared.is_narrow
    busy = {label: one.all_busy_bytes_per_second for label, one in links.items()}
    together = sum(link or 0 for link in busy.values())
    assert together == pytest.approx(shared.payload_bytes_per_second)
    # the slow one gets all that it can take, the others share what is left
    assert busy["c"] == pytest.approx(links["c"].payload_bytes_per_second)
    assert busy["a"] == busy["b"]


def test_drives_below_a_chipset_share_its_uplink_by_path() -> None:
    uplink = '[uplink.chipset]\npath = "0000:00/02.1"\ngeneration = 4\nlanes = 4\n'
    text = (
        uplink
        + _position("a", "0000:00/02.1/00.0/01.0")
        + _position("b", "0000:00/02.1/00.0/02.0")
        + _position("c", "0000:00/01.1")
    )
    links, (shared,), _ = _budget(text)
    assert (shared.name, shared.positions) == ("chipset", ("a", "b"))
    assert links["a"].all_busy_bytes_per_second == pytest.approx((links["a"].payload_bytes_per_second or 0) / 2)
    assert links["c"].all_busy_bytes_per_second == links["c"].payload_bytes_per_second
    assert links["a"].shared == ("chipset",)


def test_uplink_can_name_its_positions() -> None:
    text = '[uplink.a]\npositions = ["a"]\ngeneration = 1\nlanes = 1\n' + _position("a", "0000:00/01.1")
    links, _, _ = _budget(text)
    assert links["a"].all_busy_bytes_per_second == pytest.approx(250e6 * 256 / 280)


def test_shared_link_is_narrow_by_what_goes_one_way() -> None:
    # PCI Express is full duplex: drives are read one way, network cards send the other
    uplink = '[uplink.chipset]\npositions = ["drive", "lan"]\ngeneration = 4\nlanes = 4\n'
    card = _position("lan", "0000:00/02.0", 'link = { generation = 4, lanes = 4 }\noccupant = { kind = "network" }')
    drive = _position("drive", "0000:00/01.1", "link = { generation = 4, lanes = 2 }")
    links, (shared,), _ = _budget(uplink + drive + card)
    assert not shared.is_narrow
    assert shared.wanted_bytes_per_second == links["drive"].payload_bytes_per_second
    both = card + card.replace('"lan"', '"drive"').replace("02.0", "03.0")
    _, (shared,), _ = _budget(uplink + both)
    assert shared.is_narrow
    assert shared.wanted_bytes_per_second == pytest.approx(2 * (links["lan"].payload_bytes_per_second or 0))


def test_position_of_the_card_itself_is_the_link_of_those_below() -> None:
    text = (
        _position("card", "0000:00/03.1")
        + _position("a", "0000:00/03.1/00.0/01.0")
        + _position("b", "0000:00/03.1/00.0/02.0")
    )
    links, (shared,), _ = _budget(text)
    assert (shared.name, shared.positions) == ("card", ("a", "b"))
    assert links["a"].all_busy_bytes_per_second == pytest.approx((links["a"].payload_bytes_per_second or 0) / 2)


def test_switch_card_whose_own_link_is_not_declared_is_remarked_on_once() -> None:
    rest = 'through = ["switch-card"]\nlink = { generation = 4, lanes = 4 }'
    text = _position("a", "0000:00/03.1/00.0/01.0", rest) + _position("b", "0000:00/03.1/00.0/02.0", rest)
    _, shared, notes = _budget(text)
    assert shared == ()
    assert [remark.partition(":")[0] for remark in notes.remarks] == ["a and b"]


def test_uplink_that_says_too_little_takes_no_limit() -> None:
    text = '[uplink.x]\npositions = ["a"]\nlanes = 4\n' + _position("a", "0000:00/01.1")
    links, _, notes = _budget(text)
    assert links["a"].all_busy_bytes_per_second == links["a"].payload_bytes_per_second
    assert any("no limit is taken" in remark for remark in notes.remarks)
