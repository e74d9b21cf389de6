"""Requirements on weighted means: luminous, solar, ultraviolet, and by a lab's own weights."""

from itertools import pairwise
from typing import Annotated, ClassVar, Literal, Self, get_args

from pydantic import Field, model_validator
from typing_extensions import override

from speclake.specs.requirements.common import Place, Position, Requirement, Table
from speclake.units import AxisUnit, Medium

Weight = Annotated[float, Field(ge=0, allow_inf_nan=False)]
FillKind = Literal["end value", "zero"]
Percent = Annotated[float, Field(gt=0, lt=100)]

LuminousTable = Literal[
    "CIE illuminant A times V(lambda), 5 nm",
    "CIE illuminant C times V(lambda), 5 nm",
    "CIE illuminant D50 times V(lambda), 5 nm",
    "CIE illuminant D65 times V(lambda), 5 nm",
    "EN 410 table 1, from memory",
    "CIE V(lambda), 1 nm",
]
SolarTable = Literal["ASTM G173-03 global", "ASTM G173-03 direct", "EN 410 table 2, from memory"]
LightTable = Literal[
    "CIE illuminant A, 5 nm",
    "CIE illuminant C, 5 nm",
    "CIE illuminant D50, 5 nm",
    "CIE illuminant D65, 5 nm",
]
LUMINOUS, SOLAR, LIGHT = get_args(LuminousTable), get_args(SolarTable), get_args(LightTable)
SHIPPED_TABLES: tuple[str, ...] = (*LUMINOUS, *SOLAR, *LIGHT)
"""Names of the tables that come with the package; a lab's own table has another name."""

MADE_FOR = {"luminous mean": LUMINOUS, "solar mean": SOLAR, "ultraviolet mean": SOLAR}
"""Of the tables that come with the package, those that a kind of mean may use."""


class OwnTable(Table):
    """A lab's own table of weights, kept with the requirement and so in its version."""

    kind: Literal["density", "summed weights", "lines"]
    unit: AxisUnit
    medium: Medium | None = None
    source: str = Field(min_length=1)
    rows: tuple[tuple[Position, Weight], ...]

    @model_validator(mode="after")
    def _rises(self) -> Self:
        at = [position for position, _ in self.rows]
        if not at or any(after <= before for before, after in pairwise(at)):
            raise ValueError("rows [position, weight], each position above the one before")
        if not any(weight for _, weight in self.rows):
            raise ValueError("rows of which at least one has a weight above zero")
        return self


class Filled(Requirement):
    """A number that needs a whole range, and may say what stands in for a missing end."""

    fill: FillKind | None = None
    fill_up_to: Percent | None = None

    @model_validator(mode="after")
    def _fills_up_to(self) -> Self:
        if (self.fill is None) != (self.fill_up_to is None):
            raise ValueError("fill together with fill_up_to = percent of the weight, or neither")
        return self

    def _fill_in_words(self) -> str:
        if self.fill is None:
            return ""
        stands = {"end value": "the value at the end", "zero": "zero"}[self.fill]
        return f", {stands} standing in for up to {self.fill_up_to:g} % of the weight"


class WeightedRequirement(Filled):
    """Mean of a spectrum by a table of weights."""

    place: ClassVar[Place] = "optional band"

    what: Literal["luminous mean", "solar mean", "ultraviolet mean", "weighted mean"]
    unit: Literal["%T", "T", "%R", "R"]
    method: str = Field(min_length=1)
    edition: str = Field(min_length=1)
    weights: str = Field(min_length=1)
    integration: Literal["table grid", "spectrum grid", "sum"]
    largest_interval: Position
    table: OwnTable | None = None

    @model_validator(mode="after")
    def _fits_its_table(self) -> Self:
        self._check_name()
        unit = self.table.unit if self.table else "nm"
        if self.weights in SHIPPED_TABLES or self.table is not None:
            if (self.kind == "density") == (self.integration == "sum"):
                wanted = '"table grid" or "spectrum grid"' if self.kind == "density" else '"sum"'
                raise ValueError(f"integration = {wanted} with {self.weights}")
            if self.axis_unit != unit:
                raise ValueError(f'axis_unit = "{unit}", in which {self.weights} counts')
        if self.table and self.table.medium and self.medium not in (None, self.table.medium):
            raise ValueError(f"no medium but {self.table.medium}, in which {self.weights} counts")
        return self

    def _check_name(self) -> None:
        made_for = MADE_FOR.get(self.what, SHIPPED_TABLES)
        if self.weights in SHIPPED_TABLES:
            if self.table is not None:
                raise ValueError(f"no table of its own under the name {self.weights!r}")
            if self.weights not in made_for:
                raise ValueError(f'with what = "{self.what}" weights of {", ".join(made_for)}')
            if self.what == "ultraviolet mean" and self.band is None:
                raise ValueError(f"band = [from, to], the ultraviolet part of {self.weights}")

    @property
    def kind(self) -> str:
        """What the weights are: a density, summed weights or lines."""
        if self.table is not None:
            return self.table.kind
        return "summed weights" if self.weights.startswith("EN 410") else "density"

    @property
    def is_lacking(self) -> bool:
        """Whether it names a table of the lab that nobody has put in."""
        return self.table is None and self.weights not in SHIPPED_TABLES

    @override
    def taken(self) -> str:
        rule = {
            "table grid": "trapezoids on the grid of the table",
            "spectrum grid": "trapezoids on the grid of the spectrum",
            "sum": "weighted sum",
        }[self.integration]
        source = f" ({self.table.source})" if self.table else ""
        words = f"{self.what} of {self.measured} by {self.method} ({self.edition}), "
        words += f"weights {self.weights}{source}, {rule}{self._fill_in_words()}"
        return f"{words} {self._place_in_words()}".rstrip()
