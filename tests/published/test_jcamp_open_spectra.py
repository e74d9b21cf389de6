"""Thirteen open spectra in JCAMP-DX: what becomes of each, and who is right where readers differ.

The files are in ``tests/data/open_spectra`` with a note on their origin; the second opinion is
``read_by_general_parser.csv`` beside them. On the spectra that both read, the two agree to the
rounding of a product of two floats. Where they do not meet:

``uvvis_difdup_increasing``: MINY says 0.0604, both readers say 0.0769. By hand, line 28: A265 is
1265, and j76 j06 p7 o7 n7 Q % J0 l1 lead to 1089 983 906 839 782 790 790 800 769, the lowest of the
table; every one of the 17 Y-checks closes. The header is wrong.

``ir_affn_increasing_absorbance``, ``ir_polystyrene``, ``ir_sqzdup_decreasing``,
``ir_xypoints_increasing``: the general parser reads none of them, over a Ctrl-Z behind the end, a
comment in YFACTOR, or a line that ends otherwise. Here they are read; FIRSTX, LASTX, FIRSTY, MAXY,
MINY and the X-check of every line agree with what is read.

``ir_affn_decreasing``, ``ir_difdup_decreasing``, ``ir_pac_decreasing``: both read the same numbers,
but the files call percent TRANSMITTANCE, which the standard defines as a fraction. A verdict on 87
as a fraction would be wrong by a hundred, so they are refused until a format declares the unit.

``graph_affn``, ``nmr_affn``, ``mass_peaktable`` are not optical spectra. The general parser reads
their numbers; so does our decoder, as shown below, but the importer refuses them.
"""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from speclake_plugins.jcamp import JcampImporter

from speclake.errors import MalformedFile
from speclake.importing import Confidence, Source
from speclake.spectrum import Spectrum

FOLDER = Path(__file__).parent.parent / "data" / "open_spectra"
PERCENT = {"percent": {"importer": "jcamp", "settings": {"value_units": {"TRANSMITTANCE": "%T"}}}}

CTRL_Z = "Ctrl-Z or zero bytes behind the end are set aside"
EXCHANGED = (
    "##FIRSTY= is the last ordinate of the table, not the first",
    "##MAXY= and ##MINY= are exchanged",
)


def percents(max_y: str, max_read: str, min_y: str, min_read: str) -> tuple[str, str]:
    return (
        f"##MAXY= says {max_y}, the ordinates say {max_read}; the ordinates stand",
        f"##MINY= says {min_y}, the ordinates say {min_read}; the ordinates stand",
    )


READ: dict[str, list[tuple[str, str, int, tuple[str, ...]]]] = {
    "ir_affn_increasing_absorbance": [("cm-1", "A", 3601, (CTRL_Z,))],
    "ir_linked_compound": [
        ("cm-1", "T", 1976, percents("49.32", "0.4932", "2.11", "0.0212")),
        ("cm-1", "T", 1976, percents("59.76", "0.5976", "0.81", "0.0088")),
        ("cm-1", "T", 3951, percents("69.4", "0.694", "0.14", "0.0014")),
        ("cm-1", "T", 1976, percents("63.94", "0.6374", "10.41", "0.1051")),
        ("cm-1", "T", 3951, percents("72.71", "0.7271", "1.41", "0.0141")),
    ],
    "ir_polystyrene": [
        ("cm-1", "T", 1844, ("the comment in the value of ##YFACTOR= is set aside",))
    ],
    "ir_sqzdup_decreasing": [
        (
            "cm-1", "T", 18669,
            ("##YUNITS= TRANSMITTANCE is a fraction by the standard, but ordinates reach 1.50501; "
             "confirm the unit",),
        )
    ],
    "ir_xypoints_increasing": [
        ("cm-1", "T", 3601, (CTRL_Z, "##JCAMP_DX= stands for ##JCAMP-DX="))
    ],
    "uvvis_difdup_increasing": [
        ("nm", "A", 440,
         ("##MINY= says 0.0604, the ordinates say 0.0769; the ordinates stand",))
    ],
    "uvvis_linked_kinetics_5": [("nm", "A", 176, EXCHANGED)] * 5,
}  # fmt: skip

