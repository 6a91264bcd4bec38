"""The series that go on now, and which of their samples are worth writing.

Rules of this module: a value is written when it moves, and not more often than its measure's pace; what was not written
is remembered with its pass, and written when the series ends or something happens, so that what held just before is
known. A counter that fell begins a new series. What could be read before and cannot now ends in a gap.

What it does not do: touch a database. It hands rows to a `Sink`.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from laneproof.history.measures import Measure
from laneproof.history.origins import Origin
from laneproof.history.sample import Sample, Value
from laneproof.past.counters import fell

HEARTBEAT_SECONDS = 30 * 86400.0
"""What stands still is written again after this, so that no series' last value is ever older than what is kept."""

Key = tuple[Origin, str]


class PassMark(NamedTuple):
    """One pass: its number, its boot's number, and when it was by both clocks."""

    id: int
    boot: int
    t: float  # unix seconds
    up: float  # seconds since boot


class Sink(Protocol):
    """What keeps the rows: the batch that is written next."""

    def begin_series(self, origin: Origin, measure: Measure, mark: PassMark) -> int:
        """Note a new series; gives its number."""

    def put(self, mark: PassMark, series: int, value: Value | None) -> None:
        """Note a sample; None: from here on it could not be read."""


class ResumableSeries(NamedTuple):
    """A series of an earlier run, or one that ended, that can go on under its own number."""

    series: int
    value: Value | None  # the last that was known
    in_gap: bool
    per_boot: bool


@dataclass(slots=True)
class _Live:
    series: int
    measure: Measure
    written: Value
    written_up: float
    written_t: float
    latest: Value
    latest_at: PassMark | None  # None: the latest is written


