"""The reader's messages: what goes in comes out, and anything else is a `MessageError`."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof_collectors.questions import (
    Answer,
    FeatureValue,
    FileSystem,
    FileSystemFigures,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadFile,
    ReadJournal,
    ReadKernelLog,
    ReadLink,
    ReadRange,
    Smartctl,
)
from laneproof_collectors.reader_messages import (
    LENGTH,
    MOST_QUESTIONS,
    TEXT_LIMIT,
    MessageError,
    decode_answer,
    decode_questions,
    encode_answer,
    encode_questions,
)
from laneproof_collectors.unread import Reason, Unread

QUESTIONS: list[Question] = [
    ReadFile("/sys/block/md0/size"),
    ReadRange("/sys/devices/pci0000:00/0000:00:1d.0/config", 256, 48),
    ReadLink("/sys/class/nvme/nvme0"),
    ListFolder("/sys/class/net"),
    NvmeIdentify("nvme0"),
    NvmeLog("nvme0", 2, 512),
    NvmeFeature("nvme0", 0x0C, 256),
    Smartctl("sda"),
    FileSystem("/srv/Hydrophonø 1"),
    ReadKernelLog(),
    ReadJournal(),
    ReadJournal(-1, 2000, 1_790_000_000.5),
]
ANSWERS: list[Answer] = [
    bytes(range(256)),
    b"",
    "../../devices/pci0000:00",
    "name-\udcff",  # a name that is no UTF-8, as the kernel gave it
    (),
    ("eth0", "lo"),
    FeatureValue(value=1, data=b"\0" * 256),
    {"smartctl": {"exit_status": 4, "output": ["=== START"]}},
    FileSystemFigures(size_bytes=4_000_000_000_000, free_bytes=2, available_bytes=1, read_only=False),
    Unread("log 02h of nvme0", "no answer within 5 s", Reason.TIMED_OUT, "ETIMEDOUT"),
]


def _body(message: bytes) -> bytes:
    (length,) = LENGTH.unpack_from(message)
    assert len(message) == LENGTH.size + length
    return message[LENGTH.size :]


def test_questions_arrive_as_they_were_put() -> None:
    assert decode_questions(_body(encode_questions(QUESTIONS))) == QUESTIONS


@pytest.mark.parametrize("answer", ANSWERS, ids=lambda answer: type(answer).__name__)
def test_answers_arrive_as_they_were_given(answer: Answer) -> None:
    assert decode_answer(_body(encode_answer(answer))) == answer


@pytest.mark.parametrize(
    "batch",
    [
        [],
        {},
        None,
        ["ReadFile"],
        [["ReadFile"]],
        [["ReadFile", ""]],
        [["ReadFile", "/sys/a\0b"]],
        [["ReadFile", "/" * (TEXT_LIMIT + 1)]],
        [["ReadFile", "/sys/a", 1]],
        [["ReadFile", ["/sys/a"]]],
        [["ReadRange", "/sys/a", True, 1]],
        [["ReadRange", "/sys/a", 1.0, 1]],
        [["ReadRange", "/sys/a", 1 << 40, 1]],
        [["ReadClock"]],
        [["ReadUevents"]],
        [["WriteFile", "/sys/a"]],
        [[["ReadFile"], "/sys/a"]],
        [["ReadFile", "/sys/a"]] * (MOST_QUESTIONS + 1),
    ],
    ids=lambda batch: str(batch)[:40],
)
def test_what_is_no_batch_is_refused(batch: object) -> None:
    with pytest.raises(MessageError):
        decode_questions(json.dumps(batch).encode())


_json = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(["bytes", "unread"]),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=12,
)


@given(st.binary(max_size=200) | _json.map(lambda value: json.dumps(value).encode()))
def test_any_bytes_are_a_message_or_a_message_error(body: bytes) -> None:
    decoders: list[Any] = [decode_questions, decode_answer]
    for decode in decoders:
        try:
            decoded = decode(body)
        except MessageError:
            continue
        assert isinstance(decoded, list | bytes | str | tuple | dict | FeatureValue | FileSystemFigures | Unread)


@pytest.mark.parametrize(
    "answer",
    [
        ["bytes", "no base64!"],
        ["bytes", "é"],
        ["unread", "a", "b", "no such reason", ""],
        ["names", [1]],
        ["figures", 1],
        5,
    ],
    ids=str,
)
def test_what_is_no_answer_is_refused(answer: object) -> None:
    with pytest.raises(MessageError):
        decode_answer(json.dumps(answer).encode())


def test_a_batch_nested_beyond_reason_is_refused() -> None:
    with pytest.raises(MessageError):
        decode_questions(b"[" * 100_000)
