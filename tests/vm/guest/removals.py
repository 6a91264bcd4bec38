"""Takes one drive out of its port and has it put back, again and again, while the service watches.

Two removals are in good order: by the slot's button, and by the slot's file. The others are a surprise for the kernel:
the slot loses its power behind the driver's back, so that the drive is gone before the driver hears of it, as with a
contact that opens. What the kernel says, and when by its own clock, is kept for each.
"""

import os
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Thread
from typing import Any

from vm.guest.served import Findings, findings, has, serials
from vm.guest.steps import Steps, wait_until

BY_BUTTON, BY_FILE = "by-button", "by-file"
IN_GOOD_ORDER = (BY_BUTTON, BY_FILE)
SURPRISES = tuple(f"surprise-{number}" for number in range(1, 5))
RECORDED = tuple(f"recorded-{number}" for number in range(1, 4))
"""Surprises again, while a recorder shares the processors: these are for what is reported, not for how fast."""
REMOVALS = (*IN_GOOD_ORDER, *SURPRISES, *RECORDED)

EMPTY, DROPS = "position-empty", "drops-off-bus"
GONE_LINE, BACK_LINE = "Card not present", "Card present"
_MARK = "a mark of the test"
_RECORD = ("record", "--every", "1", "--passes", "25")

# Slot Control: hot-plug interrupt enable, power indicator (on 01b, off 11b), power controller (off 1b).
# Source: PCI Express Base 5.0, 7.5.3.10; include/uapi/linux/pci_regs.h, PCI_EXP_SLTCTL.
_SLOT_CONTROL = "CAP_EXP+18.w"
_SILENT, _UNPLUGGED, _POWERED = "0000:0020", "0700:0700", "0120:0720"
_OFF_BITS = 0x0700


class KernelLog:
    """The kernel's log from now on, in the seconds of `time.monotonic`."""

    def __init__(self) -> None:
        """Find out how far the log's clock is from that of programs: both count from the boot, with their own zero."""
        self._file = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK)
        os.lseek(self._file, 0, os.SEEK_END)
        self.ahead = 0.0
        before = time.monotonic()
        Path("/dev/kmsg").write_text(f"{_MARK}\n")
        after = time.monotonic()
        marked = next(at for at, text in self.read() if text == _MARK)
        self.ahead = (before + after) / 2 - marked

    def read(self) -> list[tuple[float, str]]:
        """Give when each new record was written, and its text."""
        return list(self._read())

    def _read(self) -> Iterator[tuple[float, str]]:
        while True:
            try:
                record = os.read(self._file, 8192).decode(errors="replace")
            except BlockingIOError:
                return
            head, _, text = record.partition(";")
            yield int(head.split(",")[2]) / 1e6 + self.ahead, text.split("\n", 1)[0]


def pull(port: str) -> str:
    """Take a drive off the bus before the driver hears of it.

    The port is kept from telling while its power and its indicator are off, at which the drive leaves the machine; when
    it tells, its power is on again and its slot is empty. (A slot whose power is still off would be taken for one that
    was switched off already, and the drive that is gone for one that may stay listed.)
    """
    changes = [f"{_SLOT_CONTROL}={values}" for values in (_SILENT, _UNPLUGGED, _POWERED)]
    done = subprocess.run(["setpci", "-v", "-s", port, *changes], capture_output=True, text=True, check=True)
    return done.stdout


def is_off(port: str) -> bool:
    """Whether the driver has switched a slot off for good: power first, and the indicator a second later.

    A drive that is plugged in in between would be taken for the one that is being switched off.
    """
    done = subprocess.run(["setpci", "-s", port, _SLOT_CONTROL], capture_output=True, text=True, check=True)
    return int(done.stdout, 16) & _OFF_BITS == _OFF_BITS


