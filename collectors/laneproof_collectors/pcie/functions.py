"""PCI functions: where each is, what it is, its link, its errors, its power.

Rules of this module: only the links in ``/sys/bus/pci/devices`` say which functions there are. How a function rests is
read first, and one that sleeps, or is behind a port that does, is asked nothing that would wake it: its link attributes
and configuration space. All functions are asked together, in a few large batches; names and offsets that do not change
are kept in a `PcieCache` from pass to pass. What it does not do: it compares nothing, and it reads no drive.

Source: Linux Documentation/ABI/testing/sysfs-bus-pci and sysfs-bus-pci-devices-aer_stats.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from laneproof_collectors.host import Host, resolve_link
from laneproof_collectors.pcie.aer import AER_CLASSES, AER_TOTALS, parse_aer
from laneproof_collectors.pcie.config_space import AerOffsets, ConfigRegisters, FunctionKey, read_config_registers
from laneproof_collectors.pcie.ids import Ids, Names, read_names
from laneproof_collectors.pcie.link_attributes import LINK_ATTRIBUTES, NO_LINK, is_blank, is_silent, parse_link_end
from laneproof_collectors.pcie.path import FunctionPath, is_address, parse_function_path
from laneproof_collectors.pcie.power import POWER_ATTRIBUTES, find_why_asleep, parse_power
from laneproof_collectors.questions import ListFolder, ReadFile, ReadLink
from laneproof_collectors.snapshot import AerCounters, ExpressRegisters, FunctionPower, LinkEnd, PciFunction
from laneproof_collectors.sysfs_attributes import parse_integer, parse_text, unless_absent
from laneproof_collectors.unread import Reason, Unread

DEVICES = "/sys/bus/pci/devices"

_IDENTITY = ("class", "vendor", "device")
_AT_REST = (*POWER_ATTRIBUTES, *_IDENTITY)  # reading these wakes nothing
# Functions that add up what was reported to them. Source: pci_ids.h, PCI_CLASS_BRIDGE_PCI and PCI_CLASS_SYSTEM_RCEC.
_BRIDGE, _EVENT_COLLECTOR = 0x0604, 0x0807
_COLLECTING_CLASSES = (_BRIDGE, _EVENT_COLLECTOR)

_AHCI = "ahci"  # drivers/ata/ahci.c: what it counts is in the kernel's memory, and wakes nothing

_HEX = re.compile(rb"0x([0-9a-f]{1,8})\n?")
_LINK_STATE = re.compile(r"[a-z0-9_]{1,32}")
_LABEL_LIMIT = 80  # characters

_Identity = tuple[int | Unread, int | Unread, int | Unread]
_Raws = Sequence[bytes | Unread]


@dataclass(slots=True)
class PcieCache:
    """What need not be asked again on each pass, of the functions that the last one found."""

    names: dict[Ids, Names] = field(default_factory=dict)
    labels: dict[FunctionKey, tuple[str | None, bool]] = field(default_factory=dict)
    """The firmware's own name, and whether it is in an enclosure that may be unplugged."""
    aer_offsets: AerOffsets = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class _FunctionDraft:
    """One function while it is read."""

    address: str
    folder: str
    path: FunctionPath
    identity: _Identity
    key: FunctionKey | None
    driver: str | None
    resting: _Raws
    power: FunctionPower
    asleep: str = ""  # why it is left alone; empty where it is not
    link: LinkEnd = NO_LINK
    silent: bool = False
    label: str | None = None
    removable: bool = False
    remapped_nvme: int | Unread | None = None
    aer: AerCounters | None = None
    registers: ConfigRegisters | None = None


def read_functions(host: Host, *, cache: PcieCache | None = None) -> tuple[PciFunction, ...] | Unread:
    """Read all PCI functions of the machine; without a cache of what earlier passes learned all, pci.ids included.

    Returns:
        The functions in the order of the kernel's list, or why that could not be read. A function that left while it
        was read is left out.
    """
    cache = cache if cache is not None else PcieCache()
    listed = _list_functions(host)
    if isinstance(listed, Unread):
        return listed
    readings = _ask_at_rest(host, listed)
    _find_sleepers(readings)
    _ask_links(host, readings, cache)
    linked = [reading for reading in readings if reading.asleep or reading.link is not NO_LINK]
    states = _ask_errors(host, linked)
    _ask_config(host, [reading for reading in linked if not reading.asleep], cache)
    still_listed = _ask_link_states(host, states)
    if not isinstance(still_listed, Unread):
        readings = [reading for reading in readings if reading.address in still_listed]
    _ask_names(host, readings, cache)
    return tuple(_make_function(reading, cache) for reading in readings)


def _group(answers: _Raws, width: int) -> Iterator[_Raws]:
    return (answers[start : start + width] for start in range(0, len(answers), width))


