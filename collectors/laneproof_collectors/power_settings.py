"""The kernel's own power settings: what is in force, and where it came from.

The value in force is read from sysfs, where one exists; the command line and module options only explain it, since a
setting can be changed at run time. A setting that the kernel shows nowhere (port power management) is known from the
command line alone. What one controller or one function is set to belongs to ``nvme.py`` and ``pcie.py``.
"""

import re
from collections.abc import Iterable

from laneproof_collectors.host import Host
from laneproof_collectors.snapshot import KernelPower, Setting
from laneproof_collectors.sysfs_attributes import is_absent, parse_integer, parse_text, read_linked, unless_absent
from laneproof_collectors.unread import Unread, if_read

COMMAND_LINE = "/proc/cmdline"
ASPM_POLICY = "/sys/module/pcie_aspm/parameters/policy"
NVME_LATENCY = "/sys/module/nvme_core/parameters/default_ps_max_latency_us"
FIXED_ACPI_TABLE = "/sys/firmware/acpi/tables/FACP"
KERNEL_RELEASE = "/proc/sys/kernel/osrelease"
AER_DRIVER = "/sys/bus/pci_express/drivers/aer"
PORT_DRIVER = "/sys/bus/pci/drivers/pcieport"

NVME_LATENCY_DEFAULT = "100000"  # drivers/nvme/host/core.c, default_ps_max_latency_us
# A file hides those of the same name in later folders; all are then read by name (libkmod-config.c, modprobe.d(5)).
MODULE_OPTION_FOLDERS = (
    "/etc/modprobe.d",
    "/run/modprobe.d",
    "/usr/local/lib/modprobe.d",
    "/usr/lib/modprobe.d",
    "/lib/modprobe.d",
)
# ACPI 6.5, 5.2.9 and table 5.10: IA-PC boot architecture flags, bit 4: the system must not take control of ASPM.
_BOOT_FLAGS_OFFSET, _NO_ASPM_CONTROL = 109, 1 << 4

_WORD = re.compile(r'(?:[^\s"]|"[^"]*(?:"|$))+')
_CHOSEN = re.compile(r"\[(\w+)\]")
# drivers/pci/pcie/Kconfig, "Default ASPM policy"; the word "default" belongs to CONFIG_PCIEASPM_DEFAULT.
_BUILT_IN_POLICY = re.compile(rb"^CONFIG_PCIEASPM_(POWER_SUPERSAVE|POWERSAVE|PERFORMANCE)=y$", re.MULTILINE)


def parse_command_line(raw: bytes | Unread) -> tuple[str, ...] | Unread:
    """Split the kernel's command line into the words that the kernel itself takes.

    Returns:
        The words, quotes taken off as the kernel does. What follows ``--`` is for the first process and left out.

    Source: lib/cmdline.c, ``next_arg``; kernel/params.c, ``parse_args``.
    """
    text = parse_text(raw)
    if isinstance(text, Unread):
        return text
    words: list[str] = []
    for match in _WORD.finditer(text):
        word = _unquote(match[0])
        if word == "--":
            break
        words.append(word)
    return tuple(words)


def _unquote(word: str) -> str:
    if word.startswith('"'):
        return word[1:].removesuffix('"')
    name, equals, value = word.partition("=")
    if value.startswith('"'):
        value = value[1:].removesuffix('"')
    return name + equals + value


def find_values(words: Iterable[str], name: str) -> list[str]:
    """Find what a parameter is set to, every time that it is.

    Args:
        words: Words such as `parse_command_line` gives.
        name: The parameter, with its module where it has one: ``nvme_core.default_ps_max_latency_us``.

    Returns:
        The values in order. For a module's parameter the last one holds.

    Source: kernel/params.c, ``parameq``: in names, a hyphen and an underscore are the same.
    """
    wanted = name.replace("-", "_")
    pairs = (word.partition("=") for word in words)
    return [value for key, equals, value in pairs if equals and key.replace("-", "_") == wanted]


