"""JSON values in their small form."""

import json
import zlib
from typing import Any


def pack(content: object) -> bytes:
    """Make the small form of a JSON value."""
    return zlib.compress(json.dumps(content, separators=(",", ":"), sort_keys=True, default=str).encode(), 9)


def unpack(packed: bytes) -> Any:  # noqa: ANN401 (any JSON value)
    """Read what `pack` made.

    Raises:
        ValueError: It is damaged.
    """
    try:
        return json.loads(zlib.decompress(packed))
    except zlib.error as error:
        raise ValueError(f"damaged: {error}") from error
