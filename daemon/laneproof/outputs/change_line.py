"""A change of a finding in one line: what, both values, the likely cause, what to do next, and what to mind then."""

from laneproof.findings import Change, FindingChange
from laneproof.outputs.cases import say_likely
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
        parts += [
            *(say_likely(cause.cause, cause.probability) for cause in finding.causes[:1]),
            *(f"next: {step}" for step in list_steps(finding)[:1]),
        ]
        parts += list_cautions((finding,), most_steps=1)
    return printable("; ".join(part.rstrip(".") for part in parts))
