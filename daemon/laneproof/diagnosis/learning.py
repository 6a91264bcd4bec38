"""The weights learn slowly from confirmed causes: the first opinion counts as much as ten cases."""

from collections.abc import Iterable
from dataclasses import replace

from laneproof.diagnosis.weights import DEFAULT, Feature, Weights
from laneproof.past.notes import ConfirmedCause

OPINION_CASES = 10
"""How many confirmed cases the first opinion is worth. Our choice."""


def correct_weights(confirmed: Iterable[ConfirmedCause]) -> Weights:
    """Correct the first opinion by the causes that turned out on this box.

    Args:
        confirmed: All causes that the owner confirmed. What the weights do not know, since another version kept it,
            counts nothing.

    Returns:
        Weights in which each chance is (10 p + seen) / (10 + cases), the cases being those of that cause in which the
        feature was known. The priors stay: one box sees too few faults to know how common each is.

    Source: mean of a beta distribution after binomial data (conjugate prior).
    """
    known = tuple(confirmed)
    return replace(DEFAULT, features=tuple(_corrected(feature, known) for feature in DEFAULT.features))


def _corrected(feature: Feature, cases: tuple[ConfirmedCause, ...]) -> Feature:
    given = dict(feature.given)
    for cause, p in feature.given.items():
        answers = [case.evidence.get(feature.name) for case in cases if case.cause == cause]
        seen, looked = answers.count(True), len(answers) - answers.count(None)
        given[cause] = (OPINION_CASES * p + seen) / (OPINION_CASES + looked)
    return replace(feature, given=given)
