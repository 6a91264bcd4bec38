"""What small boards' host bridges say of their links; the source file of each format stands beside it."""

import pytest

from laneproof_collectors.kernel_log.lines import classify

# (versions, source, message, kind, who erred)
FORMATS = [
    # drivers/pci/controller: bridges of the device tree
    ("5.10", "pcie-brcmstb.c", "brcm-pcie 1000110000.pcie: link down", "link_down", "1000110000.pcie"),
    (
        "6.6",
        "pcie-brcmstb.c",
        "brcm-pcie 1000110000.pcie: link up, 5.0 GT/s PCIe x1 (!SSC)",
        "link_up",
        "1000110000.pcie",
    ),
    (
        "5.15",
        "pcie-designware.c",
        "rockchip-dw-pcie a40000000.pcie: PCIe Gen.3 x4 link up",
        "link_up",
        "a40000000.pcie",
    ),
    (
        "5.15",
        "pcie-designware.c",
        "rockchip-dw-pcie a40000000.pcie: Phy link never came up",
        "link_down",
        "a40000000.pcie",
    ),
    (
        "5.10",
        "pcie-rockchip-host.c",
        "rockchip-pcie f8000000.pcie: PCIe link training gen1 timeout!",
        "link_down",
        "f8000000.pcie",
    ),
    ("5.10", "pci-tegra.c", "tegra-pcie 1003000.pcie: link 0 down, retrying", "link_down", "1003000.pcie"),
    ("6.1", "dwc/pci-imx6.c", "imx6q-pcie 33800000.pcie: failed to bring link up!", "link_down", "33800000.pcie"),
    (
        "6.12",
        "dd.c",
        "rockchip-dw-pcie a40000000.pcie: probe with driver rockchip-dw-pcie failed with error -110",
        "probe_failed",
        "a40000000.pcie",
    ),
    (
        "6.1",
        "dd.c",
        "rockchip-dw-pcie: probe of a40000000.pcie failed with error -110",
        "probe_failed",
        "a40000000.pcie",
    ),
    ("6.1", "cadence/pci-j721e.c", "j721e-pcie 2910000.pcie: LINK DOWN!", "link_down", "2910000.pcie"),
    ("6.1", "cadence", "cdns-pcie-host 2910000.pcie: Link up", "link_up", "2910000.pcie"),
    ("5.15", "dwc/pci-imx6.c", "imx6q-pcie 33800000.pcie: Failed to bring link up!", "link_down", "33800000.pcie"),
    ("5.15", "dwc/pci-imx6.c", "imx6q-pcie 33800000.pcie: Link up, Gen2", "link_up", "33800000.pcie"),
    ("6.1", "dwc/pci-meson.c", "meson-pcie fc000000.pcie: error: wait linkup timeout", "link_down", "fc000000.pcie"),
    ("6.1", "dwc/pcie-fu740.c", "fu740-pcie e00000000.pcie: error: link did not start", "link_down", "e00000000.pcie"),
    ("6.19", "pcie-designware.c", "qcom-pcie 1c08000.pcie: Device not found", "link_down", "1c08000.pcie"),
    (
        "6.19",
        "pcie-designware.c",
        "rockchip-dw-pcie a40800000.pcie: Device found, but not active",
        "link_down",
        "a40800000.pcie",
    ),
    (
        "6.19",
        "pcie-designware.c",
        "rockchip-dw-pcie a40800000.pcie: Link failed to come up. LTSSM: POLL_ACTIVE",
        "link_down",
        "a40800000.pcie",
    ),
    (
        "6.1",
        "dwc/pcie-tegra194.c",
        "tegra194-pcie 141a0000.pcie: PCIe link is bad, width reduced",
        "bandwidth_limited",
        "141a0000.pcie",
    ),
    (
        "5.10",
        "mobiveil",
        "layerscape-pcie-gen4 3800000.pcie: PCIe link training timeout",
        "link_down",
        "3800000.pcie",
    ),
    ("5.10", "mobiveil", "mobiveil-pcie b0000000.pcie: link bring-up failed", "link_down", "b0000000.pcie"),
    ("5.10", "pci-aardvark.c", "advk-pcie d0070000.pcie: link never came up", "link_down", "d0070000.pcie"),
    ("5.10", "pci-xgene.c", "xgene-pcie 1f2b0000.pcie: (rc) link down", "link_down", "1f2b0000.pcie"),
    ("5.10", "pci-xgene.c", "xgene-pcie 1f2b0000.pcie: (rc) x4 gen-3 link up", "link_up", "1f2b0000.pcie"),
    ("5.10", "pcie-altera.c", "altera-pcie c0000000.pcie: link up timeout", "link_down", "c0000000.pcie"),
    ("5.10", "pcie-altera.c", "altera-pcie c0000000.pcie: link retrain timeout", "link_down", "c0000000.pcie"),
    ("5.10", "pcie-iproc.c", "iproc-pcie 18012000.pcie: link: UP", "link_up", "18012000.pcie"),
    ("5.10", "pcie-iproc.c", "iproc-pcie 18012000.pcie: link: DOWN", "link_down", "18012000.pcie"),
    (
        "5.10",
        "pcie-iproc.c",
        "iproc-pcie 18012000.pcie: PHY or data link is INACTIVE!",
        "link_down",
        "18012000.pcie",
    ),
    (
        "6.1",
        "pcie-mediatek-gen3.c",
        "mtk-pcie-gen3 11280000.pcie: PCIe link down, current LTSSM state: detect.quiet (0x0)",
        "link_down",
        "11280000.pcie",
    ),
    ("5.10", "pcie-mediatek.c", "mtk-pcie 1a143000.pcie: Port0 link down", "link_down", "1a143000.pcie"),
    ("5.10", "pcie-rcar-host.c", "rcar-pcie fe000000.pcie: PCIe x1: link up", "link_up", "fe000000.pcie"),
    ("5.10", "pcie-xilinx-nwl.c", "nwl-pcie fd0e0000.pcie: Link is UP", "link_up", "fd0e0000.pcie"),
    ("5.10", "pcie-xilinx-nwl.c", "nwl-pcie fd0e0000.pcie: PHY link never came up", "link_down", "fd0e0000.pcie"),
    ("5.10", "pcie-xilinx-cpm.c", "xilinx-cpm-pcie fca10000.cpm-pcie: PCIe Link is UP", "link_up", "fca10000.cpm-pcie"),
    ("6.12", "plda/pcie-starfive.c", "pcie-starfive 2b000000.pcie: port link up", "link_up", "2b000000.pcie"),
]

