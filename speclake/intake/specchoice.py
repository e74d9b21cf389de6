"""Which specifications apply to a measurement, pinned to its order."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date

from speclake.archive.catalog import Catalog
from speclake.errors import ArchiveDamaged
from speclake.intake.specbook import SpecBook
from speclake.measurement import Measurement
from speclake.specs import Specification, choose, in_effect


class SpecChoice:
    """Specifications by what is known of a part; each combination is looked up once.

    What an order was begun with, or has adopted, goes before what the folder says today.
    """

    def __init__(
        self,
        book: SpecBook,
        catalog: Catalog,
        judged: Iterable[Measurement],
        spec: str | Specification | None = None,
        pins: Mapping[tuple[str, str], str] | None = None,
    ) -> None:
        self._book, self._catalog = book, catalog
        only = book.named(spec) if isinstance(spec, str) else spec
        self._only = None if only is None else [only]
        orders = {order for m in judged if (order := order_of(m)) is not None}
        known = catalog.pinned_versions(sorted(orders)) if spec is None and orders else {}
        self._pins = {**known, **(pins or {})}
        self._cache: dict[tuple[str | None, ...], tuple[Specification, ...]] = {}

    def for_measurement(self, m: Measurement) -> Sequence[Specification]:
        """Specifications that a measurement is judged by."""
        if self._only is not None:
            return self._only
        day = m.trusted_at.date()
        key = (m.order_number, m.customer, m.product, m.lot, day.isoformat())
        if key not in self._cache:
            self._cache[key] = tuple(self._chosen(m, day))
        return self._cache[key]

    def _chosen(self, m: Measurement, day: date) -> list[Specification]:
        pinned = {
            spec: self._of_version(version)
            for (spec, order), version in self._pins.items()
            if order == order_of(m)
        }
        today = [
            each
            for each in self._book.current()
            if each.name not in pinned and in_effect(each, day)
        ]
        return choose(
            [*pinned.values(), *today],
            order_number=m.order_number,
            customer=m.customer,
            product=m.product,
        )

    def _of_version(self, version: str) -> Specification:
        current = {each.version: each for each in self._book.current()}
        return current.get(version) or specification_of(self._catalog, version)


def specification_of(catalog: Catalog, version: str) -> Specification:
    """Specification as it was when a verdict was made by it.

    Raises
    ------
    speclake.errors.ArchiveDamaged
        The archive does not hold a version that its verdicts or events name.
    """
    row = catalog.specification(version)
    if row is None:
        raise ArchiveDamaged(f"found no specification of version {version}, which was used")
    return Specification.from_json(row.content)


def order_of(m: Measurement) -> str | None:
    """What a measurement's specifications are pinned to: its order, else its lot."""
    return m.order_number or m.lot
