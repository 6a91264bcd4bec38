"""Kernel power settings: the value in force, and where it came from."""

import errno
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.power_settings import (
    AER_DRIVER,
    ASPM_POLICY,
    COMMAND_LINE,
    FIXED_ACPI_TABLE,
    NVME_LATENCY,
    find_values,
    forbids_aspm_control,
    parse_aspm_policy,
    parse_command_line,
    parse_module_options,
    read_power,
)
from laneproof_collectors.snapshot import Setting
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine, replay
from support.unread_answers import known, unread

BUILT_WITH_DEFAULT = "[default] performance powersave powersupersave \n"
PERFORMANCE = "default [performance] powersave powersupersave \n"
PORT = "0000:00:1c.0"


@pytest.fixture
def machine(fs: FakeFilesystem) -> FakeMachine:
    return FakeMachine(
        fs,
        {
            COMMAND_LINE: "BOOT_IMAGE=/vmlinuz root=/dev/md0 ro\n",
            ASPM_POLICY: BUILT_WITH_DEFAULT,
            NVME_LATENCY: "100000\n",
        },
    )


# --- the command line ---


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (b"quiet pcie_aspm=off\n", ("quiet", "pcie_aspm=off")),
        (b'a="b c" d\n', ("a=b c", "d")),
        (b'"pcie_aspm=off" ro\n', ("pcie_aspm=off", "ro")),
        (b'dyndbg="file drivers/nvme/* +p" x=1', ("dyndbg=file drivers/nvme/* +p", "x=1")),
        (b"ro -- pcie_aspm=off\n", ("ro",)),  # for the first process, not for the kernel
        (b'broken="never closed\n', ("broken=never closed",)),
        (b"\n", ()),
    ],
)
def test_words_are_split_as_the_kernel_splits_them(line: bytes, words: tuple[str, ...]) -> None:
    assert parse_command_line(line) == words


def test_hyphen_and_underscore_are_the_same_in_names() -> None:
    words = ("nvme-core.default-ps-max-latency-us=0", "nvme_core.default_ps_max_latency_us=5500", "nvme_core")
    assert find_values(words, "nvme_core.default_ps_max_latency_us") == ["0", "5500"]


@given(st.binary())
def test_any_command_line_gives_words(raw: bytes) -> None:
    assert all(isinstance(word, str) for word in known(parse_command_line(raw)))


# --- ASPM ---


def fixed_acpi_table(flags: int) -> bytes:
    # ACPI 6.5, table 5.9: a header of 36 bytes, then fields; the boot architecture flags are the two bytes at 109.
    return b"FACP" + bytes(105) + flags.to_bytes(2, "little") + bytes(133)


BUILT_WITH_PERFORMANCE = {
    "/proc/sys/kernel/osrelease": "6.1.0-kelp\n",
    "/boot/config-6.1.0-kelp": "# CONFIG_PCIEASPM_DEFAULT is not set\nCONFIG_PCIEASPM_PERFORMANCE=y\n",
}
KEPT_BY_FIRMWARE = {FIXED_ACPI_TABLE: fixed_acpi_table(0x0013)}


CHOSEN = {ASPM_POLICY: PERFORMANCE}


@pytest.mark.parametrize(
    ("line", "files", "setting"),
    [
        ("", {}, Setting(value="default", origin="default")),
        (
            "pcie_aspm.policy=powersave pcie-aspm.policy=performance",
            CHOSEN,
            Setting(value="performance", origin="command-line"),
        ),
        ("pcie_aspm.policy=powersave", CHOSEN, Setting(value="performance", origin="sysfs")),  # set at run time
        ("", CHOSEN, Setting(value="performance", origin="sysfs")),
        ("", CHOSEN | BUILT_WITH_PERFORMANCE, Setting(value="performance", origin="default")),
        ("pcie_aspm=off", {}, Setting(value="default", origin="command-line")),
        ("", KEPT_BY_FIRMWARE, Setting(value="default", origin="firmware")),
        ("pcie_aspm=force", KEPT_BY_FIRMWARE, Setting(value="default", origin="default")),
    ],
)
def test_policy_and_its_origin(
    machine: FakeMachine, line: str, files: dict[str, str | bytes], setting: Setting
) -> None:
    machine.put({COMMAND_LINE: f"{line}\n", **files})
    power = known(read_power(machine))
    assert power.aspm_policy == setting
    assert power.aspm_forced_off is (line == "pcie_aspm=off")


