from dataclasses import replace

from boxes.snapshot_box import Box, kelp_box, make_array, make_memory, make_power, make_sata_drive
from laneproof.draft.facts import Draft, gather_draft
from laneproof_collectors.snapshot import Setting
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("/proc/thing", "no such file", Reason.ABSENT)


def _gather(box: Box) -> Draft:
    return gather_draft(box.snapshot(), box_name="kelp-1")


def test_only_words_that_bear_on_power_are_declared() -> None:
    words = (
        "BOOT_IMAGE=/vmlinuz",
        "ro",
        "pcie_aspm=force",
        "pcie-port-pm=off",
        "nvme_core.default_ps_max_latency_us=0",
    )
    draft = _gather(Box().with_power(command_line=words))
    assert draft.kernel.values["command_line"] == list(words[2:])


def test_word_that_gives_up_error_reporting_is_left_out_with_what_does_better() -> None:
    # kernel drivers/acpi/pci_root.c, os_control_query_checks: without ASPM support it asks for no control
    kernel = _gather(Box().with_power(command_line=("ro", "pcie-aspm=off", "pcie_port_pm=off"))).kernel
    assert kernel.values["command_line"] == ["pcie_port_pm=off"]
    assert kernel.remarks[0].startswith("pcie_aspm=off is left out: pcie_aspm=off also makes the kernel give up error")
    assert "pcie_aspm.policy=performance" in kernel.remarks[0]


def test_links_that_never_rest_are_declared_so_and_no_link_says_nothing() -> None:
    assert _gather(kelp_box(1)).kernel.values["links_aspm"] == "off"
    assert "links_aspm" not in _gather(Box()).kernel.values


def test_limit_beyond_an_hour_is_none() -> None:
    for limit, declared in (("999999999", 999_999_999), ("4294967295", None)):
        setting = Setting(value=limit, origin="default")
        kernel = _gather(Box().with_power(nvme_max_latency_us=setting)).kernel
        assert kernel.values.get("nvme_default_ps_max_latency_us") == declared


def test_command_line_without_such_words_declares_none() -> None:
    assert "command_line" not in _gather(Box().with_power(command_line=("ro",))).kernel.values


def test_setting_that_could_not_be_read_or_is_unknown_is_remarked_on() -> None:
    power = make_power(aspm_policy=GAP, port_power_management=Setting(value="maybe", origin="sysfs"))
    kernel = _gather(Box().with_group(power=power)).kernel
    assert not {"aspm_policy", "port_power_management"} & set(kernel.values)
    assert "aspm_policy is left out: could not read /proc/thing: no such file" in kernel.remarks
    assert any("an unknown word, 'maybe'" in remark for remark in kernel.remarks)


def test_kernel_without_such_a_setting_is_passed_over() -> None:
    kernel = _gather(Box().with_power(aspm_policy=None, nvme_max_latency_us=None)).kernel
    assert not {"aspm_policy", "nvme_default_ps_max_latency_us"} & set(kernel.values)
    assert not any("aspm_policy" in remark for remark in kernel.remarks)


def test_memory_below_its_rating_is_remarked_on() -> None:
    memory = _gather(Box().with_memory("32 GiB", "32 GiB", rated_mt_s=5600, configured_mt_s=4800)).memory
    assert memory.values["speed_mt_s"] == 4800
    assert memory.remarks == ("the modules are rated for 5600 MT/s",)


def test_modules_of_unequal_speed_declare_none() -> None:
    reported = make_memory("32 GiB", "32 GiB")
    assert not isinstance(reported.modules, Unread)
    modules = (reported.modules[0], replace(reported.modules[1], configured_mt_s=4800))
    assert "speed_mt_s" not in _gather(Box().with_group(memory=replace(reported, modules=modules))).memory.values


def test_memory_without_the_firmwares_table_declares_what_the_kernel_uses() -> None:
    memory = _gather(Box().with_group(memory=replace(make_memory(), modules=GAP))).memory
    assert list(memory.values) == ["total"]
    assert any("modules are left out: could not read /proc/thing" in remark for remark in memory.remarks)


def test_spare_is_kept_apart_from_a_member_that_is_being_rebuilt() -> None:
    array = make_array("md0", ("nvme0n1", "nvme1n1", "nvme2n1"))
    rebuilt = replace(array.members[1], state="spare", slot=1)
    spare = replace(array.members[2], state="spare", slot=None)
    draft = _gather(kelp_box(3).with_group(arrays=(replace(array, members=(array.members[0], rebuilt, spare)),)))
    labels = [position.label for position in draft.positions]
    assert draft.arrays[0].values["members"] == labels[:2]
    assert draft.arrays[0].values["spares"] == labels[2:]


def test_member_in_no_known_position_is_remarked_on() -> None:
    draft = _gather(kelp_box(1).with_group(arrays=(make_array("md0", ("nvme0n1", "sdz")),)))
    assert draft.arrays[0].remarks == ("members are left out: no position is known of sdz",)
    assert "members" not in draft.arrays[0].values


def test_level_that_no_declaration_takes_is_remarked_on() -> None:
    box = kelp_box(1).with_group(arrays=(make_array("md0", ("nvme0n1",), level="odd"),))
    (section,) = _gather(box).arrays
    assert "level" not in section.values
    assert section.remarks[0].startswith("level is left out: could not read the kernel's word: 'odd' is no level")


def test_container_of_a_firmware_raid_is_no_array() -> None:
    # Documentation/admin-guide/md.rst, metadata_version external: a container holds volumes, which are the arrays
    arrays = (make_array("md127", ("nvme0n1",), level="container"), make_array("md126", ("nvme0n1",), level="raid1"))
    assert [section.values["name"] for section in _gather(kelp_box(1).with_group(arrays=arrays)).arrays] == ["md126"]


def test_drive_whose_position_is_not_known_is_remarked_on() -> None:
    draft = _gather(Box().with_group(drives=(make_sata_drive("sdb", None),)))
    assert any(remark.startswith("sdb is left out") for remark in draft.remarks)


def test_speed_is_not_declared_where_the_members_of_a_bond_differ() -> None:
    box = (
        Box().with_port("0000:00/01.1").with_network("0000:00/01.1", "a").with_network("0000:00/01.1", "b", speed=1000)
    )
    assert "member_speed_mbit_s" not in _gather(box.with_bond("bond0", ("a", "b"))).bonds[0].values