def parse_module_options(raw: bytes, *, module: str) -> list[str]:
    """Parse the ``options`` lines of one file of modprobe.d.

    Returns:
        The options of a module, named with underscores, as words in order.

    Source: modprobe.d(5): a line ends in a backslash to go on, ``#`` begins a comment line, - and _ are the same.
    """
    options: list[str] = []
    for line in raw.decode("utf-8", "replace").replace("\\\n", " ").splitlines():
        words = [_unquote(word) for word in _WORD.findall(line)]
        if words[:1] == ["options"] and words[1:2] and words[1].replace("-", "_") == module:
            options += words[2:]
    return options


def find_origin(value: str, *, command_line: list[str], option: list[str], default: str) -> str:
    """Find where a value in force came from.

    Args:
        value: What is in force.
        command_line: What the command line sets, in order; its last word outdoes a module option.
        option: What the module's options set, in order.
        default: What the kernel starts with.

    Returns:
        command-line, module-option, default, or sysfs for a value that none of them explains.
    """
    if command_line:
        return "command-line" if _is_same(command_line[-1], value) else "sysfs"
    if option and _is_same(option[-1], value):
        return "module-option"
    # An option that the default outlived never reached the module: it was loaded from an initial ramdisk made before.
    return "default" if value == default else "sysfs"


def _is_same(asked: str, value: str) -> bool:
    """Compare as the kernel does: numbers by value, with a base prefix allowed (lib/kstrtox.c)."""
    number = parse_integer(asked.encode(), what="", base=0)
    return asked == value or (not isinstance(number, Unread) and str(number) == value)


def parse_aspm_policy(raw: bytes | Unread) -> str | Unread | None:
    r"""Parse the ASPM policy, such as ``b"default [performance] powersave powersupersave \n"``.

    Returns:
        The word in brackets; ``None`` for a kernel that does not manage ASPM.

    Source: drivers/pci/pcie/aspm.c, ``pcie_aspm_get_policy``.
    """
    text = unless_absent(parse_text(raw))
    if not isinstance(text, str):
        return text
    chosen = _CHOSEN.search(text)
    return chosen[1] if chosen else Unread(ASPM_POLICY, f"no policy is marked as chosen: {text[:32]!r}")


def forbids_aspm_control(table: bytes | Unread) -> bool:
    """Whether the boot flags of the firmware's fixed ACPI table forbid the kernel to control ASPM.

    A table that cannot be read forbids nothing that we know of.
    """
    if isinstance(table, Unread):
        return False
    flags = table[_BOOT_FLAGS_OFFSET : _BOOT_FLAGS_OFFSET + 2]
    return bool(int.from_bytes(flags, "little") & _NO_ASPM_CONTROL)


def read_power(host: Host) -> KernelPower | Unread:
    """Read the kernel's power settings.

    Returns:
        The settings; each that could not be read is `Unread` by itself.
    """
    raw_line, policy, latency, table = host.files((COMMAND_LINE, ASPM_POLICY, NVME_LATENCY, FIXED_ACPI_TABLE))
    words = parse_command_line(raw_line)
    given = if_read(words)
    aspm = find_values(given, "pcie_aspm")
    return KernelPower(
        command_line=words,
        aspm_policy=_read_aspm_policy(host, parse_aspm_policy(policy), given, table),
        aspm_forced_off=words if isinstance(words, Unread) else "off" in aspm,
        port_power_management=words if isinstance(words, Unread) else _judge_port_power(words),
        nvme_max_latency_us=_read_nvme_latency(host, latency, given),
        aer_owner=_read_aer_owner(host, given, has_acpi=not is_absent(table)),
    )


def _judge_port_power(words: tuple[str, ...]) -> Setting:
    """pcie_port_pm= (drivers/pci/pci.c, ``pcie_port_pm_setup``): off outdoes force, wherever they stand."""
    asked = find_values(words, "pcie_port_pm")
    if "off" in asked:
        return Setting(value="off", origin="command-line")
    return Setting(value="on", origin="command-line" if "force" in asked else "default")


