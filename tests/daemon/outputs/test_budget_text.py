import re
from typing import Any

import pytest

from boxes.snapshot_box import declare
from laneproof.desk.check import check_budget
from laneproof.outputs.budget_text import write_budget
from laneproof.outputs.text_style import Style

FITS = """\
slot.riser = { path = "0000:00", lanes = 16, split = [4, 4, 4, 4] }
supply.watts = 200
bond = [{ name = "bond0", mode = "802.3ad", members = ["enp1s0f0", "enp1s0f1"], member_speed_mbit_s = 10000 }]
array = [{ name = "md0", level = "raid5", members = ["riser-1", "riser-2", "riser-3"] }]
uplink.chipset = { path = "0000:00/02.1", generation = 3, lanes = 4 }
"""
X4 = 'link = { generation = 4, lanes = 4 }\noccupant = { kind = "nvme"'
FITS += "".join(
    f'[[position]]\nlabel = "{label}"\npath = "0000:00/{path}"\n{rest} }}\n'
    for label, path, rest in (
        *((f"riser-{at}", f"01.{at}", f'slot = "riser"\nbranch = {at}\n{X4}, capacity = "4 TB"') for at in (1, 2, 3)),
        ("spare place", "01.4", 'occupant = { kind = "none"'),
        ("deck", "02.1/00.0/01.0", X4),
        ("tray", "02.1/00.0/02.0/ata-1", 'occupant = { kind = "sata", capacity = "8 TB"'),
    )
)
WIDE = 'generation = 5, lanes = 16 }\noccupant = { kind = "nvme" }'


def _write(text: str = FITS, **style: Any) -> str:
    return write_budget(check_budget(declare(text)), Style(**style))


def test_verdict_stands_first_and_the_narrowest_part_next() -> None:
    lines = _write().splitlines()
    assert lines[0] == "kelp-1: FITS if its firmware can split slot riser into 4+4+4+4 (bifurcation)"
    assert _write(FITS.replace("lanes = 16", "lanes = 16, bifurcation = true")).startswith("kelp-1: FITS\n")
    assert lines[1].startswith("Narrowest: bond0: the network carries 2.35 GB/s in all, 1.18 GB/s in one flow")


def test_what_does_not_fit_is_reported_with_both_values() -> None:
    text = _write(FITS.replace("lanes = 16", "lanes = 8"))
    assert text.startswith("kelp-1: DOES NOT FIT - 1 problem\n")
    assert "  riser  slot-lanes-exceeded\n    slot riser has 8 lanes, but its split 4+4+4+4 needs 16\n" in text


def test_positions_stand_in_columns() -> None:
    text = _write()
    few = _write(FITS.replace("lanes = 16", "lanes = 8"))
    assert "  riser-2      nvme   gen 4 x4  7.2 GB/s  7.2 GB/s  5 to 7 GB/s\n  riser-3      nvme   no lanes\n" in few
    assert "  riser-1      nvme   gen 4 x4  7.2 GB/s  7.2 GB/s  5 to 7 GB/s\n" in text
    assert "  spare place  empty\n" in text
    assert "  deck         nvme   gen 4 x4  7.2 GB/s    3 GB/s  5 to 7 GB/s  shares chipset\n" in text
    wide = _write(FITS.replace('generation = 4, lanes = 4 }\noccupant = { kind = "nvme" }', WIDE))
    assert "  riser-1      nvme   gen 4 x4    7.2 GB/s  7.2 GB/s    5 to 7 GB/s\n" in wide
    assert "  tray         sata   6 Gbit/s  599 MB/s  599 MB/s               shares chipset\n" in text


def test_array_says_what_it_holds_survives_costs_and_risks() -> None:
    text = re.sub(r"\s+", " ", _write())
    assert "md0: raid5 of 3, 8 TB usable of 12 TB, survives 1 failed" in text
    assert "known to be reached: reading 3.5 to 4.5 GB/s, writing 2 to 3 GB/s in sequence" in text
    assert "one small write costs 4 operations of its members" in text
    assert "a rebuild takes 5 h 26 min at 205 MB/s, set by the rebuild's own ceiling." in text
    # 1 - exp(-8 TB x 8 bits x 1e-15) = 6.2 %
    assert "some block cannot be read in 6.2 %, which loses that block" in text


def test_network_says_that_one_flow_stays_on_one_member() -> None:
    assert "bond0: 2 ports, 802.3ad, 20 Gbit/s together, 10 Gbit/s in one flow" in _write()


def test_every_assumption_is_printed_with_its_source() -> None:
    checked = check_budget(declare(FITS))
    text = re.sub(r"\s+", " ", write_budget(checked, Style()))
    assert checked.assumptions
    for assumption in checked.assumptions:
        assert re.sub(r"\s+", " ", f"{assumption.says} ({assumption.source})") in text


def test_bare_box_is_shown_what_is_not_known() -> None:
    text = _write('[[position]]\nlabel = "a"\npath = "0000:00/01.1"\n')
    assert "Narrowest: not known, since no link is declared" in text
    assert "gen ? x?" in text


@pytest.mark.parametrize(
    ("level", "said"),
    [
        ("raid0", "md0: raid0 of 4, 20 TB usable of 20 TB, survives no failure"),
        (
            "raid6",
            "(data is lost in less than 1 in a million), and some block cannot be read in 9.2 %, which is made up for",
        ),
        ("linear", "md0: linear of 4 Network"),
    ],
)
def test_each_level_is_reported_in_its_own_words(level: str, said: str) -> None:
    text = FITS.replace('"riser-3"]', '"riser-3", "tray"]').replace("raid5", level)
    assert said in re.sub(r"\s+", " ", _write(text))
