"""What the generator printed is what the importers read, and what must be refused is refused."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import speclake_demo
from speclake_demo import generate
from speclake_demo.clock import TIME_ZONE
from speclake_demo.scans import Drop, Scan

from speclake.errors import MalformedFile
from speclake.importing import registry
from speclake.importing.formatfiles import load_formats
from speclake.importing.interface import HEAD_BYTES, Confidence, Source
from speclake.intake import runsheets
from speclake.intake.resolving import FileFacts, Reader, measurement_of
from speclake.intake.runsheets import RunSheet
from speclake.measurement import FIELDS, Measurement
from speclake.settings import Folder, Settings, load
from speclake.spectrum import Spectrum

ROOT = Path(next(iter(speclake_demo.__path__)))


@pytest.fixture(scope="module")
def settings() -> Settings:
    return load(ROOT)


@pytest.fixture(scope="module")
def formats() -> Mapping[str, Mapping[str, Any]]:
    return {name: format.as_data() for name, format in load_formats(ROOT / "formats").items()}


@pytest.fixture(scope="module")
def drops() -> list[Drop]:
    return list(generate.exports())


def folder_of(drop: Drop, settings: Settings) -> tuple[Folder, str]:
    """Watched folder of an export, and its path below that."""
    bench, below = drop.path.split("/", 1)
    (folder,) = [f for f in settings.folder if f.path == f"exports/{bench}"]
    return folder, below


def source_of(drop: Drop, settings: Settings, formats: Mapping[str, Mapping[str, Any]]) -> Source:
    folder, below = folder_of(drop, settings)
    return Source(below, drop.content, formats, folder.format)


def read(
    drop: Drop, settings: Settings, formats: Mapping[str, Mapping[str, Any]]
) -> list[Spectrum]:
    folder, _ = folder_of(drop, settings)
    assert folder.importer is not None
    importer = registry.load(only=[folder.importer]).ready[folder.importer]
    return list(importer.read(source_of(drop, settings, formats)))


def to_read(drops: list[Drop]) -> list[Drop]:
    return [drop for drop in drops if drop.scans]


def test_every_number_is_read_bit_for_bit(
    drops: list[Drop], settings: Settings, formats: Mapping[str, Mapping[str, Any]]
) -> None:
    for drop in to_read(drops):
        spectra = read(drop, settings, formats)
        assert len(spectra) == len(drop.scans), drop.path
        for spectrum, scan in zip(spectra, drop.scans, strict=True):
            assert np.array_equal(spectrum.axis.values, scan.wavelength_nm), drop.path
            assert np.array_equal(spectrum.values, scan.values), drop.path
            assert (spectrum.unit, spectrum.axis.unit) == (scan.unit, "nm"), drop.path
            assert spectrum.notes == (), drop.path


def test_order_of_the_points_is_kept(
    drops: list[Drop], settings: Settings, formats: Mapping[str, Mapping[str, Any]]
) -> None:
    for drop in to_read(drops):
        falling = drop.path.startswith("bench_a/")
        for spectrum in read(drop, settings, formats):
            assert spectrum.scan_direction == ("descending" if falling else "ascending"), drop.path


def test_each_file_is_known_by_its_head_alone(
    drops: list[Drop], settings: Settings, formats: Mapping[str, Mapping[str, Any]]
) -> None:
    ready = registry.load(only=["columns", "jcamp"]).ready
    for drop in to_read(drops):
        folder, below = folder_of(drop, settings)
        head = Source(below, drop.content[:HEAD_BYTES], formats)
        guesses = {name: importer.sniff(head) for name, importer in ready.items()}
        best = max(guesses, key=lambda name: guesses[name].confidence)
        assert best == folder.importer, drop.path
        assert guesses[best].format == folder.format, drop.path
        (other,) = [guess for name, guess in guesses.items() if name != best]
        assert other.confidence == Confidence.NO, drop.path


def test_what_must_be_refused_is_refused_with_its_place(
    drops: list[Drop], settings: Settings, formats: Mapping[str, Mapping[str, Any]]
) -> None:
    refused = {drop.case: drop for drop in drops if drop.is_refused}
    assert len(refused) == len(generate.summary().refused) == 6
    for drop in refused.values():
        with pytest.raises(MalformedFile) as refusal:
            read(drop, settings, formats)
        assert drop.path.split("/", 1)[1] in str(refusal.value)
        assert refusal.value.found and refusal.value.expected


def resolved(
    drop: Drop, settings: Settings, formats: Mapping[str, Mapping[str, Any]], sheets: list[RunSheet]
) -> list[Measurement]:
    folder, below = folder_of(drop, settings)
    facts = FileFacts("0" * 32, below, drop.modified, datetime(2026, 6, 1, tzinfo=UTC))
    reader = Reader(folder.importer or "", "1", folder.format)
    mine = sheets if folder.run_sheets else []
    return [
        measurement_of(spectrum, facts, reader, folder, settings, mine)
        for spectrum in read(drop, settings, formats)
    ]


@pytest.fixture(scope="module")
def sheets(drops: list[Drop]) -> list[RunSheet]:
    return [
        runsheets.read(d.path.split("/", 1)[1], d.content) for d in drops if d.case == "run sheet"
    ]


def told(measurement: Measurement, scan: Scan) -> dict[str, str]:
    """Fields of the measurement that the scan has, as text."""
    known = {}
    for name in scan.fields:
        value = getattr(measurement, name, None)
        if FIELDS[name] == "number" and value is not None:
            known[name] = f"{value:g}"
        elif FIELDS[name] == "flag" and value is not None:
            known[name] = "yes" if value else "no"
        elif value is not None:
            known[name] = str(value)
    return known


def test_header_names_and_run_sheets_give_every_scan_its_part(
    drops: list[Drop],
    settings: Settings,
    formats: Mapping[str, Mapping[str, Any]],
    sheets: list[RunSheet],
) -> None:
    becomes_range_or_link = {"bandwidth_nm", "interval_nm", "witness_for", "repeat_of"}
    for drop in to_read(drops):
        for measurement, scan in zip(
            resolved(drop, settings, formats, sheets), drop.scans, strict=True
        ):
            expected = {
                name: f"{float(text):g}" if FIELDS[name] == "number" else text
                for name, text in scan.fields.items()
                if name not in becomes_range_or_link
            }
            found = told(measurement, scan)
            assert {name: found.get(name) for name in expected} == expected, drop.path
            assert measurement.scanned_at == scan.scanned, drop.path
            linked = {link.target for link in measurement.links}
            assert linked == {
                scan.fields[name] for name in ("witness_for", "repeat_of") if name in scan.fields
            }, drop.path
            (stretch, *_) = measurement.ranges
            assert stretch.bandwidth_nm == float(scan.fields["bandwidth_nm"]), drop.path


def test_only_the_scan_without_a_lot_stays_unassigned(
    drops: list[Drop],
    settings: Settings,
    formats: Mapping[str, Mapping[str, Any]],
    sheets: list[RunSheet],
) -> None:
    open_questions = {
        drop.case: measurement.unresolved
        for drop in to_read(drops)
        for measurement in resolved(drop, settings, formats, sheets)
        if measurement.unresolved
    }
    assert set(open_questions) == {"no lot anywhere"}
    assert [text.split(":")[0] for text in open_questions["no lot anywhere"]] == [
        "lot",
        "sample or serial",
    ]


def test_only_the_wrong_clock_is_remarked(
    drops: list[Drop],
    settings: Settings,
    formats: Mapping[str, Mapping[str, Any]],
    sheets: list[RunSheet],
) -> None:
    remarked = {
        drop.case: measurement
        for drop in to_read(drops)
        for measurement in resolved(drop, settings, formats, sheets)
        if measurement.time_notes
    }
    assert set(remarked) == {"scanned after it was saved"}
    assert remarked["scanned after it was saved"].trusted_time.startswith("saved")


def test_zone_of_settings_and_formats_is_that_of_the_benches(
    settings: Settings, formats: Mapping[str, Mapping[str, Any]]
) -> None:
    assert settings.time_zone == TIME_ZONE
    assert {format["scanned"]["zone"] for format in formats.values()} == {TIME_ZONE}


def test_sites_of_the_settings_are_those_of_the_panels(settings: Settings) -> None:
    from speclake_demo.parts import panel_sites_mm

    (sites,) = [m for m in settings.site_map if "cover panel" in m.products]
    assert sites.sites == panel_sites_mm()


def test_changeovers_of_the_settings_are_those_of_the_benches(settings: Settings) -> None:
    from speclake_demo.benches import BENCHES

    told = {c.instrument: c.changeovers_nm for c in settings.configuration}
    assert told == {b.name: b.changeovers_nm for b in BENCHES if b.changeovers_nm}
