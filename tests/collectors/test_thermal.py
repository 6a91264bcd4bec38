"""Heat and power of board and processor."""

import errno

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.snapshot import Fan, PowerMeter, TemperatureReading, Thermal
from laneproof_collectors.thermal import HWMON, POWERCAP, PROCESSORS, read_thermal
from laneproof_collectors.unread import Unread
from simulation.fake_machine import FakeMachine, Tree, replay
from support.unread_answers import known


def chip(number: int, name: str, **files: str) -> Tree:
    return {f"{HWMON}/hwmon{number}/{file}": f"{value}\n" for file, value in {"name": name, **files}.items()}


def zone(folder: str, **files: str) -> Tree:
    return {f"{POWERCAP}/{folder}/{file}": f"{value}\n" for file, value in files.items()}


def processor(number: int, package: int, throttled: int) -> Tree:
    return {
        f"{PROCESSORS}/cpu{number}/topology/physical_package_id": f"{package}\n",
        f"{PROCESSORS}/cpu{number}/thermal_throttle/package_throttle_count": f"{throttled}\n",
    }


# --- hwmon ---


def test_temperatures_with_their_limits(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        chip(
            0,
            "coretemp",
            temp1_input="45850",
            temp1_label="Package id 0",
            temp1_max="80000",
            temp1_crit="100000",
            temp2_input="-5000",
            temp10_input="44000",
            uevent="",
        ),
    )
    assert known(read_thermal(machine)).temperatures == (
        (
            "coretemp",
            TemperatureReading(label="Package id 0", celsius=45.85, maximum_celsius=80.0, critical_celsius=100.0),
        ),
        ("coretemp", TemperatureReading(label="temp2", celsius=-5.0)),
        ("coretemp", TemperatureReading(label="temp10", celsius=44.0)),
    )


@pytest.mark.parametrize("reading", ["127000", "-128000", "255000", "120000", "-40000"])
def test_a_connector_without_a_sensor_has_no_temperature(fs: FakeFilesystem, reading: str) -> None:
    """Super I/O chips show the end of their register's range there: common practice, no source."""
    machine = FakeMachine(fs, chip(0, "nct6798", temp4_input=reading, temp4_label="AUXTIN", temp5_input="38000"))
    assert [one.label for _, one in known(read_thermal(machine)).temperatures] == ["temp5"]


def test_a_recording_gives_the_same_readings(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        {
            **chip(0, "nvme", temp1_input="40000"),
            **chip(1, "board", temp1_input="45000", fan1_input="900", power1_input="1000000"),
            **zone("intel-rapl:0", name="package-0", energy_uj="1", max_energy_range_uj="2"),
            **processor(0, 0, 3),
        },
    )
    live, replayed = replay(machine, read_thermal)
    assert replayed == live != Thermal()


def test_fans_with_their_alarms(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        chip(
            0,
            "nct6798",
            fan1_input="1250",
            fan1_min="300",
            fan1_alarm="0",
            fan2_input="0",
            fan2_label="DRIVES",
            fan2_alarm="1",
        ),
    )
    assert known(read_thermal(machine)).fans == (
        Fan(chip="nct6798", label="fan1", rpm=1250, minimum_rpm=300, alarm=False),
        Fan(chip="nct6798", label="DRIVES", rpm=0, minimum_rpm=None, alarm=True),
    )


def test_a_sensor_that_its_chip_calls_bad_is_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, chip(0, "board", temp1_input="127000", temp1_fault="1", fan1_input="0", fan1_fault="1"))
    thermal = known(read_thermal(machine))
    assert isinstance(thermal.temperatures[0][1].celsius, Unread)
    assert isinstance(thermal.fans[0].rpm, Unread)


def test_input_power_of_the_board(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs, {**chip(0, "power_meter", power1_average="64500000"), **chip(1, "psu", power1_input="1", power2_label="x")}
    )
    assert known(read_thermal(machine)).power == (
        PowerMeter(name="power_meter power1", watts=64.5),
        PowerMeter(name="psu power1", watts=1e-6),
    )


