"""NVMe controllers: who they are, what they hold, how they are, and what they do to save power.

Rules of this module:
- A controller that is not live (dead, resetting, connecting), or whose PCI function sleeps, is sent no command: it
  would hang, or wake. What is known of it then comes from the kernel's own files.
- What each pass costs a drive: the health log and, where the drive changes power state by itself, one Get Features,
  back to back; Identify once for as long as the drive stays. A drive that had gone to rest is roused for these few
  milliseconds and counts its idle time from the start again, so an interval shorter than that keeps it from ever
  resting: the interval is the caller's.
- hwmon sends the drive commands too (three for its temperature, threshold and alarm): it is read only where the health
  log fails.
- smartctl is asked only where the admin command fails in a way that another program may get round.

What it does not do: it parses no page (``health_and_identity.py``) and no output of smartctl (``smart.py``).
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import cast

from laneproof_collectors.disks.block import NamespaceMemory, name_namespace, read_namespaces
from laneproof_collectors.host import Host, resolve_link
from laneproof_collectors.nvme.health_and_identity import (
    AUTONOMOUS_TRANSITION_BYTES,
    AUTONOMOUS_TRANSITIONS_FEATURE,
    HEALTH_BYTES,
    HEALTH_LOG,
    parse_autonomous_transitions,
    parse_health,
    parse_identify,
)
from laneproof_collectors.nvme.hwmon import read_thermometers
from laneproof_collectors.pcie.path import is_address
from laneproof_collectors.platform_path import find_platform_path, make_fabrics_path
from laneproof_collectors.questions import (
    Answer,
    FeatureValue,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadFile,
    Smartctl,
)
from laneproof_collectors.snapshot import (
    ASLEEP,
    AutonomousTransitions,
    HealthLog,
    NvmeController,
    NvmeIdentity,
    NvmeNamespace,
    TemperatureReading,
)
from laneproof_collectors.sysfs_attributes import is_absent, parse_integer, parse_text, unless_absent
from laneproof_collectors.unread import Reason, Unread, if_read

CLASS_FOLDER = "/sys/class/nvme"
FABRICS_FOLDER = "/nvme-fabrics/"
_SHOWN_BY_SYSFS = ("/sys/class", "/sys/bus/pci/devices")

LIVE = "live"
"""The one state in which a command is answered. Source: kernel drivers/nvme/host/sysfs.c, ``nvme_sysfs_show_state``."""

_CONTROLLER = re.compile(r"nvme\d+")
_LATENCY_TOLERANCE = "power/pm_qos_latency_tolerance_us"
_ATTRIBUTES = ("state", "model", "serial", "firmware_rev", "cntlid", _LATENCY_TOLERANCE)

# After these, another program's way to the same page may work; after the others the drive itself does not answer.
_WORTH_ANOTHER_WAY = (Reason.ABSENT, Reason.DENIED, Reason.REFUSED, Reason.MALFORMED, Reason.FAILED)
_RIGHTS_ADVICE = "run laneproof as root, or give it CAP_SYS_ADMIN"

DriveKey = tuple[str, str, str]
"""What makes a drive the same one as in the pass before: its name, serial number and firmware."""


@dataclass(slots=True)
class NvmeCache:
    """What is remembered from pass to pass, so that a drive is not asked for what did not change."""

    identities: dict[DriveKey, NvmeIdentity] = field(default_factory=dict)
    attributes: dict[str, tuple[list[bytes | Unread], dict[str, str | Unread]]] = field(default_factory=dict)
    """By folder, a controller's files as read last, and parsed."""
    namespaces: NamespaceMemory = field(default_factory=dict)

    def keep_only(self, keys: set[DriveKey], folders: set[str]) -> None:
        """Forget the drives that are not here any more."""
        for key in self.identities.keys() - keys:
            del self.identities[key]
        for folder in self.attributes.keys() - folders:
            del self.attributes[folder]

    def parse_attributes(self, folder: str, raw: list[bytes | Unread]) -> dict[str, str | Unread]:
        """Parse a controller's files; those that hold what they held are not parsed again."""
        known = self.attributes.get(folder)
        if known is None or known[0] != raw:
            known = self.attributes[folder] = raw, dict(zip(_ATTRIBUTES, map(parse_text, raw), strict=True))
        return known[1]


