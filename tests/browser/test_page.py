"""The pages in a real browser: content, width on a phone, both themes, script, WCAG AA, and that they call nobody."""

import re
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cache, partial
from http import HTTPStatus
from threading import Thread
from typing import Any
from urllib.parse import urljoin

import pytest

from boxes.snapshot_box import kelp_box
from boxes.troubled_box import Judged, judge, troubled
from browser.axe import RUN, load_axe
from browser.chromium import DARK, photograph, share_of, visit
from laneproof.commands.serve import make_recording_daemon
from laneproof.commands.served_past import ServedPast
from laneproof.service import listener
from laneproof.service.http import Pages
from laneproof.service.listener import Server
from laneproof.service.position_pages import Reply
from laneproof.service.status import DaemonStatus
from support.html_tree import ELEMENTS, Node, read_html
from support.unread_answers import known

pytestmark = pytest.mark.browser

WIDTHS = (320, 360, 1240)  # CSS pixels: what WCAG 2.2, 1.4.10 asks for; a small phone; a screen
LIGHT_PAPER, DARK_PAPER = (0xF7, 0xF5, 0xEF), (0x11, 0x18, 0x1C)
MEASURE = b"""
addEventListener("load", () => {
  const root = document.documentElement;
  const width = root.clientWidth;
  const wide = [...document.querySelectorAll("body *")].filter((one) => {
    const box = one.getBoundingClientRect();
    return box.width > 0 && box.left >= 0 && box.right > width + 0.5;
  });
  const data = parent.document.documentElement.dataset;
  data.client = width;
  data.scroll = Math.max(root.scrollWidth, document.body.scrollWidth);
  data.wide = wide.map((one) => one.tagName + "." + one.className).join(" ");
});
"""
# A browser's window has a least width of its own, 500; a frame in it has not.
FRAME = '<!doctype html><body><iframe src="{}?measured" width="{}" height="900"></iframe></body>'
PAGES = ("/", "/positions/riser-3", "/replace/riser-3")
FRAMES_ALLOWED = dict(listener.HEADERS)["Content-Security-Policy"].replace(
    "frame-ancestors 'none'", "frame-ancestors 'self'; frame-src 'self'"
)


BELOW = "/boxes/kelp-1"
ACTS = {
    "tapped": """
        const first = document.querySelector("main summary");
        first.click();
        first.focus();
        setTimeout(() => { document.body.dataset.focus = document.activeElement.textContent; }, 25000);
    """,
    "selected": "getSelection().selectAllChildren(document.querySelector('h1'));",
    "behind-a-proxy": "",
}
"""What a reader does with the page as soon as it is loaded."""
SCRIPTS = {"measured": ("measure.js",), "axe": ("axe.js", "run-axe.js")}
"""Further scripts of a page, by its query."""
PALE = """<!doctype html><html lang="en"><title>pale</title><link rel="stylesheet" href="pale.css"><main>
<h1>What is too pale is not read</h1><a href="/"><img src="x.png"></a></main></body></html>"""
PALE_STYLE = b"h1 { color: #999; background: #fff; font-size: 1rem; }"


def _script(text: str, _: str) -> Reply:
    return HTTPStatus.OK, "text/javascript", text.encode()


