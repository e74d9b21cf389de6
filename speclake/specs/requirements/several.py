"""Numbers drawn from several measurements: which ones, and how they make one spectrum."""

from abc import abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator
from typing_extensions import override

from speclake.specs.requirements.table import Position, Table
from speclake.units import SpectralUnit

Resampling = Literal["none", "linear between points"]
PlaceKey = Literal["side", "angle_deg", "polarisation", "segment", "bandwidth"]
"""What scans of one part, stage and site may differ in."""
PLACE_KEYS: tuple[PlaceKey, ...] = ("side", "angle_deg", "polarisation", "segment")
"""What is compared wherever scans belong together, as far as it does not tell them apart."""

S_SCAN, P_SCAN = "s scan", "p scan"


@dataclass(frozen=True)
class Role:
    """One of the measurements that a number is drawn from.

    Parameters
    ----------
    name : what messages call it, as ``p scan``.
    unit : a unit that its values must be convertible to.
    told_by : conditions in which it differs from the others, and what each of them is here.
    blank_within_h : for a blank of the same instrument and accessory, taken without the part, how
        many hours before the lead at most; None for a measurement of the part itself.
    """

    name: str
    unit: SpectralUnit
    told_by: tuple[tuple[str, str | float], ...] = ()
    blank_within_h: float | None = None

    @property
    def varied(self) -> frozenset[str]:
        """Names of the conditions in which it differs from the others."""
        return frozenset(name for name, _ in self.told_by)


class DrawnFrom(Table):
    """Several measurements that make one spectrum, from which the number is taken.

    The measurement of the first role is the lead: the verdict is one on it.
    """

    excluded: ClassVar[tuple[str, ...]] = ()
    """Keys of a requirement that contradict it, since the measurements differ in them."""
    must_be_known: ClassVar[tuple[PlaceKey, ...]] = ()
    """What must be stated of every measurement; of the rest, unknown equals unknown."""

    @abstractmethod
    def roles(self, unit: SpectralUnit) -> tuple[Role, ...]:
        """The measurements that it takes, the lead first; `unit` is that of the spectrum."""

    @property
    @abstractmethod
    def in_words(self) -> str:
        """How the spectrum is made, as a phrase."""

    @property
    @abstractmethod
    def parameters(self) -> Mapping[str, str]:
        """What the spectrum depends on beside the measurements, as text."""

    @property
    def known(self) -> Sequence[PlaceKey]:
        """What must be stated of every measurement here."""
        return self.must_be_known

    @property
    def compared(self) -> Sequence[PlaceKey]:
        """What must agree beside part, stage and site, as far as the roles do not differ in it."""
        return PLACE_KEYS

    def check(self, unit: SpectralUnit) -> None:
        """Refuse a unit that the spectrum cannot have.

        Raises
        ------
        ValueError
            It says which it can have.
        """
        if unit == "%A+S":
            raise ValueError(f'drawn_from.how = "100 - T - R" with {unit}')


class OnOneAxis(DrawnFrom):
    """Two measurements that are combined point by point, so on one axis.

    Without `resampling` their axes must be the same. With it, the second is brought to the axis of
    the lead, between points that are at most `largest_interval` apart, in the requirement's
    `axis_unit`.
    """

    resampling: Resampling = "none"
    largest_interval: Position | None = None

    @model_validator(mode="after")
    def _says_how_far(self) -> Self:
        if (self.resampling == "none") != (self.largest_interval is None):
            raise ValueError('largest_interval together with resampling = "linear between points"')
        return self

    @property
    @override
    def parameters(self) -> Mapping[str, str]:
        if self.largest_interval is None:
            return {"resampling": self.resampling}
        return {"resampling": self.resampling, "largest_interval": repr(self.largest_interval)}

    def _with_resampling(self, words: str) -> str:
        if self.largest_interval is None:
            return words
        return f"{words}, resampled {self.resampling} at most {self.largest_interval:g} apart"


