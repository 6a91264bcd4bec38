"""The service's own settings: where it listens, where it keeps its history, how often it reads. All optional."""

import tomllib
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from laneproof_collectors.collection import make_collectors

DEFAULT_ADDRESS, DEFAULT_PORT = "127.0.0.1", 7766
DEFAULT_STATE = "/var/lib/laneproof"
SHORTEST_SECONDS = 1.0
"""Reading more often than this costs drives their rest and tells nothing new."""


class SettingsError(ValueError):
    """The settings' file says what it may not."""


class Settings(BaseModel):
    """The settings, as ``service.toml`` has them."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: str = DEFAULT_ADDRESS
    port: int = Field(default=DEFAULT_PORT, ge=0, le=65535)
    state: str = DEFAULT_STATE
    intervals: dict[str, float] = Field(default_factory=dict, description="seconds between readings, by collector")

    @model_validator(mode="after")
    def _intervals_are_known(self) -> Self:
        known = {one.group for one in make_collectors()}
        if unknown := sorted(set(self.intervals) - known):
            raise ValueError(f"intervals: no collector is called {unknown[0]!r}; there are {', '.join(sorted(known))}")
        if short := [name for name, seconds in self.intervals.items() if not seconds >= SHORTEST_SECONDS]:
            raise ValueError(f"intervals.{short[0]}: {SHORTEST_SECONDS:g} second or more")
        return self


def parse_settings(text: str, *, name: str) -> Settings:
    """Parse the settings' file.

    Args:
        text: TOML.
        name: The file's name, for the sentence.

    Raises:
        SettingsError: It is no TOML, or says what it may not; one line a problem.
    """
    try:
        return Settings.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name}: {error}") from error
    except ValidationError as error:
        problems = [
            f"{name}: {'.'.join(str(part) for part in one['loc'])}: {one['msg']}".replace(": : ", ": ")
            for one in error.errors(include_url=False)
        ]
        raise SettingsError("\n".join(problems)) from error


def parse_listen(text: str) -> tuple[str, int]:
    """Parse ``ADDRESS:PORT``; an IPv6 address stands in brackets.

    Raises:
        SettingsError: It is none.
    """
    address, colon, port = text.rpartition(":")
    if not colon or not port.isascii() or not port.isdecimal() or int(port) > 65535:  # noqa: PLR2004 (the last port)
        raise SettingsError(f"not an address and a port: {text!r}; write it as 127.0.0.1:{DEFAULT_PORT}")
    return address.removeprefix("[").removesuffix("]") or DEFAULT_ADDRESS, int(port)
