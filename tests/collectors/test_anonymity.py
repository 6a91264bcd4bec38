"""No secret of a recording is left in its copy, and the copy says the same of the machine otherwise."""

import base64
import json
from typing import Any

from laneproof_collectors.anonymity import SerialHider
from simulation.smbios_tables import memory_device, table

SERIAL = "FP4K-26A-0117"


def frame_of(**keys: Any) -> str:
    return json.dumps({"t": 1} | keys)


def test_a_serial_number_is_replaced_alike_wherever_it_stands() -> None:
    identify, other = bytearray(4096), bytearray(4096)
    identify[4:24] = SERIAL.encode().ljust(20)
    other[4:24] = b"FP4K-26A-0118".ljust(20)  # which no file gives
    lines = [
        frame_of(
            files={
                "/sys/devices/x/nvme/nvme0/serial": f"{SERIAL}       \n",
                "/sys/x/model": "Fathomline Petrel 4000\n",
            },
            links={f"/dev/disk/by-id/nvme-{SERIAL}": "../../nvme0n1"},
            nvme={
                "nvme0": {"identify": base64.b64encode(identify).decode(), "feature:12": 1},
                "nvme1": {"identify": base64.b64encode(other).decode()},
            },
            smartctl={"sda": {"serial_number": "WAVE-0007", "wwn": {"naa": 5, "id": 12345678901}}},
            kmsg=[f"6,1,1,-;usb: SerialNumber: {SERIAL}"],
        ),
        frame_of(files={"/sys/other": f"{SERIAL}\n", "/sys/class/net/e/address": "02:11:22:33:44:55\n"}),
    ]
    copied = [json.loads(line) for line in SerialHider(b"salt").hide(lines)]
    text = json.dumps(copied)
    for secret in (SERIAL, "WAVE-0007", "12345678901", "02:11:22:33:44:55"):
        assert secret not in text
    name = copied[0]["files"]["/sys/devices/x/nvme/nvme0/serial"].strip()
    assert len(name) == len(SERIAL)
    assert base64.b64decode(copied[0]["nvme"]["nvme0"]["identify"])[4:24].decode().strip() == name
    assert b"0118" not in base64.b64decode(copied[0]["nvme"]["nvme1"]["identify"])
    assert f"/dev/disk/by-id/nvme-{name}" in copied[0]["links"]
    assert copied[1]["files"]["/sys/other"] == f"{name}\n"
    assert copied[0]["files"]["/sys/x/model"] == "Fathomline Petrel 4000\n"
    assert copied[0]["nvme"]["nvme0"]["feature:12"] == 1
    assert copied[0]["kmsg"] == [f"6,1,1,-;usb: SerialNumber: {name}"]


def test_two_copies_cannot_be_matched() -> None:
    line = frame_of(files={"/a/serial": SERIAL})
    assert list(SerialHider().hide([line])) != list(SerialHider().hide([line]))


def test_a_line_that_is_no_json_passes() -> None:
    assert list(SerialHider().hide(["not json"])) == ["not json"]


def test_firmware_tables_and_the_switch_at_the_other_end_lose_their_secrets() -> None:
    module = memory_device(size=1024)
    bond = "/sys/devices/virtual/net/bond0/bonding/ad_partner_mac"
    line = frame_of(
        files={"/sys/firmware/dmi/entries/17-0/raw": module.decode("latin-1"), bond: "52:54:00:6b:65:6c\n"},
        binary={"/sys/firmware/dmi/tables/DMI": base64.b64encode(table(module)).decode()},
    )
    (copied,) = [json.loads(text) for text in SerialHider(b"salt").hide([line])]
    assert "SN-0001" not in copied["files"]["/sys/firmware/dmi/entries/17-0/raw"]
    whole = base64.b64decode(copied["binary"]["/sys/firmware/dmi/tables/DMI"])
    assert b"SN-0001" not in whole
    assert b"BM-5600-32" in whole
    assert "6b:65:6c" not in copied["files"][bond]


def test_a_bond_without_a_partner_still_has_none() -> None:
    line = frame_of(files={"/sys/x/bonding/ad_partner_mac": "00:00:00:00:00:00\n"})
    assert list(SerialHider(b"salt").hide([line])) == [line.replace(": ", ":").replace(", ", ",")]


def test_a_secret_is_found_in_lists_and_pages_and_however_long_it_is() -> None:
    long = SERIAL.ljust(40, "7")
    line = frame_of(
        files={"/a/serial": long},
        binary={"/sys/x/vpd_pg80": base64.b64encode(f"\0\x80{long}".encode()).decode()},
        smartctl={"sda": {"devices": [{"serial_number": "WAVE-0008"}]}},
        nvme={"nvme0": {"identify": "no*base64"}},
        kmsg=["6,1,1,-;usb: SerialNumber: WAVE-0008"],
    )
    (copied,) = [json.loads(text) for text in SerialHider(b"salt").hide([line])]
    name = copied["files"]["/a/serial"]
    assert (len(name), name != long) == (40, True)
    assert base64.b64decode(copied["binary"]["/sys/x/vpd_pg80"]) == f"\0\x80{name}".encode()
    assert "WAVE-0008" not in json.dumps(copied)
    assert copied["nvme"] == {"nvme0": {"identify": "no*base64"}}
