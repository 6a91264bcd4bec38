from laneproof.declaration.assumptions import BASES, Assumptions


def test_every_assumption_has_a_source() -> None:
    assert set(BASES) == set(Assumptions.model_fields)
    assert all(base.source for base in BASES.values())


def test_network_share_is_what_the_frame_leaves() -> None:
    # IEEE 802.3: preamble 8, header 14, check 4, gap 12; IPv4 header 20 and TCP header 20 with 12 of time stamps
    assert abs(Assumptions().network_payload_share - (1500 - 52) / (1500 + 38)) < 0.001


def test_each_figure_is_the_one_that_the_trade_or_its_source_gives() -> None:
    # A USB port gives 900 mA at 5 V; md's own ceiling is 200000 KiB/s; JESD218's client class, one bit in 1e15 (from
    # memory); the others are common practice, no source
    assert Assumptions().model_dump() == {
        "max_payload_bytes": 256, "network_payload_share": 0.941, "rebuild_rate": 200_000 * 1024,
        "annual_failure_rate": 0.01, "unreadable_per_bit": 1e-15, "nvme_watts": 9, "sata_watts": 8,
        "usb_watts": 0.9 * 5, "network_watts": 10, "other_watts": 25, "memory_module_watts": 5, "processor_watts": 65,
        "board_watts": 20, "supply_margin": 0.2, "air_rise_celsius": 10,
    }  # fmt: skip
