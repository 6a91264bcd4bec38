"""Seven drives of eight stop answering on a real kernel, which waits a minute for them: what that costs the watch."""

import json
from collections.abc import Callable
from typing import Any

import pytest

from vm.boot import GUEST, Boot
from vm.boxes import EIGHT_DRIVES

pytestmark = pytest.mark.vm

SERIALS = [drive.serial for drive in EIGHT_DRIVES.drives]
HUNG = [f"riser-{number}" for number in range(1, len(SERIALS))]


@pytest.fixture(scope="module")
def boot(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    folder = tmp_path_factory.mktemp("hung-drives")
    with Boot(EIGHT_DRIVES, (GUEST / "hung_drives.py", json.dumps(SERIALS)), folder, seconds=900) as boot:
        boot.finish()
    return boot


def serials_read(facts: dict[str, Any]) -> list[str]:
    return sorted(serial for serial in SERIALS if any(serial in labels for labels in facts["temperatures"]))


def stuck(facts: dict[str, Any]) -> list[str]:
    return sorted(finding["position"] for finding in facts["findings"] if finding["rule"] == "reading-stuck")


def test_before_all_drives_answer(boot: Boot) -> None:
    facts = boot.facts("whole")
    assert facts["ready"]
    assert (serials_read(facts), stuck(facts)) == (SERIALS, [])


@pytest.mark.parametrize("step", ["hung", "still-hung"])
def test_each_drive_that_hangs_costs_its_own_answers_and_the_eighth_is_read_on(boot: Boot, step: str) -> None:
    facts = boot.facts(step)
    assert (serials_read(facts), stuck(facts)) == (SERIALS[-1:], HUNG)
    unread = [finding for finding in facts["findings"] if finding["rule"] == "critical-warning"]
    assert sorted(finding["position"] for finding in unread if finding["kind"] == "unverified") == HUNG
    for finding in unread:
        assert any(words in finding["summary"] for words in ("no answer within 5 s", "still waiting for log 02h"))
    # the kernel's own files about them are read all the same: nothing says that they are gone, or that a link is lost
    assert not [finding for finding in facts["findings"] if finding["rule"] in ("position-empty", "drops-off-bus")]


def found_by(audit: dict[str, Any]) -> set[tuple[str, str, str]]:
    findings = json.loads(audit["out"])["findings"]
    return {(finding["rule"], finding["position"], finding["summary"]) for finding in findings}


@pytest.mark.parametrize("who", ["root", "reader"])
def test_an_audit_meanwhile_ends_and_says_what_it_could_not_read_and_what_it_found(
    boot: Boot, who: str, record_property: Callable[[str, object], None]
) -> None:
    before, answer = boot.facts("audits")["before"], boot.facts("audits")[who]
    shown = f"{answer['seconds']:.1f} s, ended after {answer['ended']:.1f} s; before {before['seconds']:.1f} s"
    record_property(f"an audit while seven drives hang, {who}", shown)
    print(f"{who}: {shown}")  # noqa: T201 (the record of the run)
    assert answer["err"] == ""
    new = found_by(answer) - found_by(before)
    rules = "critical-warning", "reading-stuck"
    assert sorted((rule, position) for rule, position, _ in new) == [(rule, label) for rule in rules for label in HUNG]
    for *_, summary in new:
        assert any(why in summary for why in ("no answer within 5 s", "still waiting for"))
    assert SERIALS[-1] in json.dumps(json.loads(answer["out"])["inventory"])


def test_readings_go_on_meanwhile_and_no_threads_or_processes_gather(boot: Boot) -> None:
    before, hung, still = boot.facts("whole"), boot.facts("hung"), boot.facts("still-hung")
    assert still["passes"].keys() == before["passes"].keys()
    for reading in ("functions", "controllers"):
        key = next(key for key in still["passes"] if f'"{reading}"' in key)
        assert still["passes"][key] > hung["passes"][key]
    assert still["most_threads"] <= before["threads"] + 3 * len(HUNG)  # some wait, and as many read in their place
    assert still["most_children"] == 0


def test_what_the_kernel_gave_up_and_reset_is_read_again(boot: Boot) -> None:
    facts = boot.facts("back")
    assert facts["came"], facts["log"]
    assert (serials_read(facts), stuck(facts)) == (SERIALS, [])
    assert facts["threads"] <= boot.facts("whole")["threads"] + len(HUNG)
    assert any("will reset" in line for line in facts["log"])
    assert boot.facts("stopped")["status"] == 0
