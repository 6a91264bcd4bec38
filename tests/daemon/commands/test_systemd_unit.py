"""What systemctl says of a failure reaches the owner. The rest is tried in test_setup and in the emulated machine."""

import os
from pathlib import Path

import pytest

from laneproof.commands import systemd_unit
from laneproof.commands.errors import CommandError


@pytest.mark.parametrize(
    ("script", "says"),
    [
        (None, "systemctl is not there"),
        ("echo first >&2; echo 'Access denied.' >&2; exit 4", "systemctl daemon-reload: Access denied"),
        ("exit 1", "no reason given"),
        ("exec sleep 60", "did not end within 0.2 s"),
    ],
)
def test_each_failure_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str | None, says: str
) -> None:
    if script:
        program = tmp_path / "systemctl"
        program.write_text(f"#!/bin/sh\n{script}\n")
        program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.defpath}" if script else str(tmp_path))
    monkeypatch.setattr(systemd_unit, "_SECONDS", 0.2)
    with pytest.raises(CommandError, match=says) as caught:
        systemd_unit.start(changed=False)
    assert caught.value.status == os.EX_UNAVAILABLE
