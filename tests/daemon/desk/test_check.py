import json
import re
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boxes.snapshot_box import declare
from laneproof.desk.check import DeskCheck, check_budget


def _position(label: str, path: str, rest: str = "") -> str:
    return f'[[position]]\nlabel = "{label}"\npath = "{path}"\n{rest}\n'


KELP = resources.files("laneproof.demo").joinpath("kelp-1.toml").read_text("utf-8")


def _check(text: str) -> DeskCheck:
    return check_budget(declare(text))


def test_json_is_written_in_whole_bytes_and_watts() -> None:
    made = _check(_position("a", "0000:00/01.1", 'link = { generation = 4, lanes = 4 }\nkey = "E"')).as_json()
    assert list(made) == [
        "schema", "box", "fits", "positions", "shared", "arrays", "network", "throughput", "bottleneck", "power",
        "problems", "conditions", "remarks", "assumptions",
    ]  # fmt: skip
    assert made["bottleneck"] == {
        "part": "a", "kind": "position", "bytes_per_second": 1_800_439_560, "says": "a gives at most 1.8 GB/s",
    }  # fmt: skip
    says = "a is to train x4, but key E gives one device x1: its two lanes are two links of one lane"
    assert made["problems"] == [{"what": "key-too-narrow", "subject": "a", "says": says}]
    assert made["power"]["items"][-1] == {"name": "board", "watts": 20.0, "declared": False}
    assert (made["power"]["heat_btu_per_hour"], made["power"]["air_m3_per_hour"]) == (290, 25.4)


def test_kelp_fits_and_its_network_is_its_narrowest_part() -> None:
    checked = _check(KELP)
    assert checked.problems == ()
    assert checked.fits
    assert checked.bottleneck is not None
    assert checked.bottleneck.part == "bond0"


def test_json_has_the_figures_of_the_check() -> None:
    made = _check(KELP).as_json()
    assert json.loads(json.dumps(made)) == made
    by_label = {position["label"]: position for position in made["positions"]}
    # Common practice: generation 4 x4 is about 8 GB/s, generation 3 x1 about 1 GB/s
    assert by_label["riser-1"]["link_bytes_per_second"] == pytest.approx(8e9, rel=0.02)
    assert by_label["wireless"]["link_bytes_per_second"] == pytest.approx(1e9, rel=0.02)
    assert by_label["wireless"]["payload_bytes_per_second"] < by_label["wireless"]["link_bytes_per_second"]
    (array,) = made["arrays"]
    assert (array["name"], array["usable_bytes"], array["tolerated_failures"]) == ("md0", 12 * 10**12, 1)
    (bond,) = made["network"]
    assert (bond["together_bits_per_second"], bond["one_flow_bits_per_second"]) == (20 * 10**9, 10 * 10**9)
    assert made["problems"] == []
    used = {assumption["key"] for assumption in made["assumptions"]}
    assert used >= {"max_payload_bytes", "rebuild_rate", "nvme_watts"}


def test_drives_on_a_switch_card_share_its_link() -> None:
    made = _check(KELP).as_json()
    by_label = {position["label"]: position for position in made["positions"]}
    together = by_label["deck-1"]["all_busy_bytes_per_second"] + by_label["deck-2"]["all_busy_bytes_per_second"]
    assert together == pytest.approx(made["shared"][0]["payload_bytes_per_second"], abs=2)


def test_assumption_that_the_owner_overrides_is_reported_as_declared() -> None:
    made = _check(KELP + "[assume]\nnvme_watts = 7\n").as_json()
    (reported,) = [assumption for assumption in made["assumptions"] if assumption["key"] == "nvme_watts"]
    assert (reported["value"], reported["declared"]) == (7.0, True)


def test_declaration_with_several_faults_is_given_all_of_them() -> None:
    text = KELP.replace("lanes = 16", "lanes = 8").replace("watts = 240", "watts = 100")
    checked = _check(text.replace("link = { generation = 3, lanes = 1 }", 'link.lanes = 2\nkey = "E"'))
    assert not checked.fits
    found = {problem.what for problem in checked.problems}
    assert found == {"slot-lanes-exceeded", "key-too-narrow", "supply-too-small"}


