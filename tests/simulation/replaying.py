"""Replays a simulated box through the program's whole engine, as ``laneproof replay`` does."""

import json
import time
from collections.abc import Iterable, Iterator, Mapping

from laneproof.declaration.file import parse_build
from laneproof.engine import Engine
from laneproof.findings import Finding, FindingChange
from laneproof_collectors.hotplug import read_device_events
from laneproof_collectors.kernel_log.reading import read_kernel_events
from laneproof_collectors.recorded_host import RecordedHost
from laneproof_collectors.recording import Frame, parse_frames, parse_header
from laneproof_collectors.replaying import ReplayReader
from simulation.scoring import WorldScore, score
from simulation.worlds import World


class Replay:
    """One replay, and how many frames it had."""

    def __init__(
        self,
        lines: Iterable[str],
        build: str | None,
        *,
        starts: list[float] | None = None,
        stops: Mapping[str, bool] | None = None,
    ) -> None:
        """Stand before the first frame.

        Args:
            lines: A recording's lines.
            build: The declaration's text, None for none.
            starts: When the program is started again, from what it kept; may grow while the lines are read.
            stops: By boot, whether the program was stopped in good order before it; may grow likewise. It goes on from
                what it kept then.
        """
        self._starts = starts if starts is not None else []
        self._stops = stops if stops is not None else {}
        self._boot = ""
        self.frames = 0
        self._lines = iter(lines)
        self._build = parse_build(build, name="build.toml") if build else None

    def changes(self) -> Iterator[FindingChange]:
        """Give what changed, frame after frame."""
        engine = Engine(self._build)
        host = RecordedHost(parse_header(next(self._lines)), self._counted(parse_frames(self._lines)))
        reader = ReplayReader(host)
        standing: tuple[Finding, ...] = ()
        while host.advance():
            stopped, self._boot = self._stops.get(self._boot), ""
            if stopped is not None or (self._starts and host.clock().unix_seconds >= self._starts[0]):
                if stopped is None:
                    self._starts.clear()
                kept, past, engine = json.dumps(engine.as_state(stopped=stopped)), engine.past, Engine(self._build)
                engine.restore(standing, json.loads(kept))
                engine.add_notes(notes=past.notes, confirmed=past.confirmed)
            news = read_kernel_events(host), read_device_events(host)
            result = engine.observe(reader.read(), *news, read_again=reader.read_again)
            standing = result.findings
            yield from result.changes

    def _counted(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        for frame in frames:
            self.frames += 1
            self._boot = frame.boot_id or ""
            yield frame


def try_world(world: World) -> WorldScore:
    """Run a world through the engine and set what it said against the truth."""
    began = time.process_time()
    replay = Replay(world.lines(), world.build)
    changes = list(replay.changes())
    return score(world, changes, frames=replay.frames, seconds=time.process_time() - began)
