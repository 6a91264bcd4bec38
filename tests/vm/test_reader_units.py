"""The service and its reader under a real systemd: what each may do, and what the other loses when one starts again."""

import json
from typing import Any

import pytest

from vm.boot import GUEST, Boot
from vm.boxes import NEW_BOX
from vm.guest.reader_units import JUDGE, READER
from vm.start import start_systemd

pytestmark = [pytest.mark.vm, pytest.mark.services("systemctl")]

Facts = dict[str, Any]

# With the right to ask a drive for its logs the kernel grants every admin command: nothing but the reader's own code
# stands before that (Linux drivers/nvme/host/ioctl.c, nvme_cmd_allowed: CAP_SYS_ADMIN is allowed everything).
GRANTED_BY_THE_KERNEL = {JUDGE: set(), READER: {"send another admin command"}}


@pytest.fixture(scope="module")
def box(tmp_path_factory: pytest.TempPathFactory) -> Boot:
    folder = tmp_path_factory.mktemp("reader-units")
    with Boot(NEW_BOX, (GUEST / "reader_units.py",), folder, start=start_systemd, seconds=900) as boot:
        boot.finish()
    return boot


def _findings(answer: Facts) -> list[tuple[str, str | None, str]]:
    found = json.loads(answer["text"] if "text" in answer else answer["out"])["findings"]
    return [(finding["rule"], finding["position"], finding["summary"]) for finding in found]


def test_the_history_of_a_service_that_ran_as_root_is_taken_over(box: Boot) -> None:
    before, after = box.facts("before"), box.facts("taken-over")
    assert before["ready"]
    assert before["owner"] == 0
    assert after["ready"], box.facts("journal")["text"]
    assert after["owner"] == after["users"][JUDGE]
    assert after["lies"] == "/var/lib/private/laneproof"
    assert sum(before["kept"].values()) > 0
    assert [name for name, count in before["kept"].items() if after["kept"][name] < count] == []


def test_neither_is_root_and_the_judge_has_no_right_at_all(box: Boot) -> None:
    facts = box.facts("taken-over")
    assert 0 not in facts["users"].values()
    assert len(set(facts["users"].values())) == 2
    assert int(facts["capabilities"][JUDGE], 16) == 0
    # capabilities(7): DAC_READ_SEARCH 2, SYS_RAWIO 17, SYS_ADMIN 21, SYSLOG 34
    assert int(facts["capabilities"][READER], 16) == 1 << 2 | 1 << 17 | 1 << 21 | 1 << 34


def test_what_the_service_finds_through_the_reader_is_what_root_finds(box: Boot) -> None:
    served, root = box.facts("taken-over")["audit"], box.facts("audits")["root"]
    assert _findings(served) == _findings(root)


def test_a_user_of_the_group_audits_as_root_does_and_another_does_not(box: Boot) -> None:
    root, member, stranger = (json.loads(box.facts("audits")[who]["out"]) for who in ("root", "member", "stranger"))
    for key in ("verdict", "counts", "findings", "inventory"):
        assert member[key] == root[key]
    assert stranger["inventory"] != root["inventory"]


def test_a_note_of_root_s_reaches_the_service(box: Boot) -> None:
    facts = box.facts("note")
    assert facts["note"]["status"] == 0, facts["note"]
    assert facts["taken"]


def test_each_starts_again_without_the_other_losing_anything(box: Boot) -> None:
    before, facts = box.facts("taken-over"), box.facts("again")
    assert facts["reader"]["MainPID"] != before["reader"]["MainPID"]
    assert (facts["judge"]["MainPID"], facts["judge"]["NRestarts"]) == (before["judge"]["MainPID"], "0")
    assert _findings(facts["audit"]) == _findings(before["audit"])
    assert (facts["restart"], facts["asked_meanwhile"]) == (0, 200)
    assert facts["after"][READER]["MainPID"] == facts["reader"]["MainPID"]
    assert _findings(facts["after_audit"]) == _findings(before["audit"])


def test_a_stop_closes_the_port(box: Boot) -> None:
    assert box.facts("attacks")["port"] == "inactive"


@pytest.mark.parametrize("unit", [JUDGE, READER])
def test_an_attacker_in_a_unit_gets_nowhere(box: Boot, unit: str) -> None:
    attempts = box.facts("attacks")[unit]
    assert attempts, box.facts("attacks")["journal"]
    done = {name for name, became in attempts.items() if became == "done"}
    assert done - GRANTED_BY_THE_KERNEL[unit] == set(), attempts


def test_the_same_attempts_work_for_root_outside_of_them(box: Boot) -> None:
    attempts = box.facts("attacks")["None"]
    done = {name for name, became in attempts.items() if became == "done"}
    assert {"write a block", "send another admin command", "read /etc/shadow", "open another port"} <= done, attempts


def test_nothing_was_ever_a_traceback(box: Boot) -> None:
    assert "Traceback" not in box.facts("journal")["text"]
