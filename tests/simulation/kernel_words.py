"""What the kernel would say: log messages in the words of several kernels, and the records of ``/dev/kmsg``.

Written from the kernel's own format strings, file by file: drivers/nvme/host/pci.c and core.c, drivers/pci/pcie/aer.c
and dpc.c, drivers/pci/hotplug/pciehp_ctrl.c, drivers/pci/pci.c, block/blk-core.c. Which version says what is partly
from memory; see the collectors' own tables for what each kernel is known to write.
"""

from collections import deque
from dataclasses import dataclass, field

WARNING, ERROR, INFORMATION = 4, 3, 6
_BIT_NAMES = {"RxErr": 0, "BadTLP": 6, "BadDLLP": 7, "Rollover": 8, "Timeout": 12}
_LAYERS = {"RxErr": "Physical Layer", "BadTLP": "Data Link Layer", "BadDLLP": "Data Link Layer"}
_AGENTS = {"Rollover": "Transmitter ID", "Timeout": "Transmitter ID"}


@dataclass(slots=True)
class Line:
    """One message, with its level and the device that the record names."""

    text: str
    level: int = WARNING
    device: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The wording of one kernel.

    Attributes:
        version: The kernel's version, major and minor.
        by_address: The NVMe driver names the PCI function and not the controller (as the oldest kernels do).
        logs_status: Whether a lost controller is logged with its status register; else only the time-out is.
    """

    version: tuple[int, int] = (6, 1)
    by_address: bool = False
    logs_status: bool = True

    def _drive(self, number: int, address: str) -> str:
        return f"nvme {address}" if self.by_address else f"nvme nvme{number}"

    def controller_down(
        self, number: int, address: str, *, csts: int = 0xFFFFFFFF, pci_status: int = 0x10
    ) -> list[Line]:
        """The driver finds that the controller does not answer, or says that it failed."""
        who = self._drive(number, address)
        if not self.logs_status:
            return self.timed_out(number, address, queue=3, tag=17, action="reset controller")
        lines = [
            Line(
                f"{who}: controller is down; will reset: CSTS=0x{csts:x}, PCI_STATUS=0x{pci_status:x}", WARNING, address
            )
        ]
        if self.version >= (5, 18) and csts == 0xFFFFFFFF:
            more = " pcie_port_pm=off" if self.version >= (6, 9) else ""
            lines.append(Line(f"{who}: Does your device have a faulty power saving mode enabled?", WARNING, address))
            words = f'Try "nvme_core.default_ps_max_latency_us=0 pcie_aspm=off{more}" and report a bug'
            lines.append(Line(f"{who}: {words}", WARNING, address))
        return lines

    def timed_out(self, number: int, address: str, *, queue: int, tag: int, action: str) -> list[Line]:
        """A command took longer than the driver waits."""
        who = self._drive(number, address)
        if self.version >= (6, 8):
            command = f"I/O tag {tag} ({0x1000 + tag:04x})"
            if action == "aborting":
                text = f"{command} opcode 0x2 (I/O Cmd) QID {queue} timeout, aborting req_op:READ(0) size:131072"
            elif action == "reset controller":
                text = f"{command} opcode 0x2 (I/O Cmd) QID {queue} timeout, reset controller"
            else:
                text = f"{command} QID {queue} timeout, {action}"
        elif self.version >= (6, 1):
            text = f"I/O {tag} (I/O Cmd) QID {queue} timeout, {action}"
        else:
            text = f"I/O {tag} QID {queue} timeout, {action}"
        return [Line(f"{who}: {text}", WARNING, address)]

    def not_ready(self, number: int, address: str, csts: int = 0x1) -> list[Line]:
        """The reset did not bring the controller back."""
        state = f", CSTS=0x{csts:x}" if self.version >= (5, 14) else ""
        return [Line(f"{self._drive(number, address)}: Device not ready; aborting reset{state}", ERROR, address)]

    def given_up(self, number: int, address: str, *, silent: bool) -> list[Line]:
        """The driver lets go of the controller."""
        lines = []
        if silent:
            text = (
                "Unable to change power state from D3cold to D0, device inaccessible"
                if self.version >= (5, 19)
                else "can't change power state from D3cold to D0 (config space inaccessible)"
            )
            lines.append(Line(f"nvme {address}: {text}", ERROR, address))
        words = (
            "Disabling device after reset failure" if self.version >= (6, 2) else "Removing after probe failure status"
        )
        lines.append(Line(f"{self._drive(number, address)}: {words}: -19", WARNING, address))
        disk = f"nvme{number}n1"
        lines.append(Line(f"Buffer I/O error on dev {disk}, logical block 122096640, async page read", ERROR))
        return lines

    def came_back(self, number: int, address: str, *, fresh: bool) -> list[Line]:
        """The controller answers again, after a reset or as a device that was found again."""
        who = self._drive(number, address)
        lines = []
        if fresh:
            lines.append(Line(f"pci {address}: [fff3:4000] type 00 class 0x010802", INFORMATION, address))
            lines.append(Line(f"{who}: pci function {address}", INFORMATION, address))
        lines.append(Line(f"{who}: 8/0/0 default/read/poll queues", INFORMATION, address))
        return lines

    def slot(self, port: str, number: int, *words: str) -> list[Line]:
        """The hot-plug driver reports a slot."""
        return [Line(f"pcieport {port}: pciehp: Slot({number}): {word}", INFORMATION, port) for word in words]

    def corrected(self, *, port: str, source: str, driver: str, name: str, ids: str, many: bool) -> list[Line]:
        """A correctable error: the root port's line, then the device's own."""
        word = "Correctable" if self.version >= (6, 8) else "Corrected"
        text = "error message received from" if self.version >= (6, 9) else "error received:"
        bit = _BIT_NAMES[name]
        layer, agent = _LAYERS.get(name, "Data Link Layer"), _AGENTS.get(name, "Receiver ID")
        lines = [
            f"pcieport {port}: AER: {'Multiple ' if many else ''}{word} {text} {source}",
            f"{driver} {source}: PCIe Bus Error: severity={word}, type={layer}, ({agent})",
            f"{driver} {source}:   device [{ids}] error status/mask={1 << bit:08x}/0000e000",
            f"{driver} {source}:    [{bit:2d}] {name:<22s}",
        ]
        devices = [port, source, source, source]
        return [Line(text, WARNING, device) for text, device in zip(lines, devices, strict=True)]

    def bad_medium(self, number: int, *, sector: int) -> list[Line]:
        """A read of data that the drive cannot give back."""
        disk = f"nvme{number}n1"
        text = f"critical medium error, dev {disk}, sector {sector} op 0x0:(READ) flags 0x0 phys_seg 1 prio class 0"
        if self.version < (5, 18):
            return [Line(f"blk_update_request: {text}", ERROR)]
        command = "Read" if self.version >= (6, 0) else "I/O Cmd"
        status = f"{disk}: {command}(0x2) @ LBA {sector}, 8 blocks, Unrecovered Read Error (sct 0x2 / sc 0x81) DNR"
        return [Line(f"{status} ", ERROR), Line(text, ERROR)]


HARMLESS = (
    "RAS: Correctable Errors collector initialized.",
    "pcieport 0000:00:01.1: AER: enabled with IRQ 26",
    "pcieport 0000:00:01.1: PME: Signaling with IRQ 26",
    "nvme nvme0: missing or invalid SUBNQN field.",
    "nvme nvme0: Shutdown timeout set to 10 seconds",
    "ata3: SATA link down (SStatus 0 SControl 300)",
    "EXT4-fs (dm-0): mounted filesystem with ordered data mode. Quota mode: none.",
    "perf: interrupt took too long (2510 > 2500), lowering kernel.perf_event_max_sample_rate to 79500",
    "usb 2-3: USB disconnect, device number 2",
    'audit: type=1400 audit(1790000000.000:21): apparmor="STATUS" operation="profile_load"',
    "nvme nvme0: allocated 64 MiB host memory buffer.",
)
"""What any box says now and then, and what means nothing."""


_KEPT = 400  # records; a real ring is counted in bytes


@dataclass(slots=True)
class KernelLog:
    """The records since the last frame, numbered through a boot."""

    sequence: int = 0
    records: list[str] = field(default_factory=list)
    kept: deque[str] = field(default_factory=lambda: deque(maxlen=_KEPT))
    """What the kernel still holds: a program that starts reads it from there again."""

    def reboot(self) -> None:
        """Begin to count again."""
        self.sequence = 0
        self.records.clear()
        self.kept.clear()

    def write(self, lines: list[Line], *, up: float, step: float = 0.0005) -> None:
        """Add lines at a time, a little after one another."""
        for line in lines:
            microseconds = round(up * 1_000_000)
            head = f"{line.level},{self.sequence},{microseconds},-;{line.text}"
            if line.device:
                head += f"\n SUBSYSTEM=pci\n DEVICE=+pci:{line.device}"
            self.records.append(f"{head}\n")
            self.kept.append(self.records[-1])
            self.sequence += 1
            up += step

    def take(self) -> tuple[str, ...]:
        """Give the records since the last frame."""
        records, self.records = tuple(self.records), []
        return records
