"""What judging adds to a commit."""

from dataclasses import dataclass

from speclake.archive.rows import Batch, DerivedRow, SpecificationRow
from speclake.specs import Verdict
from speclake.spectrum import Axis


@dataclass(frozen=True)
class Judged:
    """Verdicts, and what they used, as the archive keeps them.

    `derived` are spectra that were made of several measurements to be judged, `axes` theirs.
    """

    verdicts: tuple[Verdict, ...] = ()
    specifications: tuple[SpecificationRow, ...] = ()
    derived: tuple[DerivedRow, ...] = ()
    axes: tuple[Axis, ...] = ()

    @property
    def batch(self) -> Batch:
        """What a commit adds by it."""
        return Batch(
            verdicts=self.verdicts, specifications=self.specifications,
            derived=self.derived, axes=self.axes,
        )  # fmt: skip

    def joined(self, other: "Judged") -> "Judged":
        """Both together, what both hold once."""
        known = {each.spec_version for each in self.specifications}
        return Judged(
            (*self.verdicts, *other.verdicts),
            (*self.specifications,
             *(each for each in other.specifications if each.spec_version not in known)),
            tuple({row.derived_id: row for row in (*self.derived, *other.derived)}.values()),
            tuple({axis.id: axis for axis in (*self.axes, *other.axes)}.values()),
        )  # fmt: skip
