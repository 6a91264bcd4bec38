"""A machine that stands as a recording's last frame left it: it answers, and nothing moves any more."""

import select
from collections.abc import Sequence

from laneproof_collectors.host import Host
from laneproof_collectors.questions import Answer, Question
from laneproof_collectors.recorded_host import RecordedHost


class LastFrameHost(Host):
    """A recording at its end, with the waiting of a live machine."""

    def __init__(self, recorded: RecordedHost) -> None:
        """Answer from a recording's last frame."""
        self._recorded = recorded

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Answer from the recording."""
        return self._recorded.ask(questions)

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:
        """Sleep until the caller's own descriptor, since no event can come."""
        streams = [] if wake_descriptor is None else [wake_descriptor]
        return bool(select.select(streams, [], [], max(seconds, 0.0))[0])
