"""The demo's exports, read, resolved and judged: the archive's verdicts are those of the story.

Filters and splitters hang on several scans, witness pieces and the word of a person; whole archives
judge them in tests/test_demo.py.
"""

from collections import defaultdict
from datetime import UTC, datetime
from pathlib import Path

import pytest
import speclake_demo
from speclake_demo import generate
from speclake_demo.scans import Drop
from speclake_demo.turntable import FILTER, SPLITTER

from speclake.importing import registry
from speclake.importing.formatfiles import load_formats
from speclake.importing.interface import Source
from speclake.intake import runsheets
from speclake.intake.resolving import FileFacts, Reader, measurement_of
from speclake.intake.specbook import SpecBook
from speclake.judging.conditions import Conditions
from speclake.judging.rollup import PartVerdict, part_outcome
from speclake.judging.verdict_rows import judge
from speclake.measurement import Kind, Measurement
from speclake.settings import load
from speclake.specs.choosing import choose
from speclake.specs.model import Specification
from speclake.specs.verdicts import Outcome
from speclake.spectrum import Spectrum, SpectrumSet

ROOT = Path(next(iter(speclake_demo.__path__)))
REGULAR = ("ordinary", "growing", "exported again")

Part = list[tuple[Measurement, Spectrum]]


def read_and_resolved(drops: list[Drop]) -> Part:
    """Every spectrum of the ordinary work, from the last state of its file."""
    settings = load(ROOT)
    formats = {name: each.as_data() for name, each in load_formats(ROOT / "formats").items()}
    ready = registry.load(only=["columns", "jcamp"]).ready
    sheets = [
        runsheets.read(d.path.split("/", 1)[1], d.content) for d in drops if d.case == "run sheet"
    ]
    found: Part = []
    for drop in {d.path: d for d in drops if d.case in REGULAR}.values():
        bench, path = drop.path.split("/", 1)
        (folder,) = [f for f in settings.folder if f.path == f"exports/{bench}"]
        facts = FileFacts("0" * 32, path, drop.modified, datetime(2026, 6, 1, tzinfo=UTC))
        reader = Reader(folder.importer or "", "1", folder.format)
        for spectrum in ready[reader.importer].read(
            Source(path, drop.content, formats, folder.format)
        ):
            measurement = measurement_of(
                spectrum, facts, reader, folder, settings, sheets if folder.run_sheets else []
            )
            found.append((measurement, spectrum))
    return found


def verdict_on(part: Part, specification: Specification) -> PartVerdict:
    verdicts = [
        verdict
        for measurement, spectrum in part
        for verdict in judge(
            SpectrumSet.of([spectrum], [measurement.measurement_id]), specification, [measurement]
        )
    ]
    conditions = {m.measurement_id: Conditions.of(m) for m, _ in part}
    return part_outcome(verdicts, conditions, specification)


@pytest.fixture(scope="module")
def outcomes() -> dict[str, dict[str, Outcome]]:
    """Outcome of every part by its serial, by the name of the specification."""
    specifications = SpecBook(ROOT / "specs").current()
    parts: defaultdict[str, Part] = defaultdict(list)
    for measurement, spectrum in read_and_resolved(list(generate.exports())):
        if measurement.kind is Kind.PART and measurement.product not in (FILTER, SPLITTER):
            assert measurement.serial is not None
            parts[measurement.serial].append((measurement, spectrum))
    judged: defaultdict[str, dict[str, Outcome]] = defaultdict(dict)
    for serial, part in parts.items():
        m = part[0][0]
        for specification in choose(
            specifications, order_number=m.order_number, customer=m.customer, product=m.product
        ):
            judged[specification.name][serial] = verdict_on(part, specification).outcome
    return judged


def serials(outcomes: dict[str, Outcome], outcome: Outcome) -> tuple[str, ...]:
    return tuple(sorted(serial for serial, found in outcomes.items() if found is outcome))


def test_both_specifications_of_the_windows_apply_and_one_of_each_other_product(
    outcomes: dict[str, dict[str, Outcome]],
) -> None:
    assert {name: len(found) for name, found in outcomes.items()} == {
        "camera window": 60,
        "camera window, in-house": 60,
        "cover panel": 12,
        "dark filter": 4,
        "deep-UV wafer": 6,
    }


def test_parts_have_the_outcomes_of_the_summary(
    outcomes: dict[str, dict[str, Outcome]],
) -> None:
    summary = generate.summary()
    for name, found in outcomes.items():
        assert serials(found, Outcome.FAIL) == summary.failing[name]
        assert serials(found, Outcome.UNDECIDED) == summary.undecided.get(name, ())
        incomplete = summary.incomplete if name == "cover panel" else ()
        assert serials(found, Outcome.INCOMPLETE) == incomplete
        assert serials(found, Outcome.NOT_MEASURABLE) == ()
