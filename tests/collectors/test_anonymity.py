"""No secret of a recording is left in its copy, and the copy says the same of the machine otherwise."""

import base64
import json

from laneproof_collectors.anonymity import SerialHider

SERIAL = "FP4K-26A-0117"


def frame_of(**keys: object) -> str:
    return json.dumps({"t": 1} | keys)


def test_a_serial_number_is_replaced_alike_wherever_it_stands() -> None:
    identify = bytearray(4096)
    identify[4:24] = SERIAL.encode().ljust(20)
    lines = [
        frame_of(
            files={
                "/sys/devices/x/nvme/nvme0/serial": f"{SERIAL}       \n",
                "/sys/x/model": "Fathomline Petrel 4000\n",
            },
            links={f"/dev/disk/by-id/nvme-{SERIAL}": "../../nvme0n1"},
            nvme={"nvme0": {"identify": base64.b64encode(identify).decode(), "feature:12": 1}},
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
    assert f"/dev/disk/by-id/nvme-{name}" in copied[0]["links"]
    assert copied[1]["files"]["/sys/other"] == f"{name}\n"
    assert copied[0]["files"]["/sys/x/model"] == "Fathomline Petrel 4000\n"
    assert copied[0]["nvme"]["nvme0"]["feature:12"] == 1


def test_two_copies_cannot_be_matched() -> None:
    line = frame_of(files={"/a/serial": SERIAL})
    assert list(SerialHider().hide([line])) != list(SerialHider().hide([line]))


def test_a_line_that_is_no_json_passes() -> None:
    assert list(SerialHider().hide(["not json"])) == ["not json"]
