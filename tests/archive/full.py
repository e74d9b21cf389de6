"""A batch with rows in every table."""

from dataclasses import replace

from speclake.archive.encoding import encode
from speclake.archive.rows import Batch, DerivedRow
from speclake.spectrum import Spectrum
from tests import build


def full_batch(*names: str, of: Spectrum | None = None) -> Batch:
    """Batch as intake makes it, and of all other tables a row for each name."""
    scan = of or build.spectrum()
    batch = build.batch(*names, of=[scan] * len(names))
    return replace(
        batch,
        events=tuple(build.event(name, lot="L1") for name in names),
        derived=tuple(derived(name, scan) for name in names),
        figures=tuple(build.figure(name) for name in names),
        qualifications=tuple(build.qualification(name) for name in names),
        standards=(build.standard(),),
    )


def derived(name: str, of: Spectrum) -> DerivedRow:
    """Spectrum of a measurement times its certificate."""
    return DerivedRow(
        derived_id=build.identifier(f"derived {name}"),
        parents=(build.identifier(name),),
        operation="times certificate",
        parameters={"certificate": "mirror 1"},
        version="1",
        unit=of.unit,
        axis_id=of.axis.id,
        values=encode(of.values * 0.99),
    )