def _read_aspm_policy(
    host: Host, policy: str | Unread | None, words: tuple[str, ...], table: bytes | Unread
) -> Setting | Unread | None:
    if not isinstance(policy, str):
        return policy
    # Both leave the kernel with the policy "default" and refuse any other (aspm.c: pcie_aspm_disable, pcie_no_aspm).
    forced = find_values(words, "pcie_aspm")
    if policy == "default" and "off" in forced:
        return Setting(value=policy, origin="command-line")
    if policy == "default" and "force" not in forced and forbids_aspm_control(table):
        return Setting(value=policy, origin="firmware")
    asked = find_values(words, "pcie_aspm.policy")
    built_in = "default"
    if policy != "default" and not asked:
        built_in = _read_built_in_policy(host)
    return Setting(value=policy, origin=find_origin(policy, command_line=asked, option=[], default=built_in))


def _read_built_in_policy(host: Host) -> str:
    """Read what the kernel was built to start with; large, so it is read only where nothing else explains the value."""
    release = parse_text(host.file(KERNEL_RELEASE))
    config = release if isinstance(release, Unread) else host.file(f"/boot/config-{release}")
    match = None if isinstance(config, Unread) else _BUILT_IN_POLICY.search(config)
    return match[1].decode().lower().replace("_", "") if match else "default"


def _read_nvme_latency(host: Host, raw: bytes | Unread, words: tuple[str, ...]) -> Setting | Unread | None:
    limit = unless_absent(parse_integer(raw, what=NVME_LATENCY))
    if not isinstance(limit, int):
        return limit
    asked = find_values(words, "nvme_core.default_ps_max_latency_us")
    option = [] if asked else find_values(_read_module_options(host, "nvme_core"), "default_ps_max_latency_us")
    origin = find_origin(str(limit), command_line=asked, option=option, default=NVME_LATENCY_DEFAULT)
    return Setting(value=str(limit), origin=origin)


def _read_module_options(host: Host, module: str) -> list[str]:
    paths: dict[str, str] = {}
    for folder, names in zip(MODULE_OPTION_FOLDERS, host.folders(MODULE_OPTION_FOLDERS), strict=True):
        for name in if_read(names):
            if name.endswith(".conf") and not name.startswith("."):
                paths.setdefault(name, f"{folder}/{name}")
    files = host.files(path for _, path in sorted(paths.items()))
    return [word for raw in files if not isinstance(raw, Unread) for word in parse_module_options(raw, module=module)]


def _read_aer_owner(host: Host, words: tuple[str, ...], *, has_acpi: bool) -> Setting | Unread | None:
    """Tell who handles PCIe errors; ``None`` where no root port shows it.

    Source: drivers/pci/pcie/aer.c, ``pci_no_aer``; portdrv.c, ``pcie_port_setup``, ``get_port_device_capability``.
    """
    ports = find_values(words, "pcie_ports")
    switched_off = any("noaer" in value.split(",") for value in find_values(words, "pci"))
    if switched_off or any(value.startswith("compat") for value in ports):
        return Setting(value="off", origin="command-line")
    bound = unless_absent(read_linked(host, AER_DRIVER))
    if bound is None or isinstance(bound, Unread):
        return bound
    if any(":pcie" in name for name in bound):
        native = any(value.startswith("native") for value in ports)
        return Setting(value="os", origin="command-line" if native else "firmware" if has_acpi else "default")
    # No port was handed over. One that has error counters all the same was kept back by the firmware (_OSC).
    names = read_linked(host, PORT_DRIVER)
    ports_served = if_read(names)  # and the link to the driver's module, which has no counters
    counters = host.files(f"/sys/bus/pci/devices/{port}/aer_rootport_total_err_cor" for port in ports_served)
    withheld = any(not isinstance(counter, Unread) for counter in counters)
    return Setting(value="off", origin="firmware") if withheld else None
