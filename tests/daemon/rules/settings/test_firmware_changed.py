"""firmware-changed: an update is reported as one, once for all drives, and for a week."""

from boxes.simulated_past import PATHS, Story
from boxes.snapshot_box import Box, declare, declare_risers, one_drive
from boxes.story_engine import DAY, Watcher
from laneproof.rules.settings.firmware_changed import FIRMWARE_CHANGED
from support.rule_examples import check_examples, example


def all_at(firmware: str) -> Box:
    made = Box()
    for number, path in enumerate(PATHS):
        made.with_port(path).with_drive(path, serial=f"FN{number}", firmware=firmware)
    return made


def test_updated_firmware_is_one_notice_for_all_for_a_week_and_no_doubt_of_an_identity() -> None:
    for rule, findings in (("firmware-changed", 1), ("identity-doubtful", 0)):
        watcher = Watcher(rule).observe(all_at("2.1")).restart().observe(all_at("2.2"), after=60)
        assert len(watcher.standing) == findings
        assert all(finding.summary.count("from 2.1 to 2.2") == len(PATHS) for finding in watcher.standing)
        assert watcher.observe(all_at("2.2"), after=8 * DAY).standing == []


def test_it_is_silent_where_the_declaration_names_the_firmware() -> None:
    declared = [
        f'[[position]]\nlabel = "a{number}"\npath = "{path}"\noccupant = {{ firmware = "2.2" }}\n'
        for number, path in enumerate(PATHS)
    ]
    build = declare("".join(declared))
    for after in ("2.2", "2.3"):
        watcher = Watcher("firmware-changed", build).observe(all_at("2.1")).restart().observe(all_at(after), after=60)
        assert watcher.standing == []


def test_examples() -> None:
    check_examples(
        FIRMWARE_CHANGED,
        declare_risers(1),
        example(one_drive(firmware="2.1"), past=Story().observe(one_drive(firmware="2.1")).past),
        example(
            one_drive(firmware="2.2"),
            "notice firmware of drives | If it was updated",
            past=Story().observe(one_drive(firmware="2.1")).observe(one_drive(firmware="2.2"), after=DAY).past,
        ),
    )
