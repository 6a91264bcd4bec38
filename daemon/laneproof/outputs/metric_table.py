"""Every metric by name: kind, unit, labels and meaning. The docs are made from this table.

Names follow the OpenMetrics rules (base units, ``_total`` for counters) and the field names of the standards that
define the figures; the prefix is ours. A reading that is missing is an absent series, never 0.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Literal

PREFIX = "laneproof_"
Sample = tuple[str, tuple[str, ...], float]
"""Metric's name, label values in the table's order, value."""
Row = tuple[str, tuple[str, ...], object]
"""A sample before it is known whether the fact is a figure: a number, or whatever there is in its place."""


def keep_figures(rows: Iterable[Row]) -> Iterator[Sample]:
    """Give the samples of facts that are figures; what is not there, or could not be read, is an absent series."""
    for name, labels, fact in rows:
        if isinstance(fact, int | float):
            yield name, labels, float(fact) if isinstance(fact, bool) else fact


def write_label(fact: object) -> str:
    """Write a fact as a label: empty where there is no text."""
    return fact if isinstance(fact, str) else ""


@dataclass(frozen=True, slots=True)
class Metric:
    """One metric: its name without prefix and ``_total``, and what it is, with the source of the figure.

    An info is a gauge of value 1 that carries facts in its labels.
    """

    kind: Literal["gauge", "counter", "info"]
    name: str
    labels: tuple[str, ...]
    says: str

    @property
    def full_name(self) -> str:
        """The name as it is scraped."""
        suffix = {"gauge": "", "counter": "_total", "info": "_info"}[self.kind]
        return f"{PREFIX}{self.name}{suffix}"


_DRIVE = ("position", "serial")
_LINK = ("position",)
_SIGN = ("rule", "position")
_THERMAL = (*_DRIVE, "threshold")


_gauge, _counter, _info = (partial(Metric, kind) for kind in ("gauge", "counter", "info"))

METRICS = (
    _info("box", ("box", "version", "kernel", "bios_version"), "The box's name; versions of laneproof, kernel, BIOS."),
    _gauge("finding", ("rule", "kind", "severity", "position"), "1 for each finding that stands and is not accepted."),
    _info(
        "finding_values",
        ("rule", "position", "declared", "observed", "next"),
        "For an alert's text: a finding's values, where they are declared, and its next safe step.",
    ),
    _info("rule", ("rule", "holds", "next"), "What each rule holds, and what to look at first where it does not."),
    _gauge("findings", ("kind", "severity"), "Number of findings that stand; 0 where there is none, never absent."),
    _gauge("cause_probability_ratio", ("rule", "position", "cause"), "Probability of each cause of a finding, 0 to 1."),
    _counter("finding_changes", ("change", "severity"), "Findings raised, changed, cleared since the daemon started."),
    _gauge("alarm_budget_per_year", (), "False alarms a year that all rules of one box together may cause, at most."),
    # Signs of failure: what their rules found; docs/findings.md says how
    _gauge("sign_events", _SIGN, "Events behind a sign of failure, in the time that its rule considers."),
    _gauge("sign_times_others_ratio", (*_SIGN, "bound"), "Rate of a sign's events over that of siblings or of before."),
    _gauge("sign_share_ratio", (*_SIGN, "bound"), "Share of tries, such as boots, in which a sign's event happened."),
    _gauge("sign_chance_ratio", _SIGN, "Probability of as many events or more by chance alone (p), corrected."),
    _gauge("sign_life_left_seconds", (*_SIGN, "bound"), "Time until a drive's rated life is used, at its recent pace."),
    _gauge("trial_needed_seconds", _SIGN, "Time without events after which a change counts as the cure of a sign."),
    _gauge("trial_remaining_seconds", _SIGN, "What is left of the time without events that a sign's cure needs."),
    _gauge("snapshot_timestamp_seconds", (), "When the facts behind the findings were read, unix time."),
    _gauge("declaration_in_force", (), "1: the newest declaration is in force; 0: it is missing or wrong."),
    _info("declaration", ("checksum",), "SHA-256 of the file of the declaration in force, as sha256sum prints it."),
    # PCI Express Base Specification: Link Capabilities, Link Status
    _gauge("link_trained_transfers_per_second", _LINK, "Transfer rate at which a PCIe link trained."),
    _gauge("link_capable_transfers_per_second", _LINK, "Highest transfer rate that both ends of a PCIe link can do."),
    _gauge("link_declared_transfers_per_second", _LINK, "Transfer rate that the declaration asks of a PCIe link."),
    _gauge("link_trained_lanes", _LINK, "Number of lanes with which a PCIe link trained."),
    _gauge("link_capable_lanes", _LINK, "Largest number of lanes that both ends of a PCIe link can do."),
    _gauge("link_declared_lanes", _LINK, "Number of lanes that the declaration asks of a PCIe link."),
    # Advanced Error Reporting, by the kernel's names of the bits
    _counter("link_correctable_errors", ("position", "end", "error"), "Correctable PCIe errors that one end reported."),
    _counter("link_uncorrectable_errors", ("position", "end", "severity"), "Uncorrectable PCIe errors, one end's."),
    _counter("drops", _LINK, "Times that a drive dropped off the bus since the daemon started."),
    # NVM Express Base Specification 2.0, 5.16.1.3, SMART / Health Information
    _info("nvme", (*_DRIVE, "device", "model", "firmware"), "An NVMe drive; device is the kernel's name for it now."),
    _gauge("nvme_critical_warning", _DRIVE, "NVMe Critical Warning, its bits as one number."),
    _gauge("nvme_composite_temperature_celsius", _DRIVE, "NVMe Composite Temperature."),
    _gauge("nvme_sensor_temperature_celsius", (*_DRIVE, "sensor"), "NVMe Temperature Sensor 1 to 8."),
    _gauge("nvme_warning_temperature_celsius", _DRIVE, "NVMe Warning Composite Temperature Threshold (Identify)."),
    _gauge("nvme_critical_temperature_celsius", _DRIVE, "NVMe Critical Composite Temperature Threshold (Identify)."),
    _gauge("nvme_available_spare_ratio", _DRIVE, "NVMe Available Spare, 0 to 1."),
    _gauge("nvme_available_spare_threshold_ratio", _DRIVE, "NVMe Available Spare Threshold, 0 to 1."),
    _gauge("nvme_percentage_used_ratio", _DRIVE, "NVMe Percentage Used as a ratio; may pass 1."),
    _counter("nvme_data_read_bytes", _DRIVE, "NVMe Data Units Read, of 512,000 bytes each."),
    _counter("nvme_data_written_bytes", _DRIVE, "NVMe Data Units Written, of 512,000 bytes each."),
    _counter("nvme_host_read_commands", _DRIVE, "NVMe Host Read Commands."),
    _counter("nvme_host_write_commands", _DRIVE, "NVMe Host Write Commands."),
    _counter("nvme_controller_busy_seconds", _DRIVE, "NVMe Controller Busy Time."),
    _counter("nvme_power_cycles", _DRIVE, "NVMe Power Cycles."),
    _counter("nvme_power_on_seconds", _DRIVE, "NVMe Power On Hours."),
    _counter("nvme_unsafe_shutdowns", _DRIVE, "NVMe Unsafe Shutdowns: power was lost without notice."),
    _counter("nvme_media_errors", _DRIVE, "NVMe Media and Data Integrity Errors."),
    _counter("nvme_error_log_entries", _DRIVE, "NVMe Error Information Log Entries; rejected commands count too."),
    _counter("nvme_warning_temperature_seconds", _DRIVE, "NVMe Warning Composite Temperature Time."),
    _counter("nvme_critical_temperature_seconds", _DRIVE, "NVMe Critical Composite Temperature Time."),
    _counter("nvme_thermal_management_transitions", _THERMAL, "NVMe Thermal Management Temperature Transition Count."),
    _counter("nvme_thermal_management_seconds", _THERMAL, "NVMe Total Time For Thermal Management Temperature."),
    # SATA and SAS drives, as smartctl reports them
    _info("drive", (*_DRIVE, "device", "model", "firmware"), "A SATA or SAS drive; device is the kernel's name now."),
    _gauge("drive_health_passed", _DRIVE, "1: a SATA or SAS drive's own assessment passed; 0: it failed."),
    _gauge("drive_temperature_celsius", _DRIVE, "Temperature of a SATA or SAS drive."),
    _gauge("drive_recommended_temperature_celsius", _DRIVE, "Highest temperature a drive recommends for use (SCT)."),
    _gauge("drive_highest_temperature_celsius", _DRIVE, "A drive's highest limit (SCT) or trip temperature (SAS)."),
    _counter("drive_power_on_seconds", _DRIVE, "Power On Hours of a SATA or SAS drive."),
    _gauge("drive_reallocated_sectors", _DRIVE, "Sectors that a SATA or SAS drive replaced by spare ones."),
    _gauge("drive_pending_sectors", _DRIVE, "Sectors that a SATA drive may replace at their next write."),
    _gauge("drive_uncorrectable_sectors", _DRIVE, "Sectors that a SATA or SAS drive could not correct."),
    _counter("drive_interface_errors", _DRIVE, "CRC errors between a SATA drive and its controller (the cable)."),
    # Arrays, as Documentation/admin-guide/md.rst has them
    _gauge("array_size_bytes", ("array",), "Size of an md array."),
    _gauge("array_members", ("array",), "Number of members that an array is meant to have."),
    _gauge("array_degraded_members", ("array",), "Number of members that an array is missing."),
    _gauge("array_sync_completed_ratio", ("array", "action"), "Share done of a running resync, recovery or check."),
    _gauge("array_sync_bytes_per_second", ("array", "action"), "Speed of a resync, recovery or check, of one member."),
    _gauge("array_mismatch_sectors", ("array",), "Sectors that the last check of an array found to differ."),
    _gauge("array_bad_block_sectors", ("array", "member"), "Sectors in an array member's list of bad blocks."),
    _counter("array_device_errors", ("array", "member", "error"), "Error statistics of a btrfs device."),
    # Network: Documentation/ABI/testing/sysfs-class-net; bonds: Documentation/networking/bonding.rst
    _gauge("network_speed_bits_per_second", ("interface",), "Speed that a network interface negotiated."),
    _counter("network_carrier_changes", ("interface",), "Times that a network interface's link came or went."),
    _counter("network_rx_errors", ("interface",), "Packets received with errors (rx_errors)."),
    _counter("network_tx_errors", ("interface",), "Packets that could not be sent (tx_errors)."),
    _gauge("bond_members", ("bond",), "Number of interfaces that a bond is made of."),
    _counter("bond_link_failures", ("bond", "interface"), "Times that the link of a bond's member failed."),
    _gauge("bond_ports", ("bond",), "Number of ports in a bond's active aggregator (802.3ad)."),
    # Memory: /proc/meminfo; SMBIOS (DSP0134) type 17; errors as EDAC counts them
    _gauge("memory_bytes", (), "Memory that the kernel manages (MemTotal)."),
    _gauge("memory_module_rated_transfers_per_second", ("module",), "Speed that a memory module is made for."),
    _gauge("memory_module_configured_transfers_per_second", ("module",), "Speed that a memory module runs at."),
    _counter("memory_corrected_errors", ("controller",), "Memory errors that were corrected (EDAC)."),
    _counter("memory_uncorrected_errors", ("controller",), "Memory errors that could not be corrected (EDAC)."),
    # Heat of board and processor: hwmon
    _gauge("board_temperature_celsius", ("chip", "sensor"), "A temperature of the board or the processor (hwmon)."),
    _gauge("board_critical_temperature_celsius", ("chip", "sensor"), "Critical limit of a temperature (hwmon)."),
    _gauge("fan_revolutions_per_minute", ("chip", "fan"), "Speed of a fan, in the unit that hwmon and makers give."),
    _gauge("power_watts", ("meter",), "Power that a meter of the board reads (hwmon)."),
    _counter("energy_joules", ("meter",), "Energy that a processor package used (powercap); it wraps at its range."),
    _counter("processor_thermal_throttles", ("package",), "Times that a processor slowed down for heat, since boot."),
    # File systems: statvfs(3), reckoned as psutil does
    _gauge("file_system_size_bytes", ("mount",), "Size of a file system."),
    _gauge("file_system_available_bytes", ("mount",), "Free space of a file system, without what is kept for root."),
    _gauge("file_system_used_ratio", ("mount",), "Share of a file system that is used, as df shows it."),
    _gauge("file_system_read_only", ("mount",), "1: a file system's super block is read-only."),
    # The daemon's own work
    _gauge("proof_timestamp_seconds", ("position",), "When the last acceptance run of a position began, unix time."),
    _gauge("proof_verdict", ("position", "verdict"), "1 for each position, by the verdict of its last acceptance run."),
    _gauge("proof_link_bits", _LINK, "Bits that the link carried in the last acceptance run."),
    _gauge("proof_link_errors", _LINK, "Errors of the link in the last acceptance run, at the end that saw more."),
    _gauge("proof_link_error_ratio", _LINK, "Most errors a bit that the last acceptance run leaves possible (95 %)."),
    _gauge("proof_read_bytes_per_second", _LINK, "What the drive gave alone in the last acceptance run."),
    _gauge("reading_seconds", ("reading",), "How long the last reading of one group of facts took."),
    _gauge("reading_complete", ("reading",), "1: the last reading of a group of facts gave facts; 0: it gave none."),
    _gauge("reading_overdue_seconds", ("reading",), "How far a reading is past its deadline; 0: it is not."),
    _gauge("reading_timestamp_seconds", ("reading",), "When the last reading of a group of facts ended, unix time."),
    _counter("kernel_log_lost_records", (), "Kernel log records that were overwritten before they were read."),
    _counter("evidence_written_bytes", (), "Bytes written of the record of disconnects since the daemon started."),
    _counter("evidence_failures", (), "Times that the record of disconnects could not be written."),
    _gauge("evidence_delay_seconds", (), "Time from the last event's reading until its record was safely written."),
)  # fmt: skip

BY_NAME = {metric.name: metric for metric in METRICS}


def write_docs() -> str:
    """Write the reference of metrics, docs/metrics.md."""
    lines = [
        "# Metrics",
        "",
        "Scraped at `/metrics`. A reading that could not be made is an absent series, never 0. `position` is the",
        "declared label, or the path where none is declared; `serial` is the drive's serial number, empty where it",
        "could not be read. Counters count since what they count was last reset: the drive's own over its life, the",
        "kernel's (errors of links, carrier changes) since it last found the device.",
        "",
        "What the daemon itself costs is in the conventional `process_*` metrics of Prometheus' client libraries:",
        "`process_cpu_seconds_total`, `process_resident_memory_bytes`, `process_virtual_memory_bytes`,",
        "`process_start_time_seconds`, `process_open_fds` and `process_max_fds`.",
        "",
        "<!-- Written by `python -m laneproof.outputs.metric_table`; change the table, not this file. -->",
        "",
        "| metric | kind | labels | meaning |",
        "| --- | --- | --- | --- |",
    ]
    for metric in METRICS:
        labels = ", ".join(f"`{label}`" for label in metric.labels) or "-"
        lines.append(f"| `{metric.full_name}` | {metric.kind} | {labels} | {metric.says} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(write_docs(), end="")  # noqa: T201 (the output)
