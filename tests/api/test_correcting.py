"""Corrected spectra: beside what was measured, marked, on record, and never judged."""

from collections.abc import Iterator
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from speclake.api import Archive
from speclake.api.correcting import write_corrected
from speclake.api.events import NotAllowed
from speclake.api.eventwords import details_told
from speclake.api.operations import levelled_at
from speclake.errors import CannotWrite, NotFound
from speclake.measurement import LinkKind
from speclake.settings import Settings
from speclake.spectrum import Axis, SpectrumSet
from tests.api.two_benches import NM, export, make

CERTIFICATE = """
name = "mirror 7"
material = "aluminium on silica"
identification = "M-7"
certificate = "C-2026-11"
issued_by = "an invented laboratory"
issued_on = 2026-01-10
valid_until = 2026-03-04
unit = "%T"
value = [[470, 98.0, 0.4], [520, 96.0, 0.4]]
"""


@pytest.fixture
def archive(tmp_path) -> Iterator[Archive]:
    with make(tmp_path) as made:
        (made.root / "standards").mkdir(exist_ok=True)
        (made.root / "standards/mirror.toml").write_text(CERTIFICATE, "utf-8")
        export(tmp_path / "exports", "raw", 92.0, 1)
        export(tmp_path / "exports", "late", 92.0, 4)
        export(tmp_path / "exports", "unknown", 92.0, 1.5)
        export(tmp_path / "exports", "stepped", np.where(NM < 505, 90.0, 90.3), 2)
        made.ingest([tmp_path / "exports"])
        for name in ("raw", "late"):
            made.assign(ids(made, name), {"correction": "raw ratio"}, who="q", why="as set up")
        yield made


def ids(archive: Archive, sample: str) -> list[str]:
    return archive.find(sample=sample)["measurement_id"].to_list()


def correct(archive: Archive, sample: str, **how: object):
    return archive.correct(ids(archive, sample), who="q", why="absolute values", **how)


def test_a_ratio_times_its_certificate_is_a_spectrum_of_its_own(archive):
    (made,) = correct(archive, "raw", standard="mirror 7")
    (derived,) = archive.derived([made.derived_id])
    expected = np.where(NM <= 520, 0.92 * (98.0 - (NM - 470) * 0.04), np.nan)
    np.testing.assert_allclose(derived.values[0], expected)
    (measured,) = archive.spectra(ids(archive, "raw"))
    assert set(measured.values[0]) == {92.0}


def test_it_is_on_record_with_its_certificate_and_marked(archive):
    (made,) = correct(archive, "raw", standard="mirror 7")
    assert made.parameters["certificate"] == "C-2026-11"
    assert made.parameters["largest_uncertainty_of_the_certificate"] == "0.368 %T"
    assert made.mark.startswith("corrected, times certificate (standard mirror 7, certificate C-")
    assert made.mark.endswith("absolute values; not as measured, and not judged")
    assert archive.corrections(ids(archive, "raw")) == [made]
    event = archive.events(ids(archive, "raw")[0])[-1]
    assert event.kind == "correct"
    assert event.details["derived_id"] == made.derived_id
    told = details_told(event)
    assert told.startswith("times certificate (standard mirror 7, certificate C-2026-11, ")
    assert told.endswith(
        f"spectrum {made.derived_id} beside the measured one, which alone is judged"
    )
    kept = archive.store.catalog.standard(made.parameters["certificate_version"])
    assert "C-2026-11" in kept.content
    assert archive.verify() == []


@pytest.mark.parametrize(("keep", "level"), [("shorter", 90.0), ("longer", 90.3)])
@pytest.mark.parametrize("by", ["offset", "factor"])
def test_a_step_is_levelled_to_the_side_that_is_kept(archive, keep, level, by):
    (made,) = correct(archive, "stepped", level_at_nm=505.0, keep=keep, by=by)
    (derived,) = archive.derived([made.derived_id])
    np.testing.assert_allclose(derived.values[0], level)
    assert made.operation == "levelled where no change-over is known"
    moved = {"offset": level - 90.15, "factor": level / (180.3 - level)}[by]
    told = float(made.parameters[by].split()[0])
    assert told == pytest.approx(2 * moved if by == "offset" else moved, rel=1e-4)


def test_on_an_axis_of_energy_the_shorter_side_is_the_upper_one():
    """Grating change at 504.5 nm in vacuum, seen in wavenumbers."""
    at = 1e7 / NM[::-1]
    stepped = SpectrumSet(Axis(at, "cm-1"), [np.where(NM[::-1] < 505, 90.0, 90.3)], "%T", ("a",))
    making = levelled_at(Settings(name="lab"), 504.5, "shorter", "offset")
    made = making(stepped, SimpleNamespace(changeovers=(504.5,)))
    np.testing.assert_allclose(made.spectrum.values, 90.0)
    assert made.parameters["offset"] == "-0.3 %T"


def drawn(shape, step, sigma=0.05):
    nm = np.arange(400.0, 1200.5)
    noise = np.random.default_rng(5).normal(0, sigma, nm.size)
    values = np.round(shape(nm) + step * (nm >= 860) + noise, 4)
    return SpectrumSet(Axis(nm, "nm", "air"), values[np.newaxis], "%T", ("a",))


@pytest.mark.parametrize("period_nm", [60.0, 120.0, 200.0])
def test_on_fringes_the_step_is_taken_away_and_not_the_fringe(archive, period_nm):
    """A line on each side takes the wrong amount off a fringe, even with the wrong sign."""
    spectra = drawn(lambda nm: 92 + 2 * np.cos(2 * np.pi * nm / period_nm + 1), 0.6)
    (known,) = archive.store.catalog.measurements(ids(archive, "raw"))
    made = levelled_at(Settings(name="lab"), 860.0, "shorter", "offset")(spectra, known)
    uncertainty = float(made.parameters["uncertainty_of_the_step"].split()[0])
    assert 0.02 < uncertainty < 0.5
    assert float(made.parameters["offset"].split()[0]) == pytest.approx(-0.6, abs=1.5 * uncertainty)


