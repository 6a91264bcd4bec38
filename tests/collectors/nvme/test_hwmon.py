import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.nvme.hwmon import read_thermometers
from laneproof_collectors.snapshot import TemperatureReading
from laneproof_collectors.unread import Unread
from simulation.fake_machine import FakeMachine, Tree

FUNCTION = "/sys/devices/pci0000:00/0000:00:01.1/0000:01:00.0"
CONTROLLER = f"{FUNCTION}/nvme/nvme0"
# As an emulated drive shows them under Linux 6.1: 323 K read as 49850, the limits 343 K and 373 K.
FILES: Tree = {
    "temp1_input": "49850\n",
    "temp1_label": "Composite\n",
    "temp1_crit": "99850\n",
    "temp1_max": "69850\n",
    "temp1_min": "-273150\n",
    "temp1_alarm": "0\n",
    "temp2_input": "51850\n",
    "temp2_label": "Sensor 1\n",
    "temp2_max": "65261850\n",
}


def machine(fs: FakeFilesystem, **changes: str) -> FakeMachine:
    return FakeMachine(fs, {f"{CONTROLLER}/hwmon3/{name}": text for name, text in (FILES | changes).items()})


def test_the_composite_temperature_is_read_with_its_limits_and_its_alarm(fs: FakeFilesystem) -> None:
    box = machine(fs)
    (reading,) = read_thermometers(box, CONTROLLER, ("hwmon3", "power"), FUNCTION)
    assert reading == TemperatureReading(
        label="Composite", celsius=50.0, maximum_celsius=70.0, critical_celsius=100.0, alarm=False
    )
    assert not [path for path in box.asked if "temp2" in path]  # a sensor each, and a command to the drive


@pytest.mark.parametrize("text", ["80000\n", "79850\n"])  # Linux 5.5 takes 273 off, later kernels 273.15
def test_353_kelvin_are_80_degrees_whatever_the_kernel_takes_off(fs: FakeFilesystem, text: str) -> None:
    (reading,) = read_thermometers(machine(fs, temp1_input=text), CONTROLLER, ("hwmon3",), FUNCTION)
    assert reading.celsius == 80.0


def test_an_alarm_that_the_drive_raises_is_reported(fs: FakeFilesystem) -> None:
    (reading,) = read_thermometers(machine(fs, temp1_alarm="1\n"), CONTROLLER, ("hwmon3",), FUNCTION)
    assert reading.alarm is True


@pytest.mark.parametrize("text", ["-273150\n", "65261850\n"])  # no temperature at all, and the largest number that fits
def test_what_no_drive_survives_is_neither_temperature_nor_limit(fs: FakeFilesystem, text: str) -> None:
    (reading,) = read_thermometers(machine(fs, temp1_input=text, temp1_max=text), CONTROLLER, ("hwmon3",), FUNCTION)
    assert isinstance(reading.celsius, Unread)
    assert isinstance(reading.maximum_celsius, Unread)
    assert reading.critical_celsius == 100.0


def test_thermometers_of_early_kernels_are_found_below_the_pci_function(fs: FakeFilesystem) -> None:
    box = FakeMachine(fs, {f"{FUNCTION}/hwmon/hwmon1/temp1_input": "30850\n"})
    (reading,) = read_thermometers(box, CONTROLLER, ("power",), FUNCTION)
    assert reading == TemperatureReading(label="temp1", celsius=31.0)


def test_drive_without_thermometers_has_none(fs: FakeFilesystem) -> None:
    fs.create_dir(CONTROLLER)
    assert read_thermometers(FakeMachine(fs), CONTROLLER, (), FUNCTION) == ()
    assert read_thermometers(FakeMachine(fs), CONTROLLER, (), None) == ()


@pytest.mark.parametrize("text", ["", "hot\n", "4 2\n"])
def test_reading_that_is_no_number_is_unread(fs: FakeFilesystem, text: str) -> None:
    (reading,) = read_thermometers(machine(fs, temp1_input=text), CONTROLLER, ("hwmon3",), FUNCTION)
    assert isinstance(reading.celsius, Unread)
    assert reading.maximum_celsius == 70.0


def test_thermometer_without_a_composite_temperature_gives_no_readings(fs: FakeFilesystem) -> None:
    box = FakeMachine(fs, {f"{CONTROLLER}/hwmon3/name": "nvme\n"})
    assert read_thermometers(box, CONTROLLER, ("hwmon3",), FUNCTION) == ()
