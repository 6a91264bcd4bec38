"""How likely each cause is, given what was seen, what was looked for and is absent, and what is unknown.

A plain Bayesian score, made cautious in two ways. Features of one group partly repeat each other, so all but the
strongest of them count half. And no cause is named unless it stands out and something that was seen points to it:
otherwise the answer is "undetermined", with the check that would show most.
"""

import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from laneproof.advice import COPY_NOW, Step
from laneproof.diagnosis.next_steps import CHECKS, REMEDIES
from laneproof.diagnosis.weights import DEFAULT, CauseName, Feature, Weights, say_cause
from laneproof.findings import Cause

NAMED_PROBABILITY = 0.70
NAMED_RATIO = 3.0
NAMED_FEATURES = 3
"""What it takes to name a cause: this likely, this many times the next, on this many features. Our choice."""

POINTS_TO = 1.75
"""What was seen points to a cause if it is seen with it this many times as often as usual. Our choice: where nothing
does, the others were only ruled out, by features that their faults do not always show."""

SECONDARY_WEIGHT = 0.5
"""What a feature counts that is not the strongest of its group."""

_TELLING = math.log(1.1)  # a feature that moves a cause by less than a tenth is no reason


@dataclass(frozen=True, slots=True, kw_only=True)
class NextCheck:
    """A feature that is not known yet."""

    feature: str
    bits: float  # how much less uncertain the diagnosis would be once it is known, on average


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What the evidence comes to."""

    verdict: str  # the cause named, or ``undetermined``
    # the verdict first, then the others by how likely they are, each with its reasons. The probability of
    # ``undetermined`` is the chance that the likeliest cause is not the true one
    causes: tuple[Cause, ...]
    posterior: Mapping[str, float]  # how likely each cause is; together one
    observed: tuple[str, ...]
    next_checks: tuple[NextCheck, ...]  # what is not known yet, the one that would show most first
    next_steps: tuple[Step, ...]  # what to do next: about the cause that is named, else the check that would show most


def diagnose(
    evidence: Mapping[str, bool | None],
    weights: Weights = DEFAULT,
    *,
    clean_time: str | None = None,
    cannot_try: Collection[str] = (),
) -> Diagnosis:
    """Say how likely each cause is, and why.

    Args:
        evidence: By feature, True for seen, False for looked for and absent. What is not known is None or left out; a
            cure counts only once its trial is over.
        weights: The weights of this box.
        clean_time: How long it must stay clean after a change, in words, for the next steps.
        cannot_try: Features whose check cannot be made here.

    Raises:
        ValueError: The evidence names a feature that the weights do not know.
    """
    known = {name: seen for name, seen in evidence.items() if seen is not None}
    features = {feature.name: feature for feature in weights.features}
    for name in known:
        if name not in features:
            near = get_close_matches(name, features, n=1)
            raise ValueError(f"no such feature: {name!r}" + (f"; did you mean {near[0]!r}?" if near else ""))
    posterior = posterior_of(known, weights)
    ranked = sorted(posterior, key=lambda cause: (-posterior[cause], cause))
    checks = tuple(check for check in rank_checks(known, weights) if check.feature not in cannot_try)
    stands_out = _stands_out(ranked, posterior)
    is_named = stands_out and len(known) >= NAMED_FEATURES and _is_pointed_to(ranked[0], known, weights)
    verdict = ranked[0] if is_named else str(CauseName.UNDETERMINED)
    causes = [
        Cause(cause=str(cause), probability=posterior[cause], because=_reasons(cause, known, weights))
        for cause in ranked
    ]
    if not is_named:
        doubt = _doubt(ranked, posterior, len(known), checks, stands_out=stands_out)
        causes.insert(0, Cause(cause=verdict, probability=1.0 - posterior[ranked[0]], because=doubt))
        next_steps = [CHECKS[check.feature].step for check in checks[:1]]
    else:
        left_out = [CHECKS[feature].step for feature in cannot_try]
        next_steps = [step for step in REMEDIES[verdict] if step not in left_out]
    if known.get("media_errors_rising"):
        next_steps.insert(0, COPY_NOW)  # data first, whatever the cause
    return Diagnosis(
        verdict=verdict,
        causes=tuple(causes),
        posterior=posterior,
        observed=tuple(sorted(known)),
        next_checks=checks,
        next_steps=tuple(step.after(clean_time) for step in next_steps),
    )


def _chances(feature: Feature, *, seen: bool) -> dict[str, float]:
    return {cause: p if seen else 1.0 - p for cause, p in feature.given.items()}


def _tempered(known: Mapping[str, bool], weights: Weights) -> list[tuple[Feature, dict[str, float]]]:
    # Each known feature with its logarithms, already weighed: in a group the widest spread counts whole.
    groups: dict[str, list[tuple[float, str, Feature, dict[str, float]]]] = {}
    for feature in weights.features:
        if (seen := known.get(feature.name)) is not None:
            logs = {cause: math.log(chance) for cause, chance in _chances(feature, seen=seen).items()}
            spread = max(logs.values()) - min(logs.values())
            groups.setdefault(feature.group, []).append((-spread, feature.name, feature, logs))
    weighed = []
    for members in groups.values():
        members.sort(key=lambda member: member[:2])
        for rank, (_, _, feature, logs) in enumerate(members):
            share = 1.0 if rank == 0 else SECONDARY_WEIGHT
            weighed.append((feature, {cause: share * log for cause, log in logs.items()}))
    return weighed


def posterior_of(known: Mapping[str, bool], weights: Weights = DEFAULT) -> dict[str, float]:
    """How likely is each cause? Together one, in the order of the priors.

    Source: T. Bayes, with features taken for independent but for the tempering within groups.
    """
    scores = {cause: math.log(prior) for cause, prior in weights.priors.items()}
    for _, logs in _tempered(known, weights):
        for cause, log in logs.items():
            scores[cause] += log
    top = max(scores.values())
    shares = {cause: math.exp(score - top) for cause, score in scores.items()}
    whole = math.fsum(shares.values())
    return {cause: share / whole for cause, share in shares.items()}


def entropy_bits(chances: Iterable[float]) -> float:
    """Give how uncertain a set of chances is: their entropy in bits, 0 when certain.

    Source: C. E. Shannon, A Mathematical Theory of Communication (1948).
    """
    return -math.fsum(p * math.log2(p) for p in chances if p > 0.0)


def rank_checks(known: Mapping[str, bool], weights: Weights = DEFAULT) -> tuple[NextCheck, ...]:
    """Rank the unknown features that can be tried by the entropy that knowing each would take away on average."""
    posterior = posterior_of(known, weights)
    now = entropy_bits(posterior.values())
    checks = []
    for feature in weights.features:
        if feature.name in known or feature.by_watching:
            continue
        chance = math.fsum(posterior[cause] * p for cause, p in feature.given.items())
        then = math.fsum(
            share * entropy_bits(posterior_of({**known, feature.name: seen}, weights).values())
            for seen, share in ((True, chance), (False, 1.0 - chance))
        )
        checks.append(NextCheck(feature=feature.name, bits=now - then))
    return tuple(sorted(checks, key=lambda check: (-check.bits, check.feature)))


def _stands_out(ranked: list[str], posterior: Mapping[str, float]) -> bool:
    first = posterior[ranked[0]]
    return first >= NAMED_PROBABILITY and all(first >= NAMED_RATIO * posterior[other] for other in ranked[1:])


def _is_pointed_to(cause: str, known: Mapping[str, bool], weights: Weights) -> bool:
    if cause == CauseName.POWER_MANAGEMENT and known.get("idle_states_on") and known.get("drops_under_load") is False:
        # a drive that rests most of the time never shows that its episodes favour rest; that none came under load,
        # while it has idle states to leave, is as much as there is to see
        return True
    return any(seen and lift >= math.log(POINTS_TO) for lift, seen, _ in _lifts(cause, known, weights))


def _lifts(cause: str, known: Mapping[str, bool], weights: Weights) -> Iterator[tuple[float, bool, Feature]]:
    # What each known feature says for a cause, measured against how often the same would be seen if nothing were known.
    total = math.fsum(weights.priors.values())
    for feature in weights.features:
        if (seen := known.get(feature.name)) is not None:
            chance = _chances(feature, seen=seen)
            usual = math.fsum(weights.priors[given] * p for given, p in chance.items()) / total
            yield math.log(chance[cause] / usual), seen, feature


def _reasons(cause: str, known: Mapping[str, bool], weights: Weights) -> tuple[str, ...]:
    # What speaks for the cause, the strongest first, then what speaks against it.
    weighed = sorted(
        ((lift, feature.seen if seen else feature.absent) for lift, seen, feature in _lifts(cause, known, weights)),
        reverse=True,
    )
    reasons = [sentence for lift, sentence in weighed if lift > _TELLING]
    reasons += [f"against it: {sentence}" for lift, sentence in reversed(weighed) if lift < -_TELLING]
    if not reasons:
        share = weights.priors[cause] / math.fsum(weights.priors.values())
        reasons = [f"nothing known speaks for or against it but how common it is ({share:.0%})"]
    return tuple(reasons)


def _doubt(
    ranked: list[str],
    posterior: Mapping[str, float],
    observed: int,
    checks: tuple[NextCheck, ...],
    *,
    stands_out: bool,
) -> tuple[str, ...]:
    leading = " and ".join(f"{say_cause(cause)} at {posterior[cause]:.0%}" for cause in ranked[:2])
    if observed < NAMED_FEATURES:
        why = f"too little is known ({observed} of the {NAMED_FEATURES} observations that it takes to name a cause)"
    elif stands_out:
        why = "nothing that was seen points to a cause, others were only ruled out"
    else:
        why = "no cause stands out"
    reasons = [f"{why}: likeliest are {leading}"]
    if checks:
        reasons.append(f"what would show most: {CHECKS[checks[0].feature].question}")
    return tuple(reasons)
