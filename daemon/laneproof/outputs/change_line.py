"""A change of a finding in one line: what, both values, the likely cause, what to do next, and what to mind then."""

from laneproof.diagnosis.weights import CauseName, say_cause
from laneproof.findings import Change, Finding, FindingChange
from laneproof.outputs.steps_and_cautions import list_cautions, list_steps
from laneproof.outputs.text_style import printable


def write_change_line(change: FindingChange) -> str:
    """Write the line; a finding that is cleared asks for nothing any more."""
    finding = change.finding
    head = f"{change.change} {finding.rule} ({finding.severity}): {finding.summary}"
    if change.change is Change.CLEARED:
        return printable(head)
    parts = [head]
    if finding.accepted is not None:
        parts.append(f"accepted: {finding.accepted}")
    else:
        parts += [*_write_cause(finding), *(f"next: {step}" for step in list_steps(finding)[:1])]
        parts += list_cautions((finding,), most_steps=1)
    return printable("; ".join(part.rstrip(".") for part in parts))


def _write_cause(finding: Finding) -> tuple[str, ...]:
    if not finding.causes:
        return ()
    cause = finding.causes[0]
    if cause.cause == CauseName.UNDETERMINED:
        return ("cause undetermined",)
    return (f"likely cause: {say_cause(cause.cause)}, {cause.probability:.0%}",)
