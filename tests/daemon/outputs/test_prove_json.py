"""The report keeps to its schema, and the run in it can be judged again."""

import json

import jsonschema

from boxes.proven_box import RISER_3, run_box
from laneproof.outputs.prove_json import as_json, prove_schema
from laneproof.proof.judgement import judge
from laneproof.proof.run_record import ProofRun
from laneproof.proof.simulated_machine import Fault


def test_the_report_keeps_to_its_schema() -> None:
    run = run_box({RISER_3: Fault(errors_per_bit=2e-12)}, mode="quick")
    report = json.loads(json.dumps(as_json(run, judge(run))))
    jsonschema.validate(report, prove_schema())
    assert (report["schema"], report["verdict"]) == (1, "differs")
    assert judge(ProofRun.model_validate(report["run"])) == judge(run)
