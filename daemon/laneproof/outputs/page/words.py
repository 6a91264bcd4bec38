"""What several parts of the page say alike: seals for the three kinds of verdict, times, and where findings stand."""

from collections.abc import Sequence
from datetime import UTC, datetime

from laneproof.findings import Finding, Kind, format_time
from laneproof.outputs.markup import Markup, tag

_AROUND = 44.0  # the seal's ring is a circle of radius 7: 2 * pi * 7
_RINGS = {"holds": None, "differs": f"{_AROUND * 0.72:g} {_AROUND * 0.28:g}", "unverified": "3 4.33"}
KIND_WORDS = {Kind.DIFFERS: "differs", Kind.SIGN: "sign of failure", Kind.UNVERIFIED: "unverified"}


def seal(said: str) -> Markup:
    """Draw a verdict's seal: a ring that is closed (holds), broken (differs) or dotted (unverified)."""
    ring = tag("circle", class_="ring", cx=10, cy=10, r=7, stroke_dasharray=_RINGS[said])
    core = tag("circle", class_="core", cx=10, cy=10, r=2.5) if said == "holds" else None
    return tag("svg", ring, core, class_=f"seal {said}", viewBox="0 0 20 20", width=20, height=20, aria_hidden="true")


def seal_of(kind: Kind) -> Markup:
    """Draw the seal of one finding."""
    return seal("unverified" if kind is Kind.UNVERIFIED else "differs")


def show_time(unix_seconds: float) -> Markup:
    """Write an instant for people, to the minute, with the exact one for programs."""
    text = datetime.fromtimestamp(unix_seconds, UTC).strftime("%Y-%m-%d %H:%M UTC")
    return tag("time", text, datetime=format_time(unix_seconds))


def anchor(ordered: Sequence[Finding], finding: Finding) -> str:
    """Name the place on the page where a finding stands."""
    return f"finding-{ordered.index(finding) + 1}"


def count_words(count: int, one: str, more: str) -> str:
    """Write a count: ``1 sign``, ``2 signs``."""
    return f"{count} {one if count == 1 else more}"