PERCENT_CALLED_FRACTION = {
    "ir_affn_decreasing": (
        "line 11", "81.9851", 3951,
        ("##MAXY= says 81.962, the ordinates say 81.98510256; the ordinates stand",),
    ),
    "ir_difdup_decreasing": (
        "line 13", "87.1", 3951,
        ("##MINY= says 0.01, the ordinates say 0.02; the ordinates stand",),
    ),
    "ir_pac_decreasing": (
        "line 16", "101.89", 3301, ("time '10:24.56' is no hh:mm:ss, left open",)
    ),
}  # fmt: skip

OTHER_TECHNIQUES = {
    "graph_affn": ("line 8", "##XUNITS= 'ARBITRARY'"),
    "mass_peaktable": ("line 1", "a mass spectrum"),
    "nmr_affn": ("line 1", "an NMR spectrum"),
}


def content(name: str) -> bytes:
    return (FOLDER / f"{name}.jdx").read_bytes()


def spectra(name: str, declared: str | None = None) -> list[Spectrum]:
    return list(JcampImporter().read(Source(f"{name}.jdx", content(name), PERCENT, declared)))


def relabelled(name: str, *changes: tuple[str, str]) -> Spectrum:
    """The only spectrum of a file whose header was made to name a technique of ours."""
    changed = content(name)
    for old, new in changes:
        assert old.encode() in changed
        changed = changed.replace(old.encode(), new.encode(), 1)
    (found,) = JcampImporter().read(Source(f"{name}.jdx", changed))
    return found


def as_listed(found: Spectrum) -> tuple[list[float], list[float]]:
    step = 1 if found.scan_direction == "ascending" else -1
    return found.axis.values[::step].tolist(), found.values[::step].tolist()


def second_opinions() -> dict[str, list[dict[str, str]]]:
    opinions: dict[str, list[dict[str, str]]] = {}
    with (FOLDER / "read_by_general_parser.csv").open(newline="") as lines:
        for row in csv.DictReader(lines):
            if row["npoints"]:
                opinions.setdefault(row["file"].removesuffix(".jdx"), []).append(row)
    return opinions


def check_against(opinion: dict[str, str], found: Spectrum) -> None:
    positions, values = as_listed(found)
    assert len(values) == int(opinion["npoints"])
    # one product of two rounded numbers is off by three half units in the last place at most
    for name, ours in (
        ("x_first", positions[0]), ("x_last", positions[-1]), ("y_first", values[0]),
        ("y_last", values[-1]), ("y_min", min(values)), ("y_max", max(values)),
    ):  # fmt: skip
        assert math.isclose(float(opinion[name]), ours, rel_tol=4e-16, abs_tol=1e-16), name
    # the sums are written to nine figures, or to a whole number in thousands
    assert math.isclose(float(opinion["y_sum"]), math.fsum(values), rel_tol=1e-8)


def test_every_file_has_a_fate() -> None:
    files = {path.stem for path in FOLDER.glob("*.jdx")}
    assert files == {*READ, *PERCENT_CALLED_FRACTION, *OTHER_TECHNIQUES}
    assert len(files) == 13


@pytest.mark.parametrize("name", sorted(path.stem for path in FOLDER.glob("*.jdx")))
def test_every_file_is_known_for_jcamp(name: str) -> None:
    assert JcampImporter().sniff(Source(name, content(name))).confidence is Confidence.CERTAIN


@pytest.mark.parametrize("name", READ)
def test_what_is_read_has_these_units_points_and_notes(name: str) -> None:
    found = spectra(name)
    assert [(each.axis.unit, each.unit, len(each.axis), each.notes) for each in found] == READ[name]
    assert [each.place for each in found] == [f"block {i + 1}" for i in range(len(found))]


@pytest.mark.parametrize("name", PERCENT_CALLED_FRACTION)
def test_percent_that_is_called_a_fraction_needs_a_declaration(name: str) -> None:
    place, highest, points, notes = PERCENT_CALLED_FRACTION[name]
    with pytest.raises(MalformedFile) as refused:
        spectra(name)
    assert refused.value.place == place
    assert f"ordinates up to {highest}" in refused.value.found
    (found,) = spectra(name, "percent")
    assert (found.unit, len(found.axis), found.notes) == ("%T", points, notes)


@pytest.mark.parametrize("name", OTHER_TECHNIQUES)
def test_other_techniques_are_refused_by_name(name: str) -> None:
    place, found = OTHER_TECHNIQUES[name]
    with pytest.raises(MalformedFile) as refused:
        spectra(name)
    assert (refused.value.place, refused.value.found) == (place, found)
    assert "wavelength, wavenumber or photon energy" in refused.value.expected


