"""The service's own settings: where it listens, where it keeps its history, how often it reads. All optional."""

from collections.abc import Iterator

from pydantic import BaseModel, ConfigDict, Field

from laneproof.declaration.settings_text import Problem, SettingsError, guess_word, parse_settings_text
from laneproof_collectors.collection import make_collectors

DEFAULT_ADDRESS, DEFAULT_PORT = "127.0.0.1", 7766
DEFAULT_STATE = "/var/lib/laneproof"
DEFAULT_HISTORY_MEBIBYTES, FEWEST_HISTORY_MEBIBYTES = 64, 4
"""Three years of some thirty drives; where the disk is full it must fit into the memory that the unit allows."""
SHORTEST_SECONDS, LONGEST_SECONDS = 1.0, 86400.0
"""Reading more often than this costs drives their rest and brings nothing new; less often is no watching."""
LAST_PORT = 65535


class Settings(BaseModel):
    """The settings, as ``service.toml`` has them."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)

    address: str = Field(default=DEFAULT_ADDRESS, min_length=1, description="the address to answer HTTP at")
    port: int = Field(default=DEFAULT_PORT, ge=0, le=LAST_PORT, description="its port; 0 takes any that is free")
    state: str = Field(default=DEFAULT_STATE, min_length=1, description="the folder to keep history in")
    evidence: str | None = Field(
        default=None, min_length=1, description="the folder to keep the evidence of disconnects in"
    )
    names: list[str] = Field(default_factory=list, description="further names by which this box is asked over HTTP")
    token_file: str | None = Field(
        default=None, min_length=1, description="the file with the token that each request must show"
    )
    history_mebibytes: int = Field(
        default=DEFAULT_HISTORY_MEBIBYTES,
        ge=FEWEST_HISTORY_MEBIBYTES,
        description="how large the history may become; then its oldest detail goes first",
    )
    intervals: dict[str, float] = Field(default_factory=dict, description="seconds between readings, by collector")


def parse_settings(text: str, *, name: str) -> Settings:
    """Parse the settings' file, which has a name for the sentence of an error.

    Raises:
        SettingsError: It is no TOML, or says what it may not; one line a problem, each with its line.
    """
    return parse_settings_text(Settings, text, name=name, find_problems=_find_interval_problems)


def set_settings(text: str, **values: str | int) -> str:
    """Set keys in a settings' file, and keep all else as it was written, comments too."""
    import tomlkit  # a megabyte that the service itself never needs

    document = tomlkit.parse(text)
    document.update(values)
    return document.as_string()


def _find_interval_problems(settings: Settings) -> Iterator[Problem]:
    known = [make_collector.group for make_collector in make_collectors()]
    for group, seconds in settings.intervals.items():
        if group not in known:
            yield ("intervals", group), f"is no collector; {guess_word(group, known)}"
        elif not SHORTEST_SECONDS <= seconds <= LONGEST_SECONDS:
            yield (
                ("intervals", group),
                f"must be {SHORTEST_SECONDS:g} to {LONGEST_SECONDS:g} seconds, and is {seconds:g}",
            )


def parse_listen(text: str) -> tuple[str, int]:
    """Parse ``ADDRESS:PORT``; an IPv6 address stands in brackets.

    Raises:
        SettingsError: It is none.
    """
    address, colon, port = text.rpartition(":")
    bare = address.removeprefix("[").removesuffix("]")
    is_port = port.isascii() and port.isdecimal() and int(port) <= LAST_PORT
    if not colon or not is_port or (":" in bare and bare == address):
        raise SettingsError(f"not an address and a port: {text!r}; write it as 127.0.0.1:{DEFAULT_PORT}")
    return bare or DEFAULT_ADDRESS, int(port)


def show_listen(address: str, port: int) -> str:
    """Write an address and a port as `parse_listen` takes them."""
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"