@dataclass(slots=True, kw_only=True)
class _ControllerDraft:
    """One controller while it is read: the kernel's own account, then what the drive answered."""

    name: str
    path: str
    function: str | None = None  # the folder of its PCI function, or of the platform's device
    address: str | None = None
    platform_path: str | None = None
    attributes: list[bytes | Unread] = field(default_factory=list)
    texts: dict[str, str | Unread] = field(default_factory=dict)
    nodes: tuple[str, ...] = ()
    sleep: list[bytes | Unread] = field(default_factory=list)
    namespaces: tuple[NvmeNamespace, ...] = ()
    identity: NvmeIdentity | Unread | None = None
    health: HealthLog | Unread | None = None
    transitions: AutonomousTransitions | Unread | None = None
    temperatures: tuple[TemperatureReading, ...] = ()

    def text(self, name: str) -> str | Unread:
        return self.texts[name]

    def identity_text(self, name: str) -> str | Unread:
        """Give who it is from the kernel's files, else from what it answered itself: they hold the same words."""
        text, own = self.text(name), self.identity
        if not isinstance(text, Unread) or not isinstance(own, NvmeIdentity):
            return text
        return {"model": own.model, "serial": own.serial, "firmware_rev": own.firmware}[name]

    def key(self) -> DriveKey | None:
        """Identify the drive, unless the kernel does not say enough for that."""
        serial, firmware = self.text("serial"), self.text("firmware_rev")
        if isinstance(serial, Unread) or isinstance(firmware, Unread) or not serial:
            return None
        return self.name, serial, firmware


def read_controllers(host: Host, cache: NvmeCache | None = None) -> tuple[NvmeController, ...] | Unread:
    """Read every NVMe controller.

    Args:
        host: The machine.
        cache: What is remembered from pass to pass; none: everything is asked.

    Returns:
        The controllers by number, none where the kernel knows no such class; or why they could not be listed.
    """
    cache = cache if cache is not None else NvmeCache()
    names = host.folder(CLASS_FOLDER)
    if isinstance(names, Unread):
        # Where sysfs shows itself elsewhere, an absent class means that the driver is not loaded.
        shown = (answer for answer in host.folders(_SHOWN_BY_SYSFS) if not isinstance(answer, Unread))
        return () if is_absent(names) and next(shown, None) is not None else names
    drives = _locate(host, sorted(filter(_CONTROLLER.fullmatch, names), key=lambda name: int(name[4:])))
    _read_attributes(host, drives, cache)
    _read_namespaces(host, drives, cache)
    cache.keep_only({key for drive in drives if (key := drive.key())}, {drive.path for drive in drives})
    asked = [drive for drive in drives if not _skip_if_not_live(drive)]
    _ask_for_health(host, asked, cache)
    _ask_for_transitions(host, asked)
    _ask_another_way(host, asked)
    return tuple(map(_make_controller, drives))


def _locate(host: Host, names: Sequence[str]) -> list[_ControllerDraft]:
    """Find each controller's own folder, and its PCI function where it has one."""
    links = [f"{CLASS_FOLDER}/{name}" for name in names]
    paths = (
        link if isinstance(target, Unread) else resolve_link(link, target)
        for link, target in zip(links, host.links(links), strict=True)
    )
    drives = []
    for name, path in zip(names, paths, strict=True):
        function, address, platform_path = _find_function(name, path)
        drives.append(
            _ControllerDraft(name=name, path=path, function=function, address=address, platform_path=platform_path)
        )
    return drives


@lru_cache(maxsize=512)
def _find_function(name: str, path: str) -> tuple[str | None, str | None, str | None]:
    """Give a controller's `function`, `address` and `platform_path`."""
    function, _, below = path.rpartition("/nvme/")
    if below != name:
        return None, None, None
    address = function.rpartition("/")[2]
    return (function, address, None) if is_address(address) else (function, None, find_platform_path(path))


