"""Metrics of the last acceptance runs: each position's verdict, and the figures behind it."""

from collections.abc import Iterable, Iterator

from laneproof.outputs.metric_table import Sample
from laneproof.proof.judgement import judge
from laneproof.proof.run_record import ProofRun, StageName


def list_proof_samples(runs: Iterable[ProofRun]) -> Iterator[Sample]:
    """Give every sample, each position's by its last run; a figure that this does not have is an absent series."""
    latest: dict[tuple[str, str], tuple[Sample, ...]] = {}
    for run in runs:
        proof, drives = judge(run), {drive.name: drive for drive in run.drives}
        for position in proof.positions:
            samples = [
                ("proof_timestamp_seconds", (position.name,), run.began_at),
                ("proof_verdict", (position.name, position.verdict), 1.0),
            ]
            if (rate := drives[position.name].rate(StageName.ALONE)) is not None:
                samples.append(("proof_read_bytes_per_second", (position.name,), rate))
            latest["position", position.name] = tuple(samples)
        for link in (*(position.link for position in proof.positions), *proof.shared_links):
            if link is not None and link.upper is not None:
                latest["link", link.name] = (
                    ("proof_link_bits", (link.name,), link.bits),
                    ("proof_link_errors", (link.name,), link.errors),
                    ("proof_link_error_ratio", (link.name,), link.upper),
                )
    for found in latest.values():
        yield from found
