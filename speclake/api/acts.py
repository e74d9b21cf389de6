"""What people do to the record of an archive: each act an event, with what follows from it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from speclake.api import counting, events, parts
from speclake.archive.catalog import Catalog
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, EventKind
from speclake.intake.assigning import kept_before
from speclake.intake.choices import TAKEN_BACK
from speclake.intake.company import Change
from speclake.intake.verdicts import Judge, row_of
from speclake.judging.repeats import Choice
from speclake.measurement import Link, LinkKind, Measurement


class Acts:
    """The part of an `Archive` by which people add to its record."""

    store: Lake
    judge_step: Judge

    def assign(self, ids: Sequence[str], fields: Mapping[str, str], *, who: str, why: str) -> int:
        """Give measurements the fields that nobody knew, or knew wrongly, and judge them anew.

        The event keeps which part they were of before.

        Raises
        ------
        speclake.api.events.NotAllowed, speclake.errors.NotFound
            A field, a value or a measurement is none.
        """
        values = events.checked_fields(fields)
        judged = self._judged(ids, lambda m: replace(m, **values), why)

        def kept(catalog: Catalog) -> dict[str, dict[str, str]]:
            return {m.measurement_id: kept_before(m, fields) for m in catalog.brief(list(ids))}

        return events.record(
            self.store, EventKind.ASSIGN, list(ids), fields,
            who=who, why=why, with_it=judged, kept=kept,
        )  # fmt: skip

    def withdraw(self, ids: Sequence[str], *, who: str, why: str) -> int:
        """Set measurements aside; they stay in the record and can be reinstated.

        What was drawn from them is judged again.
        """
        follows = self._following(ids, lambda _: Change(gone=frozenset(ids)))
        return self._record(EventKind.WITHDRAW, ids, {}, who, why, follows)

    def reinstate(self, ids: Sequence[str], *, who: str, why: str) -> int:
        """Take withdrawn measurements back, and judge again what draws on them."""
        follows = self._following(ids, lambda _: Change(back=frozenset(ids)))
        return self._record(EventKind.REINSTATE, ids, {}, who, why, follows)

    def settle_conflict(self, ids: Sequence[str], *, who: str, why: str) -> int:
        """Say that measurements in conflict are what they claim to be, and judge them.

        Either party of a conflict may be named.
        """
        claims = parts.claims_of(self.store.catalog, ids)
        judged = self._judged(claims, lambda m: replace(m, conflict=None), why)
        return self._record(EventKind.SETTLE_CONFLICT, claims, {}, who, why, judged)

    def link(self, measurement_id: str, kind: LinkKind, target: str, *, who: str, why: str) -> int:
        """Add a link between two measurements, with the reason as its evidence.

        Raises
        ------
        speclake.api.events.NotAllowed, speclake.errors.NotFound
            There is no such measurement, or the link would lead back to where it starts.
        """
        self.store.refresh()
        events.check_link(self.store.catalog, measurement_id, kind, target)
        details = {"kind": kind.value, "target": target}
        link = Link(kind, target, by_name=False, evidence=why)

        def linked(catalog: Catalog) -> Change:
            (m,) = catalog.measurements([measurement_id])
            return Change({measurement_id: replace(m, links=(*m.links, link))})

        follows = self._following([measurement_id], linked)
        return self._record(EventKind.LINK, [measurement_id], details, who, why, follows)

    def adopt_revision(self, order: str, spec: str, *, who: str, why: str) -> int:
        """Judge an open order by the specification as it is written today, now and from now on.

        Raises
        ------
        speclake.errors.NotFound
            No file defines the specification.
        """
        written = self.judge_step.book.named(spec)
        details = {"spec": spec, "spec_version": written.version}

        def adopted(catalog: Catalog) -> Batch:
            ids = parts.ids_of_order(catalog, order)
            judged = self.judge_step.again(
                self.store, catalog, catalog.measurements(ids), why=why,
                pins={(spec, order): written.version},
            )  # fmt: skip
            rows = {row.spec_version: row for row in judged.specifications}
            if catalog.specification(written.version) is None:
                rows.setdefault(written.version, row_of(written))
            return replace(judged.batch, specifications=tuple(rows.values()))

        kind = EventKind.ADOPT_REVISION
        return events.record(self.store, kind, [order], details, who=who, why=why, with_it=adopted)

    def count_alone(self, measurement_id: str, *, who: str, why: str) -> int:
        """Say that of several spectra of one place this one alone counts.

        Raises
        ------
        speclake.api.events.NotAllowed, speclake.errors.NotFound
            No specification lets a person choose, or there is no such measurement.
        """
        self.store.refresh()
        chosen = counting.checked_choice(self.store.catalog, measurement_id, who, why)
        return self._chosen(measurement_id, chosen, {}, who, why)

    def count_all(self, measurement_id: str, *, who: str, why: str) -> int:
        """Take back that this one alone counts.

        Raises
        ------
        speclake.api.events.NotAllowed
            Nobody had said so.
        """
        self.store.refresh()
        counting.check_chosen(self.store.catalog, measurement_id)
        return self._chosen(measurement_id, None, {TAKEN_BACK: "yes"}, who, why)

    def _chosen(
        self, name: str, choice: Choice | None, details: Mapping[str, str], who: str, why: str
    ) -> int:
        follows = self._following([name], lambda _: Change(choices={name: choice}))
        return self._record(EventKind.COUNT, [name], details, who, why, follows)

    def state_lot(self, lot: str, size: int, *, who: str, why: str) -> int:
        """State how many parts a lot has.

        Raises
        ------
        speclake.api.events.NotAllowed, speclake.errors.NotFound
            The size is none, or nothing is known of the lot.
        """
        self.store.refresh()
        details = counting.checked_size(self.store.catalog, lot, size)
        return events.record(self.store, EventKind.STATE_LOT, [lot], details, who=who, why=why)

    def _judged(
        self, ids: Sequence[str], changed: Callable[[Measurement], Measurement], why: str
    ) -> Callable[[Catalog], Batch]:
        """Verdicts that follow from a change of measurements, for the commit that records it."""

        def verdicts(catalog: Catalog) -> Batch:
            events.check_known(catalog, ids)
            backfill = catalog.backfilled(ids)
            chosen = [each for each in ids if each not in backfill]
            known = {m.measurement_id: changed(m) for m in catalog.measurements(ids)}
            judged = self.judge_step.again(
                self.store, catalog, [known[each] for each in chosen], why=why, change=Change(known)
            )
            return judged.batch

        return verdicts

    def _following(
        self, ids: Sequence[str], changed: Callable[[Catalog], Change]
    ) -> Callable[[Catalog], Batch]:
        """Verdicts on what draws on measurements, for the commit that records their change."""

        def verdicts(catalog: Catalog) -> Batch:
            events.check_known(catalog, ids)
            return self.judge_step.follow(catalog, changed(catalog)).batch

        return verdicts

    def _record(
        self,
        kind: EventKind,
        ids: Sequence[str],
        details: Mapping[str, str],
        who: str,
        why: str,
        with_it: Callable[[Catalog], Batch],
    ) -> int:
        return events.record(
            self.store, kind, list(ids), details, who=who, why=why, with_it=with_it
        )
