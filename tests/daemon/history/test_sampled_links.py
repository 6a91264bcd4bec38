"""What is sampled of links: each end by itself, errors by bit."""

from dataclasses import replace

import pytest

from boxes.passes import Passes, samples_of
from laneproof.history.origins import Origin
from laneproof_collectors.snapshot import AerCounters
from laneproof_collectors.unread import Reason, Unread

PATH = "0000:00/01.1"
DRIVE = "0000:00/01.1/00.0"
PORT_END, DEVICE_END = Origin(PATH, "FN0001", "port"), Origin(PATH, "FN0001", "device")


def _of(passes: Passes, origin: Origin) -> dict[str, float]:
    return {sample.measure.name: sample.value for sample in samples_of(passes.facts) if sample.origin == origin}


def test_both_ends_report_for_themselves_and_carry_the_drive(passes: Passes) -> None:
    assert _of(passes, PORT_END) == {"trained_gt_s": 16, "trained_lanes": 4, "target_gt_s": 16, "aspm_enabled": 0}
    assert _of(passes, DEVICE_END) == _of(passes, PORT_END) | {"answers": 1, "asleep": 0}


def test_errors_are_counted_by_class_and_by_the_bits_that_are_not_0() -> None:
    passes = Passes().errors(PATH, BadTLP=3, RxErr=4)
    found = _of(passes, PORT_END)
    assert found["correctable_errors"] == 7
    assert found["correctable_errors.BadTLP"] == 3
    assert found["correctable_errors.RxErr"] == 4
    assert "correctable_errors.BadDLLP" not in found
    assert found["nonfatal_errors"] == found["fatal_errors"] == 0


def test_a_class_that_was_not_read_is_not_0() -> None:
    gap = Unread("aer_dev_fatal", "gone", Reason.GONE)
    passes = Passes().function(DRIVE, aer=AerCounters(correctable={"RxErr": 0}, nonfatal={"TLP": 0}, fatal=gap))
    found = _of(passes, DEVICE_END)
    assert found["correctable_errors"] == found["nonfatal_errors"] == 0
    assert "fatal_errors" not in found


def test_no_counters_give_no_samples() -> None:
    assert not [name for name in _of(Passes(), DEVICE_END) if "errors" in name]


def test_what_was_reported_to_a_root_port_is_of_no_one_drive() -> None:
    counters = AerCounters(correctable={}, nonfatal={}, fatal={}, root_correctable=12, root_nonfatal=0, root_fatal=None)
    passes = Passes().function(PATH, aer=counters)
    assert _of(passes, Origin(PATH, "", "messages")) == {"root_correctable_messages": 12, "root_nonfatal_messages": 0}


def test_a_function_that_answers_with_all_ones_trained_nothing() -> None:
    found = _of(Passes().function(DRIVE, answers=False), DEVICE_END)
    assert found == {"answers": 0}


@pytest.mark.parametrize(("lanes", "trained"), [(2, (16, 2)), (63, (None, None))])  # all ones are no width
def test_sysfs_stands_in_where_registers_were_not_read(
    passes: Passes, lanes: int, trained: tuple[int | None, ...]
) -> None:
    denied = Unread("config", "denied", Reason.DENIED)
    (drive,) = [function for function in passes.functions() if function.own_path == DRIVE]
    passes.function(DRIVE, express=denied, link=replace(drive.link, trained_lanes=lanes))
    found = _of(passes, DEVICE_END)
    assert (found.get("trained_gt_s"), found.get("trained_lanes")) == trained
    assert "target_gt_s" not in found


def test_an_empty_port_is_sampled_without_a_drive() -> None:
    passes = Passes().without_drive(0)
    assert "trained_lanes" in _of(passes, Origin(PATH, "", "port"))
    assert _of(passes, PORT_END) == {}
