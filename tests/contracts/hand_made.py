"""Recordings written by hand from the format's description alone, and the program run on them as a stranger would.

Nothing here is taken from the package: the layout of sysfs is the kernel documentation's (its folder ``ABI/testing``,
``sysfs-bus-pci`` and ``sysfs-class-nvme``), Identify and log 02h are laid out as the NVM Express Base Specification
2.0 says (Identify Controller: figure 275; SMART / Health Information: figure 207).
"""

import base64
import contextlib
import copy
import gzip
import io
import json
import os
import struct
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

CHECKOUT = Path(__file__).resolve().parents[2]
T0 = 1_790_000_000
"""Unix seconds of the first frame: 2026-09-21."""
NVME_CLASS, BRIDGE_CLASS, ETHERNET_CLASS, SATA_CLASS = "0x010802", "0x060400", "0x020000", "0x010601"
TB = 10**12
JsonObject = dict[str, Any]


def identify(*, model: str, serial: str, firmware: str, capacity_bytes: int = 0) -> str:
    """Lay out Identify Controller; a capacity of 0 is a drive that does not report TNVMCAP."""
    page = bytearray(4096)
    struct.pack_into("<HH", page, 0, 0x1D3F, 0x1D3F)
    page[4:24] = serial.ljust(20).encode()
    page[24:64] = model.ljust(40).encode()
    page[64:72] = firmware.ljust(8).encode()
    struct.pack_into("<I", page, 80, 2 << 16)
    page[262], page[263], page[265] = 63, 4, 1  # ELPE, NPSS, APSTA
    struct.pack_into("<HH", page, 266, 273 + 80, 273 + 85)  # WCTEMP, CCTEMP
    page[280:296] = capacity_bytes.to_bytes(16, "little")
    struct.pack_into("<I", page, 516, 1)
    return base64.b64encode(page).decode()


def health(
    *,
    critical_warning: int = 0,
    celsius: int = 40,
    spare: int = 100,
    threshold: int = 10,
    used: int = 1,
    unsafe: int = 3,
    media: int = 0,
    warning_minutes: int = 0,
    critical_minutes: int = 0,
    hours: int = 5000,
) -> str:
    """Lay out the SMART / Health Information log."""
    page = bytearray(512)
    page[0] = critical_warning
    struct.pack_into("<H", page, 1, celsius + 273)
    page[3], page[4], page[5] = spare, threshold, used
    for offset, value in ((32, 10**6), (48, 10**6), (64, 10**7), (80, 10**7), (96, 100), (112, 40), (128, hours),
                          (144, unsafe), (160, media), (176, 12)):  # fmt: skip
        page[offset : offset + 16] = value.to_bytes(16, "little")
    struct.pack_into("<II", page, 192, warning_minutes, critical_minutes)
    struct.pack_into("<H", page, 200, celsius + 273)
    return base64.b64encode(page).decode()