def test_a_drives_own_sensors_are_let_alone(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**chip(0, "nvme", temp1_input="40000"), **chip(1, "drivetemp", temp1_input="30000")})
    assert known(read_thermal(machine)).temperatures == ()
    assert not any("temp1_input" in asked for asked in machine.asked)


def test_a_sleeping_device_is_not_woken_by_its_sensor(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        {
            **chip(0, "graphics", temp1_input="40000", **{"device/power/runtime_status": "suspended"}),
            **chip(1, "network", temp1_input="50000", **{"device/power/runtime_status": "active"}),
        },
    )
    assert [name for name, _ in known(read_thermal(machine)).temperatures] == ["network"]
    assert f"{HWMON}/hwmon0/temp1_input" not in machine.asked


def test_a_sensor_that_fails_loses_nothing_else(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs, chip(0, "board", temp1_input="hot", temp2_input="40000", temp3_input="41000", temp3_max="x")
    )
    machine.faults = {f"{HWMON}/hwmon0/temp2_input": errno.EIO}
    first, second, third = (reading for _, reading in known(read_thermal(machine)).temperatures)
    assert isinstance(first.celsius, Unread)
    assert isinstance(second.celsius, Unread)
    assert third.celsius == 41.0
    assert isinstance(third.maximum_celsius, Unread)


def test_a_chip_that_vanishes_meanwhile_is_left_out(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {**chip(0, "a", temp1_input="1000", fan1_input="1", power1_input="1"), **chip(1, "b")})
    machine.faults = {
        **{f"{HWMON}/hwmon0/{file}1_input": errno.ENOENT for file in ("temp", "fan", "power")},
        f"{HWMON}/hwmon1": errno.ENOENT,
    }
    assert known(read_thermal(machine)) == Thermal()


# --- processor packages ---


def test_energy_of_each_package(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        {
            **zone("intel-rapl:0", name="package-0", energy_uj="123456789", max_energy_range_uj="262143328850"),
            **zone("intel-rapl:0:0", name="core", energy_uj="1", max_energy_range_uj="2"),
            **zone("intel-rapl-mmio:0", name="package-0", energy_uj="1", max_energy_range_uj="2"),
            **zone("intel-rapl", enabled="1"),
        },
    )
    assert known(read_thermal(machine)).power == (
        PowerMeter(
            name="package-0",
            watts=None,
            energy_joules=123.456789,
        ),
    )


def test_energy_that_only_root_may_read_is_unread(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, zone("intel-rapl:0", name="package-0", energy_uj="1", max_energy_range_uj="2"))
    machine.faults[f"{POWERCAP}/intel-rapl:0/energy_uj"] = errno.EACCES
    (meter,) = known(read_thermal(machine)).power
    assert isinstance(meter.energy_joules, Unread)


def test_throttling_by_package(fs: FakeFilesystem) -> None:
    machine = FakeMachine(
        fs,
        {
            **processor(0, 0, 3),
            **processor(1, 0, 5),
            **processor(2, 1, 0),
            f"{PROCESSORS}/cpu3/online": "0\n",  # switched off: no topology
            f"{PROCESSORS}/cpufreq/boost": "1\n",
        },
    )
    assert known(read_thermal(machine)).throttle_counts == {"package-0": 5, "package-1": 0}


def test_a_processor_that_does_not_count_costs_one_reading(fs: FakeFilesystem) -> None:
    machine = FakeMachine(fs, {f"{PROCESSORS}/cpu{number}/online": "1\n" for number in range(64)})
    assert known(read_thermal(machine)) == Thermal()
    assert sum(asked.startswith(PROCESSORS) for asked in machine.asked) == 1


def test_a_machine_without_sensors_has_none(fs: FakeFilesystem) -> None:
    assert known(read_thermal(FakeMachine(fs))) == Thermal()