@pytest.mark.parametrize("table", [b"", b"FACP", fixed_acpi_table(0x0003), b"\xff" * 109])
def test_a_short_or_other_table_keeps_nothing(table: bytes) -> None:
    assert not forbids_aspm_control(table)


def test_a_kernel_without_aspm_has_no_policy(machine: FakeMachine) -> None:
    machine.remove(ASPM_POLICY)
    assert known(read_power(machine)).aspm_policy is None


@given(st.binary())
def test_any_policy_file_gives_a_word_or_a_reason(raw: bytes) -> None:
    assert isinstance(parse_aspm_policy(raw), str | Unread)


# --- port power management ---


@pytest.mark.parametrize(
    ("line", "setting"),
    [
        ("quiet", Setting(value="on", origin="default")),
        ("pcie_port_pm=off", Setting(value="off", origin="command-line")),
        ("pcie_port_pm=force", Setting(value="on", origin="command-line")),
        # drivers/pci/pci.c, pci_bridge_d3_possible: off is looked at before force
        ("pcie_port_pm=off pcie_port_pm=force", Setting(value="off", origin="command-line")),
    ],
)
def test_port_power_management(machine: FakeMachine, line: str, setting: Setting) -> None:
    machine.put({COMMAND_LINE: line})
    assert known(read_power(machine)).port_power_management == setting


# --- the NVMe driver's latency limit ---


@pytest.mark.parametrize(
    ("line", "options", "value", "origin"),
    [
        ("", "", "100000", "default"),
        ("", "", "0", "sysfs"),
        ("nvme_core.default_ps_max_latency_us=0", "", "0", "command-line"),
        ("nvme-core.default-ps-max-latency-us=0x157c", "", "5500", "command-line"),
        ("nvme_core.default_ps_max_latency_us=0", "", "100000", "sysfs"),
        ("", "options nvme_core default_ps_max_latency_us=0", "0", "module-option"),
        ("", "options nvme-core default-ps-max-latency-us=0", "0", "module-option"),
        ("", "options nvme_core default_ps_max_latency_us=0", "5500", "sysfs"),
        # loaded from a ramdisk that was made before the option
        ("", "options nvme_core default_ps_max_latency_us=0", "100000", "default"),
        # modprobe hands the command line's word over last
        (
            "nvme_core.default_ps_max_latency_us=5500",
            "options nvme_core default_ps_max_latency_us=0",
            "5500",
            "command-line",
        ),
    ],
)
def test_latency_limit_and_its_origin(machine: FakeMachine, line: str, options: str, value: str, origin: str) -> None:
    machine.put({COMMAND_LINE: line, "/etc/modprobe.d/nvme.conf": options, NVME_LATENCY: f"{value}\n"})
    assert known(read_power(machine)).nvme_max_latency_us == Setting(value=value, origin=origin)


def test_an_option_file_hides_its_namesakes_and_the_last_name_wins(machine: FakeMachine) -> None:
    machine.put(
        {
            "/etc/modprobe.d/10-nvme.conf": "options nvme_core default_ps_max_latency_us=1\n",
            "/usr/lib/modprobe.d/20-nvme.conf": "options nvme_core default_ps_max_latency_us=2\n",
            "/run/modprobe.d/20-nvme.conf": "# nothing\n",
            "/etc/modprobe.d/30-nvme.conf.off": "options nvme_core default_ps_max_latency_us=3\n",
            NVME_LATENCY: "1\n",
        }
    )
    assert known(read_power(machine)).nvme_max_latency_us == Setting(value="1", origin="module-option")


def test_a_module_that_is_not_loaded_has_no_limit(machine: FakeMachine) -> None:
    machine.remove(NVME_LATENCY)
    assert known(read_power(machine)).nvme_max_latency_us is None
    assert not any("modprobe.d" in asked for asked in machine.asked)


OPTION_FILES = {
    "a.conf": "options nvme_core default_ps_max_latency_us=0 multipath=N\n",
    "b.conf": "# options nvme_core io_timeout=1\n\noptions nvme-core \\\n  io_timeout=60\noptions nvme poll_queues=2\n",
    "c.conf": "alias nvme_core x\nblacklist nvme_core\n  options nvme_core default_ps_max_latency_us=5500\n",
    "d.conf": 'options nvme_core dyndbg="file x +p"\noptions\noptions nvme_core\n',
}