@dataclass(kw_only=True)
class Machine:
    """The whole state of a box, as one frame may hold it."""

    files: dict[str, str] = field(default_factory=dict)
    binary: dict[str, str] = field(default_factory=dict)
    errors: dict[str, str] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)
    nvme: dict[str, Any] = field(default_factory=dict)
    smartctl: dict[str, Any] = field(default_factory=dict)

    def attributes(self, folder: str, values: Mapping[str, str]) -> None:
        self.files |= {f"{folder}/{name}": f"{value}\n" for name, value in values.items()}

    def function(self, place: str, class_code: str, **attributes: str) -> str:
        """Add a PCI function at a place below /sys/devices; gives its folder."""
        address = place.rpartition("/")[2]
        folder = f"/sys/devices/{place}"
        self.attributes(folder, {"class": class_code, "vendor": "0x1d3f", "device": "0x1001"} | attributes)
        self.links[f"/sys/bus/pci/devices/{address}"] = f"../../../devices/{place}"
        return folder

    def linked(self, place: str, class_code: str, speed: str, width: int, **more: str) -> str:
        """Add a function with a link that can do 16 GT/s x4, trained as given."""
        trained = {"current_link_speed": speed, "current_link_width": str(width)}
        link = trained | {"max_link_speed": "16.0 GT/s PCIe", "max_link_width": "4"}
        return self.function(place, class_code, **link | more)

    def port(self, place: str, *, speed: str = "16.0 GT/s PCIe", width: int = 4, **more: str) -> str:
        """Add a bridge (a root or downstream port) that trained at what it can."""
        return self.linked(place, BRIDGE_CLASS, speed, width, **more)

    def drive(
        self,
        number: int,
        place: str,
        *,
        speed: str = "16.0 GT/s PCIe",
        width: int = 4,
        model: str = "Pelagic D4",
        serial: str | None = None,
        firmware: str = "1.0.3",
        capacity_bytes: int = 4 * TB,
        log: str | JsonObject | None = "",
        **more: str,
    ) -> str:
        """Add an NVMe drive; ``log`` None leaves log 02h out, "" gives a healthy one."""
        name, serial = f"nvme{number}", serial or f"PEL{number:05d}"
        folder = self.linked(place, NVME_CLASS, speed, width, **more)
        controller = f"{folder}/nvme/{name}"
        who = {"model": model.ljust(40), "serial": serial.ljust(20), "firmware_rev": firmware.ljust(8)}
        self.attributes(controller, who | {"state": "live", "address": place.rpartition("/")[2]})
        self.files[f"{controller}/{name}n1/size"] = f"{capacity_bytes // 512}\n"
        self.links[f"/sys/class/nvme/{name}"] = f"../../devices/{place}/nvme/{name}"
        self.links[f"/sys/block/{name}n1"] = f"../devices/{place}/nvme/{name}/{name}n1"
        self.links[f"/sys/class/block/{name}n1"] = f"../../devices/{place}/nvme/{name}/{name}n1"
        self.links[f"{controller}/device"] = "../../../" + place.rpartition("/")[2]
        answers: JsonObject = {
            "identify": identify(model=model, serial=serial, firmware=firmware, capacity_bytes=capacity_bytes)
        }
        if log is not None:
            answers["log:2"] = log or health()
        self.nvme[name] = answers
        return folder

    def frame(self, t: float = T0, **more: Any) -> JsonObject:
        """Give the whole state as one frame."""
        whole = {key: value for key, value in vars(self).items() if value}
        return {"t": t, "up": 600.0} | copy.deepcopy(whole) | more


def write(path: Path, *frames: JsonObject, boot_id: str = "11111111-2222-4333-8444-555555555555") -> Path:
    """Write a recording; a name that ends in .gz is packed."""
    identity = {"host": "kelp-1", "kernel": "6.12.0-test", "boot_id": boot_id}
    head = {"format": "laneproof-recording", "version": 1} | identity
    text = "".join(json.dumps(line) + "\n" for line in (head, *frames))
    path.write_bytes(gzip.compress(text.encode()) if path.suffix == ".gz" else text.encode())
    return path


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a run of the program ended."""

    status: int
    out: str
    err: str

    def json(self) -> Any:  # noqa: ANN401 (whatever the program printed)
        return json.loads(self.out)

    def lines(self) -> list[JsonObject]:
        return [json.loads(line) for line in self.out.splitlines()]


def clean(ended: Ended, *, lines: int | None = 1) -> Ended:
    """Hold what every end owes: no traceback, no fault of the program, a line a problem where a status says error."""
    assert "Traceback" not in ended.out + ended.err
    assert "fault of the program" not in ended.err, ended.err
    if ended.status >= os.EX_USAGE:
        assert ended.err.strip(), "an error says what is wrong"
        assert lines is None or len(ended.err.strip().splitlines()) == lines, ended.err
    return ended


def program(
    *arguments: object, env: Mapping[str, str] | None = None, prefix: Sequence[str] = (), lines: int = 1
) -> Ended:
    """Run the real program in a process of its own."""
    search = os.pathsep.join((str(CHECKOUT / "daemon"), str(CHECKOUT / "collectors")))
    command = [*prefix, sys.executable, "-c", "import sys; from laneproof.cli import main; sys.exit(main())"]
    done = subprocess.run(
        [*command, *map(str, arguments)],
        capture_output=True,
        encoding="utf-8",
        check=False,
        timeout=60,
        env={"PATH": os.environ["PATH"], "PYTHONPATH": search, "LC_ALL": "C.UTF-8"} | dict(env or {}),
    )
    return clean(Ended(status=done.returncode, out=done.stdout, err=done.stderr), lines=lines)


def inside(*arguments: object, lines: int | None = 1) -> Ended:
    """Run the same main() in this process, where many runs must be quick; ``lines`` None: any number of an error's."""
    from laneproof.cli import main  # noqa: PLC0415 (only those who call pay for it)

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status = main([str(argument) for argument in arguments])
        except SystemExit as leaving:
            status = int(leaving.code or 0)
    return clean(Ended(status=status, out=out.getvalue(), err=err.getvalue()), lines=lines)


def list_reported(audit: JsonObject) -> set[tuple[str, str | None]]:
    """Give (rule, position) of each finding."""
    return {(finding["rule"], finding["position"]) for finding in audit["findings"]}
