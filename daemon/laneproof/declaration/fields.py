"""The kinds of value that a declaration is made of: strict, so that neither ``true`` nor ``"1"`` is taken for 1."""

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict

from laneproof.declaration.units import SIZE_PATTERN, parse_bytes, parse_rate

PATH_PATTERN = (
    r"^([0-9a-f]{4,8}:[0-9a-f]{2}(/[0-9a-f]{2}\.[0-7])*|(platform|fabrics)/[A-Za-z0-9._:,@+-]+)"
    r"(/(ata|usb|phy|port|scsi)-[0-9.:]+)*(/lun-[0-9]+)?$"
)
"""A path of bridges: the host bridge, then device.function hops; where no PCI function carries a drive, ``platform``
and its controller's name, or ``fabrics`` and its serial number. What hangs on a controller adds its own: one, or one
for each expander on the way to a SAS drive, and one for a unit other than the first."""

_MOST = 1_000_000_000  # of anything that is counted


class StrictTable(BaseModel):
    """A table of the declaration: a key that it does not know is an error, and what was read stays as it was."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


def refuse_truth(value: object) -> object:
    """Refuse true and false where a Literal of numbers would take them for 1 and 0, as Python does."""
    if isinstance(value, bool):
        raise ValueError(f"must be a whole number, and is {str(value).lower()}")  # noqa: TRY004 (pydantic's protocol)
    return value


# For the schema alone: the parsers say it in words.
_SizeText = Annotated[str, Field(pattern=rf"^{SIZE_PATTERN}$")]
_RateText = Annotated[str, Field(pattern=rf"^{SIZE_PATTERN}/\s*s\s*$")]
SizeBytes = Annotated[
    int,
    BeforeValidator(parse_bytes, json_schema_input_type=_SizeText | int),
    Field(description="a size as people write it: '4 TB', '64 GiB', or a number of bytes"),
]
RateBytes = Annotated[
    int,
    BeforeValidator(parse_rate, json_schema_input_type=_RateText | int),
    Field(description="a rate as people write it: '7 GB/s', or a number of bytes a second"),
]
DevicePath = Annotated[str, Field(pattern=PATH_PATTERN)]
Name = Annotated[str, Field(min_length=1)]
Whole = Annotated[int, Strict(), Field(ge=0, le=_MOST)]
Count = Annotated[int, Strict(), Field(ge=1, le=_MOST)]
Flag = Annotated[bool, Strict()]
Day = Annotated[date, Strict()]
Positive = Annotated[float, Strict(), Field(gt=0, allow_inf_nan=False)]
Share = Annotated[float, Strict(), Field(ge=0, le=1, allow_inf_nan=False)]
Generation = Annotated[int, Strict(), Field(ge=1, le=6)]
Lanes = Annotated[Literal[1, 2, 4, 8, 12, 16, 32], BeforeValidator(refuse_truth)]
BranchLanes = Annotated[Literal[1, 2, 4, 8, 16], BeforeValidator(refuse_truth)]
SchemaNumber = Annotated[Literal[1], BeforeValidator(refuse_truth)]
