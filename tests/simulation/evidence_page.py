"""The page of figures, docs/evidence.md: tables of what the program did on simulated boxes, each share with its bounds.

Bounds are exact: of Clopper and Pearson for shares (two-sided 95 %), Poisson for rates (one-sided 95 %).
"""

import textwrap
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from laneproof.evidence.distributions import clopper_pearson, poisson_upper
from simulation.scoring import UNDETERMINED, FaultScore, WorldScore, median_hours

YEAR_DAYS, MONTH_DAYS = 365.25, 30.44
_NOTES = Path(__file__).with_name("evidence_notes.md")
_EXCUSED = "said of what truly was not as planned for a while (power cuts, drives taken out, short boots)"


def share(k: int, n: int) -> str:
    """Say a share with its bounds."""
    if not n:
        return "-"
    bounds = clopper_pearson(k, n)[0]
    return f"{k}/{n} = {100 * k / n:.0f} % ({100 * bounds.lower:.0f} to {100 * bounds.upper:.0f})"


def rate(k: int, exposure: float, per: str) -> str:
    """Say a rate with its upper bound."""
    if exposure <= 0:
        return "-"
    return f"{k / exposure:.3f} a {per} (at most {poisson_upper(k, 0.05) / exposure:.3f})"


def prose(*parts: str) -> str:
    """Fill a paragraph."""
    return textwrap.fill(" ".join(parts), width=120, break_long_words=False, break_on_hyphens=False)


def show_or_put(text: str, page: Path | None) -> None:
    """Print a part of the page, or put it into the page."""
    if page is None:
        print(text)
    else:
        page.write_text(put_parts(page.read_text("utf-8") if page.exists() else "", text), "utf-8")


def write_page(scores: Sequence[WorldScore], *, family: str, command: str) -> str:
    """Write the page of the scores of all worlds of a family; `command` is what was run."""
    parts = [
        "# What the signs and the diagnosis are worth, on simulated boxes",
        "",
        prose(
            f"Made by `{command}` (from `tests`), family `{family}`: each world is drawn from its seed alone, so the",
            "same command gives the same figures. Shares have exact two-sided 95 % bounds (Clopper and Pearson), rates",
            "an exact one-sided 95 % upper bound (Poisson). These are simulated boxes: how real ones behave is for",
            "real ones to show.",
        ),
        "",
        *_healthy(scores),
        *_faults(scores),
        *_confusion(scores),
        *_views(scores),
        *_speed(scores),
        *_misses(scores),
        _NOTES.read_text("utf-8").rstrip(),
        "",
    ]
    return "\n".join(parts)


def _healthy(scores: Sequence[WorldScore]) -> list[str]:
    sound = [score for score in scores if score.kind == "healthy"]
    if not sound:
        return []
    days = sum(score.days for score in sound)
    alarms, notices = sum(len(score.false_alarms) for score in sound), sum(len(score.false_notices) for score in sound)
    return [
        "## The quiet box",
        "",
        prose(
            f"{len(sound)} healthy boxes, {days / YEAR_DAYS:.1f} box-years, with all that happens to a sound box:",
            "single correctable errors and bursts of them, restarts, updates of kernel, BIOS and drive firmware, power",
            "cuts, wrong clocks, gaps, commands that a drive does not know, heat waves, scrubs, swaps, drives taken",
            "out in good order, a boot that came up short.",
        ),
        "",
        "| what | figure |",
        "| --- | --- |",
        f"| false alarms | {alarms}: {rate(alarms, days / YEAR_DAYS, 'box-year')} |",
        f"| notices | {notices}: {rate(notices, days / MONTH_DAYS, 'box-month')} |",
        f"| {_EXCUSED} | {sum(score.excused for score in sound)} |",
        "",
    ]


_Row = tuple[str, Callable[[list[FaultScore]], str]]
_FAULT_ROWS: tuple[_Row, ...] = (
    ("boxes", lambda all_of: str(len(all_of))),
    ("found", lambda all_of: share(sum(fault.found_hours is not None for fault in all_of), len(all_of))),
    ("alarmed", lambda all_of: share(sum(fault.alarmed for fault in all_of), len(all_of))),
    ("median delay", lambda all_of: _hours(median_hours(all_of))),
    ("right, of those named", lambda all_of: share(_right(all_of), _named(all_of))),
    ("undetermined or none", lambda all_of: share(len(all_of) - _named(all_of), len(all_of))),
)


def _hours(hours: float | None) -> str:
    if hours is None:
        return "-"
    return f"{hours:.1f} h" if hours < 48 else f"{hours / 24:.1f} days"


def _named(faults: Sequence[FaultScore]) -> int:
    return sum(fault.named not in (None, UNDETERMINED) for fault in faults)


def _right(faults: Sequence[FaultScore]) -> int:
    return sum(fault.named == fault.cause for fault in faults)


