"""Every metric by name: kind, unit, labels and meaning. The docs are made from this table.

Names follow the OpenMetrics rules (base units, ``_total`` for counters) and the field names of the standards that
define the figures; the prefix is ours. A reading that is missing is an absent series, never 0.
"""

from dataclasses import dataclass
from typing import Literal

PREFIX = "laneproof_"


@dataclass(frozen=True, slots=True, kw_only=True)
class Metric:
    """One metric.

    Attributes:
        name: Without prefix and without ``_total``.
        kind: gauge, counter, or info (a gauge of value 1 that carries facts in its labels).
        labels: The names of its labels.
        says: What it tells, with the source of the figure.
    """

    name: str
    kind: Literal["gauge", "counter", "info"]
    labels: tuple[str, ...]
    says: str

    @property
    def full_name(self) -> str:
        """The name as it is scraped."""
        suffix = {"gauge": "", "counter": "_total", "info": "_info"}[self.kind]
        return f"{PREFIX}{self.name}{suffix}"


_DRIVE = ("position", "device")
_LINK = ("position",)
_SIGN = ("rule", "position")
_THERMAL = (*_DRIVE, "threshold")


def _gauge(name: str, labels: tuple[str, ...], says: str) -> Metric:
    return Metric(name=name, kind="gauge", labels=labels, says=says)


def _counter(name: str, labels: tuple[str, ...], says: str) -> Metric:
    return Metric(name=name, kind="counter", labels=labels, says=says)


def _info(name: str, labels: tuple[str, ...], says: str) -> Metric:
    return Metric(name=name, kind="info", labels=labels, says=says)


