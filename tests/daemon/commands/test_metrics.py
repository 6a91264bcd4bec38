"""The metrics once, printed or in a file that is written as a whole."""

import subprocess
from importlib import resources
from pathlib import Path

from prometheus_client.parser import text_string_to_metric_families

from contracts.hand_made import inside


def names(text: str) -> set[str]:
    return {family.name for family in text_string_to_metric_families(text)}


def test_they_are_what_the_service_answers_of_the_box() -> None:
    ended = inside("metrics", "--demo")
    assert ended.status == 0
    found = names(ended.out)
    assert {"laneproof_finding", "laneproof_declaration_in_force", "laneproof_link_trained_lanes"} <= found
    assert "laneproof_finding_changes" not in found  # that counts since a service began


def test_the_checksum_of_the_declaration_is_the_one_that_sha256sum_prints() -> None:
    out = inside("metrics", "--demo").out
    with resources.as_file(resources.files("laneproof.demo") / "kelp-1.toml") as file:
        printed = subprocess.run(["sha256sum", file], capture_output=True, encoding="ascii", check=True).stdout
    assert f'laneproof_declaration_info{{checksum="{printed.split()[0]}"}} 1.0' in out


def test_a_file_is_replaced_as_a_whole_and_nothing_is_written_through_a_link(tmp_path: Path) -> None:
    file, other = tmp_path / "laneproof.prom", tmp_path / "other"
    other.write_text("mine")
    file.symlink_to(other)
    assert inside("metrics", "--demo", "-o", file).status == 0
    assert other.read_text() == "mine"
    assert "laneproof_finding" in names(file.read_text())
    assert sorted(file.name for file in tmp_path.iterdir()) == ["laneproof.prom", "other"]
