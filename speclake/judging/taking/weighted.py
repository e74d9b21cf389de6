"""Weighted means for their requirements."""

from collections.abc import Mapping

from speclake.errors import NotFound
from speclake.judging.taking.given import Given, Taker
from speclake.quantities.summing import Fill
from speclake.quantities.tables import WeightTable, shipped
from speclake.quantities.values import Values
from speclake.quantities.weighted import Weighting, weighted_mean
from speclake.specs.requirements import Requirement
from speclake.specs.requirements.weighted import Filled, OwnTable, WeightedRequirement
from speclake.spectrum import SpectrumSet


def fill_of(asked: Filled) -> Fill | None:
    """What a requirement lets stand in for a missing end."""
    if asked.fill is None or asked.fill_up_to is None:
        return None
    return Fill(asked.fill, asked.fill_up_to)


def _own(name: str, table: OwnTable) -> WeightTable:
    positions = tuple(position for position, _ in table.rows)
    return WeightTable(
        name, table.kind, table.unit, positions, tuple(weight for _, weight in table.rows)
    )


def _weighted(spectra: SpectrumSet, asked: WeightedRequirement, _: Given) -> Values:
    if asked.is_lacking:
        raise NotFound(
            f"requirement {asked.id!r}: found no table of weights {asked.weights!r}; it is read "
            f"from weights/{asked.weights}.csv when a specification of an archive is read"
        )
    low, high = asked.band or (None, None)
    medium = asked.medium or (asked.table.medium if asked.table else None)
    weighting = Weighting(
        table=_own(asked.weights, asked.table) if asked.table else shipped(asked.weights),
        integration=asked.integration,
        largest_interval=asked.largest_interval,
        low=low,
        high=high,
        medium=medium,
        fill=fill_of(asked),
    )
    return weighted_mean(spectra, weighting)


TAKERS_OF_WEIGHTED: Mapping[type[Requirement], Taker] = {WeightedRequirement: _weighted}