HARMLESS = [
    "brcm-pcie 1000110000.pcie: clkreq-mode set to default",
    "brcm-pcie 1000110000.pcie: host bridge /axi/pcie@1000110000 ranges:",
    "imx6q-pcie 33800000.pcie: Link: Only Gen1 is enabled",
    "dra7-pcie 51000000.pcie: link is already up",
    "rockchip-dw-pcie a40000000.pcie: PCI host bridge to bus 0000:00",
    "tegra-pcie 1003000.pcie: probing port 0, using 4 lanes",
    "rk-pcie fe150000.pcie: PCIe Linking... LTSSM is 0x3",
]


@pytest.mark.parametrize(("versions", "source", "message", "kind", "device"), FORMATS)
def test_each_version_is_understood(versions: str, source: str, message: str, kind: str, device: str) -> None:
    event = classify(message)
    assert event is not None, (versions, source)
    assert event.kind == kind
    assert event.device == device


@pytest.mark.parametrize("message", HARMLESS)
def test_what_harms_nobody_is_no_event(message: str) -> None:
    assert classify(message) is None


def test_the_rate_of_a_link_is_kept() -> None:
    event = classify("brcm-pcie 1000110000.pcie: link up, 5.0 GT/s PCIe x1 (!SSC)")
    assert event is not None
    assert dict(event.detail) == {"speed": "5.0 GT/s", "width": "1"}
