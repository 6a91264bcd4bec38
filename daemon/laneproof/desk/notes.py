"""What a desk check has to say besides figures: problems, remarks, and what was taken for granted."""

from dataclasses import dataclass, field
from typing import Any

from laneproof.declaration.assumptions import BASES, Assumptions


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetProblem:
    """One thing that does not fit.

    Attributes:
        what: Its kind, in kebab case.
        subject: What it is about: a label, a slot's name, an array's name.
        says: One sentence with both values.
    """

    what: str
    subject: str
    says: str

    def as_json(self) -> dict[str, str]:
        """Give it as the desk check's JSON has it."""
        return {"what": self.what, "subject": self.subject, "says": self.says}


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One assumption that a figure rests on.

    Attributes:
        key: Its key in ``[assume]``; empty for one that is no figure.
        value: The figure used; None for one that is no figure.
        unit: The figure's unit.
        says: What it means, in words.
        source: Where it comes from.
        declared: Whether the declaration says it, so that it is the owner's.
    """

    key: str
    value: float | None
    unit: str
    says: str
    source: str
    declared: bool = False

    def as_json(self) -> dict[str, Any]:
        """Give it as the desk check's JSON has it."""
        return {
            "key": self.key or None,
            "value": self.value,
            "unit": self.unit or None,
            "says": self.says,
            "source": self.source,
            "declared": self.declared,
        }


@dataclass(slots=True)
class BudgetNotes:
    """Collects what is said while a plan is checked; an assumption is noted when it is used."""

    assume: Assumptions
    problems: list[BudgetProblem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    _used: dict[str, Assumption] = field(default_factory=dict)

    def problem(self, what: str, subject: str, says: str) -> None:
        """Note something that does not fit."""
        self.problems.append(BudgetProblem(what=what, subject=subject, says=says))

    def remark(self, says: str) -> None:
        """Note something worth knowing."""
        if says not in self.remarks:
            self.remarks.append(says)

    def figure(self, key: str) -> float:
        """Give an assumption's figure, and note that it was used."""
        value: float = getattr(self.assume, key)
        basis = BASES[key]
        declared = key in self.assume.model_fields_set
        self._used.setdefault(
            key,
            Assumption(
                key=key,
                value=value,
                unit=basis.unit,
                says=str(Assumptions.model_fields[key].description),
                source="declared" if declared else basis.source,
                declared=declared,
            ),
        )
        return value

    def assumption(self, says: str, source: str) -> None:
        """Note an assumption that is no figure."""
        self._used.setdefault(says, Assumption(key="", value=None, unit="", says=says, source=source))

    @property
    def assumptions(self) -> tuple[Assumption, ...]:
        """Every assumption that was used, figures first, in the order of the declaration's keys."""
        order = [*Assumptions.model_fields]
        figures = [one for one in self._used.values() if one.key]
        words = [one for one in self._used.values() if not one.key]
        return (*sorted(figures, key=lambda one: order.index(one.key)), *words)
