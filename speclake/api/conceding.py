"""How a person gives a concession, and takes it back: events in one commit, and never a verdict."""

import json
import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from speclake.api.concessions import KEY, Concession, concession_from, today_in
from speclake.api.events import NotAllowed, check_named, event
from speclake.api.parts import PartReport, part_reports
from speclake.archive.catalog import Catalog
from speclake.archive.rows import Batch, EventKind, EventRow
from speclake.errors import NotFound
from speclake.intake.verdicts import current_verdicts
from speclake.specs.verdicts import Outcome, Verdict

if TYPE_CHECKING:
    from speclake.api.archive import Archive


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What a person accepts.

    Parameters
    ----------
    lot, part, product : the part by its name (serial, else sample), with its lot or product where
        the name alone is not enough; a lot without a part means all of its parts that failed.
    spec : the specification; needed only where the parts failed more than one.
    requirements : the requirements; none means all that failed.
    until : last day on which the concession holds; None means that it has no end.
    """

    lot: str | None = None
    part: str | None = None
    product: str | None = None
    spec: str | None = None
    requirements: tuple[str, ...] = ()
    until: date | None = None


def concede(archive: "Archive", asked: Asked, *, who: str, why: str) -> Concession:
    """The concession that is on record now.

    Raises
    ------
    speclake.errors.NotFound
        There is no such part or lot.
    speclake.api.events.NotAllowed
        Nobody or no reason is named, what was asked for has not failed, or the words leave it open
        which parts or which specification is meant.
    """
    check_named(who, why)
    zone = archive.settings.zone
    if asked.until is not None and asked.until < today_in(zone):
        raise NotAllowed(f"found the last day {asked.until}; expected today or a later day")
    key = uuid.uuid4().hex
    made: list[EventRow] = []

    def prepare(catalog: Catalog) -> Batch:
        made[:] = [
            event(EventKind.CONCEDE, subject, details, who=who, why=why)
            for subject, details in _subjects(key, _Failed.found(archive, catalog, asked), asked)
        ]
        return Batch(events=tuple(made))

    archive.store.commit(prepare, who=who, why=why, kind=EventKind.CONCEDE.value)
    archive.store.refresh()
    return concession_from(key, made[1:])


def revoke(archive: "Archive", concession_id: str, *, who: str, why: str) -> None:
    """Take a concession back, on record; it stays there with what it covered.

    Raises
    ------
    speclake.errors.NotFound
        There is no such concession.
    speclake.api.events.NotAllowed
        Nobody or no reason is named, or it was revoked before.
    """
    check_named(who, why)

    def prepare(catalog: Catalog) -> Batch:
        heads = catalog.events_among(EventKind.CONCEDE, [concession_id])
        if not heads:
            raise NotFound(
                f"found no concession {concession_id!r}; `speclake show --lot` lists them"
            )
        for each in catalog.events_among(EventKind.REVOKE_CONCESSION, [concession_id]):
            raise NotAllowed(f"found it revoked by {each.who} already: {each.why}")
        subjects = (concession_id, *json.loads(heads[0].details["measurements"]))
        details = {KEY: concession_id}
        return Batch(
            events=tuple(
                event(EventKind.REVOKE_CONCESSION, subject, details, who=who, why=why)
                for subject in subjects
            )
        )

    archive.store.commit(prepare, who=who, why=why, kind=EventKind.REVOKE_CONCESSION.value)
    archive.store.refresh()


@dataclass(frozen=True)
class _Failed:
    """What a concession can accept: failed numbers of parts, by one version of a specification."""

    spec: str
    version: str
    product: str
    lot: str
    parts: tuple[PartReport, ...]
    numbers: Mapping[str, tuple[Verdict, ...]]
    """By part: the numbers that fail, and the failed verdicts of which they were made."""

    @classmethod
    def found(cls, archive: "Archive", catalog: Catalog, asked: Asked) -> "_Failed":
        parts = _parts(archive, asked)
        spec, version = _one_specification(parts, asked)
        numbers = {
            each.part: failed
            for each in parts
            if (failed := _numbers(catalog, each, version, asked.requirements))
        }
        failing = {each.requirement for of_part in numbers.values() for each in of_part}
        for each in asked.requirements:
            if each not in failing:
                raise NotAllowed(
                    f"found requirement {each!r} not failed by {spec!r}; expected fail"
                )
        first = parts[0]
        failed_parts = tuple(each for each in parts if each.part in numbers)
        return cls(spec, version, first.product, first.lot, failed_parts, numbers)


def _parts(archive: "Archive", asked: Asked) -> list[PartReport]:
    """The parts that are meant: one, or all of a lot."""
    if asked.lot is None and asked.part is None:
        raise NotAllowed("found neither a part nor a lot; expected one of them")
    where = {"lot": asked.lot, "product": asked.product}
    query = {name: text for name, text in where.items() if text is not None}
    if asked.part is None:
        found = part_reports(archive, **query)
    else:
        by_name = [part_reports(archive, **query, **{f: asked.part}) for f in ("serial", "sample")]
        found = list({(p.product, p.lot, p.part): p for ps in by_name for p in ps}.values())
        found = [each for each in found if each.part == asked.part]
        if len(found) > 1:
            places = "; ".join(f"lot {each.lot!r} of {each.product!r}" for each in found)
            raise NotAllowed(
                f"found part {asked.part!r} in {places}; expected the one that is meant"
            )
    if not found:
        named = "part" if asked.part is None else f"part {asked.part!r}"
        raise NotFound(f"found no {named}{f' of lot {asked.lot!r}' if asked.lot else ''}")
    return found


def _one_specification(parts: Sequence[PartReport], asked: Asked) -> tuple[str, str]:
    """Name and version of the one specification that the parts fail."""
    outcomes = [
        (each.specification, each.verdict.outcome)
        for part in parts
        if part.is_named
        for each in part.specs
        if asked.spec in (None, each.specification.name)
    ]
    failed = {(spec.name, spec.version) for spec, outcome in outcomes if outcome is Outcome.FAIL}
    if not failed:
        said = {f"{outcome} by {spec.name!r}" for spec, outcome in outcomes}
        found = ", ".join(sorted(said)) or "no specification that applies"
        raise NotAllowed(f"found {found}; expected fail: a concession accepts what failed")
    if len(names := sorted({name for name, _ in failed})) > 1:
        raise NotAllowed(
            f"found fail by {', '.join(map(repr, names))}; expected which one is meant"
        )
    if len(failed) > 1:
        raise NotAllowed(
            f"found parts that failed by different versions of {names[0]!r}; expected one part"
        )
    return failed.pop()


def _numbers(
    catalog: Catalog, part: PartReport, version: str, wanted: Collection[str]
) -> tuple[Verdict, ...]:
    """Failed numbers of a part, with the failed verdicts on its spectra behind them."""
    if not part.is_named:
        return ()
    failed = [
        number
        for each in part.specs
        if each.specification.version == version and each.verdict.outcome is Outcome.FAIL
        for number in each.verdict.deciding
        if not wanted or number.requirement in wanted
    ]
    ids = {each.requirement for each in failed}
    behind = [
        each
        for each in current_verdicts(catalog, part.measurement_ids)
        if each.spec_version == version and each.requirement in ids and each.outcome is Outcome.FAIL
    ]
    return (*failed, *behind)


def _subjects(key: str, failed: _Failed, asked: Asked) -> list[tuple[str, dict[str, str]]]:
    """The concession itself and each measurement that it covers, with what the event says of it."""
    said = {
        KEY: key,
        "spec": failed.spec,
        "spec_version": failed.version,
        "product": failed.product,
        "lot": failed.lot,
        "until": asked.until.isoformat() if asked.until else "",
    }
    parts: dict[str, list[str]] = {}
    accepted: dict[str, dict[tuple[str, tuple[str, ...]], dict[str, Any]]] = {}
    for part, numbers in failed.numbers.items():
        for each in numbers:
            parts.setdefault(each.measurement_id, []).append(part)
            of_one = accepted.setdefault(each.measurement_id, {})
            of_one[each.requirement, tuple(each.drawn_from)] = {
                "requirement": each.requirement,
                "drawn_from": each.drawn_from,
                "margin": each.margin,
                "shown": each.reason if each.margin is None else each.shown,
            }
    whole = {**said, "parts": _listed(failed.numbers), "measurements": _listed(accepted)}
    return [
        (key, whole),
        *(
            (
                subject,
                {
                    **said,
                    "parts": _listed(dict.fromkeys(parts[subject])),
                    "accepted": json.dumps([*of_one.values()], ensure_ascii=False),
                },
            )
            for subject, of_one in accepted.items()
        ),
    ]


def _listed(names: Iterable[str]) -> str:
    return json.dumps(list(names), ensure_ascii=False)
