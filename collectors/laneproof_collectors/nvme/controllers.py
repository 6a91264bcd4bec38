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
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TypeVar, cast

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

_Answer = TypeVar("_Answer")

DriveKey = tuple[str, str, str]
"""What makes a drive the same one as in the pass before: its name, serial number and firmware."""


@dataclass(slots=True)
class NvmeCache:
    """What is remembered from pass to pass, so that a drive is not asked for what did not change."""

    identities: dict[DriveKey, NvmeIdentity] = field(default_factory=dict)
    namespaces: NamespaceMemory = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class _ControllerDraft:
    """One controller while it is read: the kernel's own account, then what the drive answered."""

    name: str
    path: str
    function: str | None = None  # the folder of its PCI function, or of the platform's device
    address: str | None = None
    platform_path: str | None = None
    attributes: dict[str, bytes | Unread] = field(default_factory=dict)
    texts: dict[str, str | Unread] = field(default_factory=dict)
    nodes: tuple[str, ...] = ()
    sleep: list[bytes | Unread] = field(default_factory=list)
    namespaces: tuple[NvmeNamespace, ...] = ()
    identity: NvmeIdentity | Unread | None = None
    health: HealthLog | Unread | None = None
    transitions: AutonomousTransitions | Unread | None = None
    temperatures: tuple[TemperatureReading, ...] = ()

    def identity_text(self, name: str) -> str | Unread:
        """Give who it is from the kernel's files, else from what it answered itself: they hold the same words."""
        text, own = self.texts[name], self.identity
        if not isinstance(text, Unread) or not isinstance(own, NvmeIdentity):
            return text
        return {"model": own.model, "serial": own.serial, "firmware_rev": own.firmware}[name]

    def key(self) -> DriveKey | None:
        """Identify the drive, unless the kernel does not say enough for that."""
        serial, firmware = self.texts["serial"], self.texts["firmware_rev"]
        if isinstance(serial, Unread) or isinstance(firmware, Unread) or not serial:
            return None
        return self.name, serial, firmware


def read_controllers(host: Host, cache: NvmeCache | None = None) -> tuple[NvmeController, ...] | Unread:
    """Read every NVMe controller; without a cache of what earlier passes found, everything is asked.

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
    _read_attributes(host, drives)
    _read_namespaces(host, drives, cache)
    for gone in cache.identities.keys() - {drive.key() for drive in drives}:
        del cache.identities[gone]
    asked = [drive for drive in drives if _may_be_asked(drive)]
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


def _read_attributes(host: Host, drives: Sequence[_ControllerDraft]) -> None:
    questions = [_ask_attributes(drive.path, drive.function) for drive in drives]
    for drive, (nodes, *answers) in zip(drives, host.ask_groups(questions), strict=True):
        drive.nodes = if_read(nodes)
        drive.attributes = dict(zip(_ATTRIBUTES, answers, strict=False))
        drive.texts = {name: parse_text(raw) for name, raw in drive.attributes.items()}
        drive.sleep = answers[len(_ATTRIBUTES) :]


@lru_cache(maxsize=512)
def _ask_attributes(path: str, function: str | None) -> tuple[Question, ...]:
    of_function = ("power/runtime_status", "power_state") if function else ()
    return (
        ListFolder(path),
        *(ReadFile(f"{path}/{name}") for name in _ATTRIBUTES),
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


def _may_be_asked(drive: _ControllerDraft) -> bool:
    """Decide whether a drive is sent commands; where not, say so in all that a command would have said."""
    state = drive.texts["state"]
    if asleep := next((word for raw in drive.sleep if (word := parse_text(raw)) in ASLEEP), None):
        why = f"its PCI function sleeps ({asleep}) and is not woken by a reading"
    elif state == LIVE or is_absent(state):  # kernels before 4.8 show no state (from memory)
        return True
    else:
        shown = state.why if isinstance(state, Unread) else f"its state is {state}"
        why = f"it is sent no command while it is not known to be live ({shown})"
    unread = Unread(f"what {drive.name} itself reports", why, Reason.NOT_ASKED)
    drive.identity = drive.health = drive.transitions = unread
    return False


def _advise(answer: _Answer) -> _Answer | Unread:
    """Add what to do to a reading that lacked the rights."""
    if isinstance(answer, Unread) and answer.reason is Reason.DENIED:
        return replace(answer, why=f"{answer.why}; {_RIGHTS_ADVICE}")
    return answer


def _ask_for_health(host: Host, drives: Sequence[_ControllerDraft], cache: NvmeCache) -> None:
    """Ask for the health log and, where it is not remembered, for the identity."""
    questions: list[list[Question]] = []
    for drive in drives:
        drive.identity = cache.identities.get(key) if (key := drive.key()) else None
        some: list[Question] = [] if drive.identity else [NvmeIdentify(drive.name)]
        questions.append([*some, NvmeLog(drive.name, HEALTH_LOG, HEALTH_BYTES)])
    for drive, (*identify, health) in zip(drives, host.ask_groups(questions), strict=True):
        if identify:
            drive.identity = parse_identify(_advise(identify[0]), what=f"Identify of {drive.name}")
            if (key := drive.key()) and isinstance(drive.identity, NvmeIdentity):
                cache.identities[key] = drive.identity
        drive.health = parse_health(health, what=f"log 02h of {drive.name}")


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
        if isinstance(answer, FeatureValue):
            what = f"feature 0Ch of {drive.name}"
            drive.transitions = parse_autonomous_transitions(answer.value, answer.data, what=what)
        else:
            drive.transitions = _advise(cast("Unread", answer))


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
    unread = Unread(f"what {drive.name} itself reports", "it was not asked", Reason.NOT_ASKED)
    return NvmeController(
        name=drive.name,
        address=drive.address,
        path=None if drive.address else drive.platform_path or _fabrics_path(drive),
        state=drive.texts["state"],
        model=drive.identity_text("model"),
        serial=drive.identity_text("serial"),
        firmware=drive.identity_text("firmware_rev"),
        controller_id=parse_integer(drive.attributes["cntlid"], what=f"{drive.path}/cntlid"),
        namespaces=drive.namespaces,
        identity=drive.identity or unread,
        health=drive.health or unread,
        autonomous_transitions=drive.transitions,
        latency_tolerance_us=_parse_latency(
            drive.attributes[_LATENCY_TOLERANCE], what=f"{drive.path}/{_LATENCY_TOLERANCE}"
        ),
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
