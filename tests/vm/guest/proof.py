"""Runs in the machine whose drives are proven: acceptance runs, with errors, a read error, a warning and a removal."""

import json
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

from vm.guest.split_slot import by_serial, inject_correctable
from vm.guest.steps import Steps, wait_until

PROGRAM = (sys.executable, "-c", "import sys; from laneproof.cli import main; sys.exit(main())")
BUILD, STATE = Path("/run/build.toml"), Path("/run/state")
DISTURBED_PORT, SERIALS = sys.argv[1], sys.argv[2].split(",")
RECEIVER_ERROR = 1
SECONDS_BETWEEN_ERRORS = 2.0


def declare() -> str:
    positions = "".join(
        f'[[position]]\nlabel = "riser-{number}"\npath = "0000:00/04.{number - 1}"\n'
        f'occupant = {{ kind = "nvme", serial = "{serial}" }}\n'
        for number, serial in enumerate(SERIALS, start=1)
    )
    return f'schema = 1\n[box]\nname = "kelp-1"\n{positions}'


def start(*words: str) -> "subprocess.Popen[str]":
    options = ("--build", str(BUILD), "--state", str(STATE), "--quick", "--json")
    return subprocess.Popen(
        (*PROGRAM, "prove", *options, *words), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def finish(run: "subprocess.Popen[str]") -> dict[str, Any]:
    out, said = run.communicate(timeout=400)
    report: dict[str, Any] = json.loads(out) if out.startswith("{") else {}
    loads = [path.parent.name for path in Path("/proc").glob("[0-9]*/comm") if path.read_text().strip() == "fio"]
    return {"status": run.returncode, "report": report, "said": said, "loads_left": loads}


def is_loading() -> bool:
    """Whether a load has read something."""
    for path in Path("/proc").glob("[0-9]*/comm"):
        if path.read_text().strip() == "fio" and b"--rw=read" in (path.parent / "cmdline").read_bytes():
            return any(line.startswith("read_bytes:") and int(line.split()[1]) > 1 << 20
                       for line in (path.parent / "io").read_text().splitlines())  # fmt: skip
    return False


def disturb(over: threading.Event) -> None:
    while not over.wait(SECONDS_BETWEEN_ERRORS):
        inject_correctable(DISTURBED_PORT, RECEIVER_ERROR)


def main() -> None:
    steps = Steps()
    wait_until(lambda: len(by_serial()) == len(SERIALS))
    BUILD.write_text(declare())
    STATE.mkdir()
    with steps.fenced("all") as facts:
        over = threading.Event()
        thread = threading.Thread(target=disturb, args=(over,))
        run = start("--stages", "rest,alone,small")
        wait_until(is_loading, seconds=120)
        thread.start()
        facts.update(finish(run))
        over.set()
        thread.join()
        facts["left"] = (STATE / "notes.jsonl").read_text()
    for step, position in (("warned", "riser-1"), ("removed", "riser-2")):
        with steps.fenced(step) as facts:
            run = start("--stages", "alone", "--only", position)
            facts["began"] = bool(wait_until(is_loading, seconds=120))
            steps.ask(f"begin-{step}")
            facts.update(finish(run))
        steps.ask(f"after-{step}")
    steps.say("end")


if __name__ == "__main__":
    main()
