"""A run as text: the plan before it begins, a line or a screen while it goes on, and the table at its end."""

from collections.abc import Iterator, Sequence

from laneproof.advice import CAUTIONS, split_step
from laneproof.declaration.units import format_rate
from laneproof.findings import write_time
from laneproof.outputs.cases import say_likely
from laneproof.outputs.steps_and_cautions import CAUTION_HEADING
from laneproof.outputs.text_style import HEADING, Style
from laneproof.proof.comparison import Compared
from laneproof.proof.figure_text import say_count, say_microseconds, say_power, say_seconds
from laneproof.proof.judgement import Proof, ProvenLink, ProvenPosition, say_link
from laneproof.proof.plan import PURPOSES, Plan, RunStep
from laneproof.proof.run_record import DriveRun, ProofRun, StageName
from laneproof.proof.run_totals import RunTotals

_CODES = {"holds": "32", "differs": "1;31", "unverified": "36"}
_SLOWER = "Everything that uses these drives is slower meanwhile, a running service too; --rate limits the load."
_READS = "Nothing is written to any drive."


# --- before -----------------------------------------------------------------------------------------------------------


def write_plan(box: str, plan: Plan, style: Style) -> str:
    """Write what each stage takes and can show, and what cannot be shown here."""
    lines = style.head(f"{box}: a run of {say_seconds(plan.seconds)} at most ({plan.mode})")
    lines += style.wrap(f"{_READS} {_SLOWER}", rest="")
    for stage in dict.fromkeys(step.stage for step in plan.steps):
        seconds = say_seconds(plan.seconds_of(stage))
        lines += ["", *style.wrap(f"{stage:<9} {seconds:>7}  {PURPOSES[stage]}", "  ", " " * 21)]
        lines += style.wrap(plan.shows[stage], " " * 21, " " * 21) if stage in plan.shows else []
    missing = style.wrap_each((*plan.gaps, *plan.not_shown), "  - ", "    ")
    lines += style.put_under("What this run cannot show", missing)
    return "\n".join(lines) + "\n"


# --- meanwhile --------------------------------------------------------------------------------------------------------


def write_now(totals: RunTotals, step: RunStep, seconds_left: float, style: Style) -> list[str]:
    """Write the screen of this second: the stage, the time left, and each drive."""
    lines = [style.paint(f"{step.stage}  {say_seconds(seconds_left)} left", HEADING)]
    width = max((len(target.name) for target in totals.targets.drives), default=8)
    for target in totals.targets.drives:
        mark = (
            "held back" if target.name in totals.held_back else "loaded" if target.name in totals.loaded else "at rest"
        )
        celsius, errors = totals.celsius(target.name), totals.errors(target.name)
        warm = "" if celsius is None else f"{celsius:.0f} °C"
        rate = format_rate(totals.rate(target.name))
        row = f"  {target.name:<{width}}  {rate:>9}  {warm:>6}  {errors:>5} errors  {mark}"
        lines.append(style.cut(style.clean(row), style.width))
    return lines


def write_line(totals: RunTotals, step: RunStep, seconds_left: float) -> str:
    """Write one second of a run as one plain line, for a pipe."""
    rates = ", ".join(f"{name} {format_rate(totals.rate(name))}" for name in totals.loaded[:4])
    rates += f" and {len(totals.loaded) - 4} more" if len(totals.loaded) > 4 else ""  # noqa: PLR2004 (what a line holds)
    if step.stage is StageName.WAKE:
        rates = "now and then a read of each drive that rests"
    errors = sum(totals.errors(target.name) for target in totals.targets.drives)
    return f"{step.stage}: {say_seconds(seconds_left)} left; {rates or 'no load'}; {say_count(errors, 'error')}"


# --- at the end -------------------------------------------------------------------------------------------------------


def write_proof(run: ProofRun, proof: Proof, style: Style) -> str:
    """Write the table, then what differs with its cause and next safe step."""
    said = proof.verdict.upper()
    lines = style.wrap_under(f"{run.box}: {said}", f" - {_sum_up(proof)}", _CODES[proof.verdict])
    lines += style.wrap_each(proof.box)
    if run.although:
        lines += style.wrap(f"run although it was refused: {run.although}", "  ")
    lines += ["", *_table(run, proof, style)]
    for heading, verdict in (("What differs", "differs"), ("What could not be shown", "unverified")):
        shown = [position for position in proof.positions if position.verdict == verdict]
        body = [line for position in shown for line in _write_position(run, position, style)]
        links = [link for link in proof.shared_links if link.verdict == verdict]
        body += style.wrap_each(f"{link.name}: {'; '.join(link.because)}" for link in links)
        lines += style.put_under(heading, body)
    doubtful: dict[str, list[str]] = {}
    for position, drive in zip(proof.positions, run.drives, strict=True):
        if position.drive.slept is None and position.verdict == "holds" and drive.wake and drive.wake.reads:
            doubtful.setdefault(position.drive.slept_because, []).append(position.name)
    doubts = style.wrap_each(f"{', '.join(names)}: {why}" for why, names in doubtful.items())
    lines += style.put_under("Whether they slept in 'wake' cannot be known", doubts)
    carried = {caution for position in proof.positions for step in position.next_steps
                for caution in split_step(step).cautions}  # fmt: skip
    cautions = style.wrap_each((text for text in CAUTIONS if text in carried), "  - ", "    ")
    lines += style.put_under(CAUTION_HEADING, cautions)
    return "\n".join(lines) + "\n"


