"""The notifier's unit: systemd reads it, and grades it as shut in."""

import re
import subprocess
from pathlib import Path

import pytest

UNIT = Path(__file__).resolve().parents[2] / "systemd" / "laneproof-notify.service"


@pytest.mark.services("systemd-analyze")
def test_systemd_reads_the_unit_and_finds_it_shut_in(tmp_path: Path) -> None:
    unit = tmp_path / UNIT.name
    unit.write_text(UNIT.read_text().replace("/usr/bin/laneproof", "/bin/true"))
    read = subprocess.run(["systemd-analyze", "verify", "--man=no", unit], capture_output=True, text=True, check=False)
    assert (read.returncode, read.stderr) == (0, "")
    graded = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--no-pager", unit],
        capture_output=True,
        text=True,
        check=False,
    )
    exposure = re.search(r"exposure level for .*: ([\d.]+)", graded.stdout)
    assert exposure is not None, graded.stdout + graded.stderr
    assert float(exposure[1]) < 2.0
