"""The part of docs/evidence.md about strange boxes: what was said of each kind, healthy or in odd trouble."""

import statistics
from collections.abc import Sequence

from simulation.evidence_page import MONTH_DAYS, YEAR_DAYS, prose, rate
from simulation.strange.worlds import HEALTHY, MOST_LINES, StrangeScore

TITLE = "## Strange boxes"


def write_strange(scores: Sequence[StrangeScore], *, command: str) -> str:
    """Write the part of the scores of all worlds; `command` is what was run."""
    sound, troubled = ([score for score in scores if score.healthy is healthy] for healthy in (True, False))
    return "\n".join([TITLE, "", *_sound(sound, command), *_troubled(troubled), ""])


def _sound(scores: Sequence[StrangeScore], command: str) -> list[str]:
    if not scores:
        return []
    days = sum(score.days for score in scores)
    alarms = sum(len(score.alarms) for score in scores)
    loud = sum(score.lines_a_month > MOST_LINES for score in scores)
    lines = [
        prose(
            f"Made by `{command}` (from `tests`): {len(scores)} boxes, {days / YEAR_DAYS:.1f} box-years, each with an",
            "oddity that is no fault, half of them with a second one, and otherwise a calm life. A changed line is",
            "whatever the daemon would report: raised, changed and cleared, *unverified* included.",
        ),
        "",
        "| what | figure |",
        "| --- | --- |",
        f"| false alarms | {alarms}: {rate(alarms, days / YEAR_DAYS, 'box-year')} |",
        f"| notices | {rate(sum(len(score.notices) for score in scores), days / MONTH_DAYS, 'box-month')} |",
        f"| changed lines a month, median | {statistics.median(score.lines_a_month for score in scores):.1f} |",
        f"| boxes with more than {MOST_LINES} changed lines a month | {loud} of {len(scores)} |",
        "",
        "| oddity | boxes | days | false alarms | notices | changed lines a month, median and most |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for kind in HEALTHY:
        if chosen := [score for score in scores if score.kind == kind]:
            monthly = [score.lines_a_month for score in chosen]
            lines.append(
                f"| {kind} | {len(chosen)} | {sum(score.days for score in chosen):.0f} "
                f"| {sum(len(score.alarms) for score in chosen)} | {sum(len(score.notices) for score in chosen)} "
                f"| {statistics.median(monthly):.1f}, {max(monthly):.1f} |"
            )
    wrong = [f"- `{score.kind}` {score.seed}{' with ' + score.also if score.also else ''}: {words}" for score in scores
            for words in score.alarms[:2]]  # fmt: skip
    return [*lines, "", *(["False alarms:", "", *wrong[:30], ""] if wrong else [])]


def _troubled(scores: Sequence[StrangeScore]) -> list[str]:
    if not scores:
        return []
    lines = [
        "### Odd trouble",
        "",
        "A box is right where everything was said that must be said of it, and nothing that must not.",
        "",
        "| trouble | boxes | right | what was wrong |",
        "| --- | --- | --- | --- |",
    ]
    for kind in dict.fromkeys(score.kind for score in scores):
        chosen = [score for score in scores if score.kind == kind]
        wrong = sorted({words for score in chosen for words in score.complaints})
        right = sum(not score.complaints for score in chosen)
        lines.append(f"| {kind} | {len(chosen)} | {right} of {len(chosen)} | {'; '.join(wrong) or '-'} |")
    return [*lines, ""]
