"""The messages of docs/alarms.md, as a person would get them: from the demo's recording, and from boxes in trouble.

``python -m support.alarms_page >../docs/alarms.md`` from ``tests`` puts them into the page again.
"""

import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path

from boxes.snapshot_box import A_MORNING, Box, declare
from laneproof.commands.inputs import load_build, open_recording
from laneproof.commands.recorded_passes import judge_frames
from laneproof.declaration.build import Build
from laneproof.engine import Engine
from laneproof.findings import Finding
from laneproof.notification.cases import collect_cases
from laneproof.notification.decisions import Reports, decide
from laneproof.notification.delivery import DaemonSilentError
from laneproof.notification.message import Message, write_message
from laneproof.notification.notifier import describe_silence
from laneproof.notification.settings import NotifySettings
from laneproof.outputs.cases_json import cases_as_json, read_cases
from laneproof_collectors.snapshot import Snapshot

PAGE = Path(__file__).resolve().parents[2] / "docs" / "alarms.md"
MARK = "<!-- messages -->\n"
SETTINGS = NotifySettings(urls=["mailto://kelp-1.example"], zone="UTC", page="http://kelp-1.example:7766/")
SLOT = """
[slot.riser]
path = "0000:00"
lanes = 16
split = [4, 4, 4, 4]
""" + "".join(
    f"""
[[position]]
label = "riser-{number}"
slot = "riser"
branch = {number}
path = "0000:00/01.{number}"
occupant = {{ kind = "nvme" }}
"""
    for number in (1, 2, 3, 4)
)
ARRAY = SLOT + '[[array]]\nname = "md0"\nlevel = "raid5"\nmembers = ["riser-1", "riser-2", "riser-3"]\n'


class Talk:
    """All that is said of a box, one judged pass after the other."""

    def __init__(self, build: Build | None) -> None:
        self.build, self.reports, self.messages = build, Reports(), list[Message]()

    def add(self, snapshot: Snapshot, findings: tuple[Finding, ...]) -> None:
        """Take one pass, and say what there is to say then, and when it has settled."""
        document = cases_as_json(self.build, snapshot, findings, age_seconds=0.0)
        standing = read_cases(document)
        for now in (snapshot.taken_at, snapshot.taken_at + 60.0):
            cases = collect_cases(standing.findings, standing.positions)
            self.reports, said = decide(self.reports, cases, now, SETTINGS)
            self.messages += [write_message(each, standing.box, standing.positions, SETTINGS, now) for each in said]


def replay_demo() -> list[Message]:
    """Give all messages of the demo's five months."""
    build = load_build(None, demo=True)
    talk = Talk(build)
    with open_recording(None, demo=True) as recording:
        for judged in judge_frames(recording.host(), Engine(build), recording.name):
            talk.add(judged.result.snapshot, judged.result.findings)
    return talk.messages


def judge(declared: str, change: Callable[[Box], Box]) -> list[Message]:
    """Give the messages of a box of four risers that was sound, and then is changed."""
    build = declare(declared)
    talk, engine = Talk(build), Engine(build)
    for at, altered in ((0.0, lambda box: box), (600.0, change)):
        box = Box()
        for number in (1, 2, 3, 4):
            box.with_port(f"0000:00/01.{number}").with_drive(f"0000:00/01.{number}", serial=f"FP4K-26A-0{number}17")
        snapshot = altered(box).snapshot(taken_at=A_MORNING + at)
        talk.add(snapshot, engine.observe(snapshot).findings)
    return talk.messages


def lose_all(box: Box) -> Box:
    for number in (1, 2, 3, 4):
        box.without(f"0000:00/01.{number}")
    return box


def pick(messages: list[Message], kind: str, words: str) -> Message:
    """Find the first message of a kind whose headline has these words."""
    return next(message for message in messages if message.kind == kind and words in message.title)


def choose_messages() -> Iterator[tuple[str, Message]]:
    """Choose a message of each kind of trouble, with what it shows."""
    demo = replay_demo()
    yield "A link that trained narrow", pick(demo, "raised", "link-narrow")
    yield "A setting: said once", pick(demo, "raised", "aspm_policy")
    yield "A health log that cannot be read: a notice", pick(demo, "raised", "deck-2, critical-warning")
    yield "A drive that dropped off the bus, and did so again: worse", pick(demo, "worse", "drops-off-bus")
    yield "The same, a day later: a reminder", pick(demo, "reminder", "drops-off-bus")
    yield "Errors on a cable's link, beside its missing lanes", pick(demo, "worse", "signal-errors")
    yield "A drive whose medium begins to fail", pick(demo, "raised", "media-errors-rising")
    yield "A case that is over", pick(demo, "cleared", "riser-2")
    yield "Four drives of one slot: one message", pick(judge(SLOT, lose_all), "raised", "riser-1, riser-2")
    degraded = judge(
        ARRAY, lambda box: box.without("0000:00/01.2").with_array("md0", ("nvme0n1", "nvme2n1"), degraded=1)
    )
    yield "A drive that is gone, and the array that misses it", pick(degraded, "raised", "array-degraded")
    hot = {"composite_temperature_celsius": 88.0, "critical_warning": 2}
    heat = judge(SLOT, lambda box: box.without("0000:00/01.4").with_drive("0000:00/01.4", health=hot))
    yield "A drive that is too hot", pick(heat, "raised", "riser-4")
    silent = describe_silence(DaemonSilentError("http://127.0.0.1:7766: connection refused"), A_MORNING - 300.0)
    reports = Reports()
    for now in (A_MORNING, A_MORNING + 60.0):
        reports, said = decide(reports, collect_cases([silent], {}), now, SETTINGS)
    yield "A service that is gone", write_message(said[0], "kelp-1", {}, SETTINGS, A_MORNING)


def write_messages() -> str:
    """Write them for the page."""
    parts = []
    for heading, message in choose_messages():
        lines = [f"Subject: {message.title}", "", *message.body.splitlines()]
        wrapped = [part for line in lines for part in textwrap.wrap(line, 112, break_on_hyphens=False) or [""]]
        parts.append(f"### {heading}\n\n" + "".join(f"    {line}".rstrip() + "\n" for line in wrapped))
    return "\n".join(parts)


def write_page(page: str) -> str:
    """Put the messages into the page, after its mark."""
    return page.partition(MARK)[0] + MARK + "\n" + write_messages()


if __name__ == "__main__":
    sys.stdout.write(write_page(PAGE.read_text("utf-8")))
