"""The docs hold: each rule, metric and option is in them, links lead somewhere, and no file names this machine."""

import re
import shlex
import subprocess
from pathlib import Path

import pytest

from laneproof.commands.inputs import load_build, open_host
from laneproof.commands.options import write_options
from laneproof.commands.table import make_parser
from laneproof.engine import Engine
from laneproof.outputs.audit_text import write_audit
from laneproof.outputs.metric_table import METRICS
from laneproof.outputs.text_style import Style
from laneproof.rules import RULES
from laneproof.service.settings import DEFAULT_ADDRESS, DEFAULT_PORT, DEFAULT_STATE, Settings, parse_settings
from laneproof_collectors.collection import read_snapshot
from laneproof_collectors.recording import Frame

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
PAGES = sorted([*DOCS.rglob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"])
LINK = re.compile(r"\[[^\]]*\]\(([^)#\s]*)(#[^)\s]*)?\)")
BLOCK = re.compile(r"(?:^ {4}.*\n?|^\n)+", re.MULTILINE)


def slug(heading: str) -> str:
    """Give the anchor of a heading, as hosts of Markdown make it (common practice, no source)."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def anchors(page: Path) -> set[str]:
    return {slug(heading) for heading in re.findall(r"^#+ (.*)$", page.read_text("utf-8"), re.MULTILINE)}


@pytest.mark.parametrize("page", PAGES, ids=lambda one: one.relative_to(ROOT).as_posix())
def test_every_link_leads_somewhere(page: Path) -> None:
    for target, anchor in LINK.findall(page.read_text("utf-8")):
        if "://" in target:
            continue
        place = (page.parent / target) if target else page
        assert place.exists(), f"{target} is not there"
        assert not anchor or anchor[1:] in anchors(place), f"{target} has no {anchor}"


def test_the_pictures_are_of_the_pages_and_stay_small() -> None:
    pictures = sorted((DOCS / "pictures").iterdir())
    assert {picture.suffix for picture in pictures} == {".png"}
    assert len(pictures) == 18  # three pages, three widths, light and dark
    assert sum(picture.stat().st_size for picture in pictures) < 600_000


def test_every_rule_has_its_page() -> None:
    findings = anchors(DOCS / "findings.md")
    assert {rule.name for rule in RULES} <= findings


def test_every_metric_is_described() -> None:
    page = (DOCS / "metrics.md").read_text("utf-8")
    assert [metric.full_name for metric in METRICS if f"`{metric.full_name}`" not in page] == []


def test_every_option_is_described() -> None:
    assert (DOCS / "options.md").read_text("utf-8") == write_options(), (
        "run: python -m laneproof.commands.options >docs/options.md"
    )


def test_every_key_of_a_recording_is_described() -> None:
    page = (DOCS / "recordings.md").read_text("utf-8")
    assert [key for key in Frame.model_fields if f"| `{key}` |" not in page] == []


def test_the_settings_shown_are_valid_and_the_defaults() -> None:
    page = (DOCS / "run-as-a-service.md").read_text("utf-8")
    block = next(code for code in BLOCK.findall(page) if "[intervals]" in code)
    settings = parse_settings(re.sub(r"^ {4}", "", block, flags=re.MULTILINE), name="run-as-a-service.md")
    assert (settings.address, settings.port, settings.state) == (DEFAULT_ADDRESS, DEFAULT_PORT, DEFAULT_STATE)
    assert [key for key in Settings.model_fields if f"{key}" not in block] == []


def test_the_commands_shown_are_ones_that_the_parser_takes() -> None:
    """Every line of a code block that begins with laneproof is parsed, with its files as they stand there."""
    parser = make_parser()
    shown = 0
    for page in PAGES:
        for line in re.findall(r"^ {4}(?:sudo )?laneproof ([a-z].*)$", page.read_text("utf-8"), re.MULTILINE):
            words = shlex.split(re.split(r"  +|#|>", line)[0])
            parser.parse_args(words)  # ends the test where it is wrong
            shown += 1
    assert shown > 10


def test_the_readme_shows_the_demo_as_it_is() -> None:
    """The README's example is the program's own words."""

    with open_host(None, demo=True) as host:
        snapshot = read_snapshot(host)
    build = load_build(None, demo=True)
    text = write_audit(build, snapshot, Engine(build).observe(snapshot).findings, Style())
    readme = (ROOT / "README.md").read_text("utf-8")
    block = next(code for code in BLOCK.findall(readme) if "kelp-1: " in code)
    shown = [line.removeprefix("    ") for line in block.strip("\n").splitlines()]
    wanted = text.splitlines()[: len(shown)]
    assert shown == wanted, "README.md should show:\n" + "\n".join(f"    {line}".rstrip() for line in wanted)


MACHINE = re.compile(r"(?<![\w.])/(?:work|root|home|tmp/team|Users|mnt/c)/|\.library\b|site-packages/|process_api")


def tracked() -> list[Path]:
    """List what the repository holds, or all that lies in the folder where it is no repository."""
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
    names = done.stdout.decode().split("\0") if done.returncode == 0 else []
    files = [ROOT / name for name in names if name] or [path for path in ROOT.rglob("*") if ".venv" not in path.parts]
    return [file for file in files if file.is_file() and ".git" not in file.parts]


def test_no_file_names_the_machine_it_was_written_on() -> None:
    found = []
    for file in tracked():
        if file == Path(__file__):
            continue
        text = file.read_bytes().decode("utf-8", "replace")
        found += [f"{file.relative_to(ROOT)}: {match[0]}" for match in MACHINE.finditer(text)]
    assert found == []
