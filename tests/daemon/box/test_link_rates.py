"""Link arithmetic against published tables; each source stands beside its check."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from laneproof.box.link_rates import (
    GENERATIONS,
    LANE_COUNTS,
    Direction,
    ceilings_all_busy,
    describe_rate,
    generation_at,
    lesser_of_ends,
    link_bytes_per_second,
    overhead_bytes,
    payload_bytes_per_second,
    payload_share,
    rate_of,
)
from laneproof_collectors.unread import Unread

MB = 1e6
generations = st.sampled_from(sorted(GENERATIONS))
widths = st.sampled_from(LANE_COUNTS)


# Rates in MB/s. Source: PCI Express Base Specification 6.1, table 1-1 (rate and encoding), worked out; the rounded
# figures are those of common reference tables (0.25, 0.5, 0.985, 1.969, 3.938 and 8 GB/s a lane).
@pytest.mark.parametrize(
    ("generation", "gt_s", "encoding", "by_lanes"),
    [
        (1, 2.5, "8b/10b", {1: 250, 2: 500, 4: 1000, 8: 2000, 16: 4000}),
        (2, 5.0, "8b/10b", {1: 500, 2: 1000, 4: 2000, 8: 4000, 16: 8000}),
        (3, 8.0, "128b/130b", {1: 984.6, 2: 1969.2, 4: 3938.5, 8: 7876.9, 16: 15753.8}),
        (4, 16.0, "128b/130b", {1: 1969.2, 2: 3938.5, 4: 7876.9, 8: 15753.8, 16: 31507.7}),
        (5, 32.0, "128b/130b", {1: 3938.5, 2: 7876.9, 4: 15753.8, 8: 31507.7, 16: 63015.4}),
        (6, 64.0, "1b/1b", {1: 8000, 2: 16000, 4: 32000, 8: 64000, 16: 128000}),
    ],
)
def test_link_rates_are_those_of_the_standard(
    generation: int, gt_s: float, encoding: str, by_lanes: dict[int, float]
) -> None:
    assert rate_of(generation) == gt_s
    assert generation_at(gt_s) == generation
    assert "{}b/{}b".format(*GENERATIONS[generation].encoding) == encoding
    for lanes, megabytes in by_lanes.items():
        assert link_bytes_per_second(generation, lanes) / MB == pytest.approx(megabytes, abs=0.06)


# Source: Intel application note AN 456, "Throughput for Posted Writes": 256 / (256 + 20) = 92 %; others by its formula.
@pytest.mark.parametrize(
    ("payload", "direction", "percent"),
    [
        (128, Direction.WRITE, 86.5),
        (128, Direction.READ, 84.2),
        (256, Direction.WRITE, 92.8),
        (256, Direction.READ, 91.4),
        (512, Direction.WRITE, 96.2),
        (512, Direction.READ, 95.5),
    ],
)
def test_payload_share_follows_the_application_note(payload: int, direction: Direction, percent: float) -> None:
    assert payload_share(4, payload, direction) * 100 == pytest.approx(percent, abs=0.05)


def test_overhead_is_five_or_six_double_words_before_flits() -> None:
    assert [overhead_bytes(number, Direction.WRITE) for number in range(1, 6)] == [20] * 5
    assert [overhead_bytes(number, Direction.READ) for number in range(1, 6)] == [24] * 5


# Worked by the same formula: raw rate times payload / (payload + 24).
@pytest.mark.parametrize(
    ("generation", "lanes", "payload", "megabytes"),
    [(3, 4, 256, 3600.9), (3, 4, 128, 3316.6), (4, 4, 256, 7201.8), (3, 2, 128, 1658.3)],
)
def test_payload_ceiling(generation: int, lanes: int, payload: int, megabytes: float) -> None:
    ceiling = payload_bytes_per_second(generation, lanes, max_payload_bytes=payload)
    assert ceiling / MB == pytest.approx(megabytes, abs=0.06)
    if payload == 256:  # what is taken where it was not read
        assert payload_bytes_per_second(generation, lanes) == ceiling


def test_flits_take_their_share_before_headers() -> None:
    # 236 of 256 bytes, about 92.2 % and 118 GB/s at x16: public summaries of base specification 6.0
    huge = 1 << 30  # headers vanish
    assert payload_share(6, huge) == pytest.approx(236 / 256, rel=1e-6)
    assert payload_bytes_per_second(6, 16, max_payload_bytes=huge) == pytest.approx(118e9, rel=1e-3)
    assert payload_bytes_per_second(6, 1, max_payload_bytes=huge) / MB == pytest.approx(7375, abs=0.1)


@given(generations, widths, st.sampled_from([128, 256, 512, 1024, 2048, 4096]), st.sampled_from(list(Direction)))
def test_payload_is_always_less_than_the_link(generation: int, lanes: int, payload: int, direction: Direction) -> None:
    ceiling = payload_bytes_per_second(generation, lanes, max_payload_bytes=payload, direction=direction)
    assert 0 < ceiling < link_bytes_per_second(generation, lanes)


@given(generations, widths)
def test_a_narrower_or_slower_link_is_never_faster(generation: int, lanes: int) -> None:
    here = payload_bytes_per_second(generation, lanes)
    assert all(payload_bytes_per_second(generation, less) <= here for less in LANE_COUNTS if less <= lanes)
    assert all(payload_bytes_per_second(less, lanes) <= here for less in GENERATIONS if less <= generation)


@pytest.mark.parametrize("number", [0, 7, -1])
def test_unknown_generation_is_refused_with_the_known_ones(number: int) -> None:
    with pytest.raises(ValueError, match=f"no generation {number}; there are 1, 2, 3, 4, 5, 6"):
        rate_of(number)


def test_payload_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="carries nothing"):
        payload_share(3, 0)


def test_rate_that_no_generation_has_is_shown_as_such() -> None:
    assert generation_at(25.0) is None
    assert describe_rate(25.0) == "25 GT/s"
    assert describe_rate(2.5) == "2.5 GT/s (generation 1)"


UNREAD = Unread("max_link_speed of 0000:00:01.1", "not a link speed: b'Unknown'")


@pytest.mark.parametrize(
    ("ends", "capable"),
    [((16.0, 8.0), 8.0), ((4, 4), 4), ((None, 4), 4), ((None, None), None), ((), None), ((2.5, UNREAD), UNREAD)],
)
def test_capable_is_the_lesser_of_both_ends(
    ends: tuple[float | Unread | None, ...], capable: float | Unread | None
) -> None:
    assert lesser_of_ends(*ends) == capable


# --- sharing ----------------------------------------------------------------------------------------------------------


def test_four_equal_drives_share_one_uplink_evenly() -> None:
    drive, uplink = link_bytes_per_second(4, 4), link_bytes_per_second(4, 8)
    routes = {f"d{n}": [f"d{n}", "uplink"] for n in range(4)}
    capacities = {**dict.fromkeys(routes, drive), "uplink": uplink}
    assert ceilings_all_busy(routes, capacities) == pytest.approx(dict.fromkeys(routes, uplink / 4))


def test_what_a_slow_drive_leaves_goes_to_the_others() -> None:
    # one drive on a key adapter at 1 GB/s; three at 8 GB/s; uplink 10 GB/s: the three share 9
    routes = {"slow": ["slow", "uplink"], **{f"d{n}": [f"d{n}", "uplink"] for n in range(3)}}
    capacities = {"slow": 1e9, "d0": 8e9, "d1": 8e9, "d2": 8e9, "uplink": 10e9}
    assert ceilings_all_busy(routes, capacities) == pytest.approx({"slow": 1e9, "d0": 3e9, "d1": 3e9, "d2": 3e9})


def test_device_behind_no_shared_link_keeps_its_own() -> None:
    routes = {"alone": ["own"], "with": ["w", "uplink"], "without": []}
    ceilings = ceilings_all_busy(routes, {"own": 4e9, "w": 4e9, "uplink": 2e9})
    assert ceilings["alone"] == pytest.approx(4e9)
    assert ceilings["with"] == pytest.approx(2e9)
    assert ceilings["without"] == float("inf")


def test_route_over_an_unknown_link_is_a_bug() -> None:
    with pytest.raises(KeyError, match="nowhere"):
        ceilings_all_busy({"d": ["nowhere"]}, {})


capacity = st.floats(min_value=1e6, max_value=1e12)


@given(
    st.lists(st.tuples(capacity, st.integers(0, 2)), min_size=1, max_size=12),
    st.lists(capacity, min_size=3, max_size=3),
)
def test_sharing_never_overfills_a_link_and_wastes_none(drives: list[tuple[float, int]], uplinks: list[float]) -> None:
    routes = {n: [("own", n), ("uplink", which)] for n, (_, which) in enumerate(drives)}
    capacities = {("own", n): own for n, (own, _) in enumerate(drives)}
    capacities |= {("uplink", which): room for which, room in enumerate(uplinks)}
    ceilings = ceilings_all_busy(routes, capacities)
    assert set(ceilings) == set(routes)
    for place, room in capacities.items():
        assert sum(ceilings[n] for n, route in routes.items() if place in route) <= room * (1 + 1e-9)
    for n, route in routes.items():  # each is held by some full link
        assert any(
            sum(ceilings[other] for other, crossed in routes.items() if place in crossed)
            >= capacities[place] * (1 - 1e-9)
            for place in route
        ), n