class MeanOfPolarisations(OnOneAxis):
    """Mean of s and p: what unpolarised light would show."""

    excluded: ClassVar[tuple[str, ...]] = ("polarisation",)
    must_be_known: ClassVar[tuple[PlaceKey, ...]] = ("angle_deg",)

    how: Literal["mean of s and p"]

    @override
    def roles(self, unit: SpectralUnit) -> tuple[Role, ...]:
        return (
            Role(S_SCAN, unit, (("polarisation", "s"),)),
            Role(P_SCAN, unit, (("polarisation", "p"),)),
        )

    @property
    @override
    def in_words(self) -> str:
        return self._with_resampling("of the mean of s and p")


class Remainder(OnOneAxis):
    """100 - T - R: what a part absorbs and scatters away."""

    must_be_known: ClassVar[tuple[PlaceKey, ...]] = (
        "side", "angle_deg", "polarisation", "bandwidth",
    )  # fmt: skip

    how: Literal["100 - T - R"]
    may_be_unknown: tuple[Literal["side", "angle_deg", "polarisation", "bandwidth"], ...] = ()

    @override
    def roles(self, unit: SpectralUnit) -> tuple[Role, ...]:
        return (Role("transmittance scan", "%T"), Role("reflectance scan", "%R"))

    @property
    @override
    def in_words(self) -> str:
        return self._with_resampling("as 100 - T - R")

    @property
    @override
    def known(self) -> Sequence[PlaceKey]:
        return [key for key in self.must_be_known if key not in self.may_be_unknown]

    @property
    @override
    def compared(self) -> Sequence[PlaceKey]:
        return (*super().compared, "bandwidth")

    @override
    def check(self, unit: SpectralUnit) -> None:
        if unit != "%A+S":
            raise ValueError(f'unit or of = "%A+S" with drawn_from.how = "{self.how}"')


class JoinedSegments(DrawnFrom):
    """Segments of one spectrum, each scanned by itself, cut at the seams and put end to end.

    `segments` and `seams` rise along the axis, in the requirement's `axis_unit` and `medium`. What
    lies below a seam comes from the segment before it, the seam itself and what lies above from the
    next. `largest_step` is the largest difference of the two at the seam, in the unit of the
    spectrum; nothing is shifted to make them meet.
    """

    excluded: ClassVar[tuple[str, ...]] = ("segment",)

    how: Literal["joined segments"]
    segments: Annotated[tuple[Annotated[str, Field(min_length=1)], ...], Field(min_length=2)]
    seams: tuple[Position, ...]
    largest_step: Position

    @model_validator(mode="after")
    def _check(self) -> Self:
        names = [each.strip().casefold() for each in self.segments]
        if len(set(names)) < len(names):
            raise ValueError("segments that differ from one another")
        if len(self.seams) != len(self.segments) - 1:
            raise ValueError("seams = one position between each two segments")
        if any(low >= high for low, high in pairwise(self.seams)):
            raise ValueError("seams that rise, as the segments do")
        return self

    @override
    def roles(self, unit: SpectralUnit) -> tuple[Role, ...]:
        return tuple(
            Role(f"scan of segment {each}", unit, (("segment", each),)) for each in self.segments
        )

    @property
    @override
    def in_words(self) -> str:
        seams = " and ".join(f"{each:.10g}" for each in self.seams)
        return (
            f"of the segments {' and '.join(self.segments)} joined at {seams}, "
            f"step at most {self.largest_step:g}"
        )

    @property
    @override
    def parameters(self) -> Mapping[str, str]:
        return {
            "segments": ", ".join(self.segments),
            "seams": ", ".join(repr(each) for each in self.seams),
            "largest_step": repr(self.largest_step),
        }


AnyDrawnFrom = Annotated[
    MeanOfPolarisations | Remainder | JoinedSegments, Field(discriminator="how")
]
"""Any way of drawing on several measurements; the key ``how`` tells which one it is."""
