"""What a specification asks of a lot: how many parts are judged, and how many of them may fail."""

import csv
from decimal import Decimal
from functools import cache
from importlib import resources
from typing import Annotated, Literal, NamedTuple, Self

from pydantic import Field, model_validator

from speclake.specs.requirements.table import Table

Level = Literal["S-1", "S-2", "S-3", "S-4", "I", "II", "III"]
SamplingTable = Literal["MIL-STD-105E single normal"]
TABLE_IN_WORDS = (
    "MIL-STD-105E (the plans of ISO 2859-1:1999), single sampling, normal inspection, table from "
    "memory"
)


class Plan(NamedTuple):
    """Single sampling plan: a lot is accepted where no more of the sample fail than `accept`."""

    sample_size: int
    accept: int
    source: str


class Lot(Table):
    """How the parts of a lot make the outcome of the lot.

    Nothing said: every part must pass. A sampling plan is stated (`sample_size`, `accept`,
    `source`) or taken from a published table (`table`, `level`, `aql_percent`) by the size of the
    lot.
    """

    size: Annotated[int, Field(ge=1)] | None = None
    sample_size: Annotated[int, Field(ge=1)] | None = None
    accept: Annotated[int, Field(ge=0)] | None = None
    source: str = ""
    table: SamplingTable | None = None
    level: Level | None = None
    aql_percent: Decimal | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        stated = (self.sample_size is not None, self.accept is not None, bool(self.source))
        tabled = (self.table is not None, self.level is not None, self.aql_percent is not None)
        for given, keys in (
            (stated, "sample_size, accept and source"),
            (tabled, "table, level and aql_percent"),
        ):
            if any(given) and not all(given):
                raise ValueError(f"{keys} together")
        if any(stated) and any(tabled):
            raise ValueError("a plan with sample_size, or one of a table")
        if self.sample_size is not None and self.accept is not None:
            if self.accept >= self.sample_size:
                raise ValueError("an accept that is below sample_size")
            if self.size is not None and self.sample_size > self.size:
                raise ValueError("a sample_size that is not above size")
        if self.aql_percent is not None and self.aql_percent not in limits_of_quality():
            known = ", ".join(str(each) for each in limits_of_quality())
            raise ValueError(f"aql_percent = one of {known}")
        if self.table is not None and self.size is not None and self.size < SMALLEST_LOT:
            raise ValueError(f"a size of {SMALLEST_LOT} or more with a table")
        return self

    @property
    def is_sampled(self) -> bool:
        """Whether a sample stands for the lot."""
        return self.sample_size is not None or self.table is not None

    def plan(self, size: int | None) -> Plan | None:
        """Plan for a lot of a size; None where every part counts, or where no size is known.

        Where the plan asks for as many parts as the lot has, or more, the whole lot is the sample;
        where every part of it might then fail, none may.

        Parameters
        ----------
        size : of the lot at hand; None where only the specification states one, or nobody.
        """
        size = size or self.size
        if self.sample_size is not None and self.accept is not None:
            n = self.sample_size if size is None else min(self.sample_size, size)
            if self.accept >= n:
                return Plan(n, 0, f"a lot too small for the plan of {self.source}: every part")
            return Plan(n, self.accept, self.source)
        if self.level is None or self.aql_percent is None or size is None:
            return None
        if size < SMALLEST_LOT:
            return Plan(size, 0, "a lot too small for the table: every part")
        found = tabled_plan(size, self.level, self.aql_percent)
        return found._replace(sample_size=min(found.sample_size, size))


SMALLEST_LOT = 2
"""The smallest lot for which the published table has a plan."""


def tabled_plan(size: int, level: Level, aql_percent: Decimal) -> Plan:
    """Single sampling plan for normal inspection of a published table.

    Parameters
    ----------
    size : of the lot, 2 or more.
    aql_percent : acceptance quality limit in percent nonconforming.

    References
    ----------
    MIL-STD-105E (1989), tables I and II-A; ISO 2859-1:1999, tables 1 and 2-A. From memory.

    Examples
    --------
    >>> tabled_plan(1000, "II", Decimal("1.0"))[:2]
    (80, 2)
    """
    letter = _code_letter(size, level)
    plans = _plans()
    letters = list(plans)
    at = letters.index(letter)
    column = str(next(each for each in limits_of_quality() if each == aql_percent))
    while (entry := plans[letters[at]][column]) in ("up", "down"):
        at += 1 if entry == "down" else -1
    row = plans[letters[at]]
    asked = f"level {level}, AQL {column} %, code letter {letter}"
    return Plan(int(row["sample_size"]), int(entry), f"{TABLE_IN_WORDS}; {asked}")


@cache
def limits_of_quality() -> tuple[Decimal, ...]:
    """Acceptance quality limits of the table, in percent nonconforming."""
    row = next(iter(_plans().values()))
    return tuple(Decimal(name) for name in row if name not in ("letter", "sample_size"))


def _code_letter(size: int, level: Level) -> str:
    for row in _rows("code_letters.csv"):
        if int(row["from"]) <= size and (not row["to"] or size <= int(row["to"])):
            return row[level]
    raise ValueError(f"{size} parts; expected a lot of {SMALLEST_LOT} or more")


@cache
def _plans() -> dict[str, dict[str, str]]:
    return {row["letter"]: row for row in _rows("single_normal_plans.csv")}


@cache
def _rows(file: str) -> tuple[dict[str, str], ...]:
    """Lines of a table below the line that names its source."""
    text = (resources.files("speclake.specs") / "data" / file).read_text("utf-8")
    return tuple(csv.DictReader(text.splitlines()[1:]))
