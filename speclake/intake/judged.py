"""What judging adds to a commit."""

from dataclasses import dataclass

from speclake.archive.rows import (
    Batch,
    DerivedRow,
    FigureRow,
    FindingRow,
    QualificationRow,
    SpecificationRow,
    StandardRow,
)
from speclake.specs import Verdict
from speclake.spectrum import Axis


@dataclass(frozen=True)
class Judged:
    """Verdicts, and what they used, as the archive keeps them.

    `derived` are spectra that were made of several measurements to be judged, `axes` theirs.
    `findings` and `figures` are those of scans that are taken in, `qualifications` numbers of runs
    among what is taken in or changed, `standards` what these used.
    """

    verdicts: tuple[Verdict, ...] = ()
    specifications: tuple[SpecificationRow, ...] = ()
    derived: tuple[DerivedRow, ...] = ()
    axes: tuple[Axis, ...] = ()
    findings: tuple[FindingRow, ...] = ()
    figures: tuple[FigureRow, ...] = ()
    qualifications: tuple[QualificationRow, ...] = ()
    standards: tuple[StandardRow, ...] = ()

    @property
    def batch(self) -> Batch:
        """What a commit adds by it."""
        return Batch(
            verdicts=self.verdicts, specifications=self.specifications,
            derived=self.derived, axes=self.axes, findings=self.findings, figures=self.figures,
            qualifications=self.qualifications, standards=self.standards,
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
            (*self.findings, *other.findings),
            (*self.figures, *other.figures),
            tuple({q.qualification_id: q
                   for q in (*self.qualifications, *other.qualifications)}.values()),
            tuple({s.standard_version: s for s in (*self.standards, *other.standards)}.values()),
        )  # fmt: skip
