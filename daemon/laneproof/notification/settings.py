"""The notifier's own settings: who gets messages, when not, how often they are repeated."""

import re
from collections.abc import Iterator
from datetime import datetime, tzinfo
from functools import cached_property
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field

from laneproof.declaration.settings_text import Problem, parse_settings_text
from laneproof.findings import Severity

DEFAULT_CONFIG = "/etc/laneproof/notify.toml"
DEFAULT_DAEMON = "http://127.0.0.1:7766"
DEFAULT_STATE = "/var/lib/laneproof-notify"
DAY_SECONDS = 86400.0
_HOURS = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)", re.ASCII)
_WEB_ADDRESS = re.compile(r"https?://[^/\s]")
_Text = Annotated[str, Field(min_length=1)]


class NotifySettings(BaseModel):
    """The settings, as ``notify.toml`` has them."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)

    urls: list[_Text] = Field(min_length=1, repr=False, description="where messages go, each as Apprise writes it")
    daemon: _Text = Field(default=DEFAULT_DAEMON, description="where the service answers")
    token_file: _Text | None = Field(default=None, description="a file with the service's token, where it asks for one")
    state: _Text = Field(default=DEFAULT_STATE, description="the folder for what was sent and what waits")
    least: Literal["notice", "warning", "critical"] = Field(default="notice", description="what is worth a message")
    quiet: str | None = Field(default=None, description="hours in which only what is critical is sent: 22:00-07:00")
    zone: str | None = Field(
        default=None, description="the time zone of hours and messages; the system's where left out"
    )
    repeats: list[Annotated[int, Field(ge=1, le=365)]] = Field(
        default=[1, 1, 1, 1, 1, 1, 7],
        description="days from message to reminder while an alarm stands; the last one goes on, [] is no reminder",
    )
    heartbeat: _Text | None = Field(
        default=None, repr=False, description="a URL to ask for every five minutes while all goes well"
    )
    page: _Text | None = Field(default=None, description="the address of the page, for the messages")

    @property
    def least_severity(self) -> Severity:
        """What is worth a message."""
        return Severity(self.least)

    @cached_property
    def time_zone(self) -> tzinfo | None:
        """The zone of hours and messages; None for the system's."""
        return ZoneInfo(self.zone) if self.zone else None

    def is_quiet(self, now: float) -> bool:
        """Whether only what is critical may be sent at a time, unix seconds."""
        match = _HOURS.fullmatch(self.quiet) if self.quiet else None
        if match is None:
            return False
        first, last = (60 * int(match[hour]) + int(match[hour + 1]) for hour in (1, 3))
        local = datetime.fromtimestamp(now, self.time_zone)
        minute = 60 * local.hour + local.minute
        return first <= minute < last if first <= last else minute >= first or minute < last


def parse_notify_settings(text: str, *, name: str) -> NotifySettings:
    """Parse the notifier's settings.

    Raises:
        SettingsError: They are no TOML, or say what they may not.
    """
    return parse_settings_text(NotifySettings, text, name=name, find_problems=_find_problems)


def _find_problems(settings: NotifySettings) -> Iterator[Problem]:
    if settings.quiet is not None and not _HOURS.fullmatch(settings.quiet):
        yield ("quiet",), f"must be written as 22:00-07:00, and is {settings.quiet!r:.40}"
    for key in ("daemon", "heartbeat", "page"):
        value = getattr(settings, key)
        if value is not None and not _WEB_ADDRESS.match(value):
            found = f", and is {value!r:.60}" if NotifySettings.model_fields[key].repr else ""
            yield (key,), f"must be an address that begins with http:// or https://{found}"
    if settings.zone is not None:
        try:
            ZoneInfo(settings.zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            yield ("zone",), f"is {settings.zone!r:.40}, which is no time zone known here; write it as Europe/Oslo"
