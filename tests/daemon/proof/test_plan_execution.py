"""The run itself: in order, held back, stopped, and never with a load left behind."""

import dataclasses
from collections.abc import Collection, Mapping

import pytest

from boxes.proven_box import RISER_1, drive, run_box, targets
from laneproof.proof.plan import RunStep, make_plan
from laneproof.proof.plan_execution import WroteError, run_plan
from laneproof.proof.run_record import StageName
from laneproof.proof.run_totals import RunTotals
from laneproof.proof.simulated_machine import Fault, SimulatedMachine
from laneproof.proof.watched_pass import WatchedPass
from laneproof_collectors.fio import LoadResult


class Watched(SimulatedMachine):
    """Notes what it was asked, and fails on demand."""

    def __init__(
        self,
        *,
        fails_at: float = 1e9,
        stops_at: float = 1e9,
        fan_stops_at: float = 1e9,
        wrote: int = 0,
        starts: bool = True,
        late_seconds: float = 0.0,
    ) -> None:
        super().__init__(targets(RISER_1), {}, seed=1)
        self.log: list[str] = []
        self._starts, self._late_until = starts, 1.0 + late_seconds
        self._fails_at, self._stops_at, self._wrote, self._fan_stops_at = fails_at, stops_at, wrote, fan_stops_at

    def start(self, step: RunStep, names: Collection[str]) -> None:
        self.log.append(f"{step.stage} {','.join(names)}")
        if not self._starts:
            raise OSError("no more processes")
        super().start(step, names)

    def watch_next(self, *, quiet: bool) -> WatchedPass:
        if self._at < self._late_until:
            self.hold_back(self._loaded)
        reading = super().watch_next(quiet=quiet)
        self.log.append("quiet" if quiet else "full")
        if reading.at >= self._fails_at:
            raise OSError("the watch broke")
        if reading.at >= self._stops_at:
            self.asked_to_stop = "you stopped it"
        is_still = reading.at >= self._fan_stops_at
        return dataclasses.replace(reading, stopped_fans=frozenset({"board fan2"} if is_still else ()))

    def end(self) -> Mapping[str, LoadResult]:
        self.log.append("end")
        return {name: LoadResult(error=0, read_bytes=1, reads=1, written_bytes=self._wrote) for name in super().end()}


def conduct(machine: Watched, *stages: StageName, shown: list[float | None] | None = None) -> str | None:
    seconds = [] if shown is None else shown
    totals = RunTotals(targets(RISER_1), make_plan(targets(RISER_1), "quick", stages=stages or tuple(StageName)))
    return run_plan(machine, totals, lambda so_far, *_: seconds.append(so_far.at))


def test_the_stages_come_in_their_order() -> None:
    machine = Watched()
    assert conduct(machine) is None
    started = [line for line in machine.log if line not in ("quiet", "full", "end")]
    assert started == ["rest ", "alone riser-1", "small riser-1", "wake riser-1"]


@pytest.mark.parametrize("stage", [StageName.REST, StageName.WAKE])
def test_a_quiet_stage_sends_drives_no_command_until_it_is_over(stage: StageName) -> None:
    machine = Watched()
    conduct(machine, stage)
    inside = machine.log[machine.log.index("end") - 6 : machine.log.index("end")]
    assert inside == ["quiet"] * 5 + ["full"]


def test_who_asks_to_stop_is_obeyed_within_the_second_and_every_load_is_ended() -> None:
    machine = Watched(stops_at=20.0)
    shown: list[float | None] = []
    assert conduct(machine, shown=shown) == "you stopped it"
    assert machine.log[-2:] == ["full", "end"]
    assert shown[-1] == 19.0  # the terminal may be gone


@pytest.mark.parametrize(("late", "lasts"), [(0.0, 6.0), (8.0, 14.0), (1000.0, 36.0)])
def test_a_load_that_is_late_is_given_its_whole_time_after_that(late: float, lasts: float) -> None:
    """The last pass comes a second after the five of the stage; after half a minute a load is waited for no more."""
    totals = RunTotals(targets(RISER_1), make_plan(targets(RISER_1), "quick", stages=[StageName.SMALL]))
    left: list[float] = []
    assert run_plan(Watched(late_seconds=late), totals, lambda *shown: left.append(shown[-1])) is None
    assert left[-6:] == [4.0, 3.0, 2.0, 1.0, 0.0, 0.0]
    run = totals.finish(box="kelp-1", began_at=0.0)
    assert run.stages[0].seconds == lasts
    assert run.drives[0].stages[StageName.SMALL].seconds == 6.0


@pytest.mark.parametrize(
    ("stage", "since", "reason"),
    [
        (StageName.ALONE, 5.0, "the fan board fan2 stopped"),
        (StageName.ALONE, 2.0, None),  # it stood still as the load began
        (StageName.WAKE, 5.0, None),  # nothing is loaded, so it may rest
    ],
)
def test_a_fan_that_stops_under_load_ends_the_run(stage: StageName, since: float, reason: str | None) -> None:
    assert conduct(Watched(fan_stops_at=since), stage) == reason


def test_a_load_that_cannot_be_started_ends_those_that_were() -> None:
    machine = Watched(starts=False)
    with pytest.raises(OSError, match="no more processes"):
        conduct(machine, StageName.ALONE)
    assert machine.log == ["full", "alone riser-1", "end"]


def test_a_watch_that_breaks_ends_the_load_too() -> None:
    machine = Watched(fails_at=20.0)
    with pytest.raises(OSError, match="the watch broke"):
        conduct(machine)
    assert machine.log[-1] == "end"


def test_a_load_that_wrote_is_the_end_of_all() -> None:
    with pytest.raises(WroteError, match="wrote 512 bytes"):
        conduct(Watched(wrote=512))


def test_a_drive_that_gets_too_warm_is_held_back_and_its_siblings_go_on() -> None:
    run = run_box({RISER_1: Fault(warm_celsius=95.0)})
    warm, cool = drive(run, RISER_1), drive(run, "riser-2")
    assert warm.warning_celsius is not None
    assert warm.hottest_celsius == pytest.approx(warm.warning_celsius, abs=1.0)
    assert warm.held_back_seconds > 60
    assert cool.held_back_seconds == 0
    assert cool.stages[StageName.HEAT].seconds > warm.stages[StageName.HEAT].seconds