@pytest.mark.parametrize(
    ("shape", "step", "said"),
    [
        (lambda nm: 90 + 0.002 * nm, 0.0, "no step is seen at 860 nm, "),
        (lambda nm: 50 + 45 * np.tanh((nm - 860) / 6), 0.3, "bends too much around 860 nm"),
    ],
)
def test_what_is_no_step_beyond_its_uncertainty_is_not_taken_away(archive, shape, step, said):
    (known,) = archive.store.catalog.measurements(ids(archive, "raw"))
    with pytest.raises(NotAllowed, match=said):
        levelled_at(Settings(name="lab"), 860.0, "shorter", "offset")(drawn(shape, step), known)


def test_it_is_not_judged(archive):
    before = archive.verdicts(ids(archive, "raw"))
    correct(archive, "raw", standard="mirror 7")
    archive.judge(ids(archive, "raw"), who="q", why="again")
    after = archive.verdicts(ids(archive, "raw"))
    assert after["spectrum"].to_list() == before["spectrum"].to_list() == ["as exported"]
    assert after["value"].to_list() == before["value"].to_list()


def test_made_again_it_is_the_same_one(archive):
    first = correct(archive, "raw", standard="mirror 7")
    head = archive.store.head()
    assert correct(archive, "raw", standard="mirror 7") == first
    assert archive.store.head() == head


def test_a_certificate_that_has_expired_is_not_used(archive):
    with pytest.raises(NotAllowed, match="holds from 2026-01-10 to 2026-03-04"):
        correct(archive, "late", standard="mirror 7")
    assert archive.corrections(ids(archive, "late")) == []


@pytest.mark.parametrize(
    ("sample", "how", "said"),
    [
        ("unknown", {"standard": "mirror 7"}, "found the correction 'unknown'"),
        ("raw", {"standard": "mirror 8"}, "found no certificate of 'mirror 8'"),
        ("raw", {}, "one of them"),
        ("raw", {"standard": "mirror 7", "level_at_nm": 500.0}, "one of them"),
        ("stepped", {"level_at_nm": 700.0}, "a place to level at lies inside"),
    ],
)
def test_what_does_not_fit_is_refused(archive, sample, how, said):
    with pytest.raises(NotAllowed, match=said):
        correct(archive, sample, **how)


def test_of_several_either_all_are_corrected_or_none(archive):
    both = [*ids(archive, "raw"), *ids(archive, "unknown")]
    with pytest.raises(NotAllowed):
        archive.correct(both, standard="mirror 7", who="q", why="absolute values")
    assert archive.corrections(both) == []


def test_somebody_and_a_reason_are_asked_for(archive):
    with pytest.raises(NotAllowed):
        archive.correct(ids(archive, "raw"), standard="mirror 7", who="q", why=" ")
    with pytest.raises(NotFound):
        archive.correct(["nothing"], standard="mirror 7", who="q", why="absolute values")


def test_a_file_of_corrected_spectra_says_so_above_every_column(archive, tmp_path):
    made = correct(archive, "stepped", level_at_nm=505.0)
    target = tmp_path / "levelled.csv"
    assert write_corrected(archive.store, made, target) == 1
    table = pl.read_csv(target)
    assert table.columns[0] == "axis (nm)"
    assert table.columns[1] == f"%T {made[0].mark}; from {made[0].measurement_id}"
    np.testing.assert_allclose(table[table.columns[1]], 90.0)
    with pytest.raises(CannotWrite, match=r"expected \.csv"):
        write_corrected(archive.store, made, tmp_path / "levelled.jdx")


def test_a_certificate_for_another_angle_is_not_used(archive):
    """Reflectance at 45 degrees is not that at 8 degrees."""
    standard = archive.root / "standards/mirror.toml"
    standard.write_text(
        standard.read_text("utf-8").replace("unit =", "angle_deg = 8\nunit ="), "utf-8"
    )
    archive.assign(ids(archive, "raw"), {"angle_deg": "45"}, who="q", why="as set up")
    with pytest.raises(NotAllowed, match=r"measured at 45°; the certificate .* holds at 8°"):
        correct(archive, "raw", standard="mirror 7")
    archive.assign(ids(archive, "raw"), {"angle_deg": "8.2"}, who="q", why="as set up")
    assert len(correct(archive, "raw", standard="mirror 7")) == 1


def test_it_says_against_what_was_measured_or_that_nobody_did(archive):
    (made,) = correct(archive, "raw", standard="mirror 7")
    assert "measured against not on record, on the word of whoever asked" in made.mark
    (of,) = ids(archive, "late")
    (raw,) = ids(archive, "raw")
    archive.assign([of], {"kind": "reference", "serial": "M-8"}, who="q", why="as set up")
    archive.link(raw, LinkKind.MEASURED_AGAINST, of, who="q", why="by the log")
    with pytest.raises(NotAllowed, match="measured against late, as linked; expected mirror 7"):
        correct(archive, "raw", standard="mirror 7")
    archive.assign([of], {"serial": "M-7"}, who="q", why="read again")
    (again,) = correct(archive, "raw", standard="mirror 7")
    assert again.parameters["measured_against"] == "late, as linked"


def test_a_place_that_is_no_known_changeover_is_not_called_one(archive):
    (made,) = correct(archive, "stepped", level_at_nm=505.0)
    assert made.operation == "levelled where no change-over is known"
    assert made.mark.startswith("corrected, levelled where no change-over is known (")
