"""What is declared only to be watched: fans that must turn, file systems that must be there and have room."""

from pydantic import Field

from laneproof.declaration.fields import Count, Flag, Name, Share, StrictTable


class FanPlan(StrictTable):
    """A fan that must turn. Board connectors with nothing on them read 0, so only a declared one is missed at once."""

    label: Name = Field(description="the fan, as its chip labels it, such as fan2")
    chip: Name | None = Field(default=None, description="its chip, where several have a fan of that label")
    minimum_rpm: Count | None = Field(default=None, description="the least it must turn, in revolutions a minute")


class FileSystemPlan(StrictTable):
    """A file system that must be mounted."""

    mount: Name = Field(description="where it is mounted")
    full_above: Share | None = Field(default=None, description="how full it may become, as a share: 0.85")
    read_only: Flag | None = Field(default=None, description="true: it is mounted read-only on purpose")
