"""The guest's end of the channel to the test: says steps as JSON lines, and waits for answers.

It runs inside the emulated machine, where a Python start is dear: it imports nothing heavy.
"""

import json
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CHANNEL = "laneproof.steps"
"""The name of the virtual serial port that carries the steps."""


def wait_until(ready: Callable[[], object], *, seconds: float = 20.0, pause: float = 0.05) -> Any:  # noqa: ANN401 (whatever was true)
    """Ask again and again until the answer is true, and give it; the last answer when the time is over."""
    end = time.monotonic() + seconds
    while not (answer := ready()) and time.monotonic() < end:
        time.sleep(pause)
    return answer


class Steps:
    """The channel."""

    def __init__(self) -> None:
        """Open the port that bears the channel's name."""
        self._port = wait_until(_find_port).open("r+b", buffering=0)

    def say(self, step: str, **facts: Any) -> None:
        """Say that a step is done, with what it found."""
        line = json.dumps({"step": step} | facts).encode() + b"\n"
        while line:
            line = line[self._port.write(line) :]

    def ask(self, step: str, **facts: Any) -> dict[str, Any]:
        """Say a step, then wait until the test has done its part."""
        self.say(step, **facts)
        answer: dict[str, Any] = json.loads(self._port.readline())
        return answer

    @contextmanager
    def fenced(self, step: str) -> Iterator[dict[str, Any]]:
        """Say a step with what the block puts into the dictionary; a failure is said too, and the program goes on."""
        facts: dict[str, Any] = {}
        began = time.monotonic()
        try:
            yield facts
        except Exception:  # noqa: BLE001 (one failed step must not cost the boot; the test reports it)
            facts["failed"] = traceback.format_exc()
        self.say(step, **facts, seconds=round(time.monotonic() - began, 2))

    def play(self, *acts: tuple[str, Callable[[dict[str, Any]], object]]) -> None:
        """Say each step with what its act puts into the dictionary."""
        for step, act in acts:
            with self.fenced(step) as facts:
                act(facts)


def _find_port() -> Path | None:
    for name in Path("/sys/class/virtio-ports").glob("*/name"):
        if name.read_text().strip() == CHANNEL:
            return Path("/dev", name.parent.name)
    return None
