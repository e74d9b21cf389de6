"""Search, lists, the ledger and the look-ups that intake, pages and charts are made of."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from speclake.archive.catalog import NOT_JUDGED, Catalog, Query, query
from speclake.archive.rows import Batch, EventKind, FileOutcome
from speclake.errors import NotFound
from speclake.measurement import Kind
from speclake.specs.verdicts import Outcome
from tests.archive.cataloguing import World
from tests.build import (
    NOON,
    batch,
    event,
    file_row,
    finding,
    identifier,
    measurement,
    original,
    specification,
    spectrum,
    verdict,
)

FACTS: dict[str, dict[str, object]] = {
    "A1": {"lot": "L1", "product": "window", "instrument": "bench 1", "order_number": "O 1"},
    "A2": {"lot": "L1", "product": "window", "instrument": "bench 2", "comment": "50%_of run"},
    "B1": {"lot": "L2", "product": "mirror", "instrument": "bench 1", "comment": "50x of run"},
    "B2": {"lot": "L_2", "product": "mirror", "instrument": "bench 2", "customer": "Größe"},
}
"""Four parts, an hour from one to the next."""


@pytest.fixture(scope="module", params=["tail", "snapshot", "both"])
def catalog(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator:
    """The same archive as a tail, as a snapshot, and as one with a newer version of a row."""
    world = World(tmp_path_factory.mktemp("archive"))
    made = batch(*FACTS, judged=False)
    rows = [
        replace(m, kind=Kind.PART, trusted_at=NOON + timedelta(hours=i), **FACTS[name])
        for i, (name, m) in enumerate(zip(FACTS, made.measurements, strict=True))
    ]
    said = (
        verdict("A1", value=91.0),
        verdict("A2", outcome=Outcome.FAIL, value=80.0),
        verdict("A2", requirement="blocked band"),
        verdict("B1", spec="in house", outcome=Outcome.UNDECIDED),
    )
    first = replace(made, measurements=tuple(rows), verdicts=(verdict("A1", value=1.0), *said))
    world.add(replace(first, findings=(finding("A1"),), specifications=(specification(),)))
    if request.param != "tail":
        world.catalog.publish()
    if request.param == "both":
        world.add(Batch(events=(event("A1", EventKind.NOTE), event("A2", stage="as coated"))))
        world.add(Batch(verdicts=(said[0],)))
    yield world.catalog
    world.store.close()


def names(found: pl.DataFrame) -> list[str]:
    return [file.removesuffix(".csv") for file in found["file"]]


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        (Query(), ["B2", "B1", "A2", "A1"]),
        (Query(descending=False), ["A1", "A2", "B1", "B2"]),
        (Query(lot="L1"), ["A2", "A1"]),
        (Query(lot="L*"), ["B2", "B1", "A2", "A1"]),
        (Query(lot="L_*"), ["B2"]),
        (Query(lot="l1"), []),
        (Query(sample="*1", product="window"), ["A1"]),
        (Query(file="B2.csv"), ["B2"]),
        (Query(kind="part", instrument="bench 2"), ["B2", "A2"]),
        (Query(text="50%_"), ["A2"]),
        (Query(text="50"), ["B1", "A2"]),
        (Query(text="RUN"), ["B1", "A2"]),
        (Query(text="größe"), ["B2"]),
        (Query(text="GRÖSSE"), []),
        (Query(text="*"), []),
        (Query(since=NOON + timedelta(hours=1), until=NOON + timedelta(hours=3)), ["B1", "A2"]),
        (Query(outcome="fail"), ["A2"]),
        (Query(outcome="undecided"), ["B1"]),
        (Query(outcome=NOT_JUDGED), ["B2"]),
        (Query(spec="window"), ["A2", "A1"]),
        (Query(spec="window", outcome="pass"), ["A1"]),
        (Query(spec="window", outcome="fail"), ["A2"]),
        (Query(spec="in house", outcome=NOT_JUDGED), ["B2", "A2", "A1"]),
        (Query(ids=(identifier("A1"), identifier("nobody"))), ["A1"]),
        (Query(ids=()), []),
        (Query(sort="lot", descending=False), ["A1", "A2", "B1", "B2"]),
        (Query(sort="customer", descending=False), ["B2", "A1", "A2", "B1"]),
        (Query(sort="customer", descending=True), ["B2", "B1", "A2", "A1"]),
        (Query(limit=2), ["B2", "B1"]),
        (Query(limit=2, offset=3), ["A1"]),
        (Query(limit=None, offset=1), ["B1", "A2", "A1"]),
        (Query(limit=None), ["B2", "B1", "A2", "A1"]),
        (Query(withdrawn="only"), []),
        (Query(in_conflict=False, unassigned=False), ["B2", "B1", "A2", "A1"]),
    ],
)
def test_search_finds_what_holds_every_condition(
    catalog: Catalog, query: Query, expected: list[str]
) -> None:
    assert names(catalog.search(query)) == expected
    if query.limit == 100:
        assert catalog.count(query) == len(expected)


def test_a_page_has_its_times_in_utc(catalog: Catalog) -> None:
    found = catalog.search(Query(sample="A1"))
    assert found["trusted_at"].dtype == pl.Datetime("us", "UTC")
    assert found["trusted_at"].to_list() == [NOON]


def test_a_query_that_makes_no_sense_is_told_so() -> None:
    with pytest.raises(ValueError, match="sort: found 'nonsense'"):
        Query(sort="nonsense")
    with pytest.raises(ValueError, match="since: found 2026-03-10T12:00:00"):
        Query(since=datetime(2026, 3, 10, 12))  # noqa: DTZ001  # without offset on purpose


def test_facets_count_distinct_values(catalog: Catalog) -> None:
    assert catalog.facets("product").to_dict(as_series=False) == {
        "value": ["mirror", "window"],
        "measurements": [2, 2],
    }
    assert catalog.facets("lot", 1)["value"].to_list() == ["L1"]
    with pytest.raises(ValueError, match="header"):
        catalog.facets("header")


def test_the_last_measurements_of_each_instrument(catalog: Catalog) -> None:
    assert names(catalog.latest_by_instrument(1)) == ["B1", "B2"]
    assert names(catalog.latest_by_instrument(5)) == ["B1", "A1", "B2", "A2"]


def test_look_ups_by_content_and_path(catalog: Catalog) -> None:
    one, two = identifier("A1"), identifier("A2")
    assert catalog.known_ids([one, "x", two]) == {one, two}
    assert catalog.known_ids([]) == set()
    same = catalog.same_values([measurement("A1").values_sha256])
    assert [m.file for m in same] == [f"{name}.csv" for name in FACTS]
    assert same[0].header == {}
    assert [m.measurement_id for m in catalog.from_path("bench", ["A2.csv", "Z.csv"])] == [two]
    assert catalog.from_path("elsewhere", ["A2.csv"]) == []
    axis = spectrum().axis.id
    assert catalog.axes_known([axis, "x"]) == {axis}
    sha256 = file_row("A1").sha256
    assert catalog.has_original([sha256, "x"]) == {sha256}
    assert catalog.known_file_ids([file_row("A1").file_id, "x"]) == {file_row("A1").file_id}
    assert set(catalog.places("spectra", [one, "x"])) == {one}
    place = catalog.places("originals", [file_row("B1").sha256])[file_row("B1").sha256]
    assert (place.commit, place.row, place.batch) == (1, 2, 1)
    assert catalog.places("axes", [axis])[axis].row == 0


def test_whole_measurements_come_in_the_order_asked_for(catalog: Catalog) -> None:
    ids = [identifier(name) for name in ("B1", "A1")]
    assert [m.measurement_id for m in catalog.measurements(ids)] == ids
    with pytest.raises(NotFound, match="nobody"):
        catalog.measurements(["nobody"])
    with pytest.raises(NotFound, match="nobody"):
        catalog.row("nobody")


def test_series_gives_the_current_values_over_time(catalog: Catalog) -> None:
    found = catalog.series("window", "window", "clear band")
    assert found["value"].to_list() == [91.0, 80.0]
    assert found["trusted_at"].is_sorted()
    assert found["sample"].to_list() == ["A1", "A2"]
    later = catalog.series("window", "window", "clear band", since=NOON + timedelta(minutes=1))
    assert later["value"].to_list() == [80.0]
    assert catalog.series("window", "window", "clear band", kind=Kind.WITNESS).is_empty()


def test_verdicts_by_measurement_product_and_requirement(catalog: Catalog) -> None:
    assert catalog.verdicts([identifier("A2")])["requirement"].to_list() == [
        "clear band",
        "blocked band",
    ]
    assert catalog.verdicts(spec="window").height == 3
    assert catalog.verdicts(product="window", requirement="clear band").height == 2
    assert catalog.verdicts(product="mir*")["spec"].to_list() == ["in house"]
    past = catalog.verdicts([identifier("A1")], current=False)
    assert past["value"].to_list()[:2] == [1.0, 91.0]
    assert past["current"].to_list().count(True) == 1


def test_lots_and_parts(catalog: Catalog) -> None:
    lots = catalog.lots()
    assert lots["lot"].to_list() == ["L_2", "L2", "L1"]
    assert lots.row(2, named=True) | {"first_at": 0, "last_at": 0} == {
        "lot": "L1", "product": "window", "measurements": 2, "parts": 2, "passed": 1, "failed": 1,
        "undecided": 0, "not_measurable": 0, "not_judged": 0, "first_at": 0, "last_at": 0,
    }  # fmt: skip
    assert names(catalog.part_rows(lot="L1")) == ["A1", "A2"]
    assert names(catalog.part_rows(order_number="O 1")) == ["A1"]
    with pytest.raises(ValueError, match="expected one of lot"):
        catalog.part_rows()


def test_findings_specifications_and_totals(catalog: Catalog) -> None:
    assert catalog.findings([identifier("A1"), identifier("A2")])["text"].to_list() == [
        finding().text
    ]
    assert catalog.specification(specification().spec_version) == specification()
    assert catalog.specification("x") is None
    assert catalog.specifications()["spec"].to_list() == ["window"]
    totals = catalog.totals()
    assert (totals["measurements"], totals["files"], totals["not_judged"]) == (4, 4, 1)


def test_unjudged_goes_on_from_page_to_page(tmp_path: Path) -> None:
    world = World(tmp_path)
    made = batch("A1", "A2", "A3", "A4", judged=False)
    rows = [replace(m, kind=Kind.PART) for m in made.measurements]
    rows[3] = replace(rows[3], kind=Kind.BLANK)
    world.add(replace(made, measurements=tuple(rows)))
    first = world.catalog.unjudged(limit=2)
    assert names(first) == ["A1", "A2"]
    after = first["measurement_id"].to_list()[-1]
    assert names(world.catalog.unjudged(limit=2, after=after)) == ["A3"]
    world.add(Batch(verdicts=(verdict("A1"),)))
    assert names(world.catalog.unjudged()) == ["A2", "A3"]


def test_backfill_waits_for_no_verdict(tmp_path: Path) -> None:
    world = World(tmp_path)
    made = batch("A1", judged=False)
    rows = tuple(replace(m, kind=Kind.PART) for m in made.measurements)
    files = tuple(replace(f, backfill=True) for f in made.files)
    world.add(replace(made, measurements=rows, files=files))
    assert world.catalog.unjudged().is_empty()


def test_an_order_keeps_the_version_that_judged_it_first(tmp_path: Path) -> None:
    world = World(tmp_path)
    made = batch("A1", "A2", judged=False)
    world.add(
        replace(
            made,
            measurements=(
                replace(made.measurements[0], order_number="O1", lot="L9"),
                replace(made.measurements[1], lot="L1"),
            ),
        )
    )
    assert world.catalog.pinned_versions(["O1"]).get(("window", "O1")) is None
    world.add(Batch(verdicts=(verdict("A1", spec_version="A"), verdict("A2", spec_version="A"))))
    world.add(Batch(verdicts=(verdict("A1", spec_version="B"),)))
    assert world.catalog.pinned_versions(["O1"]).get(("window", "O1")) == "A"
    assert world.catalog.pinned_versions(["L1"]).get(("window", "L1")) == "A"
    assert world.catalog.pinned_versions(["L9"]).get(("window", "L9")) is None
    assert world.catalog.pinned_versions(["O1"]).get(("in house", "O1")) is None
    adopted = replace(
        event("A1", EventKind.ADOPT_REVISION, spec="window", spec_version="C"), subject="O1"
    )
    world.add(Batch(events=(adopted,)))
    assert world.catalog.pinned_versions(["O1"]).get(("window", "O1")) == "C"


def test_a_listing_is_compared_by_path_size_and_time(tmp_path: Path) -> None:
    world = World(tmp_path)
    rows = [file_row(f"A{i}", modified_ns=1000 + i) for i in range(5)]
    world.add(
        Batch(
            files=tuple(rows), originals={r.sha256: original(f"A{i}") for i, r in enumerate(rows)}
        )
    )
    seen = [(r.path, r.size, r.modified_ns) for r in rows]
    odd = [("A0.csv", rows[0].size + 1, 1000), ("A1.csv", rows[1].size, 999), ("new", 1, 2000)]
    assert world.catalog.unseen("bench", [*seen, *odd]) == odd
    assert world.catalog.unseen("elsewhere", seen) == seen
    assert world.catalog.unseen("bench", []) == []
    assert world.catalog.unseen("bench", [seen[2]]) == []


def test_the_ledger_tells_what_became_of_files(tmp_path: Path) -> None:
    world = World(tmp_path)
    refusal = replace(
        file_row("A1"), outcome=FileOutcome.REFUSED, readers="1", note="no", measurements=0
    )
    sheet = replace(file_row("sheet"), importer="run sheet")
    bytes_of = {refusal.sha256: original("A1"), sheet.sha256: original("sheet")}
    world.add(Batch(files=(refusal, sheet), originals=bytes_of))
    assert world.catalog.refused() == [refusal]
    assert world.catalog.refused(readers="1") == []
    assert world.catalog.refused("bench", readers="2") == [refusal]
    assert world.catalog.refused("elsewhere") == []
    assert world.catalog.taken_by("run sheet") == [sheet]
    assert world.catalog.files("refused")["path"].to_list() == ["A1.csv"]
    assert world.catalog.files(folder="bench")["path"].to_list() == ["sheet.csv", "A1.csv"]
    assert world.catalog.files(limit=1, offset=1)["path"].to_list() == ["A1.csv"]
    taken = replace(file_row("A1"), file_id=identifier("again"), readers="2", holds_original=False)
    world.add(Batch(files=(taken,)))
    assert world.catalog.refused() == []
    assert world.catalog.file_states("bench", "A1.csv") == [refusal, taken]
    assert world.catalog.places("originals", [refusal.sha256])[refusal.sha256].commit == 1


def test_scans_of_a_folder_by_file_or_run(tmp_path: Path) -> None:
    world = World(tmp_path)
    made = batch("A1", "A2", "A3", "A4", judged=False)
    one, two, three, four = made.measurements
    rows = (replace(one, file="monday/A1.csv"), replace(two, run="7"), three, four)
    files = (replace(made.files[0], path="monday/A1.csv"), *made.files[1:])
    world.add(replace(made, measurements=rows, files=files))
    world.add(Batch(events=(event("A4", EventKind.WITHDRAW), event("A3", EventKind.NOTE))))
    found = world.catalog.scans_named("bench", ["A1.csv", "A3.csv", "A4.csv"], ["7"])
    assert [m.sample for m in found] == ["A1", "A2", "A3"]
    assert world.catalog.scans_named("bench", ["monday/A1.csv"], []) == [found[0]]
    assert world.catalog.scans_named("elsewhere", ["A1.csv"], ["7"]) == []
    assert world.catalog.noted([identifier("A3"), identifier("A4")]) == {identifier("A3")}


def test_names_with_quotes_are_only_names(tmp_path: Path) -> None:
    world = World(tmp_path / "it's an archive")
    world.add(batch('O\'Neill "quoted"; --'))
    world.catalog.publish()
    assert world.catalog.count(Query(sample="O'Neill*")) == 1
    assert world.catalog.count(Query(text="' OR 1=1 --")) == 0
    assert world.catalog.search(Query())["trusted_at"].to_list() == [NOON.astimezone(UTC)]


@pytest.mark.parametrize("sort", ["trusted_at", "sample", "stage", "outcome", "x_mm"])
@pytest.mark.parametrize("descending", [True, False])
def test_pages_follow_one_another_without_a_gap(
    many: Catalog, sort: str, descending: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where more rows of the snapshot have newer versions than are asked for at first."""
    monkeypatch.setattr(query, "_SPARE", 1)
    whole = many.search(Query(sort=sort, descending=descending, limit=None))
    assert whole.height == 40
    for size in (1, 7, 50):
        pages = [
            many.search(Query(sort=sort, descending=descending, limit=size, offset=offset))
            for offset in range(0, 50, size)
        ]
        assert pl.concat(pages).equals(whole)


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Catalog]:
    """Thirty measurements in a snapshot, most of them changed since, and ten after it."""
    world = World(tmp_path_factory.mktemp("many"))
    made = batch(*(f"A{i:02d}" for i in range(30)))
    rows = tuple(
        replace(m, trusted_at=NOON + timedelta(hours=i * 7 % 30), x_mm=float(i % 4) or None)
        for i, m in enumerate(made.measurements)
    )
    world.add(replace(made, measurements=rows))
    world.catalog.publish()
    changed = [event(f"A{i:02d}", stage=f"stage {i % 3}") for i in range(30) if i % 5]
    world.add(Batch(events=tuple(changed)))
    world.add(replace(batch(*(f"B{i}" for i in range(10)), judged=False), axes=()))
    yield world.catalog
    world.store.close()


@pytest.mark.parametrize("word", ["failed", "FAIL", "incomplete", ""])
def test_an_outcome_that_no_measurement_can_have_is_refused_and_not_found_nowhere(word: str):
    with pytest.raises(ValueError, match="expected one of fail, not measurable"):
        Query(outcome=word)