class MeasuredPages(Pages):
    """The pages, and beside them the page with a script that measures it, and one that calls somebody."""

    def __init__(self, status: Callable[[], DaemonStatus]) -> None:
        super().__init__(status, past=serve_demo()[1], now=lambda: 0.0)
        self.seen = 0
        self._routes |= {
            **{f"/frame/{width}{page}": self._frame(page, width) for width in WIDTHS for page in PAGES},
            "/measure.js": lambda _: (HTTPStatus.OK, "text/javascript", MEASURE),
            "/axe.js": lambda _: (HTTPStatus.OK, "text/javascript", load_axe()),
            "/run-axe.js": lambda _: (HTTPStatus.OK, "text/javascript", RUN.encode()),
            "/pale.css": lambda _: (HTTPStatus.OK, "text/css", PALE_STYLE),
            "/pale": lambda _: (HTTPStatus.OK, "text/html", PALE.encode()),
            "/plain": self._plain,
            **{f"/{name}": partial(self._acted, name) for name in ACTS},
            **{f"/{name}.js": partial(_script, act) for name, act in ACTS.items()},
            "/calls": lambda _: (HTTPStatus.OK, "text/html", b'<img src="http://127.0.0.1:9/x.png"><p>calls</p>'),
        }

    def _page(self, accept: str) -> Reply:
        self.seen += 1
        return super()._page(accept)

    @staticmethod
    def _frame(page: str, width: int) -> Callable[[str], Reply]:
        return lambda _: (HTTPStatus.OK, "text/html", FRAME.format(page, width).encode())

    def _plain(self, accept: str) -> Reply:
        status, kind, body = super()._page(accept)
        assert b"<script" in body
        return status, kind, re.sub(b"<script.*?</script>", b"", body)

    def answer(self, path: str, accept: str, query: str = "") -> Reply:
        if path.startswith(("/positions/", "/replace/")):
            self.seen += 1
            if query == "off" and self.seen == 2:
                return HTTPStatus.BAD_GATEWAY, "text/plain", b"the box is off"
        status, kind, body = super().answer(path.removeprefix(BELOW), accept, query)
        scripts = "".join(f'<script src="/{name}"></script>' for name in SCRIPTS.get(query, ()))
        return status, kind, body.replace(b"</body>", f"{scripts}</body>".encode())

    def _acted(self, name: str, accept: str) -> Reply:
        if name == "behind-a-proxy" and self.seen:
            return HTTPStatus.BAD_GATEWAY, "text/html", b"<title>502</title><h1>Bad Gateway</h1>"
        status, kind, body = self._page(accept)
        return status, kind, body.replace(b"</body>", f'<script src="/{name}.js"></script></body>'.encode())


class Site:
    """A server of one status value."""

    def __init__(self) -> None:
        self.status = serve_demo()[0]
        self.choose: Callable[[], DaemonStatus] | None = None
        self.pages = MeasuredPages(self.read)
        self.server = Server("127.0.0.1", 0, self.pages)
        self.server.start()

    def read(self) -> DaemonStatus:
        return self.status if self.choose is None else self.choose()

    def at(self, path: str = "/") -> str:
        return f"http://127.0.0.1:{self.server.port}{path}"


def publish(judged: Judged, **more: Any) -> DaemonStatus:
    return DaemonStatus(build=judged.build, last_pass=judged.as_pass(), complete=True, **more)


@cache
def serve_demo() -> tuple[DaemonStatus, ServedPast]:
    """Give what the service publishes of the demo, and the past that it reads."""
    daemon, past = make_recording_daemon(None, None, None)
    watch = Thread(target=daemon.run)
    watch.start()
    while not daemon.status.complete:
        time.sleep(0.05)
    daemon.stop()
    watch.join()
    return replace(daemon.status, judged_at=None, recent=()), past


@pytest.fixture(scope="module")
def site() -> Iterator[Site]:
    made = Site()
    yield made
    made.server.close()


def see(address: str, *switches: str) -> tuple[Node, tuple[str, ...]]:
    """Give the document as the browser has it at the end, and what the page asked for."""
    found = visit("--dump-dom", *switches, address=address)
    elements = ELEMENTS | {"iframe"} if "/frame/" in address else ELEMENTS
    return read_html(found.out, elements=elements), found.asked


def test_the_demo_is_shown_whole(site: Site) -> None:
    page, _ = see(site.at())
    assert page.one("h1").text == "kelp-1 is not as it should be"
    findings = known(site.status.last_pass).findings
    shown = page.all("div", "finding")
    assert len(shown) == len(findings)
    assert all(any(finding.summary in card.text for card in shown) for finding in findings)
    labels = {position.label for position in known(site.status.build).position}
    assert labels <= {name.one("b").text for name in page.all(class_="name") if name.all("b")}
    assert "Temperature" in page.one("table", **{"aria-labelledby": "drives"}).text


