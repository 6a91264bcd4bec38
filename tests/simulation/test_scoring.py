"""How what was said is set against the truth."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from laneproof.findings import Cause, Change, Finding, FindingChange, Kind, Severity
from simulation.evaluate import main, show
from simulation.evidence_page import rate, share, write_page
from simulation.families import FAMILIES, TUNING
from simulation.loads import DAY
from simulation.scoring import FaultScore, WorldScore, median_hours, score
from simulation.worlds import World, make_world

BRIEF = replace(TUNING, pace=((3600.0, 30.0),), declared_share=1.0)


def ran(kind: str, seed: int = 0) -> World:
    world = make_world(kind, seed, BRIEF)
    for _ in world.lines():
        pass
    return world


def said(
    at: float, position: str | None, *, rule: str = "drops-off-bus", causes: tuple[Cause, ...] = (), **more: Any
) -> FindingChange:
    finding = Finding(
        rule=rule, kind=Kind.SIGN, severity=Severity.WARNING, position=position, subject="nvme0", summary="...",
        causes=causes,
    )  # fmt: skip
    return FindingChange(at=at, change=Change.RAISED, finding=replace(finding, **more))


def test_a_fault_is_found_at_the_first_word_of_its_place() -> None:
    world = ran("drive-firmware", 3)
    fault = world.faults[0]
    first = min(fault.shown)
    label = world.labels[next(iter(fault.positions))]
    other = next(known for known in world.labels.values() if known != label)
    right = (Cause(cause="drive-firmware", probability=0.9),)
    wrong = (Cause(cause="heat", probability=0.9),)
    changes = [
        said(first + 10, other),
        said(first + 7200, label, causes=wrong),
        said(first + 9000, label, causes=right),
    ]
    result = score(world, changes, frames=1, seconds=1.0)
    assert result.faults[0].found_hours == pytest.approx(2.0)
    assert result.faults[0].named == "drive-firmware"
    assert result.faults[0].ever_wrong == ("heat",)
    assert len(result.false_alarms) == 1
    assert other in result.false_alarms[0]


def test_a_page_is_counted_once_while_it_stands_and_a_note_when_it_rises() -> None:
    world = ran("healthy")
    label = next(iter(world.labels.values()))
    t = world.until - 5 * DAY
    notice = said(t, label, severity=Severity.NOTICE)
    louder = replace(said(t + 60, label), change=Change.CHANGED)
    cleared = replace(said(t + 120, label), change=Change.CLEARED)
    unread = said(t + 200, label, rule="signal-errors", kind=Kind.UNVERIFIED)
    changes = [notice, louder, replace(louder, at=t + 90), cleared, said(t + 180, label), unread]
    result = score(world, changes, frames=1, seconds=1.0)
    assert len(result.false_notices) == 1
    assert len(result.false_alarms) == 2


def test_what_truly_was_not_as_planned_is_no_false_alarm() -> None:
    world = ran("healthy")
    path, label = next(iter(world.labels.items()))
    world.upkeep.excused[:] = [(path, world.until - DAY, world.until, "narrow")]
    result = score(world, [said(world.until - 3600, label, rule="link-narrow")], frames=1, seconds=1.0)
    assert (result.false_alarms, result.excused) == ([], 1)


def test_without_a_declaration_positions_are_named_by_path_or_serial() -> None:
    world = ran("drive-failing", 2)
    fault = world.faults[0]
    serial, path = next(iter(fault.serials)), next(iter(fault.positions))
    for key in (serial, path):
        result = score(world, [said(max(fault.shown), None, key=key)], frames=1, seconds=1.0)
        assert result.faults[0].found_hours is not None


@pytest.mark.parametrize(("k", "n"), [(0, 10), (9, 10), (10, 10), (45, 50)])
def test_bounds_are_those_of_another_library(k: int, n: int) -> None:
    # scipy.stats.binomtest, method "exact": Clopper and Pearson.
    bounds = stats.binomtest(k, n).proportion_ci(0.95, "exact")
    assert share(k, n) == f"{k}/{n} = {100 * k / n:.0f} % ({100 * bounds.low:.0f} to {100 * bounds.high:.0f})"


def test_a_rate_has_its_exact_upper_bound() -> None:
    upper = stats.chi2.ppf(0.95, 2) / 2  # none seen: 2.9957
    assert rate(0, 20.0, "box-year") == f"0.000 a box-year (at most {upper / 20:.3f})"
    assert rate(1, 0.0, "box-year") == "-"


def test_the_median_passes_over_what_was_not_found() -> None:
    faults = [FaultScore(cause="x", lasted=True, shown=True, found_hours=hours) for hours in (1.0, None, 5.0, 3.0)]
    assert median_hours(faults) == 3.0
    assert median_hours([]) is None


def test_the_page_names_what_went_wrong() -> None:
    missed = FaultScore(cause="heat", lasted=True, shown=True)
    wrong = FaultScore(cause="heat", lasted=True, shown=True, found_hours=2.0, named="drive-failing")
    scores = [
        WorldScore(kind="heat", seed=4, view="v", rich=True, days=10, frames=5, seconds=1, faults=[missed]),
        WorldScore(kind="heat", seed=5, view="v", rich=False, days=10, frames=5, seconds=1, faults=[wrong]),
        WorldScore(kind="healthy", seed=6, view="v", rich=True, days=400, frames=5, seconds=1, false_alarms=["p"]),
    ]
    text = write_page(scores, family="report", command="x")
    assert "- `heat` 4 (v)" in text
    assert "- `heat` 5 (v): named drive-failing" in text
    assert "| false alarms | 1: " in text
    assert "named drive-failing" in show(scores[1]) or "drive-failing" in show(scores[1])


def test_the_script_writes_its_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(FAMILIES, "report", replace(BRIEF, name="report", pace=((3600.0, 6.0),)))
    page = tmp_path / "evidence.md"
    arguments = ["--each", "1", "--healthy", "1", "--kinds", "healthy,firmware-setting", "--processes", "1"]
    assert main([*arguments, "--page", str(page)]) == 0
    text = page.read_text()
    assert "1 healthy boxes" in text
    assert "firmware-setting" in text
