"""What the reader answers, whatever it is asked: the files, links, folders and drives that collectors ask about. Pure.

A path is judged as it is written here; that no link on its way leads elsewhere is seen to where it is opened
(``reader.py``). A collector that asks for something new needs it in this list; a test finds what is missing. Of files
that anybody may read, those stand here that some systems keep from others than root.
"""

import re

from laneproof_collectors.questions import (
    FileSystem,
    ListFolder,
    NvmeFeature,
    NvmeIdentify,
    NvmeLog,
    Question,
    ReadFile,
    ReadJournal,
    ReadLink,
    ReadRange,
    Smartctl,
)

ROOTS = (
    "/sys", "/proc", "/boot", "/etc/modprobe.d", "/run/modprobe.d", "/usr/local/lib/modprobe.d",
    "/usr/lib/modprobe.d", "/lib/modprobe.d",
)  # fmt: skip
"""A file is opened below one of these, and no link leads out of it."""

_ATTRIBUTES = (
    "address|class|control|current_link_speed|current_link_width|device|label|max_link_speed|max_link_width|power_state|"
    "remapped_nvme|removable|runtime_status|vendor|"
    "aer_dev_correctable|aer_dev_fatal|aer_dev_nonfatal|"
    "aer_rootport_total_err_cor|aer_rootport_total_err_fatal|aer_rootport_total_err_nonfatal|"
    "cntlid|eui|firmware_rev|model|nguid|nsid|pm_qos_latency_tolerance_us|serial|size|stat|state|uuid|wwid|"
    "rev|vpd_pg80|vpd_pg89|"
    "array_state|bad_blocks|degraded|errors|level|mismatch_cnt|raid_disks|slot|sync_action|sync_completed|sync_speed|"
    "error_stats|missing|replace_target|name|"
    "ad_aggregator|ad_aggregator_id|ad_num_ports|ad_partner_mac|bonding_masters|carrier_changes|duplex|"
    "link_failure_count|mii_status|mode|operstate|rx_errors|slaves|speed|tx_errors|xmit_hash_policy|"
    "ce_count|ue_count|energy_uj|package_throttle_count|physical_package_id|"
    "bios_date|bios_version|board_name|board_vendor"
)
"""Files of sysfs by their last name. None of them does anything when it is read; ``rom`` or ``resource0`` would."""

_SYSFS_FILE = re.compile(
    r"/sys/(?:"
    rf"(?:[^/]+/)+(?:{_ATTRIBUTES}|link/[a-z0-9_]+"
    r"|(?:temp|fan|power)\d{1,4}_(?:input|average|label|max|crit|min|alarm|fault))"
    r"|(?:devices|bus/pci/devices)/(?:[^/]+/)+config"
    r"|firmware/dmi/(?:entries/\d+-\d+/raw|tables/DMI)"
    r"|firmware/acpi/tables/FACP"
    r"|firmware/devicetree/base/(?:model|chosen/u-boot,version)"
    r"|module/(?:nvme_core/parameters/default_ps_max_latency_us|pcie_aspm/parameters/policy)"
    r")"
)
_OTHER_FILE = re.compile(
    r"/proc/(?:cmdline|cpuinfo|meminfo|1/mountinfo|sys/kernel/(?:osrelease|hostname|random/boot_id)"
    r"|spl/kstat/zfs/[^/]+/state)"
    r"|/boot/config-[^/]+"
    r"|(?:/etc|/run|/usr/local/lib|/usr/lib|/lib)/modprobe\.d/[^/]+\.conf"
)
_FOLDER = re.compile(r"/sys(?:/[^/]+)*|/proc/spl/kstat/zfs|(?:/etc|/run|/usr/local/lib|/usr/lib|/lib)/modprobe\.d")
_LINK = re.compile(r"/sys(?:/[^/]+)+")
_CONTROLLER = re.compile(r"nvme\d{1,5}")
_DISK = re.compile(r"(?:/dev/)?(?:sd[a-z]{1,4}|nvme\d{1,5}(?:n\d{1,5})?)")

_HEALTH_LOG, _LOG_BYTES = 0x02, 512  # NVMe Base 2.0: SMART / Health Information
_TRANSITIONS_FEATURE, _FEATURE_BYTES = 0x0C, 256  # Autonomous Power State Transition
_RANGE_BYTES = 1 << 20
_MOST_LINES = 20_000
_OLDEST_BOOT = -1


def is_allowed(question: Question) -> bool:  # noqa: C901, PLR0911 (one arm a question)
    """Whether the reader answers a question that came over its socket."""
    match question:
        case ReadFile(path):
            return _is_file(path)
        case ReadRange(path, offset, length):
            return _is_file(path) and offset >= 0 and 0 < length <= _RANGE_BYTES
        case ReadLink(path):
            return _is_plain(path) and bool(_LINK.fullmatch(path))
        case ListFolder(path):
            return _is_plain(path) and bool(_FOLDER.fullmatch(path))
        case FileSystem(path):
            return path == "/" or _is_plain(path)
        case NvmeIdentify(controller):
            return bool(_CONTROLLER.fullmatch(controller))
        case NvmeLog(controller, log_id, length):
            return bool(_CONTROLLER.fullmatch(controller)) and (log_id, length) == (_HEALTH_LOG, _LOG_BYTES)
        case NvmeFeature(controller, feature_id, length):
            wanted = (_TRANSITIONS_FEATURE, _FEATURE_BYTES)
            return bool(_CONTROLLER.fullmatch(controller)) and (feature_id, length) == wanted
        case Smartctl(device):
            return bool(_DISK.fullmatch(device))
        case ReadJournal(boot, lines, since_unix):
            return _OLDEST_BOOT <= boot <= 0 < lines <= _MOST_LINES and (since_unix is None or since_unix >= 0)
        case _:
            return False


def _is_file(path: str) -> bool:
    return _is_plain(path) and bool(_SYSFS_FILE.fullmatch(path) or _OTHER_FILE.fullmatch(path))


def _is_plain(path: str) -> bool:
    """Whether a path means what it says: from the root on, without a step back or a step nowhere."""
    return path.startswith("/") and not {"", ".", ".."} & set(path[1:].split("/")) and "\0" not in path