def _ask_each(host: Host, questions: Sequence[Sequence[Question]]) -> Iterator[list[Answer]]:
    """Put many lists of questions as one batch; give one list of answers for each."""
    answers = iter(host.ask([question for some in questions for question in some]))
    return ([next(answers) for _ in some] for some in questions)


def _read_attributes(host: Host, drives: Sequence[_ControllerDraft], cache: NvmeCache) -> None:
    questions = [_ask_attributes(drive.path, drive.function) for drive in drives]
    for drive, answers in zip(drives, _ask_each(host, questions), strict=True):
        count = len(_ATTRIBUTES)
        drive.attributes = cast("list[bytes | Unread]", answers[:count])
        drive.texts = cache.parse_attributes(drive.path, drive.attributes)
        nodes = cast("tuple[str, ...] | Unread", answers[count])
        drive.nodes = if_read(nodes)
        drive.sleep = cast("list[bytes | Unread]", answers[count + 1 :])


@lru_cache(maxsize=512)
def _ask_attributes(path: str, function: str | None) -> tuple[Question, ...]:
    of_function = ("power/runtime_status", "power_state") if function else ()
    return (
        *(ReadFile(f"{path}/{name}") for name in _ATTRIBUTES),
        ListFolder(path),
        *(ReadFile(f"{function}/{name}") for name in of_function),
    )


def _read_namespaces(host: Host, drives: Sequence[_ControllerDraft], cache: NvmeCache) -> None:
    found = [
        (drive, disk, f"{drive.path}/{node}")
        for drive in drives
        for node in drive.nodes
        if (disk := name_namespace(node))
    ]
    namespaces = read_namespaces(host, [(disk, folder) for _, disk, folder in found], cache.namespaces)
    for (drive, _, _), namespace in zip(found, namespaces, strict=True):
        drive.namespaces = (*drive.namespaces, namespace)


def _skip_if_not_live(drive: _ControllerDraft) -> bool:
    """Decide that a drive is sent no command, and say so in all that a command would have said."""
    state = drive.text("state")
    for raw in drive.sleep:
        if (word := parse_text(raw)) in ASLEEP:
            why = f"its PCI function sleeps ({word}) and is not woken by a reading"
            return _mark_not_asked(drive, Unread(f"what {drive.name} itself reports", why, Reason.NOT_ASKED))
    if state == LIVE or is_absent(state):  # kernels before 4.8 show no state (from memory)
        return False
    shown = state.why if isinstance(state, Unread) else f"its state is {state}"
    why = f"it is sent no command while it is not known to be live ({shown})"
    return _mark_not_asked(drive, Unread(f"what {drive.name} itself reports", why, Reason.NOT_ASKED))


def _mark_not_asked(drive: _ControllerDraft, unread: Unread) -> bool:
    drive.identity = drive.health = drive.transitions = unread
    return True


def _advise(unread: Unread) -> Unread:
    """Add what to do to a reading that lacked the rights."""
    return replace(unread, why=f"{unread.why}; {_RIGHTS_ADVICE}") if unread.reason is Reason.DENIED else unread


def _page(answer: Answer) -> bytes | Unread:
    page = cast("bytes | Unread", answer)
    return _advise(page) if isinstance(page, Unread) else page


def _ask_for_health(host: Host, drives: Sequence[_ControllerDraft], cache: NvmeCache) -> None:
    """Ask for the health log and, where it is not remembered, for the identity."""
    questions: list[list[Question]] = []
    for drive in drives:
        drive.identity = cache.identities.get(key) if (key := drive.key()) else None
        some: list[Question] = [] if drive.identity else [NvmeIdentify(drive.name)]
        questions.append([*some, NvmeLog(drive.name, HEALTH_LOG, HEALTH_BYTES)])
    for drive, answers in zip(drives, _ask_each(host, questions), strict=True):
        *first, health = answers
        if first:
            drive.identity = parse_identify(_page(first[0]), what=f"Identify of {drive.name}")
            if (key := drive.key()) and isinstance(drive.identity, NvmeIdentity):
                cache.identities[key] = drive.identity
        drive.health = parse_health(cast("bytes | Unread", health), what=f"log 02h of {drive.name}")


