"""The units: systemd reads them, and grades them as shut in."""

import re
import subprocess
from pathlib import Path

import pytest

UNITS = Path(__file__).resolve().parents[2] / "systemd"
MOST = {"laneproof.service": 1.0, "laneproof-reader.service": 1.8, "laneproof-notify.service": 2.0}
"""How exposed each may be, of 10. Source of the scale: systemd-analyze(1), security."""


@pytest.mark.services("systemd-analyze")
@pytest.mark.parametrize("unit", sorted(file.name for file in UNITS.iterdir()))
def test_systemd_reads_each_unit_and_finds_it_shut_in(unit: str, tmp_path: Path) -> None:
    for file in UNITS.iterdir():
        text = re.sub(r"^(ExecStart=)\S+", r"\1/bin/true", file.read_text(), flags=re.MULTILINE)
        (tmp_path / file.name).write_text(text)
    read = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", tmp_path / unit], capture_output=True, text=True, check=False
    )
    assert (read.returncode, read.stderr) == (0, "")
    if unit.endswith(".socket"):
        return
    graded = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--no-pager", tmp_path / unit],
        capture_output=True,
        text=True,
        check=False,
    )
    exposure = re.search(r"exposure level for .*: ([\d.]+)", graded.stdout)
    assert exposure is not None, graded.stdout + graded.stderr
    assert float(exposure[1]) <= MOST[unit]
