"""What is sampled of arrays, network, memory, heat and file systems."""

from dataclasses import replace

from boxes.passes import Passes, samples_of
from boxes.snapshot_box import kelp_box, make_array, make_bond, make_interface, make_memory
from laneproof_collectors.snapshot import (
    EdacController,
    Fan,
    MountedFileSystem,
    PowerMeter,
    TemperatureReading,
    Thermal,
)
from laneproof_collectors.unread import Reason, Unread

GAP = Unread("a file", "gone", Reason.GONE)


def _of(passes: Passes) -> dict[tuple[str, str, str], float]:
    return {
        (sample.origin.path, sample.origin.end, sample.measure.name): sample.value
        for sample in samples_of(passes.facts)
    }


def test_an_array_and_its_members() -> None:
    array = make_array(
        "md0",
        ("nvme0n1", "nvme1n1"),
        degraded=1,
        sync_completed=0.3337,
        sync_bytes_per_second=2e8,
        mismatch_sectors=GAP,
    )
    array = replace(array, members=tuple(replace(member, bad_block_sectors=8) for member in array.members))
    array = replace(array, error_statistics={"nvme0n1": {"corruption": 0, "read": 2}})
    found = _of(Passes(kelp_box(0).with_group(arrays=(array,))))
    assert found == {
        ("md0", "", "degraded"): 1, ("md0", "", "sync_completed"): 0.334, ("md0", "", "sync_bytes_per_second"): 2e8,
        ("md0", "nvme0n1", "member_errors"): 0, ("md0", "nvme1n1", "member_errors"): 0,
        ("md0", "nvme0n1", "bad_block_sectors"): 8, ("md0", "nvme1n1", "bad_block_sectors"): 8,
        ("md0", "nvme0n1", "device_errors.corruption"): 0, ("md0", "nvme0n1", "device_errors.read"): 2,
    }  # fmt: skip


def test_interfaces_stand_in_their_cards_position() -> None:
    passes = Passes(kelp_box(1))
    address = passes.functions()[-1].address
    card = make_interface("enp1s0", address=address, carrier_changes=7, receive_errors=3, transmit_errors=4)
    other = make_interface("usb0", speed=None)
    found = _of(passes.set(interfaces=(card, other)))
    counted = {name: value for (path, end, name), value in found.items() if (path, end) == ("0000:00/01.1", "enp1s0")}
    assert counted == {"speed_mbit_s": 10_000, "carrier_changes": 7, "receive_errors": 3, "transmit_errors": 4}
    assert ("usb0", "usb0", "speed_mbit_s") not in found
    assert found["usb0", "usb0", "receive_errors"] == 0


def test_a_bond_counts_its_ports_and_its_members_failures() -> None:
    found = _of(Passes(kelp_box(0).with_group(bonds=(make_bond("bond0", ("eno1", "eno2")),))))
    assert found["bond0", "", "aggregated_ports"] == 2
    assert found["bond0", "eno2", "link_failures"] == 0


def test_memory_errors_by_controller() -> None:
    memory = replace(make_memory(), edac=(EdacController(name="mc0", correctable=3, uncorrectable=GAP),))
    found = _of(Passes(kelp_box(0).with_group(memory=memory)))
    assert found["memory", "mc0", "memory_correctable_errors"] == 3
    assert ("memory", "mc0", "memory_uncorrectable_errors") not in found


def test_sensors_that_share_a_name_are_kept_apart_by_their_order() -> None:
    reading = TemperatureReading(label="temp1", celsius=41.25)
    thermal = Thermal(
        temperatures=(("board", reading), ("board", replace(reading, celsius=52.0))),
        fans=(Fan(chip="board", label="fan1", rpm=900, minimum_rpm=None, alarm=None),),
        power=(PowerMeter(name="package 0", watts=None, energy_joules=1.0), PowerMeter(name="input", watts=61.27)),
        throttle_counts={"package 0": 2},
    )
    found = _of(Passes(kelp_box(0).with_group(thermal=thermal)))
    assert found["board", "temp1", "celsius"] == 41.2
    assert found["board", "temp1 #2", "celsius"] == 52
    assert found["board", "fan1", "fan_rpm"] == 900
    assert found["power", "input", "watts"] == 61.3
    assert found["processor", "package 0", "throttle_count"] == 2
    assert not [key for key in found if "energy" in key[2]]


def test_room_left_on_a_file_system() -> None:
    mounted = MountedFileSystem(
        mount="/srv/archive", device="/dev/md0", kind="ext4", size_bytes=8 * 10**12, available_bytes=10**12,
        read_only=False, declared_read_only=False,
    )  # fmt: skip
    found = _of(Passes(kelp_box(0).with_group(file_systems=(mounted,))))
    assert found == {("/srv/archive", "", "available_bytes"): 10**12}
