"""The declaration as a whole: only the box's name and each position's label and path must be there.

Its tables are in ``tables.py``; whether names used exist is asked in ``names.py``; reading the file, with errors that
name line and near miss, is ``file.py``'s.
"""

import hashlib
from typing import Self

from pydantic import Field, PrivateAttr, model_validator

from laneproof.declaration.assumptions import Assumptions
from laneproof.declaration.fields import SchemaNumber, StrictTable
from laneproof.declaration.name_check import NamesDisagreeError, find_name_problems
from laneproof.declaration.tables import (
    Acceptance,
    DeclaredArray,
    DeclaredBond,
    DeclaredBox,
    DeclaredFan,
    DeclaredFileSystem,
    DeclaredFirmware,
    DeclaredKernel,
    DeclaredMemory,
    DeclaredNetworkPort,
    DeclaredPosition,
    DeclaredProcessor,
    DeclaredSlot,
    DeclaredSupply,
    DeclaredUplink,
)

SCHEMA = 1


class Build(StrictTable):
    """What a box is meant to be."""

    schema_version: SchemaNumber = Field(alias="schema", description="the version of this format")
    box: DeclaredBox
    firmware: DeclaredFirmware | None = None
    kernel: DeclaredKernel | None = None
    slot: dict[str, DeclaredSlot] = Field(default_factory=dict)
    uplink: dict[str, DeclaredUplink] = Field(default_factory=dict)
    position: tuple[DeclaredPosition, ...] = ()
    array: tuple[DeclaredArray, ...] = ()
    memory: DeclaredMemory | None = None
    network: tuple[DeclaredNetworkPort, ...] = ()
    bond: tuple[DeclaredBond, ...] = ()
    fan: tuple[DeclaredFan, ...] = ()
    file_system: tuple[DeclaredFileSystem, ...] = ()
    processor: DeclaredProcessor | None = None
    supply: DeclaredSupply | None = None
    assume: Assumptions = Field(default_factory=Assumptions)
    accept: tuple[Acceptance, ...] = ()
    _checksum: str | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _names_agree(self) -> Self:
        """Each label and path once, and every name that is used is declared; all problems in one error."""
        if problems := tuple(find_name_problems(self)):
            raise NamesDisagreeError(problems)
        return self

    def read_from(self, text: str) -> Self:
        """Remember the text that it was read from, by its checksum."""
        self._checksum = hashlib.sha256(text.encode()).hexdigest()
        return self

    @property
    def checksum(self) -> str | None:
        """The SHA-256 of its file's bytes, as sha256sum(1) prints it; None where it came from no file."""
        return self._checksum

    def position_at(self, path: str) -> DeclaredPosition | None:
        """Find the position declared at a path."""
        return next((position for position in self.position if position.path == path), None)

    def position_named(self, label: str) -> DeclaredPosition | None:
        """Find a position by its label."""
        return next((position for position in self.position if position.label == label), None)
