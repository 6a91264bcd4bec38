"""Metrics of the last acceptance run: each position's verdict, and the figures behind it."""

from collections.abc import Iterator

from laneproof.proof.judgement import judge
from laneproof.proof.run_record import ProofRun, StageName

Sample = tuple[str, tuple[str, ...], float]


def list_proof_samples(run: ProofRun) -> Iterator[Sample]:
    """Give every sample of a run; a figure that it does not have is an absent series.

    Args:
        run: The run.
    """
    proof = judge(run)
    yield "proof_timestamp_seconds", (), run.began_at
    for position in proof.positions:
        yield "proof_verdict", (position.name, position.verdict), 1
    for link in (*(position.link for position in proof.positions), *proof.shared_links):
        if link is not None and link.upper is not None:
            yield "proof_link_bits", (link.name,), link.bits
            yield "proof_link_errors", (link.name,), link.errors
            yield "proof_link_error_ratio", (link.name,), link.upper
    for drive in run.drives:
        if (rate := drive.rate(StageName.ALONE)) is not None:
            yield "proof_read_bytes_per_second", (drive.name,), rate
