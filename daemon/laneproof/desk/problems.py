"""What a desk check has to say besides figures: problems, conditions, remarks and assumptions."""

from dataclasses import dataclass, field

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One assumption that a figure rests on.

    Attributes:
        key: Its key in ``[assume]``; None for one that is no figure.
        value: The figure used; None for one that is no figure.
        unit: The figure's unit; None where it has none.
        says: What it means, in words.
        source: Where it comes from.
        declared: Whether the declaration says it, so that it is the owner's.
    """

    key: str | None = None
    value: float | None = None
    unit: str | None = None
    says: str
    source: str
    declared: bool = False


@dataclass(slots=True)
class BudgetNotes:
    """Collects what is said while a declaration is checked; an assumption is noted when it is used."""

    assume: Assumptions
    problems: list[BudgetProblem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    _assumptions: dict[str, Assumption] = field(default_factory=dict)

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
        self._assumptions[key] = Assumption(
            key=key,
            value=value,
            unit=basis.unit,
            says=str(Assumptions.model_fields[key].description),
            source="declared" if declared else basis.source,
            declared=declared,
        )
        return value

    def assumption(self, says: str, source: str) -> None:
        """Note an assumption that is no figure."""
        self._assumptions[says] = Assumption(says=says, source=source)

    @property
    def assumptions(self) -> tuple[Assumption, ...]:
        """Every assumption that was used, figures first, in the order of the declaration's keys."""
        figures = [self._assumptions[key] for key in Assumptions.model_fields if key in self._assumptions]
        words = [assumption for assumption in self._assumptions.values() if assumption.key is None]
        return (*figures, *words)