@pytest.mark.parametrize(
    ("word", "warned"), [("pcie_aspm=off", True), ("pcie-aspm=off", True), ("pcie_aspm.policy=performance", False)]
)
def test_word_that_gives_up_error_reporting_is_remarked_on(word: str, warned: bool) -> None:
    # kernel drivers/acpi/pci_root.c, os_control_query_checks; drivers/pci/pcie/aspm.c, pcie_aspm_disable
    remarks = _check(f'[kernel]\ncommand_line = ["{word}"]\n').remarks
    assert any("pcie_aspm.policy=performance switches them off and keeps both" in text for text in remarks) is warned


def test_a_position_alone_can_be_checked() -> None:
    checked = _check(_position("a", "0000:00/01.1"))
    assert checked.fits
    assert checked.bottleneck is None
    assert checked.as_json()["positions"][0]["link_bytes_per_second"] is None


_LABELS = ("a", "b", "c", "d")
_TEXTS = st.builds(
    lambda split, bifurcation, level, members, positions, supply: (
        f'[slot.s]\npath = "0000:00"\nlanes = 16\nsplit = {split}\nbifurcation = {str(bifurcation).lower()}\n'
        f"[supply]\nwatts = {supply}\n"
        f'[[array]]\nname = "md0"\nlevel = "{level}"\nmembers = {sorted(members)!r}\n' + "".join(positions)
    ),
    st.sampled_from([[], [4, 4, 4, 4], [8, 8], [8, 8, 8]]),
    st.booleans(),
    st.sampled_from(["raid0", "raid1", "raid5", "raid6", "raid10", "linear"]),
    st.sets(st.sampled_from(_LABELS)),
    st.tuples(
        *(
            st.builds(
                lambda through, key, lanes, kind, label=label, at=at: _position(
                    label,
                    f"0000:00/0{at}.0",
                    f'slot = "s"\nthrough = ["{through}"]\nkey = "{key}"\n'
                    f"link = {{ generation = 4, lanes = {lanes} }}\n"
                    f'occupant = {{ kind = "{kind}", capacity = "{at} TB" }}',
                ),
                st.sampled_from(["board", "passive-split", "switch-card", "key-adapter", "flexible-cable"]),
                st.sampled_from(["M", "B", "B+M", "E", "A"]),
                st.sampled_from([1, 2, 4, 8]),
                st.sampled_from(["nvme", "sata", "network", "other", "none"]),
            )
            for at, label in enumerate(_LABELS, start=1)
        )
    ),
    st.integers(1, 500),
)


@given(_TEXTS)
def test_any_declaration_gives_figures_that_hold_together(text: str) -> None:
    made = _check(text).as_json()
    json.dumps(made, allow_nan=False)
    assert made["fits"] is (not made["problems"])
    for position in made["positions"]:
        link, payload, busy = (position[f"{key}_bytes_per_second"] for key in ("link", "payload", "all_busy"))
        assert link is None or (payload < link and busy <= payload + 1)
    for array in made["arrays"]:
        assert array["usable_bytes"] is None or array["usable_bytes"] <= array["raw_bytes"]
        chances = (
            [array["rebuild"][key] for key in array["rebuild"] if key.endswith("probability")]
            if array["rebuild"]
            else []
        )
        assert all(0 <= chance <= 1 for chance in chances)
    assert made["power"]["total_watts"] > 0
    assert all(assumption["source"] for assumption in made["assumptions"])


REPOSITORY = Path(__file__).resolve().parents[3]


def test_every_problem_is_explained_in_the_docs() -> None:
    text = (REPOSITORY / "docs" / "desk-check.md").read_text(encoding="utf-8")
    sources = [file.read_text(encoding="utf-8") for file in (REPOSITORY / "daemon" / "laneproof" / "desk").glob("*.py")]
    reported = {name for source in sources for name in re.findall(r'notes\.problem\(\s*"([a-z-]+)"', source)}
    assert len(reported) > 15
    assert {name for name in reported if f"| `{name}` |" not in text} == set()
    assert set(re.findall(r"^\| `([a-z]+-[a-z-]+)` \|", text, re.MULTILINE)) == reported
