"""Replaces what identifies a box in a recording: serial numbers, unique names, network addresses.

Each secret becomes another text of the same length, the same wherever it stands (file, page, link, log line), so that
rules that compare identities work on the copy as on the original. Models, firmware and the host's name stay: they are
the evidence.
"""

import base64
import binascii
import hashlib
import json
import re
import secrets
from collections.abc import Iterable, Iterator
from typing import Any

from laneproof_collectors.smbios import hide_serials

_FILES = frozenset(
    {
        "serial",
        "wwid",
        "nguid",
        "uuid",
        "eui",
        "subsysnqn",
        "product_uuid",
        "product_serial",
        "board_serial",
        "chassis_serial",
    }
)
_ADDRESSES = ("address", "ad_partner_mac")  # an interface's own, and that of the switch at the other end
_FIRMWARE_TABLES = "/sys/firmware/dmi/"
_MAC = re.compile(r"(?:[0-9a-f]{2}:){5}[0-9a-f]{2}")
_JSON_KEYS = frozenset({"serial_number", "wwn", "eui64", "nguid", "logical_unit_id", "uuid"})
_SERIAL = slice(4, 24)  # Identify Controller, bytes 4 to 23
_SHORTEST = 4  # a shorter text stands in too many texts that are no secret
_ALPHABET = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"
_HEX = "0123456789abcdef"


class SerialHider:
    """Hides secrets line by line; what it learns in one frame it hides in the later ones too."""

    def __init__(self, salt: bytes | None = None) -> None:
        """Begin; the salt makes the replacements unguessable, and is random unless given."""
        self._salt = salt if salt is not None else secrets.token_bytes(16)
        self._names: dict[str, str] = {}

    def hide(self, lines: Iterable[str]) -> Iterator[str]:
        """Give a recording's lines with every secret replaced; a line that is no JSON object passes as it is."""
        for line in lines:
            try:
                frame = json.loads(line)
            except ValueError:
                yield line
                continue
            if isinstance(frame, dict):
                self._learn(frame)
            yield json.dumps(self._replace(frame), separators=(",", ":"))

    def _learn(self, frame: dict[str, Any]) -> None:
        for path, text in _items(frame.get("files")):
            name = path.rpartition("/")[2]
            if isinstance(text, str) and (name in _FILES or (name in _ADDRESSES and _MAC.fullmatch(text.strip()))):
                self._add(text.strip())
        for _, entries in _items(frame.get("nvme")):
            identify = _decode(dict(_items(entries)).get("identify"))
            self._add(identify[_SERIAL].decode("ascii", "ignore").strip("\0 "))
        self._learn_json(frame.get("smartctl"))

    def _learn_json(self, value: object) -> None:
        if isinstance(value, list):
            for item in value:
                self._learn_json(item)
        for key, item in _items(value):
            if key in _JSON_KEYS and isinstance(item, str):
                self._add(item)
            elif key in _JSON_KEYS and isinstance(item, dict) and isinstance(item.get("id"), int):
                self._add(f"{item['id']:x}")
                self._add(str(item["id"]))
            else:
                self._learn_json(item)

    def _add(self, secret: str) -> None:
        if len(secret) < _SHORTEST or secret in self._names or not secret.strip("0-:"):
            return
        digest = hashlib.sha256(self._salt + secret.encode()).digest()
        while len(digest) < len(secret):
            digest += hashlib.sha256(digest).digest()
        self._names[secret] = "".join(map(_disguise, secret, digest))

    def _replace(self, value: Any) -> Any:  # noqa: ANN401 (any JSON value)
        if isinstance(value, str):
            return self._replace_text(value)
        if isinstance(value, list):
            return [self._replace(item) for item in value]
        if isinstance(value, dict):
            return {self._replace_text(key): self._replace_entry(key, item) for key, item in value.items()}
        return int(self._names[str(value)]) if isinstance(value, int) and str(value) in self._names else value

    def _replace_entry(self, key: str, value: Any) -> Any:  # noqa: ANN401 (any JSON value)
        if key == "binary" and isinstance(value, dict):
            return {self._replace_text(path): self._replace_binary(path, text) for path, text in value.items()}
        if key == "files" and isinstance(value, dict):
            return {self._replace_text(path): self._replace_file(path, text) for path, text in value.items()}
        if key == "nvme" and isinstance(value, dict):
            return {
                name: {k: self._replace_base64(v) for k, v in entries.items()} if isinstance(entries, dict) else entries
                for name, entries in value.items()
            }
        return self._replace(value)

    def _replace_binary(self, path: str, text: Any) -> Any:  # noqa: ANN401 (base64 text)
        if path.startswith(_FIRMWARE_TABLES):
            return base64.b64encode(hide_serials(_decode(text))).decode()
        return self._replace_base64(text)

    def _replace_file(self, path: str, text: Any) -> Any:  # noqa: ANN401 (a file's text)
        if path.startswith(_FIRMWARE_TABLES) and isinstance(text, str):
            return hide_serials(text.encode()).decode("utf-8", "replace")
        return self._replace(text)

    def _replace_text(self, text: str) -> str:
        for secret, name in self._names.items():
            if secret in text:
                text = text.replace(secret, name)
        return text

    def _replace_base64(self, value: Any) -> Any:  # noqa: ANN401 (base64 text, a number or a failure)
        content = _decode(value)
        for secret, name in self._names.items():
            content = content.replace(secret.encode(), name.encode())
        return base64.b64encode(content).decode() if content else value


def _items(value: object) -> list[tuple[str, Any]]:
    return list(value.items()) if isinstance(value, dict) else []


def _decode(value: object) -> bytes:
    try:
        return base64.b64decode(value, validate=True) if isinstance(value, str) else b""
    except binascii.Error:
        return b""


def _disguise(character: str, number: int) -> str:
    """Give another character of the same kind, so that the text keeps its form."""
    if character.isdecimal():
        return str(1 + number % 9)  # no zero, so that a number keeps its length
    if character in _HEX:
        return _HEX[10 + number % 6]
    return _ALPHABET[number % len(_ALPHABET)] if character.isalpha() else character
