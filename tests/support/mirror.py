"""Where the tests of each module stand: the tests' tree mirrors both packages."""

from pathlib import Path

MIRRORS = {"collectors/laneproof_collectors": "tests/collectors", "daemon/laneproof": "tests/daemon"}

# Tables of one kind, tried by one test: the module's tests stand in the named file beside it.
IN_A_SISTER_FILE = {
    f"collectors/laneproof_collectors/kernel_log/{table}.py": "test_classification.py"
    for table in ("aer", "arrays_and_bonds", "block_layer", "host_bridges", "nvme", "pcie", "scsi")
}


def files_of_tests(checkout: Path) -> dict[str, Path]:
    """Give each module of a checkout, by its path in it, and the file where its tests belong."""
    found = {}
    for package, tests in MIRRORS.items():
        for module in sorted((checkout / package).rglob("*.py")):
            if module.name != "__init__.py":
                name, inside = module.relative_to(checkout).as_posix(), module.relative_to(checkout / package)
                file = IN_A_SISTER_FILE.get(name, f"test_{inside.name}")
                found[name] = checkout / tests / inside.parent / file
    return found
