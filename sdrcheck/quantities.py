"""Numbers that know how good they are, and the few conversions everybody needs.

Uncertainty arithmetic after JCGM 100 (GUM): terms are standard uncertainties in the unit of the result,
already multiplied by their sensitivity; they combine as root sum of squares; the expanded uncertainty is U = 2·u.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty here; about 95 % where the degrees of freedom are many (JCGM 100, 6.2 and G.6)."""


@dataclass(frozen=True, slots=True)
class Term:
    """One named contribution to an uncertainty: a standard uncertainty in the unit of the result."""

    name: str
    standard: float
    distribution: str = "normal"
    degrees_of_freedom: float = math.inf

    def __post_init__(self) -> None:
        object.__setattr__(self, "standard", float(self.standard))  # numpy's floats are no JSON
        if not self.standard >= 0:
            raise ValueError(f"uncertainty term {self.name!r} must be 0 or more, got {self.standard}")

    @classmethod
    def normal(cls, name: str, standard: float, degrees_of_freedom: float = math.inf) -> Term:
        """Make a term from a standard deviation, one observed in `degrees_of_freedom` + 1 readings."""
        return cls(name, standard, "normal", degrees_of_freedom)

    @classmethod
    def expanded(cls, name: str, expanded: float, k: float = COVERAGE_FACTOR) -> Term:
        """Make a term from a certificate's expanded uncertainty."""
        return cls(name, expanded / k, "normal")

    @classmethod
    def rectangular(cls, name: str, half_width: float) -> Term:
        """Make a term from limits ±`half_width` with nothing known between them (a/√3)."""
        return cls(name, half_width / math.sqrt(3), "rectangular")

    @classmethod
    def triangular(cls, name: str, half_width: float) -> Term:
        """Make a term from limits ±`half_width`, the middle likelier than the ends (a/√6)."""
        return cls(name, half_width / math.sqrt(6), "triangular")

    @classmethod
    def u_shaped(cls, name: str, half_width: float) -> Term:
        """Make a term from limits ±`half_width`, the ends likelier than the middle, as in mismatch (a/√2)."""
        return cls(name, half_width / math.sqrt(2), "U-shaped")

    def times(self, sensitivity: float) -> Term:
        """Carry the term into another unit by its sensitivity coefficient."""
        return replace(self, standard=abs(sensitivity) * self.standard)


def combined(terms: Iterable[Term]) -> float:
    """Combine uncorrelated terms into one standard uncertainty (JCGM 100, 5.1.2)."""
    return math.sqrt(math.fsum(term.standard**2 for term in terms))


def propagated_covariance(
    sensitivities: Sequence[Sequence[float]], covariance: Sequence[Sequence[float]]
) -> list[list[float]]:
    """Covariance of results from that of correlated inputs (JCGM 100, 5.2.2 and H.2.3).

    `sensitivities` has a row for each result, its derivatives by each input; the diagonal of what comes back holds the
    squared standard uncertainties.
    """
    inputs = range(len(covariance))
    return [
        [math.fsum(a[i] * covariance[i][j] * b[j] for i in inputs for j in inputs) for b in sensitivities]
        for a in sensitivities
    ]


def effective_degrees_of_freedom(terms: Iterable[Term]) -> float:
    """Welch–Satterthwaite: how many degrees of freedom the combined uncertainty has (JCGM 100, G.4.1)."""
    terms = tuple(terms)
    spread = math.fsum(t.standard**4 / t.degrees_of_freedom for t in terms if math.isfinite(t.degrees_of_freedom))
    return combined(terms) ** 4 / spread if spread else math.inf


@dataclass(frozen=True, slots=True)
class Measured:
    """A number with its unit and the named terms of its uncertainty."""

    value: float
    unit: str
    terms: tuple[Term, ...] = ()
    method: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "value", float(self.value))
        if not math.isfinite(self.value):
            raise ValueError(f"a measured value must be finite, got {self.value} {self.unit}")

    @property
    def standard_uncertainty(self) -> float:
        return combined(self.terms)

    @property
    def uncertainty(self) -> float:
        """Expanded uncertainty, k = 2, in the same unit."""
        return COVERAGE_FACTOR * self.standard_uncertainty

    def widened(self, *terms: Term) -> Measured:
        """The same value with more terms in its budget."""
        return replace(self, terms=self.terms + terms)

    def shifted(self, amount: float) -> Measured:
        return replace(self, value=self.value + amount)

    def scaled(self, factor: float, unit: str | None = None) -> Measured:
        """The value and all its terms times `factor`, perhaps in another unit."""
        return replace(
            self,
            value=self.value * factor,
            unit=self.unit if unit is None else unit,
            terms=tuple(term.times(factor) for term in self.terms),
        )

    def __str__(self) -> str:
        return f"{self.value:+.6g} ± {self.uncertainty:.2g} {self.unit}"


def power_db(ratio: float) -> float:
    """Decibels of a power ratio; a ratio of 0 or less has none and raises ValueError."""
    return 10 * math.log10(ratio)


def amplitude_db(ratio: float) -> float:
    """Decibels of an amplitude ratio; a ratio of 0 or less has none and raises ValueError."""
    return 20 * math.log10(ratio)