def write_compared(before: ProofRun, after: ProofRun, compared: Sequence[Compared], style: Style) -> str:
    """Write what became of each position from one run to the other."""
    times = f"{write_time(before.began_at)} and {write_time(after.began_at)}"
    lines = style.wrap_under(after.box, f": runs of {times} compared", HEADING)
    same = [position.name for position in compared if not position.says]
    for position in compared:
        lines += style.put_under(position.name, style.wrap_each(position.says))
    if same:
        lines += ["", *style.wrap(f"As before: {', '.join(same)}", rest="  ")]
    return "\n".join(lines) + "\n"


def _sum_up(proof: Proof) -> str:
    counts = [
        (sum(position.verdict == verdict for position in proof.positions), verdict, words)
        for verdict, words in (("holds", "hold"), ("differs", "differ"), ("unverified", "unverified"))
    ]
    said = ", ".join(f"{count} {verdict if count == 1 else words}" for count, verdict, words in counts if count)
    return f"{said} of {say_count(len(proof.positions), 'position')}" if said else "no drive was loaded"


_HEAD = ("position", "link", "carried", "errors a bit", "rate", "hot", "wake", "verdict")
_RIGHT = (2, 5, 6)


def _table(run: ProofRun, proof: Proof, style: Style) -> list[str]:
    rows = [list(_HEAD)]
    drives = {drive.name: drive for drive in run.drives}
    rows += [_row(run, position, drives[position.name]) for position in proof.positions]
    rows += [_link_row(run, link) for link in proof.shared_links]
    rows = [[style.clean(cell) for cell in row] for row in rows]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEAD))]
    room = style.width - sum(widths[1:]) - 2 * (len(_HEAD) - 1)
    if room < min(widths[0], len(_HEAD[0])):
        return [line for row in rows[1:] for line in style.wrap("  ".join(filter(None, row)), "  ")]
    widths[0] = min(widths[0], room)
    lines = []
    for number, row in enumerate(rows):
        cells = [
            f"{style.cut(cell, width):>{width}}" if column in _RIGHT else f"{style.cut(cell, width):<{width}}"
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        text = "  ".join(cells).rstrip()
        lines.append(style.paint(text, HEADING) if number == 0 else text)
    return lines


def _row(run: ProofRun, position: ProvenPosition, drive: DriveRun) -> list[str]:
    link = run.link_of(drive)
    warm = "" if drive.hottest_celsius is None else f"{drive.hottest_celsius:.0f} °C"
    wake = say_microseconds(drive.wake.median_us) if drive.wake and drive.wake.reads else "-"
    return [
        position.name,
        say_link(link.trained_gt_s, link.trained_lanes).removeprefix("gen ") if link else drive.interface,
        *_carried(position.link),
        _rate_of_plan(drive),
        warm,
        wake,
        position.verdict,
    ]


def _carried(link: ProvenLink | None) -> tuple[str, str]:
    if link is None or not link.bits:
        return "", ""
    errors = f"{link.errors} <{say_power(link.upper)}" if link.upper is not None else "not counted"
    return say_power(link.bits), errors


def _rate_of_plan(drive: DriveRun) -> str:
    rate = drive.rate(StageName.ALONE)
    if rate is None:
        return ""
    share = f" {rate / drive.ceiling_bytes:.0%}" if drive.ceiling_bytes else ""
    return f"{format_rate(rate)}{share}"


def _link_row(run: ProofRun, link: ProvenLink) -> list[str]:
    known = next(run_link for run_link in run.links if run_link.path == link.path)
    words = say_link(known.trained_gt_s, known.trained_lanes).removeprefix("gen ")
    return [link.name, words, *_carried(link), "", "", "", link.verdict]


def _write_position(run: ProofRun, position: ProvenPosition, style: Style) -> Iterator[str]:
    """Say why: the link's sentence, the drive's, the cause and the next steps."""
    if position.verdict == "unverified":
        gaps = (part.because for part in (position.link, position.drive) if part and part.verdict == "unverified")
        yield from style.wrap(f"{position.name}: {'; '.join(words for because in gaps for words in because)}", "  ")
        return
    parts = run.parts.get(position.name)
    yield from style.wrap(f"{position.name}{f'  through {parts}' if parts else ''}", "  ")
    for proven in (position.link, position.drive):
        if proven is not None and proven.verdict == position.verdict:
            yield from style.wrap_each(proven.because, "    ")
    for cause in position.causes[:1]:
        likely = say_likely(cause.cause, cause.probability)
        yield from style.wrap(f"{likely}: {'; '.join(cause.because[:2])}", "    ")
    steps = (f"{number}. {split_step(step).says}" for number, step in enumerate(position.next_steps, start=1))
    yield from style.wrap_each(steps, "    ", "       ")
