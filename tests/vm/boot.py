"""Boots an emulated machine and talks with the program that runs in it.

QEMU emulates in software on purpose: a virtual machine's own /dev/kvm often hangs, and the tests must pass anywhere.
The guest sees the host's files (this checkout and its Python included) below an overlay in its own memory. Its program
says steps, one JSON line each, and may wait for an answer: in between the test changes the hardware through QMP, QEMU's
control protocol. A boot has one deadline for everything; whatever happens, its process is gone afterwards.
"""

import contextlib
import json
import shlex
import socket
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from vm.guest.steps import CHANNEL
from vm.kernel import KEPT_ROOT_INIT, KEPT_ROOT_MODULES, SHARED_ROOT_INIT, SHARED_ROOT_MODULES, find_kernel
from vm.machine import Machine
from vm.start import StartScript, start_program

DEFAULT_SECONDS = 300
CONSOLE_TAIL_LINES = 40
SECONDS_TO_HEAR = 45
"""A port's slot blinks for five seconds before it lets go; a second press within them would take the first one back."""
GUEST = Path(__file__).resolve().parent / "guest"


class MachineError(Exception):
    """The machine or its program did not do what the test waits for; the console's tail is in the message."""


class EmulatorError(MachineError):
    """QEMU itself crashed: nothing that the machine did can end it so."""


class _Lines:
    """Lines of JSON over a socket, until a deadline."""

    def __init__(self, near: socket.socket, deadline: float) -> None:
        self._socket = near
        self._deadline = deadline
        self._buffer = b""

    def read(self, until: float | None = None) -> dict[str, Any] | None:
        """Take the next line; `None` when the other end is closed. Raises `TimeoutError` at the deadline, or before."""
        deadline = self._deadline if until is None else min(until, self._deadline)
        while b"\n" not in self._buffer:
            self._socket.settimeout(max(0.01, deadline - time.monotonic()))
            try:
                received = self._socket.recv(1 << 16)
            except ConnectionResetError:
                received = b""
            if not received:
                return None
            self._buffer += received
        line, _, self._buffer = self._buffer.partition(b"\n")
        read: dict[str, Any] = json.loads(line)
        return read

    def write(self, line: Mapping[str, Any]) -> None:
        self._socket.sendall(json.dumps(line).encode() + b"\n")

    def close(self) -> None:
        self._socket.close()


