"""``laneproof setup``: from installed to watched in one sitting.

Everything is asked before anything is written. A declaration that is there stays as it is, unless its owner says
otherwise; then the one before is kept beside it.
"""

import argparse
import grp
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

from laneproof.commands import systemd_unit
from laneproof.commands.errors import CommandError, file_errors
from laneproof.commands.history_file import DEFAULT_SETTINGS
from laneproof.commands.inputs import DEFAULT_BUILD, load_build, open_host, read_build_text
from laneproof.commands.questions import Questions
from laneproof.commands.serve import EVIDENCE
from laneproof.commands.settings_file import read_settings_file
from laneproof.commands.terminal import find_style, show
from laneproof.commands.whole_file import write_whole
from laneproof.declaration.build import Build
from laneproof.declaration.file import parse_build
from laneproof.declaration.settings_text import SettingsError
from laneproof.declaration.tables import PartKind
from laneproof.draft.answers import Answer, apply_answers
from laneproof.draft.facts import Draft, gather_draft
from laneproof.draft.file import write_draft
from laneproof.draft.positions import DraftedPosition
from laneproof.draft.update import update_build
from laneproof.engine import Engine
from laneproof.notification.settings import DEFAULT_CONFIG
from laneproof.outputs.audit_json import name_box
from laneproof.outputs.audit_text import write_audit
from laneproof.service.access import is_beyond_loopback
from laneproof.service.evidence_folder import find_carrying_drives, find_unwatched_mounts
from laneproof.service.listener import bind
from laneproof.service.settings import (
    DEFAULT_STATE,
    Settings,
    parse_listen,
    parse_settings,
    set_settings,
    show_listen,
)
from laneproof.service.unit_drop_in import (
    GROUP,
    PRIVATE_NETWORKS,
    DropInError,
    check_folder,
    check_listener,
    check_network,
    find_networks,
    write_drop_in,
    write_socket_drop_in,
)
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.snapshot import Snapshot

PARTS = get_args(PartKind)
_WRITTEN_BY_SERVICE = re.compile(r"evidence-\d{6,}\.jsonl|history\.db.*|(?:notes|told)\.\w+|\w+\.lock")


@dataclass(frozen=True, slots=True, kw_only=True)
class Files:
    """What setup writes."""

    build: str = DEFAULT_BUILD
    settings: str = DEFAULT_SETTINGS
    drop_in: str = "/etc/systemd/system/laneproof.service.d/setup.conf"
    socket_drop_in: str = "/etc/systemd/system/laneproof.socket.d/setup.conf"


FILES = Files()


def run(arguments: argparse.Namespace) -> int:
    """Ask, show, write, start."""
    wanted, networks = _parse_wanted(arguments)
    if os.geteuid() != 0:
        message = "it reads drives, writes /etc/laneproof and starts the service: run it as root"
        raise CommandError(message, status=os.EX_NOPERM)
    systemd_unit.check_installed()
    questions = Questions(take_offered=arguments.yes)
    settings = _read_settings(wanted)
    if networks and not is_beyond_loopback(settings.address):
        message = f"--allow: only this machine reaches {settings.address}; name another address by --listen"
        raise CommandError(message, status=os.EX_USAGE)
    previous = read_build_text(FILES.build) if Path(FILES.build).exists() else None
    if previous is not None:
        load_build(FILES.build)
    show("Reading the machine ...\n")
    with open_host(None) as host:
        snapshot = read_snapshot(host)
    text = _declare(questions, snapshot, previous, update=arguments.update)
    build = parse_build(text, name=FILES.build)
    show("\n" + write_audit(build, snapshot, Engine(build).observe(snapshot).findings, find_style()) + "\n")
    if text != previous and not questions.confirm(f"Put this in force as {FILES.build}?", offered=True):
        show("Nothing was changed.\n")
        return 1
    if settings.evidence is None:
        wanted |= _choose_evidence(questions, settings, build, snapshot)
        settings = settings.model_copy(update=dict(wanted))
    if text != previous:
        _write_build(text, previous, snapshot.taken_at)
    changed = _write_settings(settings, wanted, networks)
    show("Starting the service, until its first verdict is there ...\n")
    systemd_unit.start(changed=changed)
    _say_what_next(settings, text)
    return 0


# --- what was asked for on the command line ---------------------------------------------------------------------------


