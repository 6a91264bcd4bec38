"""What a run gains over watching is counted on the same faults, and its median has the bounds that tables give."""

import math

import pytest

from simulation.proof_lead import Lead, compare, say_median, write_leads


@pytest.mark.parametrize(
    ("days", "said"),
    [
        # the second and the ninth of ten: Dixon and Massey, Introduction to Statistical Analysis, table of confidence
        # intervals for the median (from memory); 95 % needs six values at least
        ([float(day) for day in range(1, 11)], "5.0 (2.0 to 9.0)"),
        ([1.0, 2.0, 3.0], "2.0 (0.0 to more than 30)"),
        ([1.0, *[math.inf] * 9], "more than 30 (more than 30 to more than 30)"),
        ([], "-"),
    ],
)
def test_a_median_has_its_exact_bounds(days: list[float], said: str) -> None:
    assert say_median(days) == said


def test_a_fault_is_watched_and_run_with_the_same_story() -> None:
    lead = compare("drive-failing", 1000)
    assert lead == compare("drive-failing", 1000)
    assert lead.is_named_by_run
    assert not lead.is_misled


def test_each_fault_is_counted_where_it_belongs() -> None:
    leads = [
        Lead(kind="heat", watched_hours=None, is_misled=True, is_named_by_run=True),
        Lead(kind="heat", watched_hours=48.0, is_misled=False, is_named_by_run=False),
    ]
    page = write_leads(leads, command="x")
    row = next(line for line in page.splitlines() if line.startswith("| heat |"))
    assert row.split(" | ")[1:4] == ["2", "1/2 = 50 % (1 to 99)", "1/2 = 50 % (1 to 99)"]
    assert "of 1 of these 1 faults watching did not name it" in " ".join(page.split())
