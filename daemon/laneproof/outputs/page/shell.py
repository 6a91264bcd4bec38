"""What every page has around its content: the head, the age of its reading, the foot."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from laneproof import __version__
from laneproof.declaration.build import Build
from laneproof.findings import Finding
from laneproof.outputs.markup import Markup, document, tag
from laneproof.outputs.page.words import FROM_HOME, Links, say_age, show_time
from laneproof_collectors.snapshot import Snapshot

STYLE, SCRIPT, ICON = "/style.css", "/page.js", "/icon.svg"
"""Where the service serves what belongs to the pages."""
LATE_SECONDS = 300
"""From this age on a reading is marked as late; the alert LaneproofStale counts from the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxFacts:
    """What each page of a box that was read is made of; the age is None where it is not known."""

    build: Build | None
    snapshot: Snapshot
    findings: Sequence[Finding]
    age_seconds: float | None = None


def write_age(taken_at: float, age_seconds: float | None) -> Markup:
    """Write when the last pass was, unix seconds, and how long ago it was judged, where that is known."""
    ago: tuple[Markup | str, ...] = ("at ",)
    if age_seconds is not None:
        words = tag("span", say_age(age_seconds), class_="age", data_seconds=round(age_seconds, 1))
        ago = words, tag("span", " (late)", class_="overdue"), ", at "
    return tag("p", "Read ", *ago, show_time(taken_at), ". ", tag("a", "Refresh", href=""), class_="read")


def write_document(  # noqa: PLR0913 (the parts of a page)
    title: str,
    headline: Markup,
    body: Markup,
    *,
    age_seconds: float | None,
    links: Links = FROM_HOME,
    kind: str | None = None,
    every_seconds: int = 20,
    more: Iterable[str | Markup] = (),
    below: Markup | None = None,
) -> str:
    """Write a whole page, which its script reads again every so many seconds.

    `kind` is the class of its content, for the style; `more` stands in the foot beside the version, `below` under that.
    """
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("title", title),
        tag("link", rel="icon", type="image/svg+xml", href=links.home + ICON.removeprefix("/")),
        tag("link", rel="stylesheet", href=links.home + STYLE.removeprefix("/")),
        tag("script", "", src=links.home + SCRIPT.removeprefix("/"), defer=True),
    )
    page = tag(
        "body",
        tag("a", "To the content", href="#main", class_="skip"),
        tag("header", headline),
        tag("main", body, id="main", class_=kind),
        tag("footer", tag("p", f"laneproof {__version__} reads and never writes.", *more), below),
        class_="late" if age_seconds is not None and age_seconds > LATE_SECONDS else None,
        data_late=LATE_SECONDS,
        data_every=every_seconds,
    )
    return document(tag("html", head, page, lang="en"))
