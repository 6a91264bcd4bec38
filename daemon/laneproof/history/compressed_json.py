"""JSON values, compressed as the database keeps them."""

import json
import zlib
from typing import Any


def pack(content: object) -> bytes:
    """Make the small form of a JSON value."""
    return zlib.compress(json.dumps(content, separators=(",", ":"), sort_keys=True, default=str).encode(), 9)


def parse_detail(text: str | None) -> dict[str, Any]:
    """Read the JSON object of a row's further fields; empty where there is none, or it is damaged."""
    try:
        content = json.loads(text or "{}")
    except ValueError:
        return {}
    return content if isinstance(content, dict) else {}


def unpack(packed: bytes) -> Any:  # noqa: ANN401 (any JSON value)
    """Read what `pack` made.

    Raises:
        ValueError: It is damaged.
    """
    try:
        return json.loads(zlib.decompress(packed))
    except zlib.error as error:
        raise ValueError(f"damaged: {error}") from error
