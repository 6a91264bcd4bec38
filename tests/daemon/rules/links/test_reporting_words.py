"""Who counts the errors of links."""

import pytest

from laneproof.past.error_reporting import Reporting
from laneproof.rules.links.reporting_words import STATE_WORDS, find_owner
from laneproof_collectors.snapshot import Setting
from laneproof_collectors.unread import Unread
from snapshot_box import Box

OFF = Setting(value="off", origin="command-line")
UNREAD = Unread("error reporting", "denied")


def test_every_state_has_its_words() -> None:
    assert set(STATE_WORDS) == set(Reporting)


@pytest.mark.parametrize(("setting", "owner"), [(OFF, OFF), (UNREAD, None), (None, None)])
def test_an_owner_that_could_not_be_read_is_none(setting: Setting | Unread | None, owner: Setting | None) -> None:
    assert find_owner(Box().with_power(aer_owner=setting).snapshot()) == owner


def test_power_settings_that_could_not_be_read_tell_no_owner() -> None:
    assert find_owner(Box().with_group(power=UNREAD).snapshot()) is None
