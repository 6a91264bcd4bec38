"""PCI functions as files: a port with a drive, and a bridge without a link."""

from laneproof_collectors.pcie.functions import DEVICES
from laneproof_collectors.pcie.slots import SLOTS
from laneproof_collectors.snapshot import LinkEnd
from simulation.fake_machine import Tree
from simulation.registers import DEVICE, VENDOR, ExpressValues, lay_aer, lay_config

ROOT = "/sys/devices/pci0000:00"
PORT = f"{ROOT}/0000:00:01.1"
DRIVE = f"{PORT}/0000:01:00.0"
ISA = f"{ROOT}/0000:00:1f.0"
SATA = f"{ROOT}/0000:00:17.0"

AER = (0x100, 0x0001, lay_aer(correctable_mask=0x2000))
PORT_CONFIG = lay_config(ExpressValues(flags=0x142, sltcap=3 << 19), bridge=True, extended=[AER])
DRIVE_CONFIG = lay_config(ExpressValues(lnksta=0x0022), extended=[AER])
NO_LINK = LinkEnd(trained_gt_s=None, trained_lanes=None, capable_gt_s=None, capable_lanes=None)


def lay_function(folder: str, code: int, **changes: str | bytes) -> Tree:
    """Lay out a function without a link; a change named ``power__control`` is the file ``power/control``."""
    files: Tree = {
        "class": f"0x{code:06x}\n", "vendor": f"0x{VENDOR:04x}\n", "device": f"0x{DEVICE:04x}\n",
        "power/runtime_status": "active\n", "power_state": "D0\n", "power/control": "on\n",
    }  # fmt: skip
    files |= {name.replace("__", "/"): content for name, content in changes.items()}
    tree: Tree = {f"{folder}/{name}": content for name, content in files.items()}
    tree[f"{DEVICES}/{folder.rpartition('/')[2]}"] = f"-> ../../../{folder.removeprefix('/sys/')}"
    return tree


def lay_linked(folder: str, code: int, config: bytes, **changes: str | bytes) -> Tree:
    files: dict[str, str | bytes] = {
        "current_link_speed": "8.0 GT/s PCIe\n", "current_link_width": "4\n",
        "max_link_speed": "8.0 GT/s PCIe\n", "max_link_width": "4\n", "config": config,
        "aer_dev_correctable": "RxErr 0\nBadTLP 0\nTOTAL_ERR_COR 0\n",
        "aer_dev_nonfatal": "DLP 0\nTOTAL_ERR_NONFATAL 0\n", "aer_dev_fatal": "DLP 0\nTOTAL_ERR_FATAL 0\n",
    }  # fmt: skip
    return lay_function(folder, code, **(files | changes))


TOTALS = {f"aer_rootport_total_err_{kind}": "0\n" for kind in ("cor", "nonfatal", "fatal")}


def lay_box() -> Tree:
    """A port with a drive that trained slow and narrow, and a bridge without a link beside them."""
    return (
        {SLOTS: None}
        | lay_function(ISA, 0x060100)
        | lay_linked(PORT, 0x060400, PORT_CONFIG, driver="-> ../../../../bus/pci/drivers/pcieport", **TOTALS)
        | lay_linked(
            DRIVE, 0x010802, DRIVE_CONFIG, current_link_speed="5.0 GT/s PCIe\n", current_link_width="2\n",
            driver="-> ../../../../../bus/pci/drivers/nvme", link__l1_aspm="1\n", link__clkpm="0\n",
            aer_dev_correctable="RxErr 12\nBadTLP 3\nTOTAL_ERR_COR 15\n",
        )
    )  # fmt: skip
