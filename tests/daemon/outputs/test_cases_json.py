"""The cases' document keeps to its schema, and is read back as the findings that it was made of."""

from dataclasses import replace

import pytest
from jsonschema import Draft202012Validator

from boxes.troubled_box import SIGN, troubled
from laneproof.findings import order_findings
from laneproof.outputs.cases_json import CasesReport, PositionFacts, cases_as_json, read_cases


def test_what_is_written_keeps_to_the_schema_and_is_read_back_whole() -> None:
    judged = troubled()
    document = cases_as_json(judged.build, judged.snapshot, judged.findings, age_seconds=4.0)
    assert list(Draft202012Validator(CasesReport.model_json_schema(by_alias=True)).iter_errors(document)) == []
    standing = read_cases(document)
    wanted = [finding for finding in order_findings(judged.findings) if finding.accepted is None]
    assert sorted(finding.identity for finding in standing.findings) == sorted(finding.identity for finding in wanted)
    sign = next(finding for finding in standing.findings if finding.rule == SIGN.rule)
    assert replace(sign, key="") == SIGN
    assert standing.positions["riser-1"] == PositionFacts(slot="", serial="FN-1")
    assert (standing.box, standing.age_seconds) == ("kelp-1", 4.0)


@pytest.mark.parametrize("document", [None, [], {}, {"box": "x", "age_seconds": 1, "cases": [{}], "positions": {}}])
def test_another_document_is_refused(document: object) -> None:
    with pytest.raises(ValueError, match="not the cases of a box"):
        read_cases(document)
