"""What the record says of parts beside the verdicts that count.

People's choices among repeats, what was set aside and why, and the witness pieces.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from speclake.archive.catalog import Catalog, Query
from speclake.intake.choices import choices_of
from speclake.intake.verdicts import verdicts_by_measurement
from speclake.judging import Beside, Conditions, PartRecord
from speclake.judging.repeats import Choice
from speclake.measurement import Kind, LinkKind
from speclake.specs import Specification, Verdict

Row = Mapping[str, Any]


def counts(row: Row) -> bool:
    """Whether a measurement counts: it is not withdrawn, superseded or in conflict."""
    return not (row["withdrawn"] or row["in_conflict"] or row["superseded_by"])


@dataclass(frozen=True)
class Witnesses:
    """Spectra of witness pieces by what they may stand for; those that were set aside too."""

    by_run: Mapping[str, Sequence[Row]]
    by_lot: Mapping[str, Sequence[Row]]
    linked: Mapping[str, Sequence[Row]]
    """By what a link 'witness for' names: a measurement, a serial, a sample or a coating run."""

    def of(self, rows: Sequence[Row], specification: Specification) -> list[Row]:
        """Spectra of the witness pieces that stand for the part of some measurements."""
        if specification.witness is None:
            return []
        stands_for = specification.witness.stands_for
        found: dict[str, Row] = {}
        for row in rows:
            if stands_for == "coating run":
                each = self.by_run.get(row["coating_run"] or "", ())
            elif stands_for == "lot":
                each = self.by_lot.get(row["lot"] or "", ())
            else:
                each = [w for name in _link_names(row) for w in self.linked.get(name, ())]
            found |= {witness["measurement_id"]: witness for witness in each}
        return sorted(found.values(), key=lambda each: (each["trusted_at"], each["measurement_id"]))


NO_WITNESSES = Witnesses({}, {}, {})


@dataclass(frozen=True)
class Records:
    """What the record says of some parts."""

    verdicts: Mapping[str, Sequence[Verdict]]
    choices: Mapping[str, Choice]
    witnesses: Witnesses

    def of(self, everything: Sequence[Row], specification: Specification) -> PartRecord:
        """Record of the part that all these measurements are of, for one specification."""
        standing_in = self.witnesses.of([row for row in everything if counts(row)], specification)
        aside = [row for row in everything if _is_aside(row)]
        rows = (*everything, *standing_in)
        pieces_aside: dict[str, dict[str, Beside]] = {}
        for row in standing_in:
            if _is_aside(row):
                beside = self._beside(row, specification, _why_aside(row))
                pieces_aside.setdefault(_piece(row), {})[row["measurement_id"]] = beside
        return PartRecord(
            measured={row["measurement_id"]: row["trusted_at"] for row in rows},
            quantities={row["measurement_id"]: row["quantity"] for row in rows},
            choices=self.choices,
            set_aside={
                row["measurement_id"]: self._beside(row, specification, _why_aside(row))
                for row in aside
            },
            witnesses={
                row["measurement_id"]: self._beside(row, specification, _piece(row))
                for row in standing_in
                if counts(row)
            },
            witnesses_aside=pieces_aside,
        )

    def _beside(self, row: Row, specification: Specification, said: str) -> Beside:
        verdicts = self.verdicts.get(row["measurement_id"], ())
        own = tuple(v for v in verdicts if v.spec_version == specification.version)
        return Beside(Conditions.of(row), own, said)


def records_of(
    catalog: Catalog,
    rows: Sequence[Row],
    specifications: Iterable[Specification],
    verdicts: Mapping[str, Sequence[Verdict]],
) -> Records:
    """What the record says of the parts that some measurements are of.

    Parameters
    ----------
    specifications : by which these parts are judged.
    verdicts : on these measurements, by measurement.
    """
    is_asked = any(each.witness is not None for each in specifications)
    witnesses = _witnesses(catalog, rows) if is_asked else NO_WITNESSES
    own = {row["measurement_id"] for row in rows}
    standing_in = {
        row["measurement_id"]
        for found in (witnesses.by_run, witnesses.by_lot, witnesses.linked)
        for each in found.values()
        for row in each
    }
    theirs = verdicts_by_measurement(catalog, sorted(standing_in - own))
    choices = choices_of(catalog, sorted(own | standing_in))
    return Records({**verdicts, **theirs}, choices, witnesses)


def _witnesses(catalog: Catalog, rows: Sequence[Row]) -> Witnesses:
    parts = [row for row in rows if row["kind"] == Kind.PART]
    runs = {row["coating_run"] for row in parts if row["coating_run"]}
    lots = {row["lot"] for row in parts if row["lot"]}
    names = list({name: None for row in rows for name in _link_names(row)})
    pairs = catalog.linked_to(LinkKind.WITNESS_FOR, names)
    ids = tuple({each for each, _ in pairs})
    by_id = {row["measurement_id"]: row for row in _pieces(catalog, ids=ids)}
    linked: dict[str, list[Row]] = {}
    for each, target in pairs:
        if each in by_id:
            linked.setdefault(target, []).append(by_id[each])
    return Witnesses(
        {run: _pieces(catalog, coating_run=run) for run in runs},
        {lot: _pieces(catalog, lot=lot) for lot in lots},
        linked,
    )


def _pieces(catalog: Catalog, **which: Any) -> list[Row]:
    """Spectra of witness pieces that count, or were set aside."""
    everything = Query(
        kind=str(Kind.WITNESS), withdrawn="show", superseded="show", limit=None, **which
    )
    found = catalog.search(everything).to_dicts()
    return [row for row in found if counts(row) or _is_aside(row)]


def _link_names(row: Row) -> list[str]:
    """What a link may name to mean the part of a measurement."""
    names = [row[field] for field in ("serial", "sample", "coating_run")]
    return [row["measurement_id"], *(name for name in names if name)]


def _is_aside(row: Row) -> bool:
    return bool(row["withdrawn"] or row["superseded_by"])


def _why_aside(row: Row) -> str:
    if row["withdrawn"]:
        return f"withdrawn by {row['withdrawn_by']}: {row['withdrawn_why']}"
    return "superseded by a later one"


def _piece(row: Row) -> str:
    """A witness piece in words."""
    name = row["serial"] or row["sample"]
    piece = f"witness piece {name}" if name else "a witness piece without a name"
    return f"{piece} of coating run {row['coating_run']}" if row["coating_run"] else piece
