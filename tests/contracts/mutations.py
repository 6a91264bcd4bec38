"""Recordings and declarations spoilt at random, from a seed: what sloppy, cut-off or hostile input looks like."""

import base64
import binascii
import copy
import random
from collections.abc import Iterable
from typing import Any

JsonObject = dict[str, Any]

HOSTILE_TEXTS = (
    "", "\n", "0\n", "-1\n", "1\n", "63\n", "255\n", "4294967295\n", "18446744073709551616\n", "9" * 400 + "\n",
    "Unknown\n", "unknown\n", "none\n", "N/A\n", "nan\n", "inf\n", "-inf\n", "1e999\n", "0x\n", "0xffffffff\n",
    "1_000\n", "64.0 GT/s PCIe\n", "999 GT/s\n", "0 GT/s PCIe\n", "[]\n", "[x\n", "a b c d\n", "raid5 \n",
    "4 (5)\n", "\x00\x00", "\ud7ff\U0010ffff\n", "٤\n", "x" * 5000, "TOTAL_ERR_COR\n", "RxErr -5\n", "BadTLP 1e9\n",
    "faulty,in_sync\n", "\t \t", "1\n2\n3\n", "../../..\n",
)  # fmt: skip
HOSTILE_TARGETS = (
    "",
    "/",
    ".",
    "..",
    "../../../../../../..",
    "/sys",
    "self",
    "a/b/c",
    "/dev/null",
    "../" * 300,
    "\x00",
)
ERRNO_NAMES = ("EACCES", "EPERM", "ENOENT", "EINVAL", "EIO", "ETIMEDOUT", "ENODEV", "ENXIO", "EWHATEVER", "", "13")
HOSTILE_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 63, 2**32, 2**64, 2**200, -(2**70), 0.5, 1e308, "", "x", "-", "nan", [], {},
    [None], [[]], {"error": "EACCES"}, {"error": 5}, {"status": 6}, {"status": "x"}, {"status": -1}, {"": None},
    "AAAA", "%%%", ["a", 1],
)  # fmt: skip


def spoil_leaf(chance: random.Random, value: Any) -> Any:  # noqa: ANN401 (any JSON)
    """Replace something at random inside a JSON value."""
    if isinstance(value, dict) and value and chance.random() < 0.85:
        key = chance.choice(sorted(value))
        if chance.random() < 0.1:
            return {name: inside for name, inside in value.items() if name != key}
        return value | {key: spoil_leaf(chance, value[key])}
    if isinstance(value, list) and value and chance.random() < 0.85:
        at = chance.randrange(len(value))
        return [*value[:at], spoil_leaf(chance, value[at]), *value[at + 1 :]]
    return chance.choice(HOSTILE_VALUES)


def spoil_bytes(chance: random.Random, packed: str) -> str:
    """Cut, flip or overwrite what base64 holds."""
    try:
        raw = bytearray(base64.b64decode(packed))
    except (binascii.Error, ValueError):
        return "AAAA"
    way = chance.randrange(5)
    if way == 0:
        raw = raw[: chance.randrange(len(raw) + 1)]
    elif way == 1:
        raw = bytearray(b"\xff" * len(raw))
    elif way == 2:
        raw = bytearray(chance.randbytes(len(raw)))
    else:
        for _ in range(chance.randrange(1, 12)):
            if raw:
                raw[chance.randrange(len(raw))] = chance.choice((0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)))
    return base64.b64encode(raw).decode()