def _list_functions(host: Host) -> list[tuple[str, str]] | Unread:
    """Give the address and the folder of each function that the kernel lists."""
    names = host.folder(DEVICES)
    if isinstance(names, Unread):
        return names
    links = {name: f"{DEVICES}/{name}" for name in names if is_address(name)}
    listed = []
    for (address, link), target in zip(links.items(), host.links(links.values()), strict=True):
        if isinstance(target, str):
            listed.append((address, resolve_link(link, target)))
        elif target.reason is Reason.ABSENT or target.detail == "EINVAL":
            listed.append((address, link))  # no link: it just left, or this tree was laid out as plain folders
        else:
            return target  # without the folder of each nobody can say which positions are empty
    return listed


def _ask_at_rest(host: Host, listed: Sequence[tuple[str, str]]) -> list[_FunctionDraft]:
    """Ask what a sleeping function answers too; one that is gone by now is left out."""
    answers, drivers = host.ask_groups(
        (
            [ReadFile(f"{folder}/{name}") for _, folder in listed for name in _AT_REST],
            [ReadLink(f"{folder}/driver") for _, folder in listed],
        )
    )
    readings = []
    for (address, folder), raws, driver in zip(listed, _group(answers, len(_AT_REST)), drivers, strict=True):
        if all(isinstance(raw, Unread) and raw.reason in (Reason.ABSENT, Reason.GONE) for raw in raws):
            continue
        resting = raws[: len(POWER_ATTRIBUTES)]
        identity = _parse_identity(raws[len(POWER_ATTRIBUTES) :], folder)
        _, vendor, device = identity
        key = (address, vendor, device) if isinstance(vendor, int) and isinstance(device, int) else None
        reading = _FunctionDraft(
            address=address,
            folder=folder,
            path=parse_function_path(folder, address),
            identity=identity,
            key=key,
            driver=driver.rpartition("/")[2] if isinstance(driver, str) else None,
            resting=resting,
            power=parse_power(resting, folder=folder),
        )
        readings.append(reading)
    return readings


def _parse_identity(raws: _Raws, folder: str) -> _Identity:
    code, vendor, device = raws
    return (
        _parse_id(code, 6, f"{folder}/class"),
        _parse_id(vendor, 4, f"{folder}/vendor"),
        _parse_id(device, 4, f"{folder}/device"),
    )


def _parse_id(raw: bytes | Unread, digits: int, what: str) -> int | Unread:
    if isinstance(raw, Unread):
        return raw
    if (match := _HEX.fullmatch(raw)) and len(match[1]) <= digits:
        return int(match[1], 16)
    return Unread(what, f"not a hexadecimal number: {raw[:32]!r}")


def _find_sleepers(readings: Iterable[_FunctionDraft]) -> None:
    """Mark each function that a reading would wake, or above which it would wake a port."""
    asleep: set[str] = set()
    for reading in sorted(readings, key=lambda reading: reading.folder):  # a port comes before what is below it
        if why := find_why_asleep(reading.power):
            reading.asleep = why
        elif reading.folder.rpartition("/")[0] in asleep:
            reading.asleep = "a port above it sleeps, and a reading would wake that"
        if reading.asleep:
            asleep.add(reading.folder)
            left = [_not_asked(f"{reading.folder}/{name}", reading.asleep) for name in LINK_ATTRIBUTES]
            reading.link = parse_link_end(left, folder=reading.folder)


def _not_asked(what: str, why: str) -> Unread:
    return Unread(what, why, Reason.NOT_ASKED)


def _ask_links(host: Host, readings: Sequence[_FunctionDraft], cache: PcieCache) -> None:
    """Ask whoever is awake for its link; and, once, for what the firmware says of each function."""
    awake = [reading for reading in readings if not reading.asleep]
    unknown = [reading for reading in readings if reading.key is None or reading.key not in cache.labels]
    hiding = [reading for reading in readings if reading.driver == _AHCI]
    answers, labels, cases, counts = host.ask_groups(
        (
            [ReadFile(f"{reading.folder}/{name}") for reading in awake for name in LINK_ATTRIBUTES],
            [ReadFile(f"{reading.folder}/label") for reading in unknown],
            [ReadFile(f"{reading.folder}/removable") for reading in unknown],
            [ReadFile(f"{reading.folder}/remapped_nvme") for reading in hiding],
        )
    )
    for reading, raw in zip(hiding, counts, strict=True):
        reading.remapped_nvme = unless_absent(parse_integer(raw, what=f"{reading.folder}/remapped_nvme"))
    for reading, raws in zip(awake, _group(answers, len(LINK_ATTRIBUTES)), strict=True):
        reading.link = parse_link_end(raws, folder=reading.folder)
        reading.silent = is_silent(raws)
    for reading, raw, case in zip(unknown, labels, cases, strict=True):
        reading.label = None if isinstance(raw, Unread) else _parse_label(raw)
        reading.removable = parse_text(case) == "removable"
    for reading in readings:
        if reading.key in cache.labels:
            reading.label, reading.removable = cache.labels[reading.key]
    cache.labels = {reading.key: (reading.label, reading.removable) for reading in readings if reading.key}
    cache.aer_offsets = {key: offset for key, offset in cache.aer_offsets.items() if key in cache.labels}


