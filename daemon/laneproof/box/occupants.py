"""The device in a position, whatever its kind: one account of its identity, with what stands behind it.

It says what was read; whether that is what the build declares is the rules' matter.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from laneproof.findings import Finding
from laneproof_collectors.snapshot import Interface, NvmeController, PciFunction, SataDrive
from laneproof_collectors.unread import Reason, Unread

# Classes and sub-classes. Source: pci_ids.h, PCI_CLASS_STORAGE_EXPRESS, _SATA, _SAS, PCI_BASE_CLASS_NETWORK
_NVME_CLASS, _SATA_CLASSES, _NETWORK_BASE_CLASS = 0x0108, (0x0106, 0x0107), 0x02
_GIVEN_UP = "dead"  # kernel drivers/nvme/host/sysfs.c, nvme_sysfs_show_state


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupant:
    """The device in a position.

    Attributes:
        path: The position it is in.
        own_path: Itself as a path; as `path` for what hangs on a controller.
        kind: nvme, sata (SAS and the like too), usb, network or other; `Unread` where its class could not be read.
        name: What it is called now: nvme0, sda, enp1s0, or its bus address.
        functions: Its PCI functions, the first first; empty for what hangs on a controller.
        controller: Its NVMe controller.
        drive: Its SATA, SAS or USB drive.
        interfaces: Its network interfaces.
        model: As the device gives it; for others than drives the name in the system's list of ids.
        serial: Its serial number; None for a device that has none.
        firmware: Its firmware revision; None for a device that has none.
        capacity_bytes: What it holds; None for what is no drive.
        disks: The kernel's disks on it.
        shares_serial: Another drive has the same serial number, which then names neither of them.
        other_paths: The other positions that lead to the same drive: it has two ports, or several paths.
    """

    path: str
    own_path: str
    kind: str | Unread
    name: str
    functions: tuple[PciFunction, ...] = ()
    controller: NvmeController | None = None
    drive: SataDrive | None = None
    interfaces: tuple[Interface, ...] = ()
    model: str | Unread | None = None
    serial: str | Unread | None = None
    firmware: str | Unread | None = None
    capacity_bytes: int | Unread | None = None
    disks: tuple[str, ...] = ()
    shares_serial: bool = False
    other_paths: tuple[str, ...] = ()

    @property
    def all_paths(self) -> tuple[str, ...]:
        """Each path that leads to it."""
        return (self.path, self.own_path, *self.other_paths)

    @property
    def is_drive(self) -> bool:
        """Whether it stores data (a SATA controller with nothing known on it does not)."""
        return self.kind == "nvme" or self.drive is not None

    @property
    def answers(self) -> bool:
        """False: the kernel still lists it, but it is gone from the bus, or the kernel gave its controller up."""
        return not self.given_up and all(function.answers for function in self.functions[:1])

    @property
    def given_up(self) -> bool:
        """Whether the kernel gave up its NVMe controller; nothing but a new start brings that back."""
        return self.controller is not None and self.controller.state == _GIVEN_UP

    @property
    def asleep(self) -> bool:
        """Whether a reading of it could wake it."""
        return any(function.power.sleeps for function in self.functions[:1]) or (
            self.drive is not None and self.drive.asleep
        )

    @property
    def external(self) -> bool:
        """Whether it comes and goes as its owner likes: in a USB or a Thunderbolt case."""
        return self.kind == "usb" or any(function.removable for function in self.functions)

    @property
    def address(self) -> str | None:
        """Its bus address, None for what hangs on a controller."""
        return self.functions[0].address if self.functions else None


def is_about(finding: Finding, path: str, label: str | None, occupant: Occupant | None) -> bool:
    """Whether a finding is about a position: by its label, else by its path, by the device in it, or with others."""
    if finding.position is not None:
        return finding.position == label
    names = {path}
    if occupant is not None:
        names |= {occupant.name, occupant.own_path, *(function.address for function in occupant.functions)}
        names |= {occupant.serial} if isinstance(occupant.serial, str) else set()
    return bool({finding.key, finding.subject} & names) or label in finding.shared_by


def kind_of(class_code: int | Unread) -> str | Unread:
    """Name the kind of device that a PCI class code stands for: nvme, sata, network or other."""
    if isinstance(class_code, Unread):
        return class_code
    if class_code >> 8 == _NVME_CLASS:
        return "nvme"
    if class_code >> 8 in _SATA_CLASSES:
        return "sata"
    return "network" if class_code >> 16 == _NETWORK_BASE_CLASS else "other"


def describe_drive(drive: SataDrive, path: str) -> Occupant:
    """Describe what hangs on a SATA, SAS or USB controller."""
    return Occupant(
        path=path,
        own_path=path,
        kind="usb" if drive.interface == "usb" else "sata",
        name=drive.name,
        drive=drive,
        model=drive.model,
        serial=drive.serial,
        firmware=drive.firmware,
        capacity_bytes=drive.capacity_bytes,
        disks=(drive.name,),
    )


def describe_nvme(
    path: str, functions: tuple[PciFunction, ...], controller: NvmeController | None, unread: Unread | None
) -> Occupant:
    """Describe an NVMe drive.

    Args:
        path: The position it is in.
        functions: Its PCI functions; none where its controller is on the platform or across a network.
        controller: Its controller; None where no driver serves it, or controllers could not be read.
        unread: Why controllers could not be read, if so.
    """
    if controller is None:
        first = functions[0]
        gap = unread or Unread(f"the identity of {first.address}", "no NVMe driver serves it", Reason.ABSENT)
        return Occupant(
            path=path,
            own_path=first.own_path,
            kind="nvme",
            name=first.address,
            functions=functions,
            model=gap,
            serial=gap,
            firmware=gap,
            capacity_bytes=gap,
        )
    return Occupant(
        path=path,
        own_path=functions[0].own_path if functions else path,
        kind="nvme",
        name=controller.name,
        functions=functions,
        controller=controller,
        model=controller.model,
        serial=controller.serial,
        firmware=controller.firmware,
        capacity_bytes=_capacity_of(controller),
        disks=tuple(namespace.name for namespace in controller.namespaces),
    )


def join_paths(drives: Iterable[Occupant]) -> Iterator[Occupant]:
    """Count a drive once that several positions lead to: one with two ports, or one behind several paths.

    Two NVMe controllers are one drive's where serial number, model and a namespace's identifier are the same and their
    controller numbers are not; two SAS disks where the drive's own name (NAA) is. Drives that only claim one identity
    stay apart.

    Args:
        drives: One for each path.

    Yields:
        One for each drive, by the first of its positions.

    Source: NVM Express Base Specification 2.0, 2.4.1 (multi-path, from memory); SPC-4, NAA designators (from memory).
    """
    found: list[list[Occupant]] = []
    for drive in drives:
        same = next((known for known in found if _is_another_path(drive, known)), None)
        if same is None:
            found.append([drive])
        else:
            same.append(drive)
    for same_drive in found:
        first, *others = sorted(same_drive, key=lambda occupant: occupant.path)
        yield replace(first, other_paths=tuple(occupant.path for occupant in others)) if others else first


def _is_another_path(drive: Occupant, same_drive: list[Occupant]) -> bool:
    first = same_drive[0]
    if drive.drive is not None and first.drive is not None:
        name = drive.drive.wwid
        return (
            name is not None and name.startswith("naa.") and drive.drive.interface == "sas" and name == first.drive.wwid
        )
    if drive.controller is None or first.controller is None or not isinstance(drive.serial, str) or not drive.serial:
        return False
    numbers = [occupant.controller.controller_id for occupant in same_drive if occupant.controller]
    is_new = isinstance(drive.controller.controller_id, int) and drive.controller.controller_id not in numbers
    shared = _namespace_names(drive.controller) & _namespace_names(first.controller)
    return is_new and bool(shared) and (drive.serial, drive.model) == (first.serial, first.model)


def _namespace_names(controller: NvmeController) -> set[str]:
    return {namespace.wwid for namespace in controller.namespaces if namespace.wwid}


def _capacity_of(controller: NvmeController) -> int | Unread:
    if capacity := controller.capacity_bytes:
        return capacity
    if capacity == 0:
        why = "its disk shows 0 bytes, as while a drive comes or goes, or for as long as it cannot reach its data"
        return Unread(f"the capacity of {controller.name}", why, Reason.FAILED)
    gap = controller.identity if isinstance(controller.identity, Unread) else None
    return gap or Unread(f"the capacity of {controller.name}", "it shows no readable namespace", Reason.ABSENT)


def describe_device(path: str, functions: tuple[PciFunction, ...], interfaces: tuple[Interface, ...]) -> Occupant:
    """Describe a device that is no NVMe drive: a network card, a SATA controller, a switch, anything else."""
    first = functions[0]
    kind = kind_of(first.class_code)
    return Occupant(
        path=path,
        own_path=first.own_path,
        kind=kind,
        name=interfaces[0].name if interfaces else first.address,
        functions=functions,
        interfaces=interfaces,
        # of a drive the ids name its controller's chip, not what its owner calls the model
        model=kind if isinstance(kind, Unread) else first.device_name or name_by_ids(first),
    )


def name_by_ids(function: PciFunction) -> str | Unread:
    """Name a function by vendor and device id, as in ``1b36:0010``, where the list of ids does not know it."""
    ids = function.vendor_id, function.device_id
    unread = next((number for number in ids if isinstance(number, Unread)), None)
    return unread or "{:04x}:{:04x}".format(*ids)
