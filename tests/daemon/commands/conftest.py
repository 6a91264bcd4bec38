"""What the tests of several commands begin with."""

from pathlib import Path

import pytest

from boxes.recorded_box import BUILD


@pytest.fixture
def build(tmp_path: Path) -> Path:
    """Write the declaration of the box that is recorded."""
    file = tmp_path / "build.toml"
    file.write_text(BUILD)
    return file
