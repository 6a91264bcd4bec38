"""Takes the pictures of the pages in ``docs/pictures``: the demo's, at three widths, light and dark.

Run as ``python -m browser.pictures FOLDER`` with ``tests`` on the path; it needs
Chromium. Few colours keep the files small.
"""

import io
import sys
from http import HTTPStatus
from pathlib import Path

from PIL import Image

from browser.chromium import DARK, photograph
from browser.test_page import FRAMES_ALLOWED, Site
from laneproof.service import listener

SIZES = {"phone": (360, 780), "tablet": (820, 1000), "wall": (1600, 900)}
"""Widths and heights in CSS pixels."""
SHOWN = {
    "page": dict.fromkeys(SIZES, "/"),
    "position": {
        "phone": "/positions/riser-3#history",
        "tablet": "/positions/riser-3#facts",
        "wall": "/positions/riser-3#history",
    },
    "guide": {"phone": "/replace/riser-3#step-6", "tablet": "/replace/riser-3", "wall": "/replace/riser-3"},
}
"""What is shown, by name and size: a phone shows a part that says most on it."""
THEMES = {"light": (), "dark": (DARK,)}
COLOURS = 32
FRAME = '<!doctype html><link rel="stylesheet" href="/bare.css"><iframe src="{}" width="{}" height="{}"></iframe>'
BARE = b"body { margin: 0 } iframe { border: 0 }"


class PictureSite(Site):
    """The demo, each page in a frame of its size: a window of the browser has a least width of its own."""

    def __init__(self) -> None:
        super().__init__()
        self.pages._routes |= {
            "/bare.css": lambda _: (HTTPStatus.OK, "text/css", BARE),
            **{
                f"/{name}-{size}": lambda _, shown=shown, size=size: (
                    HTTPStatus.OK, "text/html", FRAME.format(shown, *SIZES[size]).encode()
                )
                for name, by_size in SHOWN.items() for size, shown in by_size.items()
            },
        }  # fmt: skip


def choose_palette(picture: Image.Image) -> Image.Image:
    """Choose the most common colours, which are the page's own; those of the letters' edges take the nearest."""
    counted = sorted(picture.getcolors(1 << 24) or (), reverse=True)[:COLOURS]
    palette = Image.new("P", (1, 1))
    palette.putpalette([part for _, colour in counted for part in colour])  # type: ignore[attr-defined] # of three parts
    return palette


def take(address: str, *switches: str, width: int, height: int) -> bytes:
    """Take one picture, in few colours."""
    drawn = ("--virtual-time-budget=3000", "--run-all-compositor-stages-before-draw", *switches)
    cut = photograph(address, *drawn, width=max(width, 500), height=height).crop((0, 0, width, height))
    packed = io.BytesIO()
    cut.quantize(palette=choose_palette(cut), dither=Image.Dither.NONE).save(packed, "PNG", optimize=True)
    return packed.getvalue()


def main(folder: str) -> None:
    """Take all of them."""
    site = PictureSite()
    policy = ("Content-Security-Policy", FRAMES_ALLOWED)
    listener.HEADERS = (*(each for each in listener.HEADERS if each[0] != policy[0]), policy)  # type: ignore[assignment] # as many
    try:
        for name, by_size in SHOWN.items():
            for size in by_size:
                for theme, switches in THEMES.items():
                    width, height = SIZES[size]
                    raw = take(site.at(f"/{name}-{size}"), *switches, width=width, height=height)
                    file = Path(folder) / f"{name}-{size}-{theme}.png"
                    file.write_bytes(raw)
    finally:
        site.server.close()


if __name__ == "__main__":
    main(sys.argv[1])