def _parse_wanted(arguments: argparse.Namespace) -> tuple[dict[str, str | int], tuple[str, ...]]:
    """Give the settings that the command line asks for, and who may ask."""
    wanted: dict[str, str | int] = {}
    try:
        if arguments.listen:
            address, port = parse_listen(arguments.listen)
            check_listener(address, port)
            wanted |= {"address": address, "port": port}
        if arguments.evidence:
            wanted["evidence"] = check_folder(arguments.evidence)
        return wanted, tuple(map(check_network, arguments.allow))
    except (SettingsError, DropInError) as error:
        raise CommandError(str(error), status=os.EX_USAGE) from error


def _read_settings(wanted: Mapping[str, str | int]) -> Settings:
    """Give the settings as they will be; the unit must be able to follow them."""
    settings = read_settings_file(None, FILES.settings, parse_settings, default=Settings())
    settings = settings.model_copy(update=dict(wanted))
    try:
        check_listener(settings.address, settings.port)
        for folder in filter(None, (settings.state, settings.evidence)):
            check_folder(folder)
    except DropInError as error:
        raise CommandError(f"{FILES.settings}: {error}", status=os.EX_CONFIG) from error
    return settings


# --- the declaration --------------------------------------------------------------------------------------------------


def _declare(questions: Questions, snapshot: Snapshot, previous: str | None, *, update: bool) -> str:
    """Give the declaration's text: as it was, brought up to date, or new."""
    draft = gather_draft(snapshot, box_name=name_box(None, snapshot, otherwise="box"))
    if previous is None:
        return write_draft(apply_answers(draft, _ask_positions(questions, draft, None)))
    if update_build(previous, draft, name=FILES.build) == previous:
        return previous
    question = f"{FILES.build} is there, and the machine shows more or else. Bring it up to date, and keep every word?"
    if not update and not questions.confirm(question, offered=False):
        return previous
    answers = _ask_positions(questions, draft, parse_build(previous, name=FILES.build))
    return update_build(previous, apply_answers(draft, answers), name=FILES.build)


def _ask_positions(questions: Questions, draft: Draft, build: Build | None) -> Mapping[str, Answer]:
    """Ask of each position that is not declared what no machine knows."""
    declared = build.position if build else ()
    new = [position for position in draft.positions if build is None or build.position_at(position.path) is None]
    if questions.take_offered or not new:
        return {}
    show(
        f"\nFor each of {len(new)} positions: what is printed beside it, or on your tape; and what stands between the"
        f" board's\nsocket and the device, in order, of: {', '.join(PARTS)}.\n"
        "Return takes what stands in brackets.\n"
    )
    taken = {position.label for position in declared}
    answers = {}
    for number, position in enumerate(new, start=1):
        show(f"\n{number} of {len(new)}: {_describe(position)}\n")
        offered = position.label if position.label not in taken else None
        label = questions.ask("  Label", lambda text: _parse_label(text, taken), offered=offered)
        taken.add(label)
        through = questions.ask("  What stands between, with commas", _parse_parts, offered="unknown")
        answers[position.path] = Answer(label=label, through=through)
    return answers


def _describe(position: DraftedPosition) -> str:
    words = [position.path, *position.occupant.values()]
    words += [f"generation {position.link['generation']}"] if "generation" in position.link else []
    words += [f"x{position.link['lanes']}"] if "lanes" in position.link else []
    return ", ".join(words)


def _parse_label(text: str, taken: set[str]) -> str:
    if not text or not text.isprintable():
        raise ValueError("a label needs a word")
    if text in taken:
        raise ValueError(f"{text!r} is the label of another position")
    return text


def _parse_parts(text: str) -> tuple[str, ...]:
    parts = tuple(word.strip() for word in text.split(",") if word.strip())
    if parts == ("unknown",):
        return ()
    if unknown := [part for part in parts if part not in PARTS]:
        raise ValueError(f"{unknown[0]!r} is none of {', '.join(PARTS)}")
    return parts


def _write_build(text: str, previous: str | None, taken_at: float) -> None:
    if previous is not None:
        _write_file(f"{FILES.build}.{datetime.fromtimestamp(taken_at, UTC):%Y-%m-%dT%H%M%SZ}", previous)
    _write_file(FILES.build, text)


# --- the service ------------------------------------------------------------------------------------------------------


