"""The same pieces on two instruments, and one piece on several: who reads what, by wavelength."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from speclake.api.events import NotAllowed
from speclake.archive.catalog import Query
from speclake.archive.lake import Lake
from speclake.errors import UnitError
from speclake.fitness.comparing import Agreement, OnOneGrid, agreement, on_one_grid, turned_to_nm
from speclake.fitness.interlaboratory import LabTest, Precision, cochran, grubbs, precision
from speclake.measurement import Kind
from speclake.spectrum import Axis, FloatArray, SpectrumSet
from speclake.units import SpectralUnit

if TYPE_CHECKING:
    import polars as pl

PIECES = (Kind.PART, Kind.WITNESS, Kind.CHECK)
"""Kinds of scans that may be of one piece on several instruments."""

SAME = (
    "product", "lot", "name", "site", "side", "stage", "segment", "angle_deg", "polarisation",
    "quantity",
)  # fmt: skip
"""What scans of one piece have in common; `name` is the serial, else the sample."""

LEAST_PAIRS = 2

Piece = tuple[Any, ...]


@dataclass(frozen=True)
class Comparison:
    """Two instruments on the same pieces.

    Parameters
    ----------
    first, second : the instruments; differences are the first less the second.
    axis, unit : where and in what the differences are.
    agreement : by wavelength.
    differences : shape (pairs, p), a row a piece.
    pieces : a row for each piece: `SAME`, and how many scans each instrument has of it.
    how : what was done to bring the scans onto one grid.
    """

    first: str
    second: str
    axis: Axis
    unit: SpectralUnit
    agreement: Agreement
    differences: FloatArray
    pieces: "pl.DataFrame"
    how: str

    @property
    def sentence(self) -> str:
        """Where they differ most, and by how much, in words."""
        found, at = self.agreement, self.axis.values
        known = np.isfinite(found.bias_low)
        if not known.any():
            return f"{self.first} and {self.second} have no place of the axis in common"
        worst = int(np.nanargmax(np.where(known, np.abs(found.bias), np.nan)))
        return (
            f"{self.first} less {self.second}, {int(found.pairs.max())} pieces: mean difference "
            f"{_mean(found.bias):+.3g} {self.unit} over the axis, most "
            f"{found.bias[worst]:+.3g} {self.unit} "
            f"({found.bias_low[worst]:+.3g} to {found.bias_high[worst]:+.3g} with "
            f"{found.confidence:.0%} confidence) at {at[worst]:g} {self.axis.unit}; "
            f"the interval leaves out zero at {found.differs[known].mean():.0%} of the points, "
            f"{1 - found.confidence:.0%} would by chance"
        )


@dataclass(frozen=True)
class RoundRobin:
    """One piece measured several times on each of several instruments.

    Parameters
    ----------
    instruments : in the order of the rows of `precision`.
    piece : what it is, by the names of `SAME`.
    scans : how many of each instrument.
    precision : repeatability and reproducibility by wavelength.
    cochran, grubbs : the instrument whose scatter, or whose mean, stands out most, tested on the
        mean over the axis; `LabTest.lab` is its place among `instruments`.
    """

    instruments: tuple[str, ...]
    piece: Mapping[str, Any]
    scans: tuple[int, ...]
    axis: Axis
    unit: SpectralUnit
    precision: Precision
    cochran: LabTest | None
    grubbs: LabTest | None
    how: str

    @property
    def sentence(self) -> str:
        """Both standard deviations and who stands apart, in words."""
        found = self.precision
        told = (
            f"{len(self.instruments)} instruments, {sum(self.scans)} scans: repeatability "
            f"{_mean(found.repeatability_sd):.3g} {self.unit}, reproducibility "
            f"{_mean(found.reproducibility_sd):.3g} {self.unit} (standard deviations, mean over "
            "the axis)"
        )
        for test, what in ((self.cochran, "scatter"), (self.grubbs, "mean")):
            if test is not None and test.standing:
                told += f"; {test.standing}: the {what} of {self.instruments[test.lab]}"
        return told


def compare_instruments(
    store: Lake, first: str, second: str, *, confidence: float = 0.95, **query: Any
) -> Comparison:
    """Paired difference of the pieces that both instruments have measured.

    Scans of one piece on one instrument are averaged before. Pieces that one of them lacks are left
    out, and so are scans that are withdrawn, superseded, in conflict or under review.

    Parameters
    ----------
    query : narrows the pieces; the fields of `speclake.archive.catalog.Query`.

    Raises
    ------
    speclake.api.events.NotAllowed
        They have fewer than two pieces in common, or their scans cannot be brought together.
    """
    if first == second:
        raise NotAllowed(f"found {first} twice; expected two instruments")
    found = {name: _scans_by_piece(store, name, query) for name in (first, second)}
    common = [piece for piece in found[first] if piece in found[second]]
    if len(common) < LEAST_PAIRS:
        raise NotAllowed(
            f"found {len(common)} pieces that {first} and {second} have both measured; expected "
            f"{LEAST_PAIRS} or more, since one shows no scatter"
        )
    means, hows = zip(
        *(_means(store, name, [found[name][piece] for piece in common]) for name in found),
        strict=True,
    )
    both = _together(*means)
    differences = both.first.values - both.second.values
    rows = [(*piece, *(len(found[name][piece]) for name in (first, second))) for piece in common]
    return Comparison(
        first, second, both.first.axis, both.first.unit,
        agreement(differences, confidence=confidence), differences, _listed(rows),
        _told((*hows[0], *hows[1], both.how)),
    )  # fmt: skip


def round_robin(store: Lake, instruments: Sequence[str], **query: Any) -> RoundRobin:
    """Repeatability and reproducibility of one piece on several instruments.

    Parameters
    ----------
    query : must leave one piece that all of them have measured, as ``serial="R-1"`` does.

    Raises
    ------
    speclake.api.events.NotAllowed
        There is none, or more than one, or the scans cannot be brought together.
    """
    if len(set(instruments)) < 2:
        raise NotAllowed("found fewer than two instruments; expected two or more")
    found = [_scans_by_piece(store, name, query) for name in instruments]
    common = [piece for piece in found[0] if all(piece in each for each in found)]
    if len(common) != 1:
        raise NotAllowed(
            f"found {len(common)} pieces that all of {', '.join(instruments)} have measured; "
            "expected one, named by its serial, sample or lot"
        )
    (piece,) = common
    sets, hows = zip(
        *(
            _one_set(store, name, each[piece])
            for name, each in zip(instruments, found, strict=True)
        ),
        strict=True,
    )
    narrowest = sets[0]
    for each in sets[1:]:
        narrowest = _together(narrowest, each).first
    brought = [_together(narrowest, each) for each in sets]
    if any(each.second.axis.id != narrowest.axis.id for each in brought):
        raise NotAllowed("the scans cannot be brought together: their grids are too uneven")
    values = [each.second.values for each in brought]
    scans = tuple(map(len, values))
    padded = [np.pad(v, ((0, max(scans) - len(v)), (0, 0)), constant_values=np.nan) for v in values]
    complete = ~np.isnan(np.concatenate(values)).any(axis=0)
    whole = precision(np.stack(padded)[:, :, complete].mean(axis=2, keepdims=True))
    usual = max(set(scans), key=scans.count)
    return RoundRobin(
        tuple(instruments), dict(zip(SAME, piece, strict=True)), scans, narrowest.axis,
        narrowest.unit, precision(np.stack(padded)), cochran(whole.lab_sds[:, 0], usual),
        grubbs(whole.lab_means[:, 0]),
        _told((*(each for how in hows for each in how), *(each.how for each in brought))),
    )  # fmt: skip


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else np.nan


def _scans_by_piece(
    store: Lake, instrument: str, query: Mapping[str, Any]
) -> dict[Piece, list[str]]:
    """Identifiers of the scans of each piece by one instrument."""
    asked = Query(
        **{"in_conflict": False, "in_review": False, **query},
        instrument=instrument, limit=None, descending=False,
    )  # fmt: skip
    found: dict[Piece, list[str]] = defaultdict(list)
    for row in store.catalog.search(asked).iter_rows(named=True):
        named = {**row, "name": row["serial"] or row["sample"]}
        if row["kind"] in PIECES and named["name"]:
            found[tuple(named[name] for name in SAME)].append(row["measurement_id"])
    return dict(found)


def _one_set(
    store: Lake, instrument: str, ids: Sequence[str]
) -> tuple[SpectrumSet, tuple[str, ...]]:
    """Spectra of an instrument on one grid in nm, and what was done for it."""
    first, *others = (turned_to_nm(each) for each in store.spectra(ids))
    hows = []
    for other in others:
        both = _together(first, other)
        first = SpectrumSet(
            both.first.axis,
            np.concatenate([both.first.values, both.second.values]),
            both.first.unit,
            (*both.first.keys, *both.second.keys),
        )
        hows.append(f"of two grids of {instrument} {both.how}")
    return first, tuple(hows)


def _means(
    store: Lake, instrument: str, scans: Sequence[Sequence[str]]
) -> tuple[SpectrumSet, tuple[str, ...]]:
    """Mean of the scans of each piece, one row a piece; NaN where one of them has no value."""
    together, hows = _one_set(store, instrument, [name for each in scans for name in each])
    places = {key: row for row, key in enumerate(together.keys)}
    values = [together.values[[places[name] for name in each]].mean(axis=0) for each in scans]
    keys = tuple(each[0] for each in scans)
    return SpectrumSet(together.axis, np.array(values), together.unit, keys), hows


def _told(hows: Sequence[str]) -> str:
    return "; ".join(dict.fromkeys(hows))


def _together(first: SpectrumSet, second: SpectrumSet) -> OnOneGrid:
    try:
        return on_one_grid(first, second)
    except (ValueError, UnitError) as error:
        raise NotAllowed(f"the scans cannot be brought together: {error}") from error


def _listed(rows: Sequence[tuple[Any, ...]]) -> "pl.DataFrame":
    import polars as pl

    schema: dict[str, Any] = {
        **dict.fromkeys(SAME, pl.String), "angle_deg": pl.Float64,
        "scans_first": pl.Int64, "scans_second": pl.Int64,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")
