"""Lines of a budget of uncertainties from repeated scans in an archive."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from speclake.api.events import NotAllowed
from speclake.judging.uncertainty.repeatability import as_text, repeatability
from speclake.quantities.places import Place

if TYPE_CHECKING:
    from speclake.api.archive import Archive

SAME = (
    "instrument", "accessory", "geometry", "port", "quantity", "product", "serial", "sample",
    "stage", "site", "side", "segment", "angle_deg", "polarisation",
)  # fmt: skip
"""What repeats have in common."""


def lines_from_repeats(archive: "Archive", ids: Sequence[str], band_nm: tuple[float, float]) -> str:
    """Lines of a budget as a person puts them into a file; see `repeatability`.

    Raises
    ------
    speclake.api.events.NotAllowed
        The scans are not repeats of one another, or tell nothing.
    """
    if len(set(ids)) < len(ids):
        raise NotAllowed("repeats are different scans; one is named twice")
    found = archive.measurements(ids)
    for name in SAME:
        different = {getattr(each, name) for each in found}
        if len(different) > 1:
            listed = ", ".join(sorted(map(repr, different)))
            raise NotAllowed(f"repeats have one {name}; these scans have {listed}")
    sets = archive.spectra(ids)
    if len(sets) != 1:
        raise NotAllowed("repeats have one axis and one unit; these scans have several")
    try:
        return as_text(repeatability(sets[0], Place(low=band_nm[0], high=band_nm[1])))
    except ValueError as error:
        raise NotAllowed(f"repeatability needs {error}") from error