def spoil_frame(  # noqa: C901 (one branch a way to spoil)
    chance: random.Random, frame: JsonObject, times: int
) -> JsonObject:
    """Spoil some of the answers of a frame."""
    frame = copy.deepcopy(frame)
    files, errors, links = (frame.setdefault(key, {}) for key in ("files", "errors", "links"))
    paths = sorted(files)
    for _ in range(times):
        way = chance.randrange(9)
        if way <= 2 and paths:
            files[chance.choice(paths)] = chance.choice(HOSTILE_TEXTS)
        elif way == 3 and paths:
            path = chance.choice(paths)
            files.pop(path, None)
            if chance.random() < 0.7:
                errors[path] = chance.choice(ERRNO_NAMES)
        elif way == 4 and paths:
            files[chance.choice(paths)] = files.get(chance.choice(paths), "")
        elif way == 5 and links:
            path = chance.choice(sorted(links))
            if chance.random() < 0.4:
                del links[path]
            else:
                links[path] = chance.choice((*HOSTILE_TARGETS, chance.choice(sorted(links.values()) or [""])))
        elif way == 6 and frame.get("binary"):
            path = chance.choice(sorted(frame["binary"]))
            frame["binary"][path] = spoil_bytes(chance, frame["binary"][path])
        elif way == 7 and frame.get("nvme"):
            _spoil_controller(chance, frame["nvme"])
        elif way == 8:
            key = chance.choice([key for key in ("smartctl", "statvfs") if frame.get(key)] or ["smartctl"])
            spoilt = spoil_leaf(chance, frame.get(key) or {"/dev/sda": {}})
            if isinstance(spoilt, dict) and all(entry is None or isinstance(entry, dict) for entry in spoilt.values()):
                frame[key] = spoilt
    return frame


def _spoil_controller(chance: random.Random, controllers: JsonObject) -> None:
    name = chance.choice(sorted(controllers))
    answers = controllers[name]
    if not answers or chance.random() < 0.05:
        controllers[name] = None
        return
    key = chance.choice(sorted(answers))
    if isinstance(answers[key], str) and chance.random() < 0.6:
        answers[key] = spoil_bytes(chance, answers[key])
    else:
        answers[key] = chance.choice(HOSTILE_VALUES)


def spoil_text(chance: random.Random, text: str, times: int) -> str:
    """Spoil a declaration: lines lost, doubled, swapped; words changed, cut, replaced."""
    lines = text.splitlines()
    for _ in range(times):
        if not lines:
            break
        at = chance.randrange(len(lines))
        way = chance.randrange(7)
        if way == 0:
            del lines[at]
        elif way == 1:
            lines.insert(at, lines[chance.randrange(len(lines))])
        elif way == 2:
            lines[at] = lines[at][: chance.randrange(len(lines[at]) + 1)]
        elif way == 3 and "=" in lines[at]:
            key = lines[at].partition("=")[0]
            lines[at] = f"{key}= {chance.choice(HOSTILE_TOML)}"
        elif way == 4:
            other = chance.randrange(len(lines))
            lines[at], lines[other] = lines[other], lines[at]
        elif way == 5 and lines[at]:
            spot = chance.randrange(len(lines[at]))
            lines[at] = lines[at][:spot] + chance.choice("=[]{}\"'#.,\\\n\x00é0") + lines[at][spot + 1 :]
        else:
            lines[at] = lines[at].replace("0", chance.choice(("1", "-1", "99999999999999999999", "")), 1)
    return "\n".join(lines) + "\n"


HOSTILE_TOML = (
    "0", "-1", "1", "nan", "inf", "1e400", "true", '""', '"x"', "[]", "{}", "[1, 2]", '["a"]', "2027-06-30",
    "2027-06-30T00:00:00Z", "9" * 40, '"4 TB"', '"0 TB"', '"' + "9" * 30 + ' TB"', '"0000:00/01.1"',
    "[4, 4, 4, 4, 4]", "0001-01-01", "9999-12-31", "{ generation = 6, lanes = 32 }", '{ kind = "none" }', '"nvme0"',
    "07:32:00",
)  # fmt: skip


def kernel_words(chance: random.Random, lines: Iterable[str]) -> list[str]:
    """Give records as /dev/kmsg would, some of them malformed."""
    pool = [*lines]
    said = []
    for _ in range(chance.randrange(4)):
        line = chance.choice(pool)
        if chance.random() < 0.3 and line:
            at = chance.randrange(len(line))
            line = (
                line[:at]
                + chance.choice(("", "\x00", ";", "\n", "nvme0n1", "-", "99999999999999999999"))
                + line[at + 1 :]
            )
        head = chance.choice(
            ("3,1,700000000,-", "3,2,18446744073709551615,-", "6,3,5,-,caller=T1", "x", "", "3,,,", "-1,1,1,-")
        )
        said.append(f"{head};{line}\n" if chance.random() < 0.9 else line)
    return said
