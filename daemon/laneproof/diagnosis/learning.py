"""The weights learn slowly from confirmed causes: the first opinion counts as much as ten cases."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from laneproof.diagnosis.weights import Feature, Weights

OPINION_CASES = 10
"""How many confirmed cases the first opinion is worth. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmedCase:
    """One episode whose cause the owner confirmed.

    Attributes:
        cause: The cause.
        evidence: By feature, True for seen, False for looked for and absent; None or left out where nobody knew.
    """

    cause: str
    evidence: Mapping[str, bool | None]


def correct_weights(weights: Weights, cases: Iterable[ConfirmedCase]) -> Weights:
    """Correct the weights by the confirmed cases.

    Args:
        weights: The first opinion (not weights that were corrected before: all cases are given each time).
        cases: The confirmed cases of this box.

    Returns:
        Weights in which each chance is (10 p + seen) / (10 + cases), the cases being those of that cause in which the
        feature was known. The priors stay: one box sees too few faults to know how common each is.

    Raises:
        ValueError: A case names a cause or a feature that the weights do not know.

    Source: mean of a beta distribution after binomial data (conjugate prior).
    """
    known = tuple(cases)
    names = {feature.name for feature in weights.features}
    for case in known:
        if case.cause not in weights.priors:
            raise ValueError(f"no such cause: {case.cause!r}; one of {', '.join(weights.priors)}")
        for name in case.evidence:
            if name not in names:
                raise ValueError(f"no such feature: {name!r}")
    return replace(weights, features=tuple(_corrected(feature, known) for feature in weights.features))


def _corrected(feature: Feature, cases: tuple[ConfirmedCase, ...]) -> Feature:
    given = dict(feature.given)
    for cause, p in feature.given.items():
        answers = [case.evidence.get(feature.name) for case in cases if case.cause == cause]
        seen, looked = answers.count(True), len(answers) - answers.count(None)
        given[cause] = (OPINION_CASES * p + seen) / (OPINION_CASES + looked)
    return replace(feature, given=given)
