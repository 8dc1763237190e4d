"""One figure of a reference table: value, unit, where it comes from and how far it can be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, TypeAlias

CellValue: TypeAlias = float | bool | str | Mapping[str, int] | None

STATUSES: Final = ("published", "computed", "from memory", "unknown")
"""How far a figure can be trusted: read in the source named, reckoned as the source says, unconfirmed, absent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One figure with where it comes from.

    Attributes
    ----------
    value : float, bool, str, mapping or None
        What to reckon with; None where it is not known.
    low, high : float or None
        The spread where sources or makers differ.
    unit, source : str
    status : str
        One of STATUSES.
    """

    unit: str
    source: str
    status: str
    value: CellValue = None
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if self.status not in STATUSES:
            raise ValueError(f"status is {self.status!r}; expected one of {', '.join(STATUSES)}")
        if (self.value is None) != (self.status == "unknown"):
            raise ValueError(
                f"status is {self.status!r} with value {self.value!r}; unknown means no value, and only that"
            )

    @property
    def number(self) -> float | None:
        """The value as a number, or None where it is not known or not a number."""
        if isinstance(self.value, bool) or not isinstance(self.value, (int, float)):
            return None
        return float(self.value)

    @property
    def flag(self) -> bool | None:
        """The value as yes or no, or None where it is neither."""
        return self.value if isinstance(self.value, bool) else None