def _ask_errors(host: Host, readings: Sequence[_FunctionDraft]) -> list[tuple[_FunctionDraft, list[str]]]:
    """Ask for the error counters, and which switches the link above each function has."""
    below = [reading for reading in readings if len(reading.path.hops) > 1]
    collecting = [reading for reading in readings if _is_event_collector(reading)]
    counts, totals, folders = host.ask_groups(
        (
            [ReadFile(f"{reading.folder}/{name}") for reading in readings for name in AER_CLASSES],
            [ReadFile(f"{reading.folder}/{name}") for reading in collecting for name in AER_TOTALS],
            [ListFolder(f"{reading.folder}/link") for reading in below],
        )
    )
    totals_of = {
        reading.address: raws for reading, raws in zip(collecting, _group(totals, len(AER_TOTALS)), strict=True)
    }
    for reading, raws in zip(readings, _group(counts, len(AER_CLASSES)), strict=True):
        reading.aer = parse_aer(raws, totals_of.get(reading.address, ()), folder=reading.folder)
    return [
        (reading, [name for name in names if _LINK_STATE.fullmatch(name)])
        for reading, names in zip(below, folders, strict=True)
        if not isinstance(names, Unread)
    ]


def _is_event_collector(reading: _FunctionDraft) -> bool:
    code = reading.identity[0]
    return len(reading.path.hops) == 1 and (isinstance(code, Unread) or code >> 8 in _COLLECTING_CLASSES)


def _ask_config(host: Host, readings: Sequence[_FunctionDraft], cache: PcieCache) -> None:
    functions = [(reading.folder, reading.key) for reading in readings]
    answers = read_config_registers(host, functions, cache.aer_offsets)
    for reading, registers in zip(readings, answers, strict=True):
        reading.registers = registers


def _ask_link_states(host: Host, named: Sequence[tuple[_FunctionDraft, list[str]]]) -> frozenset[str] | Unread:
    """Ask for the switches of the links; and, last of all, which functions are still there."""
    answers, [addresses] = host.ask_groups(
        (
            [ReadFile(f"{reading.folder}/link/{name}") for reading, names in named for name in names],
            [ListFolder(DEVICES)],
        )
    )
    following = iter(answers)
    for reading, names in named:
        states = {name: next(following) for name in names}
        reading.power = parse_power(reading.resting, folder=reading.folder, link_states=states)
    return addresses if isinstance(addresses, Unread) else frozenset(addresses)


def _parse_label(raw: bytes) -> str | None:
    text = raw.decode("utf-8", "replace")
    return "".join(letter for letter in text if letter.isprintable()).strip()[:_LABEL_LIMIT] or None


def _ask_names(host: Host, readings: Iterable[_FunctionDraft], cache: PcieCache) -> None:
    present = {reading.key[1:] for reading in readings if reading.key}
    known = {ids: names for ids, names in cache.names.items() if ids in present}
    cache.names = known | read_names(host, present - known.keys())


def _make_function(reading: _FunctionDraft, cache: PcieCache) -> PciFunction:
    code, vendor, device = reading.identity
    vendor_name, device_name = cache.names.get(reading.key[1:], (None, None)) if reading.key else (None, None)
    registers = reading.registers or _registers_not_asked(reading)
    return PciFunction(
        address=reading.address,
        root=reading.path.root,
        hops=reading.path.hops,
        class_code=code,
        vendor_id=vendor,
        device_id=device,
        vendor_name=vendor_name,
        device_name=device_name,
        driver=reading.driver,
        label=reading.label,
        removable=reading.removable,
        remapped_nvme=reading.remapped_nvme,
        link=_judge_link(reading, registers),
        express=registers.express,
        aer=reading.aer,
        correctable_mask=registers.aer,
        power=reading.power,
        answers=not reading.silent if registers.answers is None else registers.answers,
    )


def _registers_not_asked(reading: _FunctionDraft) -> ConfigRegisters:
    if not reading.asleep:
        return ConfigRegisters(express=None, aer=None, answers=None)  # no link: the kernel knows no capability
    unread = _not_asked(f"{reading.folder}/config", reading.asleep)
    return ConfigRegisters(express=unread, aer=unread, answers=None)


def _judge_link(reading: _FunctionDraft, registers: ConfigRegisters) -> LinkEnd:
    """Tell what has no link from a link that could not be read: the kernel shows the same files for both."""
    if isinstance(registers.express, ExpressRegisters):
        return NO_LINK if registers.express.link is None else reading.link
    code = reading.identity[0]
    alone = len(reading.path.hops) == 1 and isinstance(code, int) and code >> 8 != _BRIDGE
    return NO_LINK if alone and is_blank(reading.link) else reading.link
