"""A machine as a recording holds it: it answers from the state that the frames add up to."""

import base64
import binascii
import errno
import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, TypeVar

from laneproof_collectors.host import Host, resolve_link
from laneproof_collectors.questions import (
    Answer,
    Clock,
    FeatureValue,
    FileSystem,
    FileSystemFigures,
    KernelLogRead,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadClock,
    ReadFile,
    ReadJournal,
    ReadKernelLog,
    ReadLink,
    ReadRange,
    ReadUevents,
    Smartctl,
    name_question,
    unread_from_errno,
    unread_from_nvme_status,
)
from laneproof_collectors.recording import (
    BOOT_ID_PATH,
    HOST_NAME_PATH,
    KERNEL_PATH,
    Frame,
    Header,
    OwnerCause,
    OwnerNote,
)
from laneproof_collectors.unread import Reason, Unread

ALWAYS = "always"
"""The name under which `RecordedHost.noting` notes what every frame changes: the clock, the log, device events."""

_MOST_STEPS = 400
"""How many parts of a path and links are followed for one: a chain of links without end would end the program."""

_Value = TypeVar("_Value")


class RecordedHost(Host):
    """A machine as a recording holds it. `advance` takes it from frame to frame."""

    def __init__(self, header: Header, frames: Iterable[Frame] = ()) -> None:
        """Begin with the header's identity and, at once, the first of the frames where there is one."""
        self.header = header
        self._frames = iter(frames)
        self._clock = Clock(unix_seconds=0.0, up_seconds=0.0)
        self._boot_id = header.boot_id
        self._kmsg: list[str] = []
        self._uevents: list[dict[str, str]] = []
        self._noted: set[str] | None = None
        self.notes: tuple[OwnerNote, ...] = ()
        self.confirmed: tuple[OwnerCause, ...] = ()
        """What the owner wrote, of the frame that it stands at."""
        self._clear()

    def _clear(self) -> None:
        self._changed: set[str] | None = None
        self._files: dict[str, bytes] = {}
        self._errors: dict[str, str] = {}
        self._links: dict[str, str] = {}
        self._children: dict[str, set[str]] = {}
        self._canonical: dict[str, str] = {}
        self._nvme: dict[str, dict[str, Any]] = {}
        self._pages: dict[tuple[str, str], tuple[str, bytes]] = {}  # by controller and key: as recorded, and decoded
        self._smartctl: dict[str, dict[str, Any]] = {}
        self._statvfs: dict[str, dict[str, Any]] = {}

    def advance(self) -> bool:
        """Go on to the next frame; False where there is none."""
        frame = next(self._frames, None)
        if frame is None:
            return False
        self.apply(frame)
        return True

    def apply(self, frame: Frame) -> None:
        """Add one frame to the state."""
        if frame.boot_id is not None and frame.boot_id != self._boot_id:
            self._boot_id = frame.boot_id
            self._clear()
        up = frame.up if frame.up is not None else self._clock.up_seconds + max(0.0, frame.t - self._clock.unix_seconds)
        self._clock = Clock(unix_seconds=frame.t, up_seconds=up, monotonic_seconds=frame.mono)
        self._apply_tree(frame)
        self._note_change(name for name in frame.nvme)
        _merge(self._nvme, frame.nvme)
        self._note_change(f"smartctl {device_name(name)}" for name in frame.smartctl)
        _replace(self._smartctl, frame.smartctl)
        self._note_change(f"statvfs {name}" for name in frame.statvfs)
        _replace(self._statvfs, frame.statvfs)
        self._kmsg.extend(frame.kmsg)
        self._uevents.extend(frame.uevents)
        self.notes, self.confirmed = frame.notes, frame.confirmed

    def _note_change(self, names: Iterable[str]) -> None:
        if self._changed is not None:
            self._changed.update(names)

    def take_changes(self) -> set[str] | None:
        """Give what changed since this was last asked, by the names that `noting` gives.

        Returns:
            The names; None where all may have changed: at first, at a new boot, or where other files are there now.
        """
        changed, self._changed = self._changed, set()
        return changed

    @contextmanager
    def noting(self) -> Iterator[set[str]]:
        """Note what is asked for meanwhile: the files, controllers and so on whose change could change the answers.

        Yields:
            Their names, filled as questions come. Which files there are is not noted: see `take_changes`.
        """
        self._noted = noted = set[str]()
        try:
            yield noted
        finally:
            self._noted = None

    def _apply_tree(self, frame: Frame) -> None:
        if frame.gone or frame.links or frame.dirs or frame.errors:
            self._changed = None
            self._canonical.clear()
        self._note_change(frame.files)
        self._note_change(frame.binary)
        for path in frame.gone:
            self._remove(path)
        texts = ((path, text.encode()) for path, text in frame.files.items())
        for path, content in itertools.chain(texts, frame.binary.items()):
            self._put(self._files, path, content)
            self._errors.pop(path, None)
        for path, name in frame.errors.items():
            self._put(self._errors, path, name)
        for path, target in frame.links.items():
            self._put(self._links, path, target)
        for path in frame.dirs:
            self._children.setdefault(path, set())
            self._adopt(path)

    def _put(self, state: dict[str, _Value], path: str, value: _Value) -> None:
        if path not in state:
            self._changed = None
            self._adopt(path)
        state[path] = value

    def _adopt(self, path: str) -> None:
        """Make a path known to the folders above it."""
        while path and path != "/":
            parent, _, name = path.rpartition("/")
            names = self._children.setdefault(parent or "/", set())
            if name in names:
                return
            names.add(name)
            path = parent

    def _remove(self, path: str) -> None:
        """Take away a path with all below it."""
        parent, _, name = path.rpartition("/")
        self._children.get(parent or "/", set()).discard(name)
        waiting = [path]
        while waiting:
            gone = waiting.pop()
            for state in (self._files, self._errors, self._links):
                state.pop(gone, None)
            waiting.extend(f"{gone}/{child}" for child in self._children.pop(gone, ()))

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Answer from the state; the kernel log and the events of a frame are given once."""
        return [
            self._content(question.path) if type(question) is ReadFile else self._answer(question)
            for question in questions
        ]

    def _answer(self, question: Question) -> Answer:  # noqa: C901, PLR0911, PLR0912 (one arm a question)
        match question:
            case ReadFile(path):
                return self._content(path)
            case ReadRange(path, offset, length):
                content = self._content(path)
                return content if isinstance(content, Unread) else content[offset : offset + length]
            case ReadLink(path):
                parent, _, name = path.rpartition("/")
                target = self._links.get(path) or self._links.get(f"{self._resolve(parent)}/{name}")
                return target if target is not None else self._absent(path)
            case ListFolder(path):
                names = self._children.get(path)
                if names is None:
                    names = self._children.get(self._resolve(path))
                return tuple(sorted(names)) if names is not None else self._absent(path)
            case NvmeIdentify(controller):
                return self._nvme_bytes(question, controller, "identify")
            case NvmeLog(controller, log_id, length):
                page = self._nvme_bytes(question, controller, f"log:{log_id}")
                return page if isinstance(page, Unread) else page[:length]
            case NvmeFeature(controller, feature_id, length):
                return self._feature(question, controller, feature_id, length)
            case Smartctl(device):
                self._note(f"smartctl {device_name(device)}")
                answer = self._smartctl.get(device_name(device))
                return answer if answer is not None else self._absent(name_question(question))
            case FileSystem(path):
                self._note(f"statvfs {path}")
                figures = self._statvfs.get(path)
                return _parse_statvfs(figures, path) if figures is not None else self._absent(name_question(question))
            case ReadKernelLog():
                self._note(ALWAYS)
                records, self._kmsg = tuple(self._kmsg), []
                return KernelLogRead(records=records)
            case ReadJournal():
                return Unread(name_question(question), "a recording holds no journal", Reason.ABSENT, "ENOENT")
            case ReadUevents():
                self._note(ALWAYS)
                events, self._uevents = tuple(self._uevents), []
                return events
            case ReadClock():
                self._note(ALWAYS)
                return self._clock

    def _note(self, name: str) -> None:
        if self._noted is not None:
            self._noted.add(name)

    def _absent(self, what: str) -> Unread:
        return unread_from_errno(what, errno.ENOENT)

    def _content(self, path: str) -> bytes | Unread:
        content = self._files.get(path)
        if self._noted is not None:
            self._noted.add(path if content is not None else self._resolve(path))
        if content is None or path in self._errors:
            canonical = path if path in self._errors else self._resolve(path)
            if name := self._errors.get(canonical):
                return unread_from_errno(path, getattr(errno, name, errno.EIO))
            content = self._files.get(canonical)
        if content is not None:
            return content
        identity = {BOOT_ID_PATH: self._boot_id, KERNEL_PATH: self.header.kernel, HOST_NAME_PATH: self.header.host}.get(
            path
        )
        return f"{identity}\n".encode() if identity else self._absent(path)

    def _resolve(self, path: str, steps: int = 0) -> str:
        """Follow links in every component, as the kernel would."""
        if not self._links or steps > _MOST_STEPS:
            return path
        known = self._canonical.get(path)
        if known is None:
            self._canonical[path] = path  # a link that leads back to itself ends here
            parent, _, name = path.rpartition("/")
            known = f"{self._resolve(parent, steps + 1)}/{name}" if parent else path
            if (target := self._links.get(known)) is not None:
                known = self._resolve(resolve_link(known, target), steps + 1)
            self._canonical[path] = known
        return known

    def _nvme_entry(self, question: Question, controller: str, key: str) -> object:
        self._note(controller)
        entry = self._nvme.get(controller, {}).get(key)
        if isinstance(entry, dict):
            if isinstance(status := entry.get("status"), int):
                return unread_from_nvme_status(name_question(question), status)
            return unread_from_errno(name_question(question), getattr(errno, str(entry.get("error")), errno.EIO))
        return entry if entry is not None else self._absent(name_question(question))

    def _nvme_bytes(self, question: Question, controller: str, key: str) -> bytes | Unread:
        entry = self._nvme_entry(question, controller, key)
        if isinstance(entry, str):
            text, page = self._pages.get((controller, key), ("", b""))
            if text is entry:
                return page
            try:
                page = base64.b64decode(entry, validate=True)
            except binascii.Error as error:
                return Unread(name_question(question), f"the recording's text is not base64 ({error})")
            self._pages[controller, key] = entry, page
            return page
        return entry if isinstance(entry, Unread) else Unread(name_question(question), "the recording holds no page")

    def _feature(self, question: Question, controller: str, feature_id: int, length: int) -> FeatureValue | Unread:
        entry = self._nvme_entry(question, controller, f"feature:{feature_id}")
        if isinstance(entry, Unread):
            return entry
        if not isinstance(entry, int):
            return Unread(name_question(question), f"the recording holds no number: {entry!r:.40}")
        if not length:
            return FeatureValue(value=entry)
        data = self._nvme_bytes(question, controller, f"feature:{feature_id}:data")
        return data if isinstance(data, Unread) else FeatureValue(value=entry, data=data[:length])


def _merge(state: dict[str, dict[str, Any]], changes: Mapping[str, dict[str, Any] | None]) -> None:
    for name, entries in changes.items():
        if entries is None:
            state.pop(name, None)
        else:
            state.setdefault(name, {}).update(entries)


def _replace(state: dict[str, dict[str, Any]], changes: Mapping[str, dict[str, Any] | None]) -> None:
    for name, value in changes.items():
        if value is None:
            state.pop(device_name(name), None)
        else:
            state[device_name(name)] = value


def device_name(device: str) -> str:
    """Name a device as a recording keeps it: ``/dev/sda`` and ``sda`` are one."""
    return device.removeprefix("/dev/")


def _parse_statvfs(figures: Mapping[str, Any], path: str) -> FileSystemFigures | Unread:
    try:
        if "size_bytes" in figures:
            return FileSystemFigures(
                size_bytes=int(figures["size_bytes"]),
                free_bytes=int(figures["free_bytes"]),
                available_bytes=int(figures["available_bytes"]),
                read_only=bool(figures.get("read_only", False)),
            )
        unit = int(figures.get("f_frsize") or figures["f_bsize"])
        return FileSystemFigures(
            size_bytes=int(figures["f_blocks"]) * unit,
            free_bytes=int(figures["f_bfree"]) * unit,
            available_bytes=int(figures["f_bavail"]) * unit,
            read_only=bool(int(figures.get("f_flag", 0)) & 1),  # ST_RDONLY
        )
    except (KeyError, TypeError, ValueError) as error:
        return Unread(f"file system at {path}", f"the recording's figures are incomplete ({error})")
