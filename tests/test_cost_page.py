"""docs/cost.md says what is asked of a drive in each pass; here it is counted anew."""

import re
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import pytest

from boxes.recorded_box import make_box
from boxes.turned_box_host import TurnedBoxHost
from laneproof_collectors.collection import Collector, make_collectors
from laneproof_collectors.questions import (
    Answer,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadFile,
    ReadLink,
    ReadRange,
    Smartctl,
)
from simulation.box import SimulatedBox

PAGE = (Path(__file__).resolve().parents[1] / "docs" / "cost.md").read_text("utf-8")
ROW = re.compile(r"^\| `(\w+)` \| (\d+) s \| (\d+) \| (\d+) \| (\d+) \|$", re.MULTILINE)
COMMANDS = (NvmeIdentify, NvmeLog, NvmeFeature, Smartctl)
DAY_SECONDS = 86400


class CountingHost(TurnedBoxHost):
    """Notes what it is asked."""

    def __init__(self, box: SimulatedBox) -> None:
        self.asked: list[Question] = []
        super().__init__(box)

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        self.asked += questions
        return super().ask(questions)


def count(collectors: tuple[Collector, ...], host: CountingHost) -> dict[str, tuple[int, int, int, int]]:
    """Give interval, commands, config space reads and other reads of each collector's next pass."""
    counted = {}
    for collector in collectors:
        host.asked.clear()
        collector.read(host)
        kinds: Counter[str] = Counter()
        for question in host.asked:
            is_config = isinstance(question, ReadRange) and question.path.endswith("/config")
            kinds["commands"] += isinstance(question, COMMANDS)
            kinds["config"] += is_config
            kinds["files"] += isinstance(question, ReadFile | ReadRange | ReadLink | ListFolder) and not is_config
        counted[collector.group] = (int(collector.interval_seconds), kinds["commands"], kinds["config"], kinds["files"])
    return counted


@pytest.fixture(scope="module")
def counted() -> dict[str, tuple[int, int, int, int]]:
    """Count the third pass over a box with one drive, when all is remembered that can be."""
    host = CountingHost(make_box())
    collectors = make_collectors()
    for _ in range(2):
        count(collectors, host)
    result = count(collectors, host)
    host.close()
    return result


def test_the_pages_table_is_what_is_asked(counted: dict[str, tuple[int, int, int, int]]) -> None:
    stated = {group: tuple(map(int, rest)) for group, *rest in ROW.findall(PAGE)}
    rows = (f"| `{group}` | {row[0]} s | {row[1]} | {row[2]} | {row[3]} |" for group, row in counted.items())
    assert stated == counted, "docs/cost.md should say:\n" + "\n".join(rows)


def test_the_pages_sum_of_commands_a_day_is_right(counted: dict[str, tuple[int, int, int, int]]) -> None:
    seconds, commands, _, _ = counted["controllers"]
    assert f"{commands * DAY_SECONDS // seconds:,} a day" in PAGE
    assert f"{commands * DAY_SECONDS // 600} commands a day" in PAGE  # with the longer interval that it offers


def test_nothing_but_the_drives_own_collector_sends_a_drive_commands(
    counted: dict[str, tuple[int, int, int, int]],
) -> None:
    assert {group for group, row in counted.items() if row[1]} == {"controllers"}