class LiveSeries:
    """All series that go on now, by the group of facts that they come from."""

    def __init__(self, sink: Sink, resumable: dict[Key, ResumableSeries] | None = None) -> None:
        """Begin with no series that goes on yet.

        Args:
            sink: Where rows go.
            resumable: The series of an earlier run that may go on, those of this boot and those without one.
        """
        self._sink = sink
        self._ended: dict[Key, ResumableSeries] = resumable or {}
        self._unseen: set[Key] = {key for key, ended in self._ended.items() if not ended.in_gap}
        self._groups: dict[str, dict[Key, _Live]] = {}
        self._last_mark: dict[str, PassMark] = {}

    def add(
        self, group: str, samples: Iterable[Sample], mark: PassMark, *, urgent: bool = False, was_read: bool = True
    ) -> None:
        """Add all samples that a group gave in one pass.

        Args:
            group: The group of facts; a series of it without a sample now could not be read.
            samples: The samples.
            mark: The pass.
            urgent: Write all that moved, whatever its pace.
            was_read: Whether the group could be read as a whole.
        """
        before = self._groups.get(group, {})
        now: dict[Key, _Live] = {}
        for origin, measure, value in samples:
            key = (origin, measure.name)
            live = before.get(key)
            if (
                live is not None
                and value == live.written == live.latest
                and mark.t < live.written_t + HEARTBEAT_SECONDS
            ):
                now.setdefault(key, live)  # nearly all: it stands still
                continue
            if key in now:
                continue  # two things under one name: the first counts
            if live is None:
                was_zero_at = self._when_zero(group, origin, measure, before)
                live = self._take_up(key, measure, value, mark, was_zero_at=was_zero_at)
            elif measure.is_counter and fell(live.latest, value):
                self._settle(live)
                # A counter of the kernel's that fell began at 0 again since the pass before.
                was_zero_at = self._last_mark.get(group) if measure.per_boot else None
                live = self._begin(key, measure, value, mark, was_zero_at=was_zero_at)
            else:
                self._go_on(live, value, mark, urgent=urgent)
            now[key] = live
        for key in before.keys() - now.keys():
            live = before[key]
            self._end(key, live, mark)
            if live.measure.sparse and (key[0], _class_of(live.measure)) in now:
                del self._ended[key]  # its class is still counted, so it is 0 again and begins again
        self._groups[group] = now
        if was_read:
            self._last_mark[group] = mark
        else:
            self._last_mark.pop(group, None)

    def _when_zero(self, group: str, origin: Origin, measure: Measure, before: Mapping[Key, _Live]) -> PassMark | None:
        """Find the pass in which a bit that is now sampled was 0 and was counted with its class; None if in none."""
        if not measure.sparse or (origin, _class_of(measure)) not in before:
            return None
        return self._last_mark.get(group)

    def settle(self, group: str | None = None) -> None:
        """Write the latest values that their measure's pace held back, of one group or of all."""
        for name, lives in self._groups.items():
            if group is None or name == group:
                for live in lives.values():
                    self._settle(live)

    def end_boot(self) -> None:
        """A new boot began: what counts by boots ends, the rest goes on."""
        for lives in self._groups.values():
            for key in [key for key, live in lives.items() if live.measure.per_boot]:
                self._settle(lives.pop(key))
        self._ended = {key: ended for key, ended in self._ended.items() if not ended.per_boot}
        self._unseen &= self._ended.keys()
        self._last_mark = {}

    def end_unseen(self, mark: PassMark) -> None:
        """Let what an earlier run could read, and this one's first pass could not, end in a gap."""
        for key in self._unseen & self._ended.keys():
            ended = self._ended[key]
            self._sink.put(mark, ended.series, None)
            self._ended[key] = ended._replace(in_gap=True)
        self._unseen = set()

    # --- one series -----------------------------------------------------------------------------------------------

    def _take_up(
        self, key: Key, measure: Measure, value: Value, mark: PassMark, *, was_zero_at: PassMark | None
    ) -> _Live:
        ended = self._ended.pop(key, None)
        self._unseen.discard(key)
        if ended is None or (measure.is_counter and fell(ended.value, value)):
            return self._begin(key, measure, value, mark, was_zero_at=was_zero_at)
        if ended.in_gap or ended.value != value:
            self._sink.put(mark, ended.series, value)
        return _Live(ended.series, measure, value, mark.up, mark.t, value, None)

    def _begin(
        self, key: Key, measure: Measure, value: Value, mark: PassMark, *, was_zero_at: PassMark | None
    ) -> _Live:
        series = self._sink.begin_series(key[0], measure, was_zero_at or mark)
        if was_zero_at is not None and value:
            self._sink.put(was_zero_at, series, 0)
        self._sink.put(mark, series, value)
        return _Live(series, measure, value, mark.up, mark.t, value, None)

    def _go_on(self, live: _Live, value: Value, mark: PassMark, *, urgent: bool) -> None:
        if value == live.written:
            live.latest, live.latest_at = value, None
            if mark.t - live.written_t < HEARTBEAT_SECONDS:
                return
        elif not (urgent or _is_due(live, value, mark)):
            live.latest, live.latest_at = value, mark
            return
        if urgent and live.latest != value:
            self._settle(live)
        self._sink.put(mark, live.series, value)
        live.written, live.written_up, live.written_t = value, mark.up, mark.t
        live.latest, live.latest_at = value, None

    def _settle(self, live: _Live) -> None:
        if live.latest_at is not None:
            self._sink.put(live.latest_at, live.series, live.latest)
            live.written, live.written_up, live.written_t = live.latest, live.latest_at.up, live.latest_at.t
            live.latest_at = None

    def _end(self, key: Key, live: _Live, mark: PassMark) -> None:
        self._settle(live)
        self._sink.put(mark, live.series, None)
        self._ended[key] = ResumableSeries(live.series, live.latest, in_gap=True, per_boot=live.measure.per_boot)


def _class_of(measure: Measure) -> str:
    """Name the measure whose part a sparse one is."""
    return measure.name.partition(".")[0]


def _is_due(live: _Live, value: Value, mark: PassMark) -> bool:
    """Whether a move is to be written now: paces tick together for all series, so that few passes have rows."""
    pace = live.measure.pace
    if not pace or (live.measure.step is not None and abs(value - live.written) >= live.measure.step):
        return True
    return mark.up // pace != live.written_up // pace
