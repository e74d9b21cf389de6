"""What a spectrum read from JCAMP-DX carries: values, units, header, fields, time.

The rules come from McDonald and Wilks, Applied Spectroscopy 42 (1988) 151 (version 4.24), and
Lampen et al., Pure and Applied Chemistry 71 (1999) 1549 (version 5.01), from memory.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from speclake_plugins.columns import ColumnsImporter
from speclake_plugins.jcamp import JcampImporter

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Source
from speclake.importing.formatfiles import load_formats
from speclake.importing.registry import choose, load
from tests.plugins.jcamp_files import (
    read_one,
    refusal,
    seven,
    with_,
)
from tests.plugins.jcamp_writing import jcamp


def test_a_spectrum_keeps_values_positions_header_and_order_of_the_file() -> None:
    content = seven(
        ["506 10 25 25", "503 25 7 -3", "500 0"], ends=("506", "500"), YFACTOR="0.001",
        LOT="7  ", **{"$MY_RECORD": "1 $$ kept", "COMMENT": "two\n  lines"},
    )  # fmt: skip
    found = read_one(content)
    assert found.axis.values.tolist() == [500, 501, 502, 503, 504, 505, 506]
    assert found.values.tolist() == [0, -0.003, 0.007, 0.025, 0.025, 0.025, 0.01]
    assert (found.unit, found.axis.unit, found.axis.medium) == ("A", "nm", None)
    assert (found.scan_direction, found.place) == ("descending", "block 1")
    assert found.header["$MY RECORD"] == "1 $$ kept"
    assert found.header["COMMENT"] == "two\n  lines"
    assert found.header["LOT"] == "7"
    assert found.header["XYDATA"] == "(X++(Y..Y))"
    assert list(found.header)[:2] == ["TITLE", "JCAMP-DX"]
    assert found.notes == ()


def test_every_header_record_is_kept_even_where_a_label_comes_twice() -> None:
    content = with_(
        seven(), "##XUNITS", "##COMMENT= one\n##COMMENT= two\n##= a bare comment\n##XUNITS"
    )
    header = read_one(content).header
    assert (header["COMMENT"], header["COMMENT (2)"]) == ("one", "two")
    assert header["##"] == "a bare comment"


def test_values_are_the_floats_of_the_written_decimals_not_products_of_rounded_ones() -> None:
    found = read_one(jcamp(["1 3487 3 3"], ends=("1", "3"), points=3, YFACTOR="0.0001"))
    assert found.values.tolist() == [0.3487, 0.0003, 0.0003]
    assert 3 * 0.0001 != 0.0003


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("NANOMETERS", "nm"), ("nm", "nm"), ("Nanometres", "nm"), ("Wavelength (nm)", "nm"),
        ("MICROMETERS", "um"), ("um", "um"), ("\u00b5m", "um"), ("microns", "um"),
        ("1/CM", "cm-1"), ("cm-1", "cm-1"), ("cm^-1", "cm-1"), ("Wavenumbers (1/cm)", "cm-1"),
        ("eV", "eV"), ("ELECTRON VOLTS", "eV"),
    ],
)  # fmt: skip
def test_axis_units_are_known_in_the_spellings_of_the_trade(text: str, unit: str) -> None:
    assert read_one(seven(XUNITS=text)).axis.unit == unit


@pytest.mark.parametrize(
    "text", ["HZ", "ARBITRARY", "PPM", "SECONDS", "M/Z", "ANGSTROMS", "CM", "", "WAVELENGTH"]
)
def test_other_axes_are_refused_by_name(text: str) -> None:
    error = refusal(seven(XUNITS=text))
    assert error.place == "line 4"
    assert repr(text) in error.found
    assert "wavelength, wavenumber or photon energy" in error.expected


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("TRANSMITTANCE", "T"), ("%T", "%T"), ("% Transmittance", "%T"), ("T (%)", "%T"),
        ("PERCENT TRANSMITTANCE", "%T"), ("Transmittance (%)", "%T"),
        ("REFLECTANCE", "R"), ("%R", "%R"), ("Percent Reflectance", "%R"),
        ("ABSORBANCE", "A"), ("A", "A"), ("Abs", "A"), ("LOG(1/R)", "log(1/R)"),
    ],
)  # fmt: skip
def test_value_units_are_taken_as_declared(text: str, unit: str) -> None:
    assert read_one(seven(YUNITS=text, YFACTOR="0.01")).unit == unit


@pytest.mark.parametrize(
    "text",
    ["ARBITRARY UNITS", "KUBELKA-MUNK", "COUNTS", "AU", "EMISSION", "", "TRANSMISSION", "REFL"],
)
def test_other_value_units_are_refused_with_the_way_to_declare_them(text: str) -> None:
    error = refusal(seven(YUNITS=text))
    assert error.place == "line 5"
    assert repr(text) in error.found
    assert "a format can declare" in error.expected


def test_a_format_declares_what_a_unit_text_means() -> None:
    settings = {"value_units": {"Transmission": "%T", "TRANSMITTANCE": "%T"}}
    assert read_one(seven(YUNITS="TRANSMISSION"), settings).unit == "%T"
    assert read_one(seven(YUNITS="Transmittance"), settings).unit == "%T"
    assert read_one(seven(YUNITS="ABSORBANCE"), settings).unit == "A"


@pytest.mark.parametrize(("text", "percent"), [("TRANSMITTANCE", "%T"), ("REFLECTANCE", "%R")])
def test_percent_called_a_fraction_is_refused_until_somebody_declares_it(
    text: str, percent: str
) -> None:
    content = seven(YUNITS=text)
    error = refusal(content)
    assert error.place == "line 5"
    assert "a fraction, but ordinates up to 25" in error.found
    assert f'value_units = {{ "{text}" = "{percent}" }}' in error.expected
    found = read_one(content, {"value_units": {text: percent}})
    assert (found.unit, found.values.max(), found.notes) == (percent, 25, ())


def test_a_fraction_somewhat_above_one_is_read_and_remarked() -> None:
    found = read_one(seven(YUNITS="TRANSMITTANCE", YFACTOR="0.06"))
    assert (found.unit, found.values.max()) == ("T", 1.5)
    assert any("ordinates reach 1.5; confirm the unit" in note for note in found.notes)
    assert read_one(seven(YUNITS="TRANSMITTANCE", YFACTOR="0.04")).notes == ()


def test_percent_by_format_that_looks_like_a_fraction_is_remarked() -> None:
    settings = {"value_units": {"TRANSMITTANCE": "%T"}}
    found = read_one(seven(YUNITS="TRANSMITTANCE", YFACTOR="0.04"), settings)
    assert found.unit == "%T"
    assert any("no ordinate exceeds 1; confirm the unit" in note for note in found.notes)


def test_negative_transmittance_is_kept() -> None:
    assert read_one(seven(YUNITS="TRANSMITTANCE", YFACTOR="0.04")).values.min() == -0.12


@pytest.mark.parametrize(
    ("records", "scanned"),
    [
        ({"LONGDATE": "2026/03/04 15:06:07.25 +0530"}, "2026-03-04T15:06:07.250000+05:30"),
        ({"LONG DATE": "2026/03/04  15:06:07"}, "2026-03-04T15:06:07"),
        ({"LONGDATE": "2026/3/4", "TIME": "15:06"}, "2026-03-04T15:06"),
        ({"LONGDATE": "2026-03-04T15:06:07-01:00"}, "2026-03-04T15:06:07-01:00"),
        ({"LONGDATE": "2026/03/04", "DATE": "99/01/01"}, "2026-03-04"),
        ({"DATE": "96/11/04", "TIME": "18:07:10.00"}, "1996-11-04T18:07:10"),
        ({"DATE": "2026/03/04", "TIME": "15:06:07"}, "2026-03-04T15:06:07"),
        ({"DATE": "13/2/1997"}, "1997-02-13"),
        ({"DATE": "2/13/1997"}, "1997-02-13"),
        ({"DATE": "28.01.97"}, "1997-01-28"),
        ({"DATE": "3/3/2026"}, "2026-03-03"),
    ],
)
def test_the_time_of_the_scan_is_read_where_it_can_be_read_in_one_way(
    records: dict[str, str], scanned: str
) -> None:
    found = read_one(seven(**records))
    assert found.fields["scanned"] == scanned
    assert found.notes == ()


@pytest.mark.parametrize(
    "date", ["04/11/96", "05/06/07", "2/3/2026", "31/31/1997", "97/13/45", "4 May 1997", "1/2/34"]
)
def test_a_date_of_two_readings_or_none_is_left_open_and_remarked(date: str) -> None:
    found = read_one(seven(DATE=date, TIME="10:00:00"))
    assert "scanned" not in found.fields
    assert found.header["DATE"] == date
    assert any(repr(date) in note for note in found.notes)


@pytest.mark.parametrize(
    ("order", "date", "scanned"),
    [
        ("day month year", "04/11/96", "1996-11-04"),
        ("month day year", "04/11/96", "1996-04-11"),
        ("year month day", "04/11/16", "2004-11-16"),
        ("day month year", "04-11-26", "2026-11-04"),
    ],
)
def test_a_format_declares_the_order_of_a_date(order: str, date: str, scanned: str) -> None:
    assert read_one(seven(DATE=date), {"date_order": order}).fields["scanned"] == scanned


@pytest.mark.parametrize("clock", ["10:24.56", "25:00:00", "10:60", "ten", "10:00:61"])
def test_a_time_that_is_none_leaves_the_day(clock: str) -> None:
    found = read_one(seven(DATE="97/01/28", TIME=clock))
    assert found.fields["scanned"] == "1997-01-28"
    assert any(repr(clock) in note for note in found.notes)


@pytest.mark.parametrize(
    ("records", "sample"),
    [
        ({}, "invented"),
        ({"SAMPLE DESCRIPTION": "plate 7 $$ glass"}, "plate 7"),
        ({"SAMPLE DESCRIPTION": "plate", "$SAMPLE ID": "P-7"}, "P-7"),
        ({"Sample_Name": "P-8"}, "P-8"),
    ],
)
def test_the_sample_is_named_by_its_own_record_before_the_title(
    records: dict[str, str], sample: str
) -> None:
    assert read_one(seven(**records)).fields["sample"] == sample


def test_the_instrument_is_the_spectrometer_and_data_system() -> None:
    fields = read_one(seven(**{"SPECTROMETER/DATA SYSTEM": "bench 2"})).fields
    assert fields["instrument"] == "bench 2"


def test_texts_beyond_ascii_are_utf8_declared_or_kept_as_escapes() -> None:
    assert read_one(seven(OWNER="Größe")).header["OWNER"] == "Größe"
    content = with_(seven(OWNER="x"), "##OWNER= x", "##OWNER= Gr\xf6\xdfe")
    assert read_one(content).header["OWNER"] == r"Gr\xf6\xdfe"
    assert read_one(content, {"encoding": "cp1252"}).header["OWNER"] == "Größe"


@pytest.mark.parametrize(
    ("settings", "key"),
    [
        ({"units": {}}, "settings.units"),
        ({"value_units": "%T"}, "settings.value_units"),
        ({"value_units": {"TRANSMITTANCE": "percent"}}, "settings.value_units"),
        ({"date_order": "dmy"}, "settings.date_order"),
        ({"encoding": "klingon"}, "settings.encoding"),
        ({"encoding": "utf-16"}, "settings.encoding"),
        ({"encoding": 7}, "settings.encoding"),
        (["x"], "settings"),
    ],
)
def test_an_impossible_setting_is_refused_with_its_key(settings: Any, key: str) -> None:
    error = refusal(seven(), settings)
    assert error.place == f"format 'bench', key {key}"


def test_a_format_for_another_importer_says_nothing_here() -> None:
    formats = {"bench": {"text": {"encoding": "cp1252"}}}
    source = Source("scan.jdx", seven(), formats, "bench")
    (found,) = JcampImporter().read(source)
    assert found.unit == "A"
    assert JcampImporter().sniff(source).format is None


def test_a_format_file_of_the_archive_reaches_the_importer_and_no_other(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(
        """importer = "jcamp"
[settings]
value_units = { "TRANSMITTANCE" = "%T" }
""",
        "utf-8",
    )
    formats = {name: each.as_data() for name, each in load_formats(tmp_path).items()}
    source = Source("scan.jdx", seven(YUNITS="TRANSMITTANCE"), formats, "bench")
    choice = choose(load(only=("jcamp", "columns")), source)
    assert (choice.importer.name, choice.format) == ("jcamp", "bench")
    (found,) = choice.importer.read(source)
    assert found.unit == "%T"
    text = Source("scan.txt", b"nm;T\n500;1\n", formats, "bench")
    assert ColumnsImporter().sniff(text).confidence is Confidence.NO
    assert ColumnsImporter().sniff(replace(text, format=None)).confidence is Confidence.NO
    with pytest.raises(MalformedFile, match="the format 'bench' for the importer 'jcamp'"):
        list(ColumnsImporter().read(text))
