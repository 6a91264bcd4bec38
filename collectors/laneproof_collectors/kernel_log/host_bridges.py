"""What the drivers of small boards' PCI Express host bridges say of the link below."""

from laneproof_collectors.kernel_log.formats import EventKind, by_opening, row
from laneproof_collectors.kernel_log.pcie import PROBE_ROW

HOST_FORMATS = by_opening(
    row(
        EventKind.LINK_UP,
        "link Link PCIe port (",
        r"(?:PCIe |port |PCIe x\d+: |\(rc\) x\d+ gen-\d )?(?:Gen\.?\d x\d+ )?[Ll]ink(?: is|:)? (?:up|UP)\b"
        r"(?! timeout)(?:, (?P<speed>[\d.]+ GT/s)(?: PCIe)? x(?P<width>\d+))?",
        "drivers/pci/controller/pcie-brcmstb.c, dwc/pcie-designware.c, pcie-rcar-host.c, pcie-iproc.c, pci-xgene.c,"
        " pcie-xilinx-nwl.c",
    ),
    row(
        EventKind.LINK_DOWN,
        "link Link LINK PCIe Phy PHY port Port0 Port1 Port2 Port3 failed Failed (",
        r"(?:PCIe |P(?:hy|HY) |port |Port\d |\(rc\) )?(?:[Ll]ink|LINK):? (?:\d+ )?(?:is )?"
        r"(?:down|DOWN|never came up|failed to come up|bring-up failed|Fail\b|training (?:gen\d )?timeout"
        r"|(?:retrain|up) timeout)"
        r"|[Ff]ailed to bring link up",
        "drivers/pci/controller/pcie-brcmstb.c, pcie-rockchip-host.c, pci-tegra.c, pcie-altera.c, pci-xgene.c,"
        " pcie-mediatek.c, cadence/pci-j721e.c, mobiveil, dwc/pcie-designware.c, dwc/pci-imx6.c; `Link Fail` in"
        " board makers' trees",
    ),
    row(
        EventKind.LINK_DOWN,
        "error PHY Device",
        r"error: (?:wait linkup timeout|link did not start)|PHY or data link is INACTIVE"
        r"|Device (?:not found|found, but not active)$",
        "drivers/pci/controller/dwc/pci-meson.c, pcie-fu740.c, pcie-iproc.c; dwc/pcie-designware.c after 6.18,"
        " where `Phy link never came up` was",
    ),
    row(
        EventKind.BANDWIDTH_LIMITED,
        "PCIe",
        r"PCIe link is bad, width reduced",
        "drivers/pci/controller/dwc/pcie-tegra194.c",
    ),
    PROBE_ROW,
)
"""Messages of a host bridge that a board's device tree names, such as ``fd500000.pcie``."""