@pytest.mark.parametrize(
    "name", [name for name in second_opinions() if name not in OTHER_TECHNIQUES]
)
def test_the_second_opinion_agrees(name: str) -> None:
    found = spectra(name, "percent" if name in PERCENT_CALLED_FRACTION else None)
    for opinion, each in zip(second_opinions()[name], found, strict=True):
        check_against(opinion, each)


def test_values_are_the_floats_of_the_written_decimals() -> None:
    (found,) = spectra("ir_difdup_decreasing", "percent")
    hundredths = np.rint(found.values * 100)
    assert found.values.tolist() == [float(f"{int(each)}e-2") for each in hundredths]


def test_the_sine_curve_is_a_sine() -> None:
    """``graph_affn`` is a sine in steps of one degree: the forms prove themselves by arithmetic."""
    found = relabelled(
        "graph_affn",
        ("XUNITS= ARBITRARY", "XUNITS= NANOMETERS"),
        ("YUNITS= ARBITRARY", "YUNITS= ABSORBANCE"),
    )
    assert found.axis.values.tolist() == list(range(1, 361))
    # YFACTOR has five figures: 9.3132E-10 for 2**-30
    sine = np.sin(np.deg2rad(found.axis.values)) * 9.3132e-10 * 2**30
    # the sine of the file itself is good to six decimals
    np.testing.assert_allclose(found.values, sine, rtol=0, atol=1e-6)
    check_against(
        {**second_opinions()["graph_affn"][0], "y_sum": str(math.fsum(found.values))}, found
    )


def test_the_nuclear_resonance_decodes_as_the_second_opinion_says() -> None:
    found = relabelled(
        "nmr_affn",
        ("NMR SPECTRUM", "INFRARED SPECTRUM"),
        ("XUNITS = HZ", "XUNITS = 1/CM"),
        ("YUNITS = ARBITRARY UNITS", "YUNITS = ABSORBANCE"),
    )
    check_against(second_opinions()["nmr_affn"][0], found)
    assert found.fields["scanned"] == "1997-08-29T16:47:44+05:00"


def test_the_kinetic_set_turns_around_its_isosbestic_points() -> None:
    """One absorber that becomes another leaves some wavelengths unmoved: physics checks the reader.

    In ``uvvis_linked_kinetics_5`` the five spectra cross near 404, 452 and 588 nm within 0.0005;
    beside them, at 518 and 634 nm, each spectrum is further along than the one before, one way up
    and one way down.
    """
    found = spectra("uvvis_linked_kinetics_5")
    wavelengths = found[0].axis.values
    absorbance = np.stack([each.values for each in found])
    at = {int(nm): absorbance[:, i] for i, nm in enumerate(wavelengths)}
    for isosbestic_nm in (404, 452, 588):
        assert np.ptp(at[isosbestic_nm]) < 0.0005
    assert (np.diff(at[518]) > 0.001).all()
    assert (np.diff(at[634]) < -0.001).all()
    assert np.ptp(at[518]) > 60 * 0.0005


def test_the_scan_times_of_the_kinetic_set_follow_each_other() -> None:
    scanned = [each.fields["scanned"] for each in spectra("uvvis_linked_kinetics_5")]
    assert scanned == [
        "1996-11-04T18:07:10", "1996-11-04T18:07:33", "1996-11-04T18:08:07",
        "1996-11-04T18:08:40", "1996-11-04T18:09:14",
    ]  # fmt: skip


def test_every_header_record_is_kept_as_written() -> None:
    first, second, *_ = spectra("uvvis_linked_kinetics_5")
    assert first.header["BLOCK_ID"] == "1"
    assert second.header["BLOCK-ID"] == "2"
    assert first.header["LINK: BLOCKS"] == "5"
    (polystyrene,) = spectra("ir_polystyrene")
    assert polystyrene.header["YFACTOR"] == (
        "2.384185791e-09    $$ this expands data to fill a 32 bit word"
    )
    (pac,) = spectra("ir_pac_decreasing", "percent")
    assert pac.header["SPECTROMETER SETTINGS"] == (
        "DETECTOR=;\n  MODENAME=;ID=\n  APODIZATION= MEDIUM;"
    )
