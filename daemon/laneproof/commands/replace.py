"""``laneproof replace``: may a drive be taken out now, the steps, and whether the new one fits. It changes nothing."""

import argparse
import os
from collections.abc import Callable, Collection

from laneproof.box.names import Position
from laneproof.box.shown_positions import list_positions
from laneproof.commands.drive_arrival import wait_for_drive
from laneproof.commands.errors import CommandError
from laneproof.commands.inputs import load_build
from laneproof.commands.judgement import Judgement, judge_machine
from laneproof.commands.terminal import find_style, show, show_json
from laneproof.commands.where import find_by_any_name
from laneproof.commands.whole_file import write_whole
from laneproof.declaration.build import Build
from laneproof.outputs.box_picture import Mark, draw_box
from laneproof.outputs.replace_text import write_fit, write_guide
from laneproof.replacement import Fit, Guide, Safety, check_new_drive, make_guide
from laneproof.replacement.steps import NO_DRIVE
from laneproof_collectors.collection import read_snapshot

_SAFETY = {Safety.SAFE: 0, Safety.NOT_SAFE: 1, Safety.UNVERIFIED: 2}
_VERDICT = {"fits": 0, "differs": 1, "unverified": 2}


def run(arguments: argparse.Namespace) -> int:
    """Guide, and wait for the new drive where that was asked for; the exit status is the last answer."""
    declared = load_build(arguments.build, demo=arguments.demo)
    is_recording = arguments.demo or arguments.source is not None
    with judge_machine(arguments.source, declared, demo=arguments.demo, state=arguments.state) as judged:
        build = judged.build
        position = _find_position(judged, arguments.position, build)
        timeout = None if is_recording else arguments.timeout
        if arguments.was is not None:
            was = None if arguments.was == NO_DRIVE else arguments.was
            report = _keep_silent if arguments.json else _say
            known = judged.serials_at(position.path) | _declared_serials(position)
            fit = _check(judged, position, was, build, known=known, timeout=timeout, report=report)
            return _print_fit(fit, as_json=arguments.json)
        guide = make_guide(position, build, judged.snapshot, judged.findings, judged.past)
        _print_guide(guide, judged, build, arguments)
        if is_recording or arguments.print or arguments.json or (guide.safety is Safety.NOT_SAFE and not arguments.yes):
            return _SAFETY[guide.safety]
        serial = position.occupant.serial if position.occupant else None
        was = serial if isinstance(serial, str) else None
        fit = _check(judged, position, was, build, known=None, timeout=timeout, report=_say)
        return _print_fit(fit, as_json=False)


def _find_position(judged: Judgement, name: str, build: Build | None) -> Position:
    found = find_by_any_name(judged.host, name, build, judged.snapshot)
    if len(found) > 1:
        named = ", ".join(f"{position.name} ({position.known_as})" for position in found)
        raise CommandError(f"{name!r} stands for several drives: {named}; name one of them", status=os.EX_USAGE)
    return found[0]


def _declared_serials(position: Position) -> set[str]:
    declared = position.declared.occupant if position.declared else None
    return {device.serial for device in declared.devices if device.serial} if declared else set()


def _print_guide(guide: Guide, judged: Judgement, build: Build | None, arguments: argparse.Namespace) -> None:
    if arguments.picture is not None:
        marks = {drive.path: Mark.KEEP for drive in guide.keep if drive.path}
        marks.setdefault(guide.position.path, Mark.HERE)
        write_whole(arguments.picture, draw_box(build, judged.snapshot, marks))
    if arguments.json:
        show_json(guide.as_json())
        return
    with_steps = guide.safety is not Safety.NOT_SAFE or arguments.yes
    positions = list_positions(build, judged.snapshot)
    show(write_guide(guide, positions, find_style(), with_steps=with_steps))
    if judged.gap is not None:
        _say(f"\nWhat showed over time is not known here: {judged.gap}")


def _check(  # noqa: PLR0913 (one check of one position)
    judged: Judgement,
    position: Position,
    was: str | None,
    build: Build | None,
    *,
    known: Collection[str] | None,
    timeout: float | None,
    report: Callable[[str], None],
) -> Fit:
    """Check the new drive, after waiting for it where there is a time to wait."""
    if timeout is None:
        return check_new_drive(position.path, was, build, judged.snapshot, known=known)
    report(f"\nWaiting for another drive in {position.name} (at most {timeout:g} s; interrupt to stop waiting) ...")
    if not wait_for_drive(judged.host, position.path, was, timeout_seconds=timeout, report=report):
        message = f"no other drive appeared in {position.name} ({position.path}) within {timeout:g} s"
        raise CommandError(message, status=os.EX_TEMPFAIL)
    return check_new_drive(position.path, was, build, read_snapshot(judged.host), known=known)


def _print_fit(fit: Fit, *, as_json: bool) -> int:
    if as_json:
        show_json(fit.as_json())
    else:
        show(write_fit(fit, find_style()))
    return _VERDICT[fit.verdict]


def _say(text: str) -> None:
    show(f"{text}\n")


def _keep_silent(_text: str) -> None:
    """Leave standard output to the JSON."""
