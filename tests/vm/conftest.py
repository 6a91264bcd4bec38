"""The machine that most tests here look at: booted once a test run, its whole story told in one go."""

from typing import Any

import pytest

from vm.boot import GUEST, Boot
from vm.boxes import SPLIT_PORT, SPLIT_SLOT
from vm.lspci import Listed, parse_lspci


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
