"""Makes recordings: asks another host, and keeps what it answered as frames.

Rules of this module: each frame is exactly the difference between what two passes read. A name in a folder's
listing that nobody asked about is not kept, so a listing of a recording holds only what was read. What one pass did not
ask again stays as it was. Of pci.ids only the names of the recorded functions are kept.
"""

import base64
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from laneproof_collectors.host import Host, resolve_link
from laneproof_collectors.pcie.ids import PCI_IDS_FILES, select_names
from laneproof_collectors.questions import (
    Answer,
    FeatureValue,
    FileSystem,
    FileSystemFigures,
    KernelLogRead,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadFile,
    ReadKernelLog,
    ReadLink,
    ReadRange,
    ReadUevents,
    Smartctl,
)
from laneproof_collectors.recorded_host import device_name
from laneproof_collectors.recording import (
    BOOT_ID_PATH,
    FORMAT,
    HOST_NAME_PATH,
    KERNEL_PATH,
    VERSION,
    OwnerCause,
    OwnerNote,
)
from laneproof_collectors.unread import Reason, Unread

_ID = re.compile(rb"0x([0-9a-f]{4})\n?")
_LINK_DEPTH = 40  # as the kernel's own limit, MAXSYMLINKS


class RecordingHost(Host):
    """Asks another host, and keeps what it answered as frames of a recording."""

    def __init__(self, inner: Host) -> None:
        """Record `inner`."""
        self._inner = inner
        self._before = _Seen()
        self._now = _Seen()
        self._canonical: dict[str, str] = {}
        self._raw_links: dict[str, str | None] = {}

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Answer as the inner host does."""
        answers = self._inner.ask(questions)
        for question, answer in zip(questions, answers, strict=True):
            self._keep(question, answer)
        return answers

    def wait(self, seconds: float, wake_descriptor: int | None = None) -> bool:
        """Wait as the inner host does."""
        return self._inner.wait(seconds, wake_descriptor)

    def close(self) -> None:
        """Close the inner host."""
        self._inner.close()

    def header(self) -> str:
        """Give the recording's first line, without its line end."""
        texts = self._inner.files((HOST_NAME_PATH, KERNEL_PATH, BOOT_ID_PATH))
        host, kernel, boot_id = (
            None if isinstance(text, Unread) else text.decode("utf-8", "replace").strip() for text in texts
        )
        identity = {"host": host, "kernel": kernel, "boot_id": boot_id}
        return json.dumps(
            {"format": FORMAT, "version": VERSION} | {key: value for key, value in identity.items() if value}
        )

    def take_frame(self, notes: Sequence[OwnerNote] = (), confirmed: Sequence[OwnerCause] = ()) -> str:
        """Give all that changed since the last frame, and what the owner said, as one line without its line end."""
        self._now.inherit(self._before)
        self._now.select_names(self._before)
        clock = self._inner.clock()
        frame: dict[str, Any] = {"t": round(clock.unix_seconds, 3), "up": round(clock.up_seconds, 3)}
        if clock.monotonic_seconds is not None:
            frame["mono"] = round(clock.monotonic_seconds, 3)
        boot_id = self._now.files.get(BOOT_ID_PATH)
        if boot_id and boot_id != self._before.files.get(BOOT_ID_PATH):
            frame["boot_id"] = boot_id.decode("utf-8", "replace").strip()
        frame |= self._now.difference(self._before)
        for key, written in (("notes", notes), ("confirmed", confirmed)):
            if written:
                frame[key] = [entry.model_dump() for entry in written]
        self._before, self._now = self._now, _Seen()
        self._canonical.clear()
        self._raw_links.clear()
        return json.dumps(frame, separators=(",", ":"))

    def _find_canonical(self, path: str) -> str:
        """Find a path's canonical form and keep each link met on the way."""
        known = self._canonical.get(path)
        if known is None:
            parent, _, name = path.rpartition("/")
            canonical = f"{self._find_canonical(parent)}/{name}" if parent else path
            depth = 0
            while depth < _LINK_DEPTH and (target := self._raw_link(canonical)) is not None:
                self._now.links[canonical] = target
                canonical, depth = resolve_link(canonical, target), depth + 1
            known = self._canonical[path] = canonical
        return known

    def _raw_link(self, path: str) -> str | None:
        if path not in self._raw_links:
            target = self._inner.link(path)
            self._raw_links[path] = None if isinstance(target, Unread) else target
        return self._raw_links[path]

    def _keep(self, question: Question, answer: Answer) -> None:  # noqa: C901, PLR0912 (one arm a question)
        match question, answer:
            case ((ReadFile(path) | ReadRange(path) | ListFolder(path) | ReadLink(path)), Unread() as unread):
                self._now.fail(self._below_canonical_parent(path), unread)
            case ReadFile(path), bytes(content):
                self._now.files[self._canonical_file(path)] = content
            case ReadRange(path, offset, length), bytes(content):
                canonical = self._canonical_file(path)
                self._now.add_range(canonical, offset, length, content, self._before.files.get(canonical, b""))
            case ReadLink(path), str(target):
                self._now.links[self._below_canonical_parent(path)] = target
            case ListFolder(path), tuple(names):
                self._now.folders[self._find_canonical(path)] = frozenset(str(name) for name in names)
            case NvmeIdentify(controller), _:
                self._now.keep_nvme(controller, "identify", answer)
            case NvmeLog(controller, log_id), _:
                self._now.keep_nvme(controller, f"log:{log_id}", answer)
            case NvmeFeature(controller, feature_id), _:
                self._now.keep_nvme(controller, f"feature:{feature_id}", answer)
            case Smartctl(device), dict(value):
                self._now.smartctl[device_name(device)] = value
            case FileSystem(path), FileSystemFigures() as figures:
                self._now.statvfs[path] = asdict(figures)
            case ReadKernelLog(), KernelLogRead(records=records):
                self._now.kmsg.extend(records)
            case ReadUevents(), tuple(events):
                self._now.uevents.extend(event for event in events if isinstance(event, dict))
            case _:
                pass

    def _below_canonical_parent(self, path: str) -> str:
        parent, _, name = path.rpartition("/")
        return f"{self._find_canonical(parent)}/{name}" if parent else path

    def _canonical_file(self, path: str) -> str:
        # Attributes of one device share a folder, and are almost never links themselves: resolve the folder only.
        canonical = self._below_canonical_parent(path)
        return canonical if path.startswith(("/sys/", "/proc/")) else self._find_canonical(path)


