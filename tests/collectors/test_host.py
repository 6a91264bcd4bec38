"""What every host has in common."""

import os
from pathlib import Path

import pytest

from laneproof_collectors.host import resolve_link


@pytest.mark.parametrize("target", ["../../b/c", "d", "./../a/d", "/b/c"])
def test_a_links_target_is_resolved_as_the_system_does(tmp_path: Path, target: str) -> None:
    for folder in ("a/d", "b/c"):
        (tmp_path / folder).mkdir(parents=True)
    wanted = f"{tmp_path}{target}" if target.startswith("/") else target
    link = tmp_path / "a/link"
    link.symlink_to(wanted)
    assert resolve_link(str(link), wanted) == os.path.realpath(link)
