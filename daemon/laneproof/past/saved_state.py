"""What the ledger keeps over a restart, as plain JSON values and back; its keys stay, so that none is lost."""

from dataclasses import dataclass, field
from functools import cache
from typing import Annotated, Any

from pydantic import Field, TypeAdapter, ValidationError

from laneproof.box.idle_states import IdleStates
from laneproof.past.boots import BootBook
from laneproof.past.changes import ChangeBook
from laneproof.past.drives import DriveBook
from laneproof.past.episodes import EpisodeBook
from laneproof.past.fix_trials import TrialBook
from laneproof.past.link_errors import LinkBook
from laneproof.past.link_training import TrainingBook
from laneproof.past.recurrences import RecurrenceBook
from laneproof.past.timeline import Timeline

SCHEMA = 1


class LedgerStateError(ValueError):
    """A kept state cannot be used: it is of another version, or damaged."""


@dataclass(slots=True, kw_only=True)
class SavedLedger:
    """Everything that the ledger keeps over a restart."""

    schema: int = SCHEMA
    timeline: Timeline = field(default_factory=Timeline)
    boots: BootBook = field(default_factory=BootBook)
    links: LinkBook = field(default_factory=LinkBook)
    training: TrainingBook = field(default_factory=TrainingBook)
    drives: DriveBook = field(default_factory=DriveBook)
    episodes: Annotated[EpisodeBook, Field(alias="drops")] = field(default_factory=EpisodeBook)
    changes: ChangeBook = field(default_factory=ChangeBook)
    trials: TrialBook = field(default_factory=TrialBook)
    recurrences: RecurrenceBook = field(default_factory=RecurrenceBook)
    # by path, idle states in force at the last pass: of the drive, of its link
    idle: dict[str, tuple[bool | None, bool | None]] = field(default_factory=dict)
    boot_times: list[float] = field(default_factory=list)  # when each boot began, the last ones, ledger time
    # for boots of `boot_times` before which a watch went on, whether it was stopped in good order
    stops: list[tuple[float, bool]] = field(default_factory=list)
    # how the watch that kept this ended: stopped in good order, or not yet; None where that is not known
    stopped: bool | None = None
    kernel_sequence: int = -1  # number of the last kernel record that was added in this boot; -1 for none
    # the stamp of the last kernel record that was read in this boot; -1 for none. The log's own clock is not steered,
    # and drifts from the others by minutes in months
    kernel_until: float = -1.0
    noted_until: float = 0.0  # when the last note that was added was written, unix seconds
    # by path, what the last acceptance run showed: when, of which drive, and which features
    experiments: dict[str, tuple[float, str, dict[str, bool]]] = field(default_factory=dict)
    loaded_until: float = 0.0  # until when a run's own record counts the errors of the links, unix seconds

    @property
    def now(self) -> float:
        """Ledger time of the last pass."""
        return self.timeline.now

    def idle_states(self, path: str) -> IdleStates:
        """Give the idle states in force at a position."""
        drive, link = self.idle.get(path, (None, None))
        return IdleStates(drive=drive, link=link)


@cache
def _state() -> TypeAdapter[SavedLedger]:
    return TypeAdapter(SavedLedger)  # made when it is needed: a tenth of what a command's start would cost


def dump_state(ledger: SavedLedger) -> dict[str, Any]:
    """Give a state as plain JSON values."""
    kept: dict[str, Any] = _state().dump_python(ledger, mode="json", exclude_defaults=True, by_alias=True)
    return {"schema": SCHEMA, **kept}


def load_state(kept: dict[str, Any]) -> SavedLedger:
    """Make a state of what `dump_state` gave.

    Raises:
        LedgerStateError: It is of another version, or damaged.
    """
    if kept.get("schema") != SCHEMA:
        raise LedgerStateError(f"the kept ledger is of version {kept.get('schema')!r}, this program reads {SCHEMA}")
    try:
        return _state().validate_python(kept)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise LedgerStateError(f"the kept ledger is damaged at {where}: {first['msg']}") from error
