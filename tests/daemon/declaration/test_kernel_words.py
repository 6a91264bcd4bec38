import pytest
from pydantic import ValidationError

from boxes.snapshot_box import declare
from laneproof.declaration.kernel_words import is_aspm_off, parse_bond_mode, parse_level


@pytest.mark.parametrize(
    ("word", "level"),
    [
        ("raid5", "raid5"), ("RAID 5", "raid5"), ("5", "raid5"), (" Raid-10 ", "raid10"), ("linear", "linear"),
        ("raidz2", "raidz2"), ("raid1+raid1c3", "raid1+raid1c3"),
    ],
)  # fmt: skip
def test_level_is_read_as_people_write_it(word: str, level: str) -> None:
    assert parse_level(word) == level


@pytest.mark.parametrize(
    ("word", "mode"), [("802.3ad", "802.3ad"), ("802.3ad 4", "802.3ad"), ("4", "802.3ad"), ("1", "active-backup")]
)
def test_bond_mode_is_read_by_name_number_or_both(word: str, mode: str) -> None:
    # kernel Documentation/networking/bonding.rst, mode: balance-rr is 0, active-backup 1, ..., 802.3ad 4
    assert parse_bond_mode(word) == mode


@pytest.mark.parametrize(
    ("text", "says"),
    [
        *((f'[[array]]\nname = "md0"\nlevel = "{word}"', "is no level of an array; it can be linear, raid0, raid1")
          for word in ("raid", "raid7", "raid50", "odd", "raid1+")),
        *((f'[[bond]]\nname = "b"\nmode = "{word}"', "is no mode of a bond; it can be balance-rr, active-backup")
          for word in ("lacp", "7", "802.3ad 1")),
        ('[[array]]\nname = "md0"\nlevel = 5', "string"),
        ('[[bond]]\nname = "b"\nmode = 4', "string"),
    ],
)  # fmt: skip
def test_word_that_the_kernel_does_not_have_is_refused(text: str, says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        declare(text)


@pytest.mark.parametrize(
    ("word", "is_it"),
    [("pcie_aspm=off", True), ("pcie-aspm=off", True), ("pcie_aspm=force", False), ("pcie_port_pm=off", False)],
)
def test_word_that_gives_up_error_reporting_is_known(word: str, is_it: bool) -> None:
    # kernel kernel/params.c, parameq: a name's - and _ are the same
    assert is_aspm_off(word) is is_it
