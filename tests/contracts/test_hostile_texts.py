"""Whatever a device, a log or an owner calls itself steers no terminal, breaks no markup and forges no line.

The texts below stand in every name of the demo's box, its kernel log and its declaration; each command is run over it.
Sources: ECMA-48, control functions and their C1 forms; Unicode Standard Annex 9, the marks of direction.
"""

import base64
import gzip
import json
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from contracts.hand_made import JsonObject, inside, write
from contracts.test_hostile_input import DEMO
from support.html_tree import read_html

STEERING = "\x1b[2J\x1b]0;x\x07\x9b31m\x7f\x08\r\u202e\u2066\u200f\u2028"
FORGED = "\n<2>laneproof: forged\n"
MARKUP = "<b id=x>\"'&]]>{{x}}"
HOSTILE = f"a{MARKUP}{STEERING}{FORGED}z"
NAMES = {
    "model", "serial", "firmware_rev", "board_name", "board_vendor", "bios_vendor", "sys_vendor", "product_name",
    "hostname", "level", "array_state", "mode", "operstate", "power_state", "policy", "cmdline", "sync_action",
    "transport", "current_link_speed", "control", "mii_status", "duplex", "state", "wwid",
}  # fmt: skip
LABELS = ("riser-2", "riser-3", "kelp-1", "spare cable")


def spoil(frame: JsonObject) -> JsonObject:
    """Put the texts in every name."""
    files = {
        path: text.rstrip() + HOSTILE + "\n" if path.rpartition("/")[2] in NAMES else text
        for path, text in frame.get("files", {}).items()
    }
    escaped = "".join(f"\\x{byte:02x}" if byte < 32 or byte > 126 else chr(byte) for byte in HOSTILE.encode())
    spoilt = frame | {"files": files, "kmsg": [record.rstrip("\n") + escaped for record in frame.get("kmsg", ())]}
    spoilt["nvme"] = {
        name: answers and {key: spoil_identify(value) if key == "identify" else value for key, value in answers.items()}
        for name, answers in frame.get("nvme", {}).items()
    }
    return spoilt


def spoil_identify(page: object) -> object:
    """Put them into serial number, model and firmware. Source: NVM Express Base 2.0, figure 275: bytes 4, 24 and 64."""
    if not isinstance(page, str):
        return page
    raw = bytearray(base64.b64decode(page))
    for at, text in ((4, STEERING), (24, MARKUP + STEERING[:9]), (64, STEERING[-9:])):
        put = text.encode("utf-8")[: {4: 20, 24: 40, 64: 8}[at]]
        raw[at : at + len(put)] = put
    return base64.b64encode(raw).decode()


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    with gzip.open(DEMO / "kelp-1.jsonl.gz", "rt") as lines:
        _header, first, *rest = map(json.loads, lines)
    rest = [frame for frame in rest if "kmsg" in frame][:12]
    rest[-1]["notes"] = [{"position": None, "text": HOSTILE}, {"position": "riser-3", "text": HOSTILE}]
    write(folder / "box.jsonl", *map(spoil, (first, *rest)))
    build = (DEMO / "kelp-1.toml").read_text()
    for label in LABELS:
        build = build.replace(f'"{label}"', json.dumps(label + HOSTILE).replace("\x7f", "\\u007f"))
    (folder / "build.toml").write_text(build)
    return folder


def commands(folder: Path) -> list[list[object]]:
    recording, build = folder / "box.jsonl", folder / "build.toml"
    here = ["--from", recording, "--build", build]
    return [
        ["audit", *here],
        ["audit", *here, "--json"],
        ["audit", "--from", recording],
        ["audit", *here, "--html", folder / "audit.html"],
        ["audit", *here, "--follow"],
        ["audit", *here, "--follow", "--json"],
        ["budget", build],
        ["budget", build, "--json"],
        ["budget", build, "--picture", folder / "budget.svg"],
        ["changes", f"{recording}@1790000000", recording, "--build", build],
        ["draft", "--from", recording],
        ["draft", "--from", recording, "--update", build],
        ["events", *here],
        ["events", *here, "--json"],
        ["metrics", *here],
        ["replay", recording, "--build", build],
        ["replay", recording, "--build", build, "--json"],
        ["trend", "nvme0", *here],
        ["trend", "riser-3", *here],
        ["where", *here],
        ["where", "nvme0", *here, "--picture", folder / "where.svg"],
        ["replace", "nvme0", *here, "--yes"],
        ["replace", f"riser-3{HOSTILE}", *here, "--yes", "--picture", folder / "replace.svg"],
        ["where", HOSTILE, *here],
    ]


@pytest.mark.parametrize("number", range(24))
def test_no_text_steers_a_terminal_or_forges_a_line(box: Path, number: int) -> None:
    command = commands(box)[number]
    ended = inside(*command, lines=None)
    assert ended.status in {0, 1, 2, 64, 66}, (command, ended.err)
    if command[0] == "metrics":  # for a program, which is given every name as it is
        labels = {value for family in text_string_to_metric_families(ended.out) for sample in family.samples
                  for value in sample.labels.values()}  # fmt: skip
        assert any(HOSTILE in value for value in labels)
        return
    for text in (ended.out, ended.err):
        bad = sorted({character for character in text if not (character.isprintable() or character == "\n")})
        assert not bad, (command, bad)
        forged = [line for line in text.splitlines() if line.startswith("<2>") or line == "laneproof: forged"]
        assert not forged, (command, forged)
    if "--json" in command:
        for line in ended.out.splitlines() if {"replay", "--follow"} & {*command} else [ended.out]:
            json.loads(line)


def test_no_text_breaks_markup(box: Path) -> None:
    for number in (3, 8, 20, 22):
        inside(*commands(box)[number], lines=None)
    page = read_html((box / "audit.html").read_text())
    assert page.all("b", id="x") == []
    assert "<b id=x>" in page.text
    for name in ("budget.svg", "where.svg", "replace.svg"):
        tree = ET.fromstring((box / name).read_text())
        assert "<b id=x>" in "".join(tree.itertext())
