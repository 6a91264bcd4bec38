"""The notifier's settings: one key is needed, and quiet hours are local ones."""

import re
import textwrap
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from laneproof.declaration.settings_text import SettingsError
from laneproof.notification.delivery import find_wrong_addresses
from laneproof.notification.settings import NotifySettings, parse_notify_settings

URLS = 'urls = ["json://127.0.0.1/"]\n'


def test_the_addresses_alone_are_enough() -> None:
    settings = parse_notify_settings(URLS, name="notify.toml")
    assert (settings.daemon, settings.state) == ("http://127.0.0.1:7766", "/var/lib/laneproof-notify")
    assert not settings.is_quiet(0.0)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "notify.toml: urls is missing"),
        ("urls = []", "line 1: urls is wrong: list should have at least 1 item"),
        (URLS + 'quiet = "22-7"', "line 2: quiet must be written as 22:00-07:00, and is '22-7'"),
        (URLS + 'quiet = "24:00-07:00"', "quiet must be written as"),
        (URLS + 'zone = "Europe/Nowhere"', "zone is 'Europe/Nowhere', which is no time zone known here"),
        (URLS + 'zone = "../etc/passwd"', "no time zone known here"),
        (URLS + 'heartbeat = "ftp://x"', "heartbeat must be an address that begins with http:// or https://"),
        (URLS + 'least = "loud"', "line 2: least cannot be 'loud'"),
        (URLS + "repeats = [0]", "repeats"),
        ('urls = "mailto://a:s3cret@x"', "urls"),
        ('urls = [["mailto://a:s3cret@x"]]', "urls"),
        ('url = ["mailto://a:s3cret@x"]', "url"),
        (URLS + 'heartbeat = "alive.example/s3cret"', "heartbeat must be an address"),
    ],
)
def test_what_is_wrong_is_reported_with_its_line_and_without_a_password(text: str, says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_notify_settings(text, name="notify.toml")
    assert says in str(caught.value)
    assert "s3cret" not in str(caught.value)


@pytest.mark.parametrize(
    ("quiet", "hour", "is_quiet"),
    [
        ("22:00-07:00", (22, 0), True),
        ("22:00-07:00", (21, 59), False),
        ("22:00-07:00", (6, 59), True),
        ("22:00-07:00", (7, 0), False),
        ("12:00-14:00", (13, 0), True),
        ("12:00-14:00", (14, 0), False),
    ],
)
def test_quiet_hours_are_those_of_the_zone(quiet: str, hour: tuple[int, int], is_quiet: bool) -> None:
    settings = NotifySettings(urls=["x://y"], quiet=quiet, zone="Europe/Oslo")
    local = datetime(2026, 7, 1, *hour, tzinfo=ZoneInfo("Europe/Oslo"))  # two hours before UTC then
    assert settings.is_quiet(local.timestamp()) is is_quiet


def test_the_page_names_every_key_and_its_example_is_right() -> None:
    page = (Path(__file__).resolve().parents[3] / "docs" / "alarms.md").read_text("utf-8")
    assert [key for key in NotifySettings.model_fields if f"| `{key}` |" not in page] == []
    block = re.search(r"(?:^ {8}.*\n)+", page, re.MULTILINE)
    assert block is not None
    settings = parse_notify_settings(textwrap.dedent(block[0]), name="notify.toml")
    assert find_wrong_addresses(settings.urls) == []
