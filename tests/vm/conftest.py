"""The machines that several files of tests look at: each booted once a test run, its whole story played in one go."""

import os
import tomllib
from typing import Any

import pytest

from vm.boot import GUEST, Boot
from vm.boxes import DISTURBED, EMPTIED, PULLED_PORT, PULLED_SLOT, REFILLED, SPLIT_PORT, SPLIT_SLOT, WARNED
from vm.guest.removals import BY_BUTTON, REMOVALS
from vm.lspci import Listed, parse_lspci
from vm.start import start_systemd


@pytest.fixture(scope="session")
def boot(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    """Run the whole story; the tests look at what was said."""
    folder = tmp_path_factory.mktemp("split-slot")
    with Boot(SPLIT_SLOT, (GUEST / "split_slot.py", str(len(SPLIT_SLOT.drives)), SPLIT_PORT), folder) as boot:
        boot.wait("set-warning")
        boot.set_critical_warning("hydro-1", 0b100)
        boot.answer(serial="TIDE-0001")
        boot.wait("remove")
        boot.remove_drive("hydro-2")
        boot.answer(serial="TIDE-0002")
        boot.wait("insert")
        boot.insert_drive("hydro-2", port="riser-3")
        boot.answer()
        boot.finish()
    return boot


@pytest.fixture(scope="session")
def look(boot: Boot) -> dict[str, Any]:
    return boot.facts("look")


@pytest.fixture(scope="session")
def listed(look: dict[str, Any]) -> dict[str, Listed]:
    return parse_lspci(look["lspci"])


@pytest.fixture(scope="session")
def facts(boot: Boot) -> dict[str, Any]:
    return boot.facts("facts")


# --- the service ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def service(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    """Run laneproof as a unit of a real systemd, and change the hardware under it."""
    folder = tmp_path_factory.mktemp("service")
    with Boot(SPLIT_SLOT, (GUEST / "service.py", SPLIT_PORT), folder, start=start_systemd, seconds=600) as boot:
        boot.wait("begin-signs")
        labels = read_labels(boot.steps["draft"]["build"])
        boot.answer(position=labels[DISTURBED], worn=labels[WARNED], worn_serial="TIDE-0003")
        boot.wait("begin-warning")
        boot.set_critical_warning("hydro-3", 0b100)
        boot.answer(position=labels[WARNED])
        for name in REMOVALS:
            _remove_and_insert(boot, name, labels[EMPTIED])
        boot.wait("begin-removal")
        boot.answer(serial="TIDE-0002", position=labels[EMPTIED])
        boot.remove_drive("hydro-2")
        boot.wait("begin-second-removal")
        boot.answer(serial="TIDE-0004", position=labels[REFILLED])
        boot.remove_drive("hydro-4")
        boot.wait("begin-move")
        boot.steps["host"] = {"waiting": _waiting()}
        boot.answer(serial="TIDE-0002", **{"from": labels[EMPTIED], "to": labels[REFILLED]})
        boot.insert_drive("hydro-2", port="card-2")
        boot.finish()
    return boot


def _remove_and_insert(boot: Boot, name: str, position: str) -> None:
    boot.wait(f"begin-{name}")
    boot.answer(serial="TIDE-0002", position=position, port=PULLED_PORT, slot=PULLED_SLOT)
    if name == BY_BUTTON:
        boot.control("device_del", id="hydro-2")
    boot.wait(f"insert-{name}")
    boot.steps[name]["waiting"] = _waiting()
    boot.wait_event("DEVICE_DELETED", device="hydro-2")
    boot.insert_drive("hydro-2")
    boot.answer()


def _waiting() -> float:
    """Say how many times more waits for this machine's processors than they can serve: the emulated one has a share."""
    return max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))


def read_labels(build: str) -> dict[str, str]:
    """Give the labels of a declaration by path."""
    return {position["path"]: position["label"] for position in tomllib.loads(build)["position"]}


@pytest.fixture(scope="session")
def labels(service: Boot) -> dict[str, str]:
    return read_labels(service.facts("draft")["build"])
