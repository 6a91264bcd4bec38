import errno

import pytest
from pyfakefs.fake_filesystem import FakeFilesystem

from laneproof_collectors.nvme_hwmon import read_thermometers
from laneproof_collectors.snapshot import TemperatureReading
from laneproof_collectors.unread import Reason, Unread
from simulation.fake_machine import FakeMachine

FUNCTION = "/sys/devices/pci0000:00/0000:00:01.1/0000:01:00.0"
CONTROLLER = f"{FUNCTION}/nvme/nvme0"
# As an emulated drive shows them under Linux 6.1: 323 K read as 49850, the limits 343 K and 373 K.
FILES: dict[str, str | bytes | None] = {
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


def test_all_sensors_are_read_and_the_limits_of_the_first(fs: FakeFilesystem) -> None:
    box = machine(fs)
    assert read_thermometers(box, CONTROLLER, ("hwmon3", "power"), FUNCTION) == (
        TemperatureReading(label="Composite", celsius=49.85, maximum_celsius=69.85, critical_celsius=99.85),
        TemperatureReading(label="Sensor 1", celsius=51.85),
    )
    assert f"{CONTROLLER}/hwmon3/temp2_max" not in box.asked  # each limit would be a command to the drive


def test_thermometers_of_early_kernels_are_found_below_the_pci_function(fs: FakeFilesystem) -> None:
    box = FakeMachine(fs, {f"{FUNCTION}/hwmon/hwmon1/temp1_input": "30850\n"})
    (reading,) = read_thermometers(box, CONTROLLER, ("power",), FUNCTION)
    assert reading == TemperatureReading(label="temp1", celsius=30.85)


def test_drive_without_thermometers_has_none(fs: FakeFilesystem) -> None:
    fs.create_dir(CONTROLLER)
    assert read_thermometers(FakeMachine(fs), CONTROLLER, (), FUNCTION) == ()
    assert read_thermometers(FakeMachine(fs), CONTROLLER, (), None) == ()


@pytest.mark.parametrize("text", ["", "hot\n", "4 2\n"])
def test_reading_that_is_no_number_is_unread(fs: FakeFilesystem, text: str) -> None:
    first, second = read_thermometers(machine(fs, temp1_input=text), CONTROLLER, ("hwmon3",), FUNCTION)
    assert isinstance(first.celsius, Unread)
    assert first.maximum_celsius == 69.85
    assert second.celsius == 51.85


def test_reading_that_the_drive_refuses_is_unread_with_its_reason(fs: FakeFilesystem) -> None:
    box = machine(fs)
    box.faults[f"{CONTROLLER}/hwmon3/temp1_input"] = errno.ETIMEDOUT
    first, _ = read_thermometers(box, CONTROLLER, ("hwmon3",), FUNCTION)
    assert isinstance(first.celsius, Unread)
    assert first.celsius.reason is Reason.TIMED_OUT


def test_folder_that_cannot_be_listed_gives_no_readings(fs: FakeFilesystem) -> None:
    box = machine(fs)
    box.faults[f"{CONTROLLER}/hwmon3"] = errno.EACCES
    assert read_thermometers(box, CONTROLLER, ("hwmon3",), FUNCTION) == ()