class Boot:
    """One run of a machine, as a context manager.

    `steps` holds what the guest said so far, by name.
    """

    def __init__(
        self,
        machine: Machine,
        command: Sequence[str | Path],
        folder: Path,
        *,
        start: StartScript = start_program,
        seconds: float = DEFAULT_SECONDS,
    ) -> None:
        """Describe a boot.

        Args:
            machine: The hardware.
            command: A Python program to run in the guest, as root, and its arguments.
            folder: An empty folder for images, console and the record of steps.
            start: Writes the guest's first program, which starts this one.
            seconds: The deadline for the whole boot.
        """
        self.machine = machine
        self.folder = folder
        self.steps: dict[str, dict[str, Any]] = {}
        self.events: list[dict[str, Any]] = []
        self._start = start
        self._command = [sys.executable, *map(str, command)]
        self._seconds = seconds
        self._console = folder / "console.log"

    def __enter__(self) -> Self:
        """Start the machine."""
        kernel = find_kernel()
        if self.machine.keeps_mib:
            disk = kernel.initial_ram_disk("kept-root", KEPT_ROOT_MODULES, KEPT_ROOT_INIT)
        else:
            disk = kernel.initial_ram_disk("shared-root", SHARED_ROOT_MODULES, SHARED_ROOT_INIT)
        self.machine.make_images(self.folder)
        start = self.folder / "start.sh"
        start.write_text(self._start(self._command, kernel, self.machine.modules))
        self._deadline = time.monotonic() + self._seconds
        steps, steps_far = socket.socketpair()
        control, control_far = socket.socketpair()
        far = (steps_far.fileno(), control_far.fileno())
        # no_timer_check: on a busy host the emulated timer may tick too late for the kernel's own test, which panics
        words = [
            "console=ttyS0",
            "panic=-1",
            "loglevel=5",
            "no_timer_check",
            *self.machine.command_line,
            f"GUEST_START={start}",
        ]
        command = [*_PREFIX, *self.machine.arguments(self.folder), *_plumbing(far, self._console)]
        command += ["-virtfs", "local,path=/,mount_tag=hostroot,security_model=none,readonly=on,multidevs=remap"]
        command += ["-kernel", str(kernel.image), "-initrd", str(disk), "-append", " ".join(words)]
        (self.folder / "command").write_text(shlex.join(command))
        with (self.folder / "qemu.log").open("w") as log:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, pass_fds=far)
        steps_far.close()
        control_far.close()
        self._steps = _Lines(steps, self._deadline)
        self._control = _Lines(control, self._deadline)
        try:
            self._greet()
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the machine, however far it came."""
        self._end()

    def wait(self, step: str) -> dict[str, Any]:
        """Wait until the guest has said a step, and give what it said.

        Raises:
            MachineError: The guest ended, or the deadline came, before the step.
        """
        while step not in self.steps:
            self._hear(step)
        return self.steps[step]

    def facts(self, step: str) -> dict[str, Any]:
        """Give what the guest said in a step, or fail with the guest's own traceback where the step failed in there."""
        if step not in self.steps:
            raise MachineError(f"the machine never came to the step {step!r}")
        said = self.steps[step]
        if "failed" in said:
            raise MachineError(f"the step {step!r} failed in the machine:\n{said['failed']}")
        return said

    def answer(self, **values: Any) -> None:
        """Let the guest go on from the step that it waits in."""
        self._steps.write(values)

    def finish(self) -> dict[str, dict[str, Any]]:
        """Wait until the guest's program has ended and the machine is off; give all steps."""
        self.wait("end")
        try:
            self._process.wait(max(0.1, self._deadline - time.monotonic()))
        except subprocess.TimeoutExpired:
            raise self._error("did not power off") from None
        return self.steps

    def control(self, command: str, **arguments: Any) -> Any:  # noqa: ANN401 (JSON)
        """Run a QMP command and give its result; events that come meanwhile are kept in `events`."""
        self._control.write({"execute": command, "arguments": arguments})
        while (line := self._control_line(command)) is not None:
            if "error" in line:
                raise self._error(f"refused {command} {arguments}: {line['error']['desc']}")
            if "return" in line:
                return line["return"]
        raise self._error(f"ended during {command}")

    def wait_event(self, event: str, **data: str) -> dict[str, Any]:
        """Wait for an event of QEMU, such as ``DEVICE_DELETED``, whose data has these values."""
        while True:
            for seen in self.events:
                if seen["event"] == event and data.items() <= seen.get("data", {}).items():
                    self.events.remove(seen)
                    return seen
            if self._control_line(event) is None:
                raise self._error(f"ended while waiting for {event}")

    def remove_drive(self, name: str) -> None:
        """Ask for a hot removal, and wait until the guest has let go of the drive.

        It is asked again where the guest does not answer: on a slow machine the emulated press was seen to go unheard.
        """
        self.control("device_del", id=name)
        while not self._hears_event("DEVICE_DELETED", device=name):
            with contextlib.suppress(MachineError):  # refused: QEMU is at it, or has just done it
                self.control("device_del", id=name)

    def _hears_event(self, event: str, **data: str) -> bool:
        """Wait for an event as `wait_event`, but only for a while; whether it came."""
        until = time.monotonic() + SECONDS_TO_HEAR
        while not any(seen["event"] == event and data.items() <= seen.get("data", {}).items() for seen in self.events):
            try:
                line = self._control.read(until)
            except TimeoutError:
                if time.monotonic() < until:
                    raise self._error(f"gave no answer to {event} within {self._seconds:g} s of its start") from None
                return False
            if line is None:
                raise self._error(f"ended while waiting for {event}")
            if "event" in line:
                self.events.append(line)
        self.wait_event(event, **data)
        return True

    def insert_drive(self, name: str, *, port: str = "") -> None:
        """Plug a drive of the machine in again, into its own port or another."""
        self.control("device_add", **self.machine.drive(name).device(port=port))

    def set_critical_warning(self, name: str, bits: int) -> None:
        """Set the Critical Warning byte of a drive's health log."""
        self.control("qom-set", path=f"/machine/peripheral/{name}", property="smart_critical_warning", value=bits)

    def console_tail(self) -> str:
        """Give the console's last lines, and what QEMU itself complained of."""
        lines = []
        for path in (self.folder / "qemu.log", self._console):
            if path.exists():
                lines += path.read_text(errors="replace").splitlines()[-CONSOLE_TAIL_LINES:]
        return "\n".join(lines) or "(nothing on the console)"

    def _greet(self) -> None:
        self._control_line("greeting")
        self.control("qmp_capabilities")

    def _control_line(self, waited_for: str) -> dict[str, Any] | None:
        try:
            line = self._control.read()
        except TimeoutError:
            raise self._error(f"gave no answer to {waited_for} within {self._seconds:g} s of its start") from None
        if line and "event" in line:
            self.events.append(line)
        return line

    def _hear(self, step: str) -> None:
        try:
            line = self._steps.read()
        except TimeoutError:
            raise self._error(f"did not reach the step {step!r} within {self._seconds:g} s of its start") from None
        if line is None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(5)
            error = self._error(f"ended before the step {step!r}")
            if (self._process.returncode or 0) < 0:
                raise EmulatorError(f"QEMU itself ended by signal {-self._process.returncode}: {error}")
            raise error
        with (self.folder / "steps.jsonl").open("a") as record:
            record.write(json.dumps(line) + "\n")
        self.steps[line.pop("step")] = line

    def _error(self, what: str) -> MachineError:
        heard = ", ".join(self.steps) or "none"
        return MachineError(f"the machine {what} (steps heard: {heard}); its console ends:\n{self.console_tail()}")

    def _end(self) -> None:
        self._process.kill()
        self._process.wait()
        self._steps.close()
        self._control.close()


# setpriv: should this test run be killed, the kernel ends QEMU too.
_PREFIX = (
    "setpriv", "--pdeathsig", "KILL",
    "qemu-system-x86_64", "-accel", "tcg", "-cpu", "max",
    "-nodefaults", "-no-user-config", "-display", "none", "-no-reboot",
)  # fmt: skip


def _plumbing(far: tuple[int, int], console: Path) -> list[str]:
    """Give the console, the control channel, and the virtual serial port for the steps."""
    steps, control = far
    return [
        "-chardev", f"file,id=console,path={console}", "-serial", "chardev:console",
        "-chardev", f"socket,id=control,fd={control}", "-mon", "chardev=control,mode=control",
        "-device", "virtio-serial-pci,id=serial,addr=1e.0",
        "-chardev", f"socket,id=steps,fd={steps}", "-device", f"virtserialport,chardev=steps,name={CHANNEL}",
    ]  # fmt: skip