def _faults(scores: Sequence[WorldScore]) -> list[str]:
    faults = [fault for score in scores for fault in score.faults]
    lasted = [fault for fault in faults if fault.lasted]
    if not faults:
        return []
    short = [fault for fault in faults if fault.shown and not fault.lasted]
    return [
        "## Faults that lasted",
        "",
        prose(
            "Those that showed at least four episodes, or for two weeks. The delay runs from a fault's first showing",
            "(an episode, a new media error, a day of many errors) to the first word said of its position or drive.",
        ),
        "",
        *_table(lasted, _FAULT_ROWS),
        "",
        prose(
            "Faults that showed fewer times: found",
            f"{share(sum(fault.found_hours is not None for fault in short), len(short))}.",
            "Alarms about positions that were fine, in boxes with a fault:",
            f"{sum(len(score.false_alarms) for score in scores if score.faults)} in",
            f"{sum(score.days for score in scores if score.faults) / YEAR_DAYS:.1f} box-years.",
        ),
        "",
    ]


def _table(faults: Sequence[FaultScore], rows: Sequence[_Row]) -> list[str]:
    causes = sorted({fault.cause for fault in faults})
    lines = [f"| true cause | {' | '.join(name for name, _ in rows)} |", f"| --- |{' --- |' * len(rows)}"]
    for cause in [*causes, None]:
        chosen = [fault for fault in faults if cause in (None, fault.cause)]
        lines.append(f"| {cause or 'all'} | {' | '.join(cell(chosen) for _, cell in rows)} |")
    return lines


def _confusion(scores: Sequence[WorldScore]) -> list[str]:
    lasted = [fault for score in scores for fault in score.faults if fault.lasted]
    if not lasted:
        return []
    causes = sorted({fault.cause for fault in lasted})
    named = sorted({fault.named or "none" for fault in lasted})
    counts = Counter((fault.cause, fault.named or "none") for fault in lasted)
    return [
        "## What was named for what",
        "",
        f"| true cause | {' | '.join(named)} |",
        f"| --- |{' --- |' * len(named)}",
        *(f"| {cause} | {' | '.join(str(counts[cause, name] or '') for name in named)} |" for cause in causes),
        "",
    ]


def _views(scores: Sequence[WorldScore]) -> list[str]:
    rows = []
    for words, rich in (("all that a judgement needs was recorded", True), ("something was missing", False)):
        lasted = [fault for score in scores if score.rich is rich for fault in score.faults if fault.lasted]
        if lasted:
            cells = [cell(lasted) for _, cell in _FAULT_ROWS]
            rows.append(f"| {words} | {' | '.join(cells)} |")
    if not rows:
        return []
    names = " | ".join(name for name, _ in _FAULT_ROWS)
    return [
        "## What was there to be read",
        "",
        prose(
            "Half of the boxes lack something: no load figures, counters at one end only, no kernel log, no frames",
            "near the events, no config space, no health log.",
        ),
        "",
        f"| recording | {names} |",
        f"| --- |{' --- |' * len(_FAULT_ROWS)}",
        *rows,
        "",
    ]


def _speed(scores: Sequence[WorldScore]) -> list[str]:
    frames, seconds = sum(score.frames for score in scores), sum(score.seconds for score in scores)
    days = sum(score.days for score in scores)
    return [
        "## Replay speed",
        "",
        prose(
            f"{frames} frames, {days / YEAR_DAYS:.1f} box-years, in {seconds / 60:.0f} processor minutes, making of",
            f"the recordings included: {frames / seconds:.0f} frames and {days / seconds:.0f} simulated days a second.",
        ),
        "",
    ]


def _misses(scores: Sequence[WorldScore]) -> list[str]:
    missed, misnamed, open_cases, alarms = [], [], [], []
    for score in scores:
        name = f"`{score.kind}` {score.seed}"
        alarms += [f"{name} ({score.view}): {line}" for line in score.false_alarms]
        for fault in score.faults:
            if fault.lasted and fault.found_hours is None:
                missed.append(f"{name} ({score.view})")
            elif fault.lasted and fault.named not in (None, UNDETERMINED, fault.cause):
                misnamed.append(f"{name} ({score.view}): named {fault.named}")
            elif fault.lasted and fault.named != fault.cause:
                open_cases.append(f"{name} ({score.view}): truly {fault.cause}")
    lines = ["## What went wrong", ""]
    for title, items in (
        ("Not found", missed),
        ("Wrong cause", misnamed),
        ("No cause named", open_cases),
        ("Alarms about what was fine", alarms),
    ):
        lines += [f"{title}: {len(items)}.", ""]
        if items:
            lines += [*(f"- {item}" for item in items[:30]), ""]
    return lines


PARTS = ("## Strange boxes", "## Acceptance runs", "## Sooner by a run")
"""Where the page's further parts begin, in their order."""


def put_parts(page: str, fresh: str) -> str:
    """Put a part of the page instead of the one that stands there.

    Args:
        page: The page as it stands, empty for none.
        fresh: What was made: the first part, or one that begins with a heading of `PARTS`.
    """
    parts = {heading: text for heading in ("", *PARTS) if (text := _find_part(page, heading))}
    parts[next((heading for heading in PARTS if fresh.startswith(heading)), "")] = fresh
    return "\n\n".join(parts[heading].strip() for heading in ("", *PARTS) if heading in parts) + "\n"


def _find_part(page: str, heading: str) -> str:
    begin = page.find(heading)
    ends = [end for other in PARTS if (end := page.find(other, begin + 1)) > begin >= 0]
    return page[begin : min(ends, default=len(page))] if begin >= 0 else ""
