"""Reads the text of ``lspci -vv -nn -D``, the second witness for what the collectors read of PCI functions."""

import re
from dataclasses import dataclass

_HEAD = re.compile(
    r"(?P<address>[0-9a-f]{4,5}:[0-9a-f]{2}:[0-9a-f]{2}\.[0-7]) (?P<kind>.*?) \[(?P<class>[0-9a-f]{4})\]: "
    r"(?P<name>.*?) \[(?P<vendor>[0-9a-f]{4}):(?P<device>[0-9a-f]{4})\](?: \(rev (?P<revision>[0-9a-f]{2})\))?"
)
_BLOCK = re.compile(
    r"\t+(?:Capabilities: \[[0-9a-f]+(?: v\d)?\] )?(?P<name>[A-Z][A-Za-z0-9 ]*?)(?::| \(v\d\)|$)(?P<text>.*)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One function as lspci lists it: its head line's parts, and each named block's text (``LnkSta``, ``DevCtl``)."""

    address: str
    class_code: int
    """The upper 16 bits: class and subclass."""
    vendor_id: int
    device_id: int
    revision: int
    name: str
    blocks: dict[str, str]

    def flag(self, block: str, name: str) -> bool:
        """Whether a block has ``Name+``; an error where it has neither ``Name+`` nor ``Name-``."""
        found = re.search(rf"(?<![\w-]){re.escape(name)}([+-])", self.blocks[block])
        assert found, f"{self.address}: no flag {name} in {self.blocks[block]!r}"
        return found[1] == "+"

    def words(self, block: str, pattern: str) -> str:
        """Give the group of a pattern that must be in a block."""
        found = re.search(pattern, self.blocks[block])
        assert found, f"{self.address}: no {pattern!r} in {self.blocks[block]!r}"
        return found[1]

    def number(self, block: str, pattern: str) -> float:
        return float(self.words(block, pattern))


def parse_lspci(text: str) -> dict[str, Listed]:
    """Parse the whole listing; functions by their address."""
    listed = {}
    for section in text.strip().split("\n\n"):
        head, *lines = section.splitlines()
        found = _HEAD.match(head)
        assert found, f"not a head line of lspci: {head!r}"
        listed[found["address"]] = Listed(
            address=found["address"],
            class_code=int(found["class"], 16),
            vendor_id=int(found["vendor"], 16),
            device_id=int(found["device"], 16),
            revision=int(found["revision"] or "0", 16),
            name=found["name"],
            blocks=_blocks(lines),
        )
    return listed


def _blocks(lines: list[str]) -> dict[str, str]:
    """Join each block's lines; of two with one name the first is kept (another ``Status`` is power management's)."""
    blocks: dict[str, str] = {}
    name, depth = "", 0
    for line in lines:
        indent = len(line) - len(line.lstrip("\t"))
        found = _BLOCK.fullmatch(line)
        continues = indent > depth and name and not (indent == 2 and found)
        if found and not continues:
            name, depth = found["name"], indent
            blocks.setdefault(name, found["text"])
        elif name:
            blocks[name] += " " + line.strip()
    return blocks