@pytest.mark.witness("modprobe")
def test_options_are_those_that_modprobe_tells(tmp_path: Path) -> None:
    for name, content in OPTION_FILES.items():
        (tmp_path / name).write_text(content)
    reported = subprocess.run(
        ["modprobe", "-C", tmp_path, "--showconfig"], capture_output=True, encoding="utf-8", check=True
    )
    lines = [line.split(maxsplit=2) for line in reported.stdout.splitlines()]
    theirs = " ".join(words[2] for words in lines if words[:2] == ["options", "nvme_core"])
    ours = [
        word for content in OPTION_FILES.values() for word in parse_module_options(content.encode(), module="nvme_core")
    ]
    assert ours == [word for word in known(parse_command_line(theirs.encode())) if "." not in word.partition("=")[0]]


@given(st.binary())
def test_any_option_file_gives_words(raw: bytes) -> None:
    assert isinstance(parse_module_options(b"options nvme_core " + raw, module="nvme_core"), list)


# --- who handles PCIe errors ---


HANDED_OVER = {f"{AER_DRIVER}/{PORT}:pcie002": "-> ../../devices", f"{AER_DRIVER}/bind": ""}
NO_PORT = {f"{AER_DRIVER}/bind": "", f"/sys/bus/pci/drivers/pcieport/{PORT}": "-> ../../devices"}
COUNTERS = {f"/sys/bus/pci/devices/{PORT}/aer_rootport_total_err_cor": "0\n", "/sys/bus/pci/drivers/pcieport/bind": ""}
ACPI = {FIXED_ACPI_TABLE: fixed_acpi_table(0)}


@pytest.mark.parametrize(
    ("line", "files", "owner"),
    [
        ("pci=noaer", {}, Setting(value="off", origin="command-line")),
        ("pci=nomsi,noaer", {}, Setting(value="off", origin="command-line")),
        ("pcie_ports=compat", {}, Setting(value="off", origin="command-line")),
        ("", HANDED_OVER | ACPI, Setting(value="os", origin="firmware")),
        ("", HANDED_OVER, Setting(value="os", origin="default")),
        ("pcie_ports=native", HANDED_OVER | ACPI, Setting(value="os", origin="command-line")),
        ("", NO_PORT | COUNTERS, Setting(value="off", origin="firmware")),
        ("", NO_PORT, None),
        ("", {}, None),  # a kernel without port services
    ],
)
def test_who_handles_errors(
    machine: FakeMachine, line: str, files: dict[str, str | bytes], owner: Setting | None
) -> None:
    machine.put({COMMAND_LINE: line, **files})
    assert known(read_power(machine)).aer_owner == owner


def test_a_recording_gives_the_same_settings(machine: FakeMachine) -> None:
    machine.put(
        {
            "/etc/modprobe.d/nvme.conf": "options nvme_core default_ps_max_latency_us=0\n",
            NVME_LATENCY: "0\n",
            f"{AER_DRIVER}/{PORT}:pcie002": "-> ../../devices",
        }
    )
    live, replayed = replay(machine, read_power)
    assert replayed == live
    assert known(read_power(machine)).aer_owner is not None


# --- failures ---


def test_what_may_not_be_read_is_unread_and_never_fine(machine: FakeMachine) -> None:
    machine.faults = dict.fromkeys((COMMAND_LINE, ASPM_POLICY, NVME_LATENCY, AER_DRIVER), errno.EACCES)
    power = known(read_power(machine))
    for value in (
        power.command_line,
        power.aspm_policy,
        power.aspm_forced_off,
        power.port_power_management,
        power.nvme_max_latency_us,
        power.aer_owner,
    ):
        assert unread(value).reason is Reason.DENIED


@pytest.mark.parametrize(
    ("path", "field", "content"),
    [
        *((ASPM_POLICY, "aspm_policy", content) for content in ("", "default performance\n", "[]\n", "\x00\x01")),
        *((NVME_LATENCY, "nvme_max_latency_us", content) for content in ("", "lots\n", "\x00")),
    ],
)
def test_a_setting_that_makes_no_sense_is_unread(machine: FakeMachine, path: str, field: str, content: str) -> None:
    machine.put({path: content})
    assert unread(getattr(known(read_power(machine)), field)).what == path


def test_option_files_that_cannot_be_read_lose_nothing_else(machine: FakeMachine) -> None:
    machine.put(
        {
            "/etc/modprobe.d/a.conf": "options nvme_core default_ps_max_latency_us=0\n",
            "/etc/modprobe.d/b.conf": "unreadable\n",
            NVME_LATENCY: "0\n",
        }
    )
    machine.faults["/etc/modprobe.d/b.conf"] = errno.ENOENT  # went between the listing and the reading
    assert known(read_power(machine)).nvme_max_latency_us == Setting(value="0", origin="module-option")
