"""Which scans a qualification run takes, and what a programme may say."""

import dataclasses
from datetime import UTC, date, datetime

import pytest
from pydantic import ValidationError

from speclake.fitness.qualifying import recognises
from speclake.measurement import Kind, Measurement
from speclake.standards.certificates import Certificate, CertifiedBand
from speclake.standards.programmes import (
    BandPositions,
    CheckSample,
    Flatness,
    Noise,
    Programme,
    Resolution,
    StrayLight,
    Values,
)

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
GLASS = Certificate(
    name="glass", material="holmium glass", identification="HG-1", certificate="c 1",
    issued_by="a laboratory", issued_on=date(2025, 1, 1), valid_until=None,
    recognised_as=("holmium 1", "ho glass*"),
    band=(CertifiedBand(position_nm=361, uncertainty_nm=1),),
)  # fmt: skip
SCAN = Measurement(
    measurement_id="m", file_id="f", file="a.csv", place="", importer="columns",
    importer_version="1", scan_sha256="s", values_sha256="v", kind=Kind.UNKNOWN,
    quantity="transmittance", unit="%T", axis_id="x", axis_unit="nm", points=801,
    axis_first=200.0, axis_last=1000.0, scan_direction="ascending", instrument="bench A",
    accessory="holder", sample="Ho glass, Monday", arrived_at=NOW, trusted_at=NOW,
    trusted_time="arrived",
)  # fmt: skip


def scan(**fields):
    return dataclasses.replace(SCAN, **fields)


def bands(**keys):
    said = {"standard": "glass"} if "published" not in keys else {}
    return BandPositions(
        id="bands", what="band positions", every_days=7, largest_error_nm=0.5, **said, **keys
    )


def programme(check, **keys):
    said = {"quantity": "transmittance", "range_nm": (200.0, 900.0), **keys}
    return Programme(name="p", instrument="bench A", check=(check,), **said)


def takes(check, measurement, certificate=None, **keys):
    return recognises(programme(check, **keys), check, certificate, measurement)


def test_a_standard_is_known_by_its_names_or_its_identification():
    assert takes(bands(), SCAN, GLASS)
    assert takes(bands(), scan(sample="HOLMIUM 1"), GLASS)
    assert not takes(bands(), scan(sample="holmium 12"), GLASS)
    assert takes(bands(), scan(sample=None, serial="HG-1"), GLASS)
    assert not takes(bands(), scan(sample=None), GLASS)
    assert not takes(bands(), SCAN, None)


def test_names_of_the_check_take_the_place_of_those_of_the_standard():
    assert takes(bands(sample="weekly*"), scan(sample="weekly glass"), GLASS)
    assert not takes(bands(sample="weekly*"), SCAN, GLASS)
    # only the star is special
    assert not takes(bands(sample="a.c"), scan(sample="abc"), GLASS)


@pytest.mark.parametrize(
    ("table", "sample", "other"),
    [
        ("holmium solution, 1985", "Holmium oxide solution 3", "holmium glass"),
        ("holmium glass", "holmium oxide glass", "holmium solution"),
        ("mercury lines", "mercury pen lamp", "deuterium"),
        ("deuterium lines", "deuterium lamp, single beam", "lamp"),
    ],
)
def test_published_standards_have_names_of_their_own(table, sample, other):
    check = bands(published=table)
    assert takes(check, scan(sample=sample))
    assert not takes(check, scan(sample=other))
    assert not takes(check, scan(sample=sample, kind=Kind.PART))


def test_only_scans_of_the_configuration_count():
    assert not takes(bands(), scan(instrument="bench B"), GLASS)
    assert not takes(bands(), scan(instrument=None), GLASS)
    assert not takes(bands(), scan(quantity="reflectance", unit="%R"), GLASS)
    assert takes(bands(), scan(quantity="absorbance", unit="A"), GLASS)
    assert takes(bands(), SCAN, GLASS, accessory="holder")
    assert not takes(bands(), SCAN, GLASS, accessory="sphere")
    assert not takes(bands(), scan(axis_first=950.0), GLASS)
    assert takes(bands(), scan(axis_unit="cm-1", axis_first=11000.0, axis_last=50000.0), GLASS)
    assert not takes(bands(), scan(axis_unit="cm-1", axis_first=4000.0, axis_last=9000.0), GLASS)


def test_checks_without_a_standard_go_by_kind():
    flat = {"id": "f", "what": "flatness", "every_days": 7, "band": (300, 800),
            "largest_deviation_percent": 0.3}  # fmt: skip
    assert takes(Flatness(**flat), scan(kind=Kind.BLANK))
    assert not takes(Flatness(**flat), scan(kind=Kind.ZERO_LINE))
    assert takes(Flatness(**flat, level_percent=0), scan(kind=Kind.ZERO_LINE))
    assert takes(Flatness(**flat, kind=Kind.REFERENCE), scan(kind=Kind.REFERENCE))
    assert not takes(Flatness(**flat, kind=Kind.REFERENCE), scan(kind=Kind.BLANK))
    noise = Noise(id="n", what="noise", every_days=7, band=(300, 800), largest_rms=1, unit="%T")
    assert takes(noise, scan(kind=Kind.BLANK))
    assert not takes(noise, SCAN)
    daily = CheckSample(id="d", what="check sample", every_days=1, at_nm=500, unit="%T")
    assert takes(daily, scan(kind=Kind.CHECK))
    assert not takes(daily, scan(kind=Kind.PART))
    cut_off = {"id": "s", "what": "stray light", "every_days": 90, "band": (200, 220),
               "unit": "%T", "limit": 0.1}  # fmt: skip
    assert not takes(StrayLight(**cut_off), SCAN)
    assert takes(StrayLight(**cut_off, sample="ho*"), SCAN)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"standard": "x"}, "one of largest_error_nm, tolerance"),
        ({"standard": "x", "published": "holmium glass", "largest_error_nm": 1}, "one of them"),
        ({"published": "didymium", "largest_error_nm": 1}, "holmium glass"),
        ({"published": "mercury lines", "tolerance": "as in the table"}, "states none"),
        ({"standard": "x", "tolerance": "as in the table"}, "with a published table"),
        ({"standard": "x", "tolerance": "USP absorbance, visible"}, "Ph. Eur. wavelength"),
    ],
)
def test_a_mistake_in_a_check_of_positions_is_told(keys, said):
    with pytest.raises(ValidationError, match=said):
        BandPositions(id="b", what="band positions", every_days=7, **keys)


def test_tolerances_of_tables_are_taken_where_there_are_some():
    BandPositions(
        id="b", what="band positions", every_days=7, published="holmium glass",
        tolerance="as in the table",
    )  # fmt: skip
    with pytest.raises(ValidationError, match="states none"):
        Values(
            id="v", what="values", every_days=7, tolerance="as in the table",
            published="dichromate 20 mg/L in perchloric acid",
        )  # fmt: skip
    with pytest.raises(ValidationError, match="line_nm with largest_width_nm"):
        Resolution(id="r", what="resolution", every_days=7, line_nm=656.1, least_ratio=1.5)