def test_a_page_asks_for_nothing_beyond_its_own_server(site: Site) -> None:
    page, asked = see(site.at())
    needed = {site.at("/style.css"), site.at("/page.js")}
    icon = urljoin(site.at(), str(page.one("link", rel="icon").attributes["href"]))
    assert icon == site.at("/icon.svg")
    assert needed <= set(asked) <= needed | {icon}  # a browser without a window may leave the icon out
    with urllib.request.urlopen(icon, timeout=10) as answer:  # noqa: S310 (our own address)
        assert answer.headers["Content-Type"] == "image/svg+xml"


def test_a_page_that_calls_somebody_is_found_out(site: Site) -> None:
    page, asked = see(site.at("/calls"))
    assert page.one("p").text == "calls"
    assert "http://127.0.0.1:9/x.png" not in asked  # the content policy stopped it before it was sent
    assert site.at("/style.css") not in asked


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize(
    ("box", "shown"), [("demo", "/"), ("troubled", "/"), ("many", "/"), *(("demo", page) for page in PAGES[1:])]
)
def test_nothing_is_wider_than_the_window(
    site: Site, width: int, box: str, shown: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    headers = dict(listener.HEADERS) | {"Content-Security-Policy": FRAMES_ALLOWED}
    monkeypatch.setattr(listener, "HEADERS", tuple(headers.items()))
    if box != "demo":
        judged = troubled() if box == "troubled" else many()
        site.status = publish(judged, build_problem="a" * 300, overdue={"thermal": 61.0})
    try:
        page, _ = see(site.at(f"/frame/{width}{shown}"), "--window-size=1300,1000")
    finally:
        site.status = serve_demo()[0]
    measured = page.one("html").attributes
    assert int(str(measured["data-client"])) == width
    assert int(str(measured["data-scroll"])) <= width
    assert measured["data-wide"] == ""


def judge_by_axe(site: Site, path: str, *switches: str) -> dict[str, str]:
    page, _ = see(site.at(f"{path}?axe"), "--window-size=1000,900", "--virtual-time-budget=15000", *switches)
    return {name: str(page.one("html").attributes[f"data-{name}"]) for name in ("violations", "passes")}


@pytest.mark.parametrize("theme", [(), (DARK,)], ids=["light", "dark"])
@pytest.mark.parametrize("path", PAGES)
def test_every_rule_of_wcag_aa_that_a_program_can_judge_holds(site: Site, path: str, theme: tuple[str, ...]) -> None:
    judged = judge_by_axe(site, path, *theme)
    assert judged["violations"] == ""
    assert {"color-contrast", "document-title", "html-has-lang", "link-name"} <= set(judged["passes"].split())


def test_a_page_that_breaks_the_rules_is_found_out(site: Site) -> None:
    found = judge_by_axe(site, "/pale")["violations"]
    assert "color-contrast: h1" in found
    assert "image-alt: img" in found


def many() -> Judged:
    return judge(None, kelp_box(24).with_array("md0", ("nvme0n1",)).with_network("0000:00/1f.0", "enp3s0").snapshot())


def test_both_themes_are_shown(site: Site) -> None:
    light = photograph(site.at(), width=1000, height=700)
    dark = photograph(site.at(), DARK, width=1000, height=700)
    assert light.size == (1000, 700)
    assert light.getpixel((2, 2)) == LIGHT_PAPER
    assert dark.getpixel((2, 2)) == DARK_PAPER
    for picture, paper in ((light, LIGHT_PAPER), (dark, DARK_PAPER)):
        assert 0.2 < share_of(paper, picture) < 0.97  # paper, and something on it
    assert share_of(LIGHT_PAPER, dark) < 0.02
    assert share_of(DARK_PAPER, light) < 0.02


def see_later(
    site: Site, path: str, seconds: int, *, first: DaemonStatus, later: DaemonStatus
) -> tuple[Node, list[str]]:
    """Give the page as it stands after a time, which runs ahead in the browser, and what it asked for."""
    site.pages.seen = 0
    site.choose = lambda: first if site.pages.seen < 2 else later
    try:
        page, asked = see(site.at(path), f"--virtual-time-budget={seconds * 1000}")
    finally:
        site.choose = None
    return page, list(asked)


def sound() -> DaemonStatus:
    judged = judge('[[position]]\nlabel = "riser-1"\npath = "0000:00/01.1"', kelp_box(1).snapshot())
    return publish(judged)


def test_the_script_reads_again_and_shows_what_changed(site: Site) -> None:
    page, asked = see_later(site, "/", 30, first=site.status, later=sound())
    assert site.at("/") in asked
    assert page.one("h1").text == "kelp-1 holds"
    assert page.all("article") == []


def test_what_was_tapped_holds_nothing_back_and_stays_as_it_was(site: Site) -> None:
    later = replace(site.status, overdue={"thermal": 61.0})
    page, _ = see_later(site, "/tapped", 30, first=site.status, later=later)
    assert "Some readings hang." in page.text
    details = page.one("main").all("details")
    assert ["open" in part.attributes for part in details] == [True, *[False] * (len(details) - 1)]
    assert page.one("body").attributes["data-focus"] == details[0].one("summary").text


@pytest.mark.parametrize(("seconds", "headline"), [(50, "kelp-1 is not as it should be"), (125, "kelp-1 holds")])
def test_a_selection_holds_the_page_back_for_a_minute(site: Site, seconds: int, headline: str) -> None:
    page, _ = see_later(site, "/selected", seconds, first=site.status, later=sound())
    assert page.one("h1").text == headline


def test_what_a_proxy_says_in_its_place_is_not_taken_for_the_page(site: Site) -> None:
    page, _ = see_later(site, "/behind-a-proxy", 30, first=site.status, later=site.status)
    assert page.one("body").attributes["class"] == "lost"
    assert page.one("h1").text == "kelp-1 is not as it should be"


def test_a_reading_that_grows_old_is_marked_while_the_page_is_open(site: Site) -> None:
    status = replace(site.status, judged_at=-295.0)  # the server's clock stands at 0
    page, _ = see_later(site, "/", 10, first=status, later=status)
    assert page.one(class_="age").text == "5 minutes ago"
    assert page.one("body").attributes["class"] == "late"


def test_a_position_shows_what_changed(site: Site) -> None:
    later = replace(site.status, last_pass=replace(known(site.status.last_pass), findings=()))
    page, _ = see_later(site, "/positions/riser-3", 70, first=site.status, later=later)
    assert page.one("h1").text == "riser-3 holds"


def test_a_guide_stays_as_it_was_once_the_box_went_off(site: Site) -> None:
    later = replace(site.status, last_pass=sound().last_pass)
    page, asked = see_later(site, "/replace/riser-3?off", 90, first=site.status, later=later)
    assert page.one("body").attributes["class"] == "lost"
    assert page.one(class_="counts").text == "Replacing the drive in riser-3"
    assert page.all("section", "step")
    assert asked.count(site.at("/replace/riser-3?off")) == 1


def test_times_are_shown_as_the_readers_clock_has_them(site: Site) -> None:
    page = read_html(visit("--dump-dom", address=site.at("/positions/riser-3"), zone="Pacific/Kiritimati").out)
    times = page.all("time")
    assert times
    taken = page.one(class_="read").one("time")
    assert taken.attributes["title"] == "2026-10-31 14:00 UTC"
    assert re.search(r"Nov\D* 1, 2026, 4:00", taken.text)  # fourteen hours ahead (IANA time zone database)


def test_the_page_works_below_another_path(site: Site) -> None:
    page, asked = see(site.at(f"{BELOW}/"))
    assert {site.at(f"{BELOW}/style.css"), site.at(f"{BELOW}/page.js")} <= set(asked)
    assert page.one("h1").text == "kelp-1 is not as it should be"


def test_without_its_script_the_page_looks_the_same(site: Site) -> None:
    with_script = photograph(site.at(), width=800, height=400)
    without = photograph(site.at("/plain"), width=800, height=400)
    assert with_script == without
    assert share_of(LIGHT_PAPER, with_script) < 0.97