class _Seen:
    """What was answered in one pass, by canonical path."""

    def __init__(self) -> None:
        self.files: dict[str, bytes] = {}
        self.errors: dict[str, str] = {}
        self.absent: set[str] = set()
        self.links: dict[str, str] = {}
        self.folders: dict[str, frozenset[str]] = {}
        self.nvme: dict[str, dict[str, Any]] = {}
        self.smartctl: dict[str, dict[str, Any]] = {}
        self.statvfs: dict[str, dict[str, Any]] = {}
        self.kmsg: list[str] = []
        self.uevents: list[dict[str, str]] = []

    def fail(self, path: str, unread: Unread) -> None:
        if unread.reason is Reason.ABSENT:
            self.absent.add(path)
        elif unread.detail:
            self.errors[path] = unread.detail

    def add_range(self, path: str, offset: int, length: int, content: bytes, before: bytes) -> None:
        """Lay a range into the file as it was; a gap never read is filled with ones, as a silent device reads."""
        held = bytearray(self.files.get(path, before))
        if content:
            held.extend(b"\xff" * (offset - len(held)))
            held[offset : offset + len(content)] = content
        if len(content) < length:
            del held[offset + len(content) :]  # here the file ends
        self.files[path] = bytes(held)

    def select_names(self, before: "_Seen") -> None:
        """Keep of pci.ids what names the recorded functions: the file is larger than all the rest."""
        for file in PCI_IDS_FILES:
            if (text := self.files.get(file)) is not None and text != before.files.get(file):
                self.files[file] = select_names(text, self._find_ids())

    def _find_ids(self) -> set[tuple[int, int]]:
        pairs = [
            (content, self.files.get(f"{path.removesuffix('/vendor')}/device", b""))
            for path, content in self.files.items()
            if path.endswith("/vendor")
        ]
        found = [(_ID.fullmatch(vendor), _ID.fullmatch(device)) for vendor, device in pairs]
        return {(int(vendor[1], 16), int(device[1], 16)) for vendor, device in found if vendor and device}

    def keep_nvme(self, controller: str, key: str, answer: Answer) -> None:
        entries = self.nvme.setdefault(controller, {})
        match answer:
            case bytes(page):
                entries[key] = base64.b64encode(page).decode()
            case FeatureValue(value=value, data=data):
                entries[key] = value
                if data:
                    entries[f"{key}:data"] = base64.b64encode(data).decode()
            case Unread(reason=Reason.REFUSED, detail=status):
                entries[key] = {"status": int(status)}
            case Unread(detail=name):
                entries[key] = {"error": name or "EIO"}

    def inherit(self, before: "_Seen") -> None:
        """What was not asked again in this pass is as it was, unless a folder's listing says that it went."""
        gone = self.find_gone(before)
        prefixes = tuple(f"{path}/" for path in gone)

        def stays(path: str) -> bool:
            return path not in gone and not path.startswith(prefixes)

        asked = self.files.keys() | self.errors.keys()
        self.files |= {path: value for path, value in before.files.items() if path not in asked and stays(path)}
        self.errors |= {path: value for path, value in before.errors.items() if path not in asked and stays(path)}
        self.links = {path: value for path, value in before.links.items() if stays(path)} | self.links
        self.folders = {path: value for path, value in before.folders.items() if stays(path)} | self.folders
        for controller, entries in before.nvme.items():
            if self._has_controller(controller):
                self.nvme[controller] = entries | self.nvme.get(controller, {})
        self.smartctl = before.smartctl | self.smartctl
        self.statvfs = before.statvfs | self.statvfs

    def _has_controller(self, controller: str) -> bool:
        names = self.folders.get("/sys/class/nvme")
        return names is None or controller in names

    def find_gone(self, before: "_Seen") -> set[str]:
        """Paths that were there and are not: asked and absent now, or no longer in their folder's listing."""
        known = before.files.keys() | before.errors.keys() | before.links.keys() | before.folders.keys()
        gone = {path for path in self.absent if path in known}
        for folder, names in before.folders.items():
            if folder in self.absent:
                gone.add(folder)
            elif folder in self.folders:
                gone |= {f"{folder}/{name}" for name in names - self.folders[folder]}
        return gone

    def difference(self, before: "_Seen") -> dict[str, Any]:
        """Give the keys of a frame that turn `before` into this."""
        frame: dict[str, Any] = {}
        texts: dict[str, str] = {}
        binary: dict[str, str] = {}
        for path, content in self.files.items():
            if before.files.get(path) != content or path in before.errors:
                try:
                    texts[path] = content.decode()
                except UnicodeDecodeError:
                    binary[path] = base64.b64encode(content).decode()
        frame["files"], frame["binary"] = texts, binary
        frame["errors"] = {path: name for path, name in self.errors.items() if before.errors.get(path) != name}
        frame["links"] = {path: target for path, target in self.links.items() if before.links.get(path) != target}
        held = self.files.keys() | self.errors.keys() | self.links.keys()
        filled = _find_folders_above(held)
        frame["dirs"] = sorted(path for path in self.folders.keys() - before.folders.keys() if path not in filled)
        gone = self.find_gone(before)
        frame["gone"] = sorted(path for path in gone if not any(path.startswith(f"{above}/") for above in gone))
        frame["nvme"] = {
            name: changed
            for name, entries in self.nvme.items()
            if (
                changed := {key: value for key, value in entries.items() if before.nvme.get(name, {}).get(key) != value}
            )
        } | dict.fromkeys(before.nvme.keys() - self.nvme.keys())
        for key in ("smartctl", "statvfs"):
            now, then = getattr(self, key), getattr(before, key)
            frame[key] = {name: value for name, value in now.items() if then.get(name) != value}
        frame["kmsg"], frame["uevents"] = self.kmsg, self.uevents
        return {key: value for key, value in frame.items() if value}


def _find_folders_above(paths: Iterable[str]) -> set[str]:
    folders: set[str] = set()
    for path in paths:
        parent = path.rpartition("/")[0]
        while parent and parent not in folders:
            folders.add(parent)
            parent = parent.rpartition("/")[0]
    return folders
