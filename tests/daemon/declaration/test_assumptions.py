from laneproof.declaration.assumptions import BASES, Assumptions


def test_every_assumption_has_a_source() -> None:
    assert set(BASES) == set(Assumptions.model_fields)
    assert all(base.source for base in BASES.values())


def test_network_share_is_what_the_frame_leaves() -> None:
    # IEEE 802.3: preamble 8, header 14, check 4, gap 12; IPv4 header 20 and TCP header 20 with 12 of time stamps
    assert abs(Assumptions().network_payload_share - (1500 - 52) / (1500 + 38)) < 0.001


def test_only_what_was_written_counts_as_declared() -> None:
    assert Assumptions.model_validate({"nvme_watts": 6}).model_fields_set == {"nvme_watts"}