METRICS = (
    _info("box", ("box", "version", "kernel", "bios_version"), "The box, and what runs on it."),
    _gauge("finding", ("rule", "kind", "severity", "position"), "1 for each finding that stands and is not accepted."),
    _gauge("findings", ("kind", "severity"), "How many findings stand; always there: 0 is not the same as no data."),
    _gauge("cause_probability_ratio", ("rule", "position", "cause"), "How likely each cause of a finding is."),
    _counter("finding_changes", ("change", "severity"), "Findings raised, changed or cleared since its start."),
    _gauge("alarm_budget_pages_per_year", (), "How many false pages a year a box's signs are tuned to, at most."),
    # Signs of failure: what their rules reckoned; docs/findings.md says how
    _gauge("sign_events", _SIGN, "How many events stand behind a sign, within what its rule looks at."),
    _gauge("sign_times_others_ratio", (*_SIGN, "bound"), "How many times it happens as at its siblings, or as before."),
    _gauge("sign_share_ratio", (*_SIGN, "bound"), "How large a share of the tries it happens at, such as of boots."),
    _gauge("sign_chance_ratio", _SIGN, "How likely as much or more would be by chance alone (p), after correction."),
    _gauge("sign_life_left_seconds", (*_SIGN, "bound"), "How long until the rated life is used, at this pace."),
    _gauge("trial_needed_seconds", _SIGN, "How long it must stay clean before a change counts as the cure."),
    _gauge("trial_remaining_seconds", _SIGN, "How much of that is left."),
    _gauge("snapshot_timestamp_seconds", (), "When the facts behind the findings were taken, unix time."),
    _gauge("declaration_in_force", (), "1: the newest declaration is in force; 0: it is wrong and the old one stays."),
    # PCI Express Base Specification: Link Capabilities, Link Status
    _gauge("link_trained_transfers_per_second", _LINK, "Transfer rate that the link trained at."),
    _gauge("link_capable_transfers_per_second", _LINK, "The lesser rate of what both ends can do."),
    _gauge("link_declared_transfers_per_second", _LINK, "Transfer rate that the declaration asks for."),
    _gauge("link_trained_lanes", _LINK, "Lanes that the link trained with."),
    _gauge("link_capable_lanes", _LINK, "The lesser width of what both ends can do."),
    _gauge("link_declared_lanes", _LINK, "Lanes that the declaration asks for."),
    # Advanced Error Reporting, by the kernel's names of the bits
    _counter("link_correctable_errors", ("position", "end", "error"), "Correctable errors that this end saw."),
    _counter("link_uncorrectable_errors", ("position", "end", "severity"), "Uncorrectable errors, nonfatal or fatal."),
    # NVM Express Base Specification 2.0, 5.16.1.3, SMART / Health Information
    _info("nvme", (*_DRIVE, "model", "serial", "firmware"), "The drive's identity."),
    _gauge("nvme_critical_warning", _DRIVE, "Critical Warning, its bits as a number."),
    _gauge("nvme_composite_temperature_celsius", _DRIVE, "Composite Temperature."),
    _gauge("nvme_sensor_temperature_celsius", (*_DRIVE, "sensor"), "Temperature Sensor 1 to 8."),
    _gauge("nvme_warning_temperature_celsius", _DRIVE, "Warning Composite Temperature Threshold (Identify)."),
    _gauge("nvme_critical_temperature_celsius", _DRIVE, "Critical Composite Temperature Threshold (Identify)."),
    _gauge("nvme_available_spare_ratio", _DRIVE, "Available Spare, 0 to 1."),
    _gauge("nvme_available_spare_threshold_ratio", _DRIVE, "Available Spare Threshold, 0 to 1."),
    _gauge("nvme_percentage_used_ratio", _DRIVE, "Percentage Used as a ratio; may pass 1."),
    _counter("nvme_data_read_bytes", _DRIVE, "Data Units Read, of 512,000 bytes each."),
    _counter("nvme_data_written_bytes", _DRIVE, "Data Units Written, of 512,000 bytes each."),
    _counter("nvme_host_read_commands", _DRIVE, "Host Read Commands."),
    _counter("nvme_host_write_commands", _DRIVE, "Host Write Commands."),
    _counter("nvme_controller_busy_seconds", _DRIVE, "Controller Busy Time."),
    _counter("nvme_power_cycles", _DRIVE, "Power Cycles."),
    _counter("nvme_power_on_seconds", _DRIVE, "Power On Hours."),
    _counter("nvme_unsafe_shutdowns", _DRIVE, "Unsafe Shutdowns."),
    _counter("nvme_media_errors", _DRIVE, "Media and Data Integrity Errors."),
    _counter("nvme_error_log_entries", _DRIVE, "Number of Error Information Log Entries; rejected commands count too."),
    _counter("nvme_warning_temperature_seconds", _DRIVE, "Warning Composite Temperature Time."),
    _counter("nvme_critical_temperature_seconds", _DRIVE, "Critical Composite Temperature Time."),
    _counter("nvme_thermal_management_transitions", _THERMAL, "Thermal Management Temperature Transition Count."),
    _counter("nvme_thermal_management_seconds", _THERMAL, "Total Time For Thermal Management Temperature."),
    # SATA and SAS drives, as smartctl tells them
    _gauge("drive_health_passed", _DRIVE, "1: a SATA or SAS drive's own assessment passed; 0: it failed."),
    _gauge("drive_temperature_celsius", _DRIVE, "Temperature of a SATA or SAS drive."),
    _gauge("drive_recommended_temperature_celsius", _DRIVE, "Up to what it may be used, by its own word (SCT)."),
    _gauge("drive_highest_temperature_celsius", _DRIVE, "Its own highest limit (SCT), or its trip temperature (SAS)."),
    _counter("drive_power_on_seconds", _DRIVE, "Power On Hours of a SATA or SAS drive."),
    _gauge("drive_reallocated_sectors", _DRIVE, "Reallocated sectors."),
    _gauge("drive_pending_sectors", _DRIVE, "Sectors waiting to be reallocated."),
    _gauge("drive_uncorrectable_sectors", _DRIVE, "Sectors that could not be corrected."),
    _counter("drive_interface_errors", _DRIVE, "CRC errors on the cable between drive and controller."),
    # Arrays, as Documentation/admin-guide/md.rst has them
    _gauge("array_size_bytes", ("array",), "What an md array holds."),
    _gauge("array_members", ("array",), "How many members the array is meant to have."),
    _gauge("array_degraded_members", ("array",), "How many members the array lacks."),
    _gauge("array_sync_completed_ratio", ("array", "action"), "How far a running resync, recovery or check is."),
    _gauge("array_sync_bytes_per_second", ("array", "action"), "How fast it runs, of one member (sync_speed)."),
    _gauge("array_mismatch_sectors", ("array",), "Sectors found to differ by the last check."),
    _gauge("array_bad_block_sectors", ("array", "member"), "Sectors in the member's list of bad blocks."),
    _counter("array_device_errors", ("array", "member", "error"), "Error statistics of a btrfs device."),
    # Network: Documentation/ABI/testing/sysfs-class-net
    _gauge("network_speed_bits_per_second", ("interface",), "Speed that an interface negotiated."),
    _counter("network_carrier_changes", ("interface",), "How often its link came or went."),
    _counter("network_receive_errors", ("interface",), "Frames received with errors (rx_errors)."),
    _counter("network_transmit_errors", ("interface",), "Frames that could not be sent (tx_errors)."),
    _gauge("bond_members", ("bond",), "Interfaces that the bond is made of."),
    _counter("bond_link_failures", ("bond", "interface"), "How often a member's link failed (bonding)."),
    _gauge("bond_ports", ("bond",), "Ports that carry the bond now."),
    # Memory: /proc/meminfo; SMBIOS (DSP0134) type 17; errors as EDAC counts them
    _gauge("memory_bytes", (), "Memory that the kernel manages (MemTotal)."),
    _gauge("memory_module_rated_transfers_per_second", ("module",), "Speed that a module is made for."),
    _gauge("memory_module_configured_transfers_per_second", ("module",), "Configured Memory Speed of a module."),
    _counter("memory_corrected_errors", ("controller",), "Memory errors corrected (EDAC)."),
    _counter("memory_uncorrected_errors", ("controller",), "Memory errors not corrected (EDAC)."),
    # Heat of board and processor: hwmon
    _gauge("board_temperature_celsius", ("chip", "sensor"), "A temperature of the board or the processor."),
    _gauge("board_critical_temperature_celsius", ("chip", "sensor"), "The critical limit that the chip states for it."),
    _gauge("fan_revolutions_per_minute", ("chip", "fan"), "Speed of a fan, in the unit that hwmon and makers give."),
    _gauge("power_watts", ("meter",), "Power that a meter of the board reads (hwmon)."),
    _counter("energy_joules", ("meter",), "Energy that a processor package used (powercap); it wraps at its range."),
    _counter("processor_thermal_throttles", ("package",), "How often a package slowed down for heat, since boot."),
    # File systems: statvfs(3), as psutil reckons it
    _gauge("file_system_size_bytes", ("mount",), "Size of a file system."),
    _gauge("file_system_available_bytes", ("mount",), "Room that is left in it, what is kept for root left out."),
    _gauge("file_system_used_ratio", ("mount",), "How full it is, as df shows it."),
    _gauge("file_system_read_only", ("mount",), "1: its super block is read-only."),
    # The daemon itself
    _gauge("collector_duration_seconds", ("collector",), "How long a collector's last pass took."),
    _gauge("collector_success", ("collector",), "1: its last pass gave facts; 0: it gave none."),
    _gauge("collector_overdue_seconds", ("collector",), "How long it has been away past its deadline; 0: it is not."),
    _gauge("collector_timestamp_seconds", ("collector",), "When its last pass ended, unix time."),
    _counter("kernel_log_lost_records", (), "Records of the kernel's log that were overwritten before they were read."),
    _counter("evidence_written_bytes", (), "Bytes of evidence about disconnects that were written since the start."),
    _counter("evidence_failures", (), "How often such evidence could not be written."),
    _gauge("evidence_delay_seconds", (), "How long after it was read the last event lay safely in the folder."),
    _counter("self_processor_seconds", (), "Processor time of the daemon itself."),
    _gauge("self_resident_bytes", (), "Memory that the daemon itself holds."),
    _gauge("self_threads", (), "Threads of the daemon itself."),
    _gauge("self_open_files", (), "Open descriptors of the daemon itself."),
    _counter("self_read_bytes", (), "Bytes that the daemon itself had read from disks."),
    _counter("self_written_bytes", (), "Bytes that the daemon itself had written to disks."),
)  # fmt: skip

BY_NAME = {one.name: one for one in METRICS}


def write_docs() -> str:
    """Write the reference of metrics, docs/metrics.md."""
    lines = [
        "# Metrics",
        "",
        "Scraped at `/metrics`. A reading that could not be made is an absent series, never 0. `position` is the",
        "declared label, or the path where none is declared. Counters count since what they count was last reset: the",
        "drive's own over its life, the kernel's (errors of links, carrier changes) since it last found the device.",
        "",
        "<!-- Written by `python -m laneproof.outputs.metric_table`; change the table, not this file. -->",
        "",
        "| metric | kind | labels | tells |",
        "| --- | --- | --- | --- |",
    ]
    lines += [
        f"| `{one.full_name}` | {one.kind} | {', '.join(f'`{label}`' for label in one.labels) or '-'} | {one.says} |"
        for one in METRICS
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(write_docs(), end="")  # noqa: T201 (the output)
