"""Who made the board, which firmware it runs, which kernel and which boot; and the slots by the firmware's own names.

SMBIOS through ``/sys/class/dmi/id`` comes first, since everybody may read it; a board without SMBIOS gives its model in
the device tree. Serial numbers are not asked for.
"""

from laneproof_collectors.host import Host
from laneproof_collectors.smbios import (
    BASE_BOARD,
    BIOS,
    SYSTEM_SLOT,
    find_identity,
    find_slots,
    read_structures,
)
from laneproof_collectors.snapshot import Firmware, PhysicalSlot
from laneproof_collectors.sysfs_attributes import is_absent, parse_text, unless_absent
from laneproof_collectors.unread import Unread

DMI_FOLDER = "/sys/class/dmi/id"
DMI_NAMES = ("board_vendor", "board_name", "bios_version", "bios_date")  # drivers/firmware/dmi-id.c
DEVICE_TREE = "/sys/firmware/devicetree/base"
MODEL = f"{DEVICE_TREE}/model"  # Devicetree Specification 0.4, 2.3.2: a string that ends in NUL
BOOT_LOADER = f"{DEVICE_TREE}/chosen/u-boot,version"  # boot/fdt_support.c of U-Boot, fdt_chosen (from memory)
KERNEL_RELEASE = "/proc/sys/kernel/osrelease"
HOST_NAME = "/proc/sys/kernel/hostname"
BOOT_ID = "/proc/sys/kernel/random/boot_id"
PROCESSORS = "/proc/cpuinfo"
DEVICE_TREE_HYPERVISOR = f"{DEVICE_TREE}/hypervisor"

_Text = str | Unread | None


def read_firmware(host: Host) -> Firmware | Unread:
    """Read the identity of board, firmware, kernel and boot.

    Returns:
        The identity; what the firmware does not say is ``None``.
    """
    paths = [f"{DMI_FOLDER}/{name}" for name in DMI_NAMES]
    *identity, release, host_name, boot_id = host.files((*paths, KERNEL_RELEASE, HOST_NAME, BOOT_ID))
    identity_texts: dict[str, _Text] = {
        field: unless_absent(parse_text(raw)) or None for field, raw in zip(DMI_NAMES, identity, strict=True)
    }
    if all(is_absent(raw) for raw in identity):
        identity_texts = _read_without_dmi(host)
    return Firmware(
        **identity_texts,
        kernel_release=parse_text(release),
        host_name=parse_text(host_name),
        boot_id=parse_text(boot_id),
    )


def _read_without_dmi(host: Host) -> dict[str, _Text]:
    """Look where else the board may name itself: the raw table, then the device tree."""
    identity_texts: dict[str, _Text] = dict.fromkeys(DMI_NAMES)
    structures = read_structures(host, (BIOS, BASE_BOARD))
    if not isinstance(structures, Unread) and structures:
        names = {name: text for structure in reversed(structures) for name, text in find_identity(structure).items()}
        return identity_texts | {name: names.get(name) for name in DMI_NAMES}
    model, loader = host.files((MODEL, BOOT_LOADER))
    if is_absent(model):
        return identity_texts
    identity_texts["board_name"] = parse_text(model)
    identity_texts["bios_version"] = unless_absent(parse_text(loader))
    return identity_texts


def read_firmware_slots(host: Host) -> tuple[PhysicalSlot, ...] | Unread:
    """Read the slots that SMBIOS type 9 lists; a slot that is split appears once for each of its groups.

    Returns:
        The slots by the names that the board's maker gave them, none where there is no SMBIOS.
    """
    structures = read_structures(host, (SYSTEM_SLOT,))
    if isinstance(structures, Unread):
        return () if is_absent(structures) else structures
    return tuple(slot for structure in structures for slot in find_slots(structure))


def read_hypervisor(host: Host) -> bool | Unread:
    """Read whether this is a virtual machine: what its processor says of itself, or the device tree.

    Source: Linux arch/x86/include/asm/cpufeatures.h, ``X86_FEATURE_HYPERVISOR`` (CPUID leaf 1, ECX bit 31);
        Documentation/devicetree/bindings/arm/xen.txt, the node ``hypervisor`` (others keep to it, from memory).
    """
    [raw], node = host.files([PROCESSORS]), host.folder(DEVICE_TREE_HYPERVISOR)
    if isinstance(raw, Unread):
        return raw
    flags = next((line for line in raw.splitlines() if line.startswith(b"flags")), b"")
    return b"hypervisor" in flags.split() or not isinstance(node, Unread)
