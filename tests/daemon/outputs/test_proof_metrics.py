"""The metrics of a run are those of its judgement, and all of them stand in the table."""

from boxes.proven_box import RISER_3, position, run_box
from laneproof.outputs.metric_table import BY_NAME
from laneproof.outputs.proof_metrics import list_proof_samples
from laneproof.proof.simulated_machine import Fault


def test_each_position_has_its_verdict_and_its_bound() -> None:
    run = run_box({RISER_3: Fault(errors_per_bit=5e-12)}, mode="quick")
    again = run_box(only="riser-4").model_copy(update={"began_at": run.began_at + 60.0})
    samples = {(name, labels): value for name, labels, value in list_proof_samples((run, again))}
    link = position(run, RISER_3).link
    assert link is not None
    assert samples["proof_verdict", (RISER_3, "differs")] == 1
    assert samples["proof_verdict", ("riser-1", "holds")] == 1
    assert samples["proof_timestamp_seconds", ("riser-4",)] == samples["proof_timestamp_seconds", (RISER_3,)] + 60.0
    assert samples["proof_link_errors", (RISER_3,)] == link.errors
    assert samples["proof_link_error_ratio", ("deck",)] < 1e-12
    assert samples["proof_read_bytes_per_second", ("riser-1",)] > 5e9
    assert all(len(BY_NAME[name].labels) == len(labels) for name, labels in samples)
