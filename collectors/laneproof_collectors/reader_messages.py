"""What goes over the reader's socket: the Host's questions and their answers, each message bounded in length.

A message is its length (four bytes, big-endian) and then JSON. A batch of questions is one message, a list of
``[name, field, ...]``; each answer comes in a message of its own, in order. Pure: nothing here touches a socket.

Rules of this module: decoding is total. Whatever came is a value of the closed set with fields of the right types, or
a `MessageError`.
"""

import dataclasses
import json
import struct
from binascii import Error as Base64Error
from binascii import a2b_base64, b2a_base64
from collections.abc import Sequence
from types import NoneType
from typing import Any, get_args

from laneproof_collectors.questions import Answer, FeatureValue, FileSystemFigures, Question, ReadClock, ReadUevents
from laneproof_collectors.unread import Reason, Unread

LENGTH = struct.Struct("!I")
MOST_QUESTIONS = 64
"""In one message: what they may ask for at once is what the reader may have to hold in memory."""
QUESTIONS_LIMIT_BYTES = 1 << 20
ANSWER_LIMIT_BYTES = 48 << 20
"""The longest answer is a boot's journal: 16 MiB of text, which JSON makes longer."""
TEXT_LIMIT = 4096
"""No path is longer. Source: Linux include/uapi/linux/limits.h, PATH_MAX."""

_NUMBER_LIMIT = 1 << 32
_QUESTIONS = {kind.__name__: kind for kind in get_args(Question) if kind not in (ReadClock, ReadUevents)}
"""Every question that may be asked. The clock and device events each process asks for itself."""
_JSON_TYPES: dict[Any, tuple[type, ...]] = {str: (str,), int: (int,), float | None: (float, int, NoneType)}
"""What a field of a question may be in a message."""


class MessageError(ValueError):
    """What came is no message of this protocol."""


def encode(value: object) -> bytes:
    """Make a message of a value of JSON."""
    body = json.dumps(value, separators=(",", ":"), ensure_ascii=False).encode("utf-8", "surrogatepass")
    return LENGTH.pack(len(body)) + body


def encode_questions(questions: Sequence[Question]) -> bytes:
    """Make the message of a batch."""
    return encode(
        [
            [type(question).__name__, *(getattr(question, name) for name in type(question).__match_args__)]
            for question in questions
        ]
    )


def decode_questions(body: bytes) -> list[Question]:
    """Read a batch.

    Raises:
        MessageError: It is none.
    """
    batch = _decode(body)
    if not isinstance(batch, list) or not 0 < len(batch) <= MOST_QUESTIONS:
        raise MessageError(f"not a list of 1 to {MOST_QUESTIONS} questions")
    return [_decode_question(item) for item in batch]


def _decode_question(item: object) -> Question:
    if not isinstance(item, list) or not item or not isinstance(item[0], str) or item[0] not in _QUESTIONS:
        raise MessageError("not a question that may be asked")
    name, *fields = item
    kind = _QUESTIONS[name]
    types = [_JSON_TYPES[field.type] for field in dataclasses.fields(kind)]
    if len(fields) != len(types) or not all(map(_is_field, fields, types)):
        raise MessageError(f"not the fields of {name}")
    question: Question = kind(*fields)
    return question


def _is_field(value: object, types: tuple[type, ...]) -> bool:
    if type(value) not in types:  # not isinstance: a bool is an int
        return False
    if isinstance(value, str):
        return 0 < len(value) <= TEXT_LIMIT and value.isprintable()
    return not isinstance(value, int | float) or -_NUMBER_LIMIT < value < _NUMBER_LIMIT


def encode_answer(answer: Answer) -> bytes:
    """Make the message of one answer."""
    match answer:
        case bytes():
            value: Any = ["bytes", _to_base64(answer)]
        case str():
            value = ["text", answer]
        case tuple():
            value = ["names", answer]
        case dict():
            value = ["object", answer]
        case FeatureValue(value=number, data=data):
            value = ["feature", number, _to_base64(data)]
        case FileSystemFigures():
            value = ["figures", answer.size_bytes, answer.free_bytes, answer.available_bytes, answer.read_only]
        case Unread(what=what, why=why, reason=reason, detail=detail):
            value = ["unread", what, why, reason.value, detail]
        case _:
            raise TypeError(f"no answer of the reader's: {type(answer).__name__}")
    return encode(value)


def decode_answer(body: bytes) -> Answer:  # noqa: PLR0911 (one arm a kind)
    """Read one answer.

    Raises:
        MessageError: It is none.
    """
    try:
        match _decode(body):
            case ["bytes", str(text)]:
                return a2b_base64(text, strict_mode=True)
            case ["text", str(text)]:
                return text
            case ["names", list(names)] if all(isinstance(name, str) for name in names):
                return tuple(names)
            case ["object", dict(value)]:
                return value
            case ["feature", int(number), str(data)]:
                return FeatureValue(value=number, data=a2b_base64(data, strict_mode=True))
            case ["figures", int(size), int(free), int(available), bool(read_only)]:
                return FileSystemFigures(
                    size_bytes=size, free_bytes=free, available_bytes=available, read_only=read_only
                )
            case ["unread", str(what), str(why), str(reason), str(detail)]:
                return Unread(what, why, Reason(reason), detail)
    except (ValueError, Base64Error) as error:
        raise MessageError(f"not an answer: {error}") from error
    raise MessageError("not an answer")


def _decode(body: bytes) -> object:
    try:
        return json.loads(body.decode("utf-8", "surrogatepass"))
    except (ValueError, RecursionError) as error:
        raise MessageError(f"not JSON: {error}") from error


def _to_base64(content: bytes) -> str:
    return b2a_base64(content, newline=False).decode("ascii")
