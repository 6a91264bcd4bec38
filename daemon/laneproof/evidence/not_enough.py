"""When the data cannot carry an answer, the answer says so."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NotEnough:
    """No verdict yet."""

    why: str  # one clause that completes "not enough data yet: "

    def __str__(self) -> str:
        """Give the one clear sentence."""
        return f"not enough data yet: {self.why}"