def remove_again_and_again(steps: Steps, laneproof: Callable[..., dict[str, Any]]) -> None:
    """Go through all removals; the test takes the drive out by its button, and puts it back each time."""
    log = KernelLog()
    for name in (*IN_GOOD_ORDER, *SURPRISES):
        _remove(steps, log, name)
    facts: dict[str, Any] = {}
    file = Path("/run/removals.jsonl")
    recording = Thread(target=lambda: facts.update(record=laneproof(*_RECORD, str(file))))
    recording.start()
    wait_until(lambda: file.exists() and file.read_text().count("\n") > 1, seconds=60)

    def wait_for_passes() -> None:
        """Let the recorder see things as they are."""
        seen = file.read_text().count("\n")
        wait_until(lambda: not recording.is_alive() or file.read_text().count("\n") > seen + 1, seconds=30)

    for name in RECORDED:
        _remove(steps, log, name, meanwhile=wait_for_passes)
        wait_for_passes()
    recording.join()
    steps.say("removals-recorded", **facts, recording=file.read_text())


def _remove(steps: Steps, log: KernelLog, name: str, *, meanwhile: Callable[[], None] = lambda: None) -> None:
    log.read()
    where = steps.ask(f"begin-{name}")
    with steps.fenced(name) as facts:
        if name == BY_FILE:
            Path("/sys/bus/pci/slots", where["slot"], "power").write_text("0")
        elif name != BY_BUTTON:
            facts["registers"] = pull(where["port"])
        _watch_it_go(facts, log, where, is_surprise=name not in IN_GOOD_ORDER)
        facts["off"] = bool(wait_until(lambda: is_off(where["port"]), seconds=30, pause=0.2))
    meanwhile()
    steps.ask(f"insert-{name}")
    with steps.fenced(f"{name}-back") as facts:
        _watch_it_come(facts, log, where, is_surprise=name not in IN_GOOD_ORDER)


def _watch_it_go(facts: dict[str, Any], log: KernelLog, where: dict[str, str], *, is_surprise: bool) -> None:
    facts["changed"] = bool(wait_until(lambda: where["serial"] not in serials(), seconds=30, pause=0.005))
    vanished = time.monotonic()
    reported: dict[str, float] = {}
    wanted = {EMPTY: has(EMPTY, where["position"])}
    if is_surprise:
        wanted[DROPS] = _says_back(where["position"], is_back=False)
    facts["findings"] = _wait_for(wanted, reported)
    records = log.read()
    # Of a removal that was asked for the log says nothing when it happens, so its moment is when the drive vanished.
    event = next((at for at, text in records if GONE_LINE in text), None) if is_surprise else vanished
    facts["log"] = [text for _, text in records]
    facts["reported_after"] = {rule: round(at - event, 3) for rule, at in reported.items()} if event is not None else {}


def _watch_it_come(facts: dict[str, Any], log: KernelLog, where: dict[str, str], *, is_surprise: bool) -> None:
    facts["changed"] = bool(wait_until(lambda: where["serial"] in serials(), seconds=30, pause=0.005))
    reported: dict[str, float] = {}
    is_empty = has(EMPTY, where["position"])
    wanted: dict[str, Callable[[Findings], bool]] = {EMPTY: lambda found: bool(found) and not is_empty(found)}
    if is_surprise:
        wanted[DROPS] = _says_back(where["position"], is_back=True)
    facts["findings"] = _wait_for(wanted, reported)
    records = log.read()
    event = next((at for at, text in records if BACK_LINE in text), None)
    facts["log"] = [text for _, text in records]
    facts["reported_after"] = {rule: round(at - event, 3) for rule, at in reported.items()} if event is not None else {}


def _says_back(position: str, *, is_back: bool) -> Callable[[Findings], bool]:
    return lambda found: any(
        finding["rule"] == DROPS and finding["position"] == position and finding["evidence"]["back"] is is_back
        for finding in found
    )


def _wait_for(wanted: dict[str, Callable[[Findings], bool]], reported: dict[str, float]) -> Findings:
    """Ask the service until it has said all that is wanted; note when it had said each, and give what it says then."""
    found: Findings = []

    def ask() -> bool:
        nonlocal found
        found = findings()
        now = time.monotonic()
        for rule, is_said in wanted.items():
            if is_said(found):
                reported.setdefault(rule, now)
        return wanted.keys() <= reported.keys()

    wait_until(ask, seconds=15, pause=0.1)
    return found
