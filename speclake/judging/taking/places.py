"""Where on the axis a requirement takes its number."""

from speclake.quantities.places import Place, Spot
from speclake.specs.requirements import BandRequirement, Requirement


def where_of(asked: Requirement) -> Place | Spot:
    """Band or position of a requirement."""
    if asked.at is None:
        return place_of(asked)
    return Spot(
        at=asked.at,
        unit=asked.axis_unit,
        medium=asked.medium,
        largest_interval=asked.largest_interval,
    )


def place_of(asked: Requirement) -> Place:
    """Band of a requirement."""
    assert asked.band is not None  # the model asks for it
    return place_over(asked, asked.band)


def place_over(asked: Requirement, band: tuple[float, float]) -> Place:
    """Another band, counted as a requirement counts its own."""
    return Place(
        low=band[0],
        high=band[1],
        unit=asked.axis_unit,
        medium=asked.medium,
        largest_interval=asked.largest_interval,
        over=asked.over if isinstance(asked, BandRequirement) else None,
    )