def _choose_evidence(
    questions: Questions, settings: Settings, build: Build, snapshot: Snapshot
) -> dict[str, str | int]:
    """Choose where the evidence of a disconnect is kept: on none of the drives that it is about."""
    default = os.path.join(os.path.realpath(settings.state), EVIDENCE)  # noqa: PTH118 (text)
    carriers = find_carrying_drives(default, build, snapshot)
    if not carriers:
        return {}
    mounts = find_unwatched_mounts(build, snapshot)
    show(f"What was read before a drive's disconnect is kept in {default}, on {', '.join(carriers)}:\n")
    if not mounts:
        show("when that drive goes, it goes too. Better a stick or a card: laneproof setup --evidence FOLDER\n")
        return {}
    show("when that drive goes, it goes too. There is a better folder:\n")
    offered = f"{mounts[0].rstrip('/')}/laneproof-evidence"
    return {"evidence": questions.ask("  Folder of its own", check_folder, offered=offered)}


def _write_settings(settings: Settings, wanted: Mapping[str, str | int], networks: tuple[str, ...]) -> bool:
    """Write the service's settings and what its units must allow for them; whether anything changed."""
    text, *before = map(_read_if_there, (FILES.settings, FILES.socket_drop_in, FILES.drop_in))
    allowed = networks or find_networks("".join(before)) or PRIVATE_NETWORKS
    after = [write_socket_drop_in(settings, allowed), write_drop_in(settings)]
    for folder in filter(None, (settings.evidence, settings.state if settings.state != DEFAULT_STATE else None)):
        _make_folder(folder)
    if wanted and (changed := set_settings(text, **wanted)) != text:
        _write_file(FILES.settings, changed)
    for path, was, becomes in zip((FILES.socket_drop_in, FILES.drop_in), before, after, strict=True):
        if becomes and becomes != was:
            _write_file(path, becomes)
        elif not becomes:
            Path(path).unlink(missing_ok=True)
    return bool(wanted) or after != before


def _read_if_there(path: str) -> str:
    return Path(path).read_text(encoding="utf-8") if Path(path).exists() else ""


def _make_folder(folder: str) -> None:
    with file_errors(folder, writing=True):
        Path(folder).mkdir(mode=0o750, parents=True, exist_ok=True)
    _give_to_service(folder)


def _give_to_service(folder: str) -> None:
    """Let the service's group write to a folder of its own, and to what an earlier version left there as root."""
    with os.scandir(folder) as entries:
        left = [entry for entry in entries if entry.is_file(follow_symlinks=False)]
        if others := [entry.name for entry in left if not _WRITTEN_BY_SERVICE.fullmatch(entry.name)]:
            message = f"{folder} holds what is not the service's ({others[0]}): name a folder of its own"
            raise CommandError(message, status=os.EX_CANTCREAT)
    try:
        group = grp.getgrnam(GROUP).gr_gid
        for path, mode in ((folder, 0o2770), *((entry.path, 0o660) for entry in left)):
            os.chown(path, -1, group, follow_symlinks=False)
            os.chmod(path, mode)  # noqa: PTH101 (the path is text)
    except KeyError as error:
        message = f"there is no group {GROUP}: install laneproof again, which makes it"
        raise CommandError(message, status=os.EX_UNAVAILABLE) from error
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        advice = f"a file system that keeps no owners is mounted with the options gid={GROUP},umask=007"
        raise CommandError(
            f"{folder} cannot be given to the service ({why}): {advice}", status=os.EX_CANTCREAT
        ) from error


def _write_file(path: str, text: str) -> None:
    with file_errors(path, writing=True):
        Path(path).parent.mkdir(mode=0o755, parents=True, exist_ok=True)
    write_whole(path, text, mode=0o644)
    show(f"wrote {path}\n")


def _is_here(address: str) -> bool:
    try:
        bind(address, 0).close()
    except OSError:
        return False
    return True


def _say_what_next(settings: Settings, text: str) -> None:
    page = f"http://{show_listen(settings.address, settings.port)}/"
    lines = [(page, "the page"), ("laneproof audit", "the same at the terminal")]
    if todo := sum("TODO" in line for line in text.splitlines()):
        lines.append((f"editor {FILES.build}", f"{todo} lines say TODO: what only you know"))
    lines.append((f"journalctl -u {systemd_unit.UNIT}", "a line for each change"))
    lines.append(("sudo laneproof notify --test", f"tries mail or chat, once {DEFAULT_CONFIG} names it (alarms.md)"))
    width = max(len(command) for command, _ in lines)
    show("\nThis box is watched now, and from each start on.\n")
    show("".join(f"  {command.ljust(width)}  {what}\n" for command, what in lines))
    if not _is_here(settings.address):
        show(f"No interface has the address {settings.address} now: the page answers there once one has it.\n")
    if is_beyond_loopback(settings.address) and settings.token_file is None:
        show("Others can reach it now, serial numbers and all: give it a token (run-as-a-service.md says how).\n")
