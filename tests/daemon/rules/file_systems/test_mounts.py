"""Mount points as they are compared."""

import pytest

from boxes.snapshot_box import declare
from laneproof.rules.file_systems.mounts import declared_file_systems, tidy


@pytest.mark.parametrize(("mount", "spelt"), [("/", "/"), ("/srv/archive/", "/srv/archive"), ("/srv", "/srv")])
def test_mount_point_is_spelt_without_a_slash_at_its_end(mount: str, spelt: str) -> None:
    assert tidy(mount) == spelt


def test_declared_mount_points_are_found_as_they_are_spelt() -> None:
    build = declare('file_system = [{ mount = "/srv/archive/", full_above = 0.8 }]')
    assert {mount: plan.full_above for mount, plan in declared_file_systems(build).items()} == {"/srv/archive": 0.8}
    assert declared_file_systems(None) == {}