def _ask_for_transitions(host: Host, drives: Sequence[_ControllerDraft]) -> None:
    """Ask for the feature where the drive has it."""
    having = []
    for drive in drives:
        if isinstance(drive.identity, Unread):
            drive.transitions = drive.identity
        elif drive.identity and drive.identity.autonomous_transitions_supported:
            having.append(drive)
    features = [
        NvmeFeature(drive.name, AUTONOMOUS_TRANSITIONS_FEATURE, AUTONOMOUS_TRANSITION_BYTES) for drive in having
    ]
    for drive, answer in zip(having, host.ask(features), strict=True):
        drive.transitions = _parse_feature(answer, what=f"feature 0Ch of {drive.name}")


def _parse_feature(answer: Answer, *, what: str) -> AutonomousTransitions | Unread:
    if isinstance(answer, FeatureValue):
        return parse_autonomous_transitions(answer.value, answer.data, what=what)
    return _advise(cast("Unread", answer))


def _ask_another_way(host: Host, drives: Sequence[_ControllerDraft]) -> None:
    """Where the health log failed, ask smartctl; where that fails too, at least read the kernel's thermometers."""
    failed = [
        drive for drive in drives if isinstance(drive.health, Unread) and drive.health.reason in _WORTH_ANOTHER_WAY
    ]
    if not failed:
        return
    from laneproof_collectors.disks import smart  # noqa: PLC0415 (pySMART costs memory that most machines need not spend)

    for drive, answer in zip(failed, host.ask([Smartctl(drive.name) for drive in failed]), strict=True):
        log = cast("Unread", drive.health)
        health = smart.parse_health(answer, device=drive.name) if isinstance(answer, dict) else cast("Unread", answer)
        drive.health = _explain(log, health) if isinstance(health, Unread) else health
        if isinstance(health, Unread):
            drive.temperatures = read_thermometers(host, drive.path, drive.nodes, drive.function)


def _explain(log: Unread, smartctl: Unread) -> Unread:
    """Join two failures into one sentence that ends with what to do."""
    advice = [_RIGHTS_ADVICE] if log.reason is Reason.DENIED else []
    advice += ["install smartmontools for a second way"] if smartctl.reason is Reason.ABSENT else []
    todo = f"; {', or '.join(advice)}" if advice else ""
    return replace(log, why=f"{log.why}; smartctl did not help ({smartctl.why}){todo}")


def _make_controller(drive: _ControllerDraft) -> NvmeController:
    """Put together what was read."""
    raw = dict(zip(_ATTRIBUTES, drive.attributes, strict=True))
    unread = Unread(f"what {drive.name} itself reports", "it was not asked", Reason.NOT_ASKED)
    return NvmeController(
        name=drive.name,
        address=drive.address,
        path=None if drive.address else drive.platform_path or _fabrics_path(drive),
        state=drive.text("state"),
        model=drive.identity_text("model"),
        serial=drive.identity_text("serial"),
        firmware=drive.identity_text("firmware_rev"),
        controller_id=parse_integer(raw["cntlid"], what=f"{drive.path}/cntlid"),
        namespaces=drive.namespaces,
        identity=drive.identity or unread,
        health=drive.health or unread,
        autonomous_transitions=drive.transitions,
        latency_tolerance_us=_parse_latency(raw[_LATENCY_TOLERANCE], what=f"{drive.path}/{_LATENCY_TOLERANCE}"),
        temperatures=drive.temperatures,
    )


def _fabrics_path(drive: _ControllerDraft) -> str | None:
    """Name a drive that a network leads to. Source: kernel drivers/nvme/host/fabrics.c, ``nvmf_class``."""
    if FABRICS_FOLDER not in drive.path:
        return None
    serial = drive.identity_text("serial")
    return make_fabrics_path(serial if isinstance(serial, str) and serial else drive.name)


def _parse_latency(raw: bytes | Unread, *, what: str) -> int | str | Unread | None:
    """Parse ``pm_qos_latency_tolerance_us``. Source: Documentation/ABI/testing/sysfs-devices-power."""
    word = unless_absent(parse_text(raw))
    if word in ("any", "auto") or word is None or isinstance(word, Unread):
        return word
    return parse_integer(raw, what=what)
